"""The folder of backups: names, what each holds, and whether it is whole."""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath
from typing import Any

from pydantic import BaseModel, ConfigDict, ValidationError

from pipeline.backup.config_files import is_safe
from pipeline.backup.refusals import refuse
from pipeline.config import Fleet

MANIFEST = "manifest.json"
WAREHOUSE = "warehouse.duckdb"
CONFIG = "fleet"
STATE = "state"
ASIDE = "aside"
LOG_NAMES = ("commands.log", "commands.head")
FORMAT_NO = 1
_NAME = re.compile(r"(?P<at>\d{4}-\d\d-\d\dT\d{6}Z)-(?P<kind>[a-z]+)(?:-\d+)?")
_PART = re.compile(r"\.\d{4}-\d\d-\d\dT\d{6}Z-[a-z]+(?:-\d+)?\.part")


class Sum(BaseModel):
    """Size and SHA-256 of one file."""

    model_config = ConfigDict(frozen=True, extra="forbid")
    size_bytes: int
    sha256: str


class Manifest(BaseModel):
    """What a backup holds. Written last, so that a folder without it is no backup."""

    model_config = ConfigDict(frozen=True, extra="ignore")
    format_no: int
    made_at: datetime
    kind: str
    operator: str
    program_version: str
    schema_no: int
    method_version: str | None
    upgrade_to: tuple[int, str] | None = None
    rows: dict[str, int]
    files: dict[str, Sum]


@dataclass(frozen=True)
class Kept:
    """One backup in the folder.

    Parameters
    ----------
    path
        Its folder.
    made_at
        From its name.
    kind
        ``asked``, ``round`` or ``upgrade``.
    """

    path: Path
    made_at: datetime
    kind: str

    @property
    def size_bytes(self) -> int:
        """Bytes on the disk."""
        return tree_bytes(self.path)


def backups_folder(fleet: Fleet) -> Path:
    """Where this fleet's backups go.

    In a folder of the operator's, each fleet folder has its own below it, so that two fleets that
    name the same one do not rotate each other's away.
    """
    told = fleet.settings.backup.folder
    if not told:
        return local_folder(fleet.folder)
    mark = hashlib.sha256(os.fsencode(fleet.folder)).hexdigest()[:8]
    return (fleet.folder / Path(told).expanduser()) / f"{fleet.folder.name}-{mark}"


def local_folder(folder: Path) -> Path:
    """Inside the state folder; those before an upgrade always go there, next to what they save."""
    return folder / ".coldminutes" / "backups"


def all_folders(fleet: Fleet) -> list[Path]:
    """Every folder in which this program may have put backups of this fleet by itself."""
    return list(dict.fromkeys((backups_folder(fleet), local_folder(fleet.folder))))


def listed(folder: Path) -> list[Kept]:
    """Whole backups in a folder, oldest first; other things there are passed over."""
    found = []
    if not folder.is_dir():
        return []
    for path in folder.iterdir():
        named = _NAME.fullmatch(path.name)
        if named and not path.is_symlink() and (path / MANIFEST).is_file():
            try:
                made_at = datetime.strptime(named["at"], "%Y-%m-%dT%H%M%SZ").replace(tzinfo=UTC)
            except ValueError:
                continue
            found.append(Kept(path, made_at, named["kind"]))
    return sorted(found, key=lambda kept: (kept.made_at, kept.path.name))


def unfinished(folder: Path) -> list[Path]:
    """What backups that were broken off left behind."""
    if not folder.is_dir():
        return []
    return sorted(path for path in folder.iterdir() if _PART.fullmatch(path.name))


def newest(fleet: Fleet) -> Kept | None:
    """The youngest backup of a fleet, wherever it lies."""
    found = [kept for folder in all_folders(fleet) for kept in listed(folder)]
    return max(found, key=lambda kept: kept.made_at, default=None)


@contextmanager
def folder_lock(folder: Path, *, waits: bool) -> Iterator[bool]:
    """Hold a folder of backups, so that nobody takes one being written for a leftover.

    Parameters
    ----------
    waits
        Until whoever holds it has ended.

    Yields
    ------
    bool
        False where another process holds it. A file system without such locks has nobody to wait
        for that could be seen.
    """
    handle = os.open(folder, os.O_RDONLY)
    try:
        is_ours = True
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | (0 if waits else fcntl.LOCK_NB))
        except BlockingIOError:
            is_ours = False
        except OSError:
            pass
        yield is_ours
    finally:
        os.close(handle)


def read_manifest(path: Path) -> Manifest:
    """What a backup says of itself, its names checked.

    Raises
    ------
    ColdMinutesError
        BACKUP-02, where it is no backup.
    """
    try:
        told: Any = json.loads((path / MANIFEST).read_text(encoding="utf-8"))
        manifest = Manifest.model_validate(told)
    except (OSError, ValueError, ValidationError) as error:
        first = str(error).splitlines()[0]
        raise refuse(
            "BACKUP-02",
            str(path),
            f"is no backup of this program ({first[:200]})",
            "Name the folder of a backup; `coldminutes status FLEET` says where they are.",
        ) from error
    if manifest.format_no > FORMAT_NO:
        raise refuse(
            "BACKUP-02",
            str(path),
            f"has format {manifest.format_no}, this program knows formats up to {FORMAT_NO}",
            "Install the newer coldminutes that wrote it.",
        )
    for name in manifest.files:
        inner = PurePosixPath(name)
        is_ours = name == WAREHOUSE or (
            len(inner.parts) > 1
            and (
                (inner.parts[0] == CONFIG and is_safe(PurePosixPath(*inner.parts[1:])))
                or name in {f"{STATE}/{log}" for log in LOG_NAMES}
            )
        )
        if not is_ours:
            raise _damaged(path, name, "is a name that no backup holds")
    if WAREHOUSE not in manifest.files:
        raise _damaged(path, WAREHOUSE, "is missing")
    return manifest


def verify(path: Path) -> Manifest:
    """Read a backup whole, and hold every file to its checksum.

    Raises
    ------
    ColdMinutesError
        BACKUP-02, where it is none; BACKUP-03, where a file of it is missing or changed.
    """
    manifest = read_manifest(path)
    for name, expected in manifest.files.items():
        file = path / name
        if file.is_symlink() or not file.is_file():
            raise _damaged(path, name, "is missing")
        if sum_of(file) != expected:
            raise _damaged(path, name, "is not as it was written")
    return manifest


def sum_of(path: Path) -> Sum:
    """Size and checksum of a file."""
    with path.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
        return Sum(size_bytes=file.tell(), sha256=digest)


def remove(path: Path) -> None:
    """Take a backup away, the manifest first: what is left of a removal broken off is none."""
    (path / MANIFEST).unlink(missing_ok=True)
    shutil.rmtree(path)


def tree_bytes(path: Path) -> int:
    """Bytes of all files below a folder."""
    return sum(each.lstat().st_size for each in path.rglob("*") if not each.is_dir())


def _damaged(path: Path, name: str, why: str) -> Exception:
    return refuse(
        "BACKUP-03",
        f"{path}, {name}",
        why,
        "Take another backup. Nothing was changed.",
    )
