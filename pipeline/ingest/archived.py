"""Exports that were taken in and moved into the archive, as the inbox had them.

``archive/2026-W03/002/van_03.csv.archived.zst`` is what the second sorting of that week moved away
as ``inbox/van_03.csv``; what was packed already keeps its name. The order of the folders is the
order in which the exports came, so reading the archive anew ends in the same tables.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path

import duckdb
import pyarrow as pa

from pipeline import warehouse
from pipeline.config import Fleet
from pipeline.disk import disk_full, is_disk_full
from pipeline.ingest.inbox import InboxFile, safe_name
from pipeline.problems import Problem

ARCHIVE = "archive"
PACKED = ".archived.zst"
DAMAGED = "ARRIVE-02"
_ROUND = re.compile(r"\d{4}-W\d{2}/\d{3,6}")


@dataclass(frozen=True)
class Archived:
    """One export of the archive.

    Parameters
    ----------
    path
        Where it lies.
    name
        Its path relative to the inbox when it lay there, safe to print.
    sorting
        Week and number of the sorting that moved it, such as ``2026-W03/002``.
    """

    path: Path
    name: str
    sorting: str

    @property
    def is_packed(self) -> bool:
        """Did the archive pack it? Else it lies there as it came."""
        return self.path.name.endswith(PACKED)


def sortings(fleet: Fleet) -> list[Path]:
    """Folders of the archive in the order in which they were filled."""
    found = []
    for path in (fleet.folder / ARCHIVE).glob("????-W??/*"):
        told = f"{path.parent.name}/{path.name}"
        if _ROUND.fullmatch(told) and path.is_dir() and not path.is_symlink():
            found.append(path)
    return sorted(found, key=lambda path: (path.parent.name, int(path.name)))


def list_archive(fleet: Fleet) -> list[Archived]:
    """Exports of the archive in the order in which they came; links are not followed."""
    found = []
    for folder in sortings(fleet):
        here = []
        for path in folder.rglob("*"):
            inside = path.relative_to(folder)
            is_hidden = any(part.startswith(".") for part in inside.parts)
            if is_hidden or path.is_symlink() or not path.is_file():
                continue
            name = safe_name(inside.as_posix().removesuffix(PACKED))
            here.append(Archived(path, name, f"{folder.parent.name}/{folder.name}"))
        found += sorted(here, key=lambda archived: archived.name)
    return found


def is_archived(fleet: Fleet, file_path: str) -> bool:
    """Does the archive hold the file, or the zip it is a member of?"""
    names = {archived.name for archived in list_archive(fleet)}
    return _is_among(names, file_path)


def among_archived(fleet: Fleet, file_paths: list[str]) -> list[bool]:
    """As `is_archived`, of many names at once."""
    names = {archived.name for archived in list_archive(fleet)}
    return [_is_among(names, file_path) for file_path in file_paths]


def want_archive(con: duckdb.DuckDBPyConnection) -> None:
    """Have the archive read by the next run (in the transaction that makes it necessary)."""
    warehouse.run(con, "ingest/want_archive")


def is_wanted(con: duckdb.DuckDBPyConnection, fleet: Fleet) -> bool:
    """Is the archive to be read: asked for and not done, or the warehouse new?"""
    is_asked, is_new = con.execute(
        "select exists (from archive_reading), not exists (from files)"
    ).fetchall()[0]
    if is_new and not is_asked and sortings(fleet):
        want_archive(con)
        return True
    return bool(is_asked)


def staged(fleet: Fleet, temp: Path, problems: list[Problem]) -> Iterator[list[InboxFile]]:
    """The archive, one sorting after the other, as files that the ingest can read.

    What was packed is unpacked below `temp` until the next sorting follows. A damaged one becomes
    a finding in `problems`.

    Raises
    ------
    ColdMinutesError
        ENV-02, where the disk is full.
    """
    folder = temp / ARCHIVE
    for _, batch in groupby(list_archive(fleet), key=lambda archived: archived.sorting):
        files = []
        for number, archived in enumerate(batch):
            try:
                files.append(_as_file(archived, folder / str(number)))
            except OSError as error:
                if is_disk_full(error):
                    raise disk_full(error) from error
                problems.append(_damaged(archived, error))
        yield files
        with suppress(FileNotFoundError):
            shutil.rmtree(folder)


def unpack_to(packed: Path, target: Path) -> None:
    """What a packed export held, as a new file."""
    with (
        pa.input_stream(str(packed), compression="zstd") as stream,
        target.open("xb") as out,
    ):
        while chunk := stream.read(1 << 20):
            out.write(chunk)


def _as_file(archived: Archived, folder: Path) -> InboxFile:
    state = archived.path.stat()
    path = archived.path
    if archived.is_packed:
        folder.mkdir(parents=True)
        path = folder / archived.path.name.removesuffix(PACKED)
        unpack_to(archived.path, path)
    return InboxFile(path, archived.name, path.stat().st_size, state.st_mtime_ns)


def _damaged(archived: Archived, error: OSError) -> Problem:
    return Problem(
        DAMAGED,
        "exclude",
        f"{ARCHIVE}/{archived.sorting}/{archived.name}",
        f"cannot be read again ({error})",
        "Put a whole copy of the export into inbox/, if there is one. The rest was read.",
    )


def _is_among(names: set[str], file_path: str) -> bool:
    parts = file_path.split("/")
    return any("/".join(parts[:n]) in names for n in range(1, len(parts) + 1))
