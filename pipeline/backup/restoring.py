"""A backup brought back: checked, made ready beside the present state, then put in its place.

The warehouse is swapped in one step, each file of the configuration in one; what was there before
is laid aside first. A restore that is broken off is finished by saying it again.
"""

from __future__ import annotations

import fcntl
import os
import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path, PurePosixPath

from pipeline import warehouse
from pipeline.backup.config_files import config_files, is_safe
from pipeline.backup.copying import opened, row_counts
from pipeline.backup.forgotten_since import forget_again, merged_list
from pipeline.backup.make import SPARE_BYTES
from pipeline.backup.refusals import no_room, refuse
from pipeline.backup.store import (
    ASIDE,
    CONFIG,
    LOG_NAMES,
    STATE,
    WAREHOUSE,
    Manifest,
    verify,
)
from pipeline.config import Limits
from pipeline.disk import sync
from pipeline.people.blocked import LIST_NAME
from pipeline.people.log import append, user
from pipeline.people.put import replace_file
from pipeline.problems import ColdMinutesError
from pipeline.rounds.lock import round_lock

LOCK_LOOK_S = 0.25


@dataclass
class Restored:
    """What was brought back.

    Parameters
    ----------
    manifest
        Of the backup.
    aside
        Where the state before lies; None where there was none.
    config_aside
        Configuration files that the backup does not have, laid aside too.
    forgotten_n
        People forgotten since the backup was made, taken out of it again.
    """

    manifest: Manifest
    aside: Path | None = None
    config_aside: list[str] = field(default_factory=list)
    forgotten_n: int = 0


def restore(folder: Path, backup: Path, now: datetime, *, wait_s: float = 0.0) -> Restored:
    """Bring a backup back into a fleet folder, or into a new one.

    Exports in the inbox and reports are not touched. Nothing is migrated: an earlier version of
    the program may open what it wrote.

    Raises
    ------
    ColdMinutesError
        BACKUP-02 or 03 where the backup is none or not whole; BACKUP-04 where the folder is
        something else; WAREHOUSE-01 where a run holds the warehouse beyond `wait_s`; WAREHOUSE-02
        where the backup is newer than this program; ENV-03 without room; PEOPLE-02 where people
        were forgotten since and their key is not here. Nothing was changed then.
    """
    folder = folder.resolve()
    manifest = verify(backup)
    _require_known_schema(backup, manifest)
    _require_place(folder)
    state = folder / ".coldminutes"
    try:
        state.mkdir(parents=True, exist_ok=True)
        _require_room(state, manifest)
        staged = _staged(state, backup, manifest)
    except OSError as error:
        raise refuse(
            "BACKUP-05",
            str(folder),
            f"cannot be written ({error.strerror or error})",
            "Make it writable. Nothing was changed.",
            exit_code=4,
        ) from error
    done = Restored(manifest)
    try:
        with round_lock(state, wait_s) as holder:
            if holder is not None:
                raise _is_at_work(state)
            _bring_back(folder, staged, done, now, wait_s)
    finally:
        shutil.rmtree(staged, ignore_errors=True)
    _put_log(state, backup, manifest, now)
    return done


def _bring_back(folder: Path, staged: Path, done: Restored, now: datetime, wait_s: float) -> None:
    state = folder / ".coldminutes"
    list_text = merged_list(folder / LIST_NAME, staged / CONFIG / LIST_NAME)
    done.forgotten_n = forget_again(folder, staged, list_text)
    with _held(state / WAREHOUSE, wait_s):
        done.aside = _lay_aside(folder, now)
        done.config_aside = _put_config(folder, staged / CONFIG, done.aside, list_text)
        _swap_warehouse(state, staged / WAREHOUSE)


def _require_known_schema(backup: Path, manifest: Manifest) -> None:
    known = warehouse.newest_schema()
    if manifest.schema_no > known:
        raise refuse(
            "WAREHOUSE-02",
            str(backup),
            f"has schema {manifest.schema_no}, this program knows schemas up to {known}",
            "Install the newer coldminutes that wrote it. Nothing was changed.",
        )


def _require_place(folder: Path) -> None:
    """A fleet folder, an empty one, or none yet."""
    if (folder / "fleet.toml").is_file() or not folder.exists():
        return
    names = {path.name for path in folder.iterdir()} if folder.is_dir() else {""}
    if names - {".coldminutes", "inbox", "reports", "archive"}:
        raise refuse(
            "BACKUP-04",
            str(folder),
            "is neither a fleet folder nor an empty one",
            "Name the fleet folder to restore, or a new one. Nothing was changed.",
            exit_code=2,
        )


def _require_room(state: Path, manifest: Manifest) -> None:
    needed = sum(each.size_bytes for each in manifest.files.values()) + SPARE_BYTES
    free = shutil.disk_usage(state).free
    if free < needed:
        raise no_room(str(state), needed, free, "what is restored")


def _staged(state: Path, backup: Path, manifest: Manifest) -> Path:
    """All of the backup next to its place, read through once more."""
    staged = state / "restoring"
    if staged.exists():
        shutil.rmtree(staged)
    (staged / CONFIG).mkdir(parents=True)
    for name in manifest.files:
        target = staged / name
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(backup / name, target)
    with opened(staged / WAREHOUSE, Limits()) as con:
        if row_counts(con) != manifest.rows:
            raise refuse(
                "BACKUP-03",
                f"{backup}, {WAREHOUSE}",
                "does not hold the rows that the backup speaks of",
                "Take another backup. Nothing was changed.",
            )
    return staged


@contextmanager
def _held(path: Path, wait_s: float) -> Iterator[None]:
    """Keep every run away from the present warehouse, be it damaged or not.

    The same lock that DuckDB takes, so that a file it can no longer open is held too.
    """
    if not path.exists():
        yield
        return
    until_s = time.monotonic() + wait_s
    with path.open("r+b") as file:
        while True:
            try:
                fcntl.lockf(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except OSError as error:
                if time.monotonic() >= until_s:
                    raise _is_at_work(path) from error
                time.sleep(LOCK_LOOK_S)
        yield


def _is_at_work(where: Path) -> ColdMinutesError:
    return refuse(
        "WAREHOUSE-01",
        str(where),
        "another run is at work on this fleet",
        "Say it again when it has finished, or let `--wait SECONDS` wait for it. Nothing was "
        "changed.",
    )


def _lay_aside(folder: Path, now: datetime) -> Path | None:
    """Keep warehouse, its log and configuration as they are; None where there are none."""
    state = folder / ".coldminutes"
    present = [state / name for name in (WAREHOUSE, f"{WAREHOUSE}.wal")]
    files = [path for path in present if path.exists()]
    configs = config_files(folder) if folder.is_dir() else []
    if not files and not configs:
        return None
    base = f"{now:%Y-%m-%dT%H%M%SZ}"
    aside, number = state / ASIDE / base, 2
    while aside.exists():
        aside, number = state / ASIDE / f"{base}-{number}", number + 1
    aside.mkdir(parents=True)
    for path in files:
        try:
            os.link(path, aside / path.name)
        except OSError:  # a file system without links
            shutil.copyfile(path, aside / path.name)
    for inner in configs:
        target = aside / CONFIG / inner
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(folder / inner, target)
    return aside


def _put_config(folder: Path, staged: Path, aside: Path | None, list_text: str | None) -> list[str]:
    """Configuration as the backup has it; returns what it does not have, taken away.

    The list of people forgotten only grows.
    """
    wanted = {
        PurePosixPath(path.relative_to(staged).as_posix())
        for path in staged.rglob("*")
        if path.is_file()
    }
    for inner in sorted(path for path in wanted if is_safe(path) and path.name != LIST_NAME):
        (folder / inner).parent.mkdir(parents=True, exist_ok=True)
        replace_file(folder / inner, (staged / inner).read_bytes())
    if list_text is not None:
        replace_file(folder / LIST_NAME, list_text.encode())
    extra = [path for path in config_files(folder) if path not in wanted and aside is not None]
    extra = [path for path in extra if path.name != LIST_NAME]
    for inner in extra:
        (folder / inner).unlink()
    return [path.as_posix() for path in extra]


def _swap_warehouse(state: Path, staged: Path) -> None:
    """The new file in the old one's place; a log of the old one would not fit the new one."""
    (state / f"{WAREHOUSE}.wal").unlink(missing_ok=True)
    with suppress(OSError):
        sync(staged)
    staged.replace(state / WAREHOUSE)
    with suppress(OSError):
        sync(state)


def _put_log(state: Path, backup: Path, manifest: Manifest, now: datetime) -> None:
    """The log of commands where there is none; one that is there has seen more."""
    log, head = (state / name for name in LOG_NAMES)
    if log.exists():
        return
    for path in (log, head):
        if f"{STATE}/{path.name}" in manifest.files:
            replace_file(path, (backup / STATE / path.name).read_bytes())
    entry = {"at": f"{now:%Y-%m-%dT%H:%M:%SZ}", "user": user(), "command": "restore"}
    append(state, entry | {"options": ""})
