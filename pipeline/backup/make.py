"""One backup: warehouse, configuration and log in a folder that appears whole or not at all."""

from __future__ import annotations

import shutil
from datetime import datetime
from pathlib import Path

import duckdb

from pipeline import warehouse
from pipeline.backup.config_files import config_files
from pipeline.backup.copying import copy_warehouse, opened, row_counts, stands_at
from pipeline.backup.refusals import no_room, refuse
from pipeline.backup.store import (
    CONFIG,
    FORMAT_NO,
    LOG_NAMES,
    MANIFEST,
    STATE,
    WAREHOUSE,
    Manifest,
    Sum,
    backups_folder,
    folder_lock,
    sum_of,
    unfinished,
)
from pipeline.config import Fleet, Limits
from pipeline.disk import disk_full, is_disk_full, sync
from pipeline.problems import ColdMinutesError, Problem

LOCK_WAIT_S = 60.0
SPARE_BYTES = 32_000_000


def make_backup(
    fleet: Fleet,
    now: datetime,
    *,
    to: Path | None = None,
    kind: str = "asked",
    wait_s: float = LOCK_WAIT_S,
) -> Path:
    """Copy the warehouse, the configuration and the log of commands; look through the copy.

    Parameters
    ----------
    to
        A folder other than the fleet's own for backups. Such a copy is the operator's: neither
        rotated nor lost when a person is forgotten, but named then (it is a departure).
    kind
        ``asked`` or ``round``.
    wait_s
        How long to wait [s] for a run to let go of the warehouse.

    Returns
    -------
    Path
        The folder of the backup.

    Raises
    ------
    ColdMinutesError
        BACKUP-01 where there is nothing yet; WAREHOUSE-01 where a run holds the warehouse beyond
        `wait_s`; WAREHOUSE-04 where it is damaged; ENV-02 or ENV-03 without room; BACKUP-05 where
        the folder cannot be written. Nothing half-written is left.
    """
    path = fleet.state / WAREHOUSE
    if not path.is_file():
        raise refuse(
            "BACKUP-01",
            str(path),
            "there is no warehouse yet, so there is nothing to back up",
            "Run `coldminutes run` first.",
            exit_code=3,
        )
    limits = fleet.settings.limits
    if to is not None:
        told = {"now": now, "week_id": None, "what": "backup", "has_people": True}
        told["channel"] = f"folder {to.expanduser().resolve()}"
        with opened(path, limits, wait_s=wait_s, read_only=False) as con:
            if _has_departures(con):
                # Before the copy: what is not noted must not be there.
                warehouse.run(con, "people/insert_departure", told)
    folder = backups_folder(fleet) if to is None else to.expanduser()
    with opened(path, limits, wait_s=wait_s) as con:
        return write_backup(con, fleet.folder, folder, now, kind, limits)


def write_backup(
    con: duckdb.DuckDBPyConnection,
    fleet_folder: Path,
    folder: Path,
    now: datetime,
    kind: str,
    limits: Limits,
    upgrade_to: tuple[int, str] | None = None,
) -> Path:
    """Write what is attached as ``warehouse`` and the files beside it to a new folder.

    Raises
    ------
    ColdMinutesError
        As `make_backup`, of the room and the folder.
    """
    source = fleet_folder / ".coldminutes" / WAREHOUSE
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        with folder_lock(folder, waits=False) as is_ours:
            if not is_ours:
                raise refuse(
                    "BACKUP-05",
                    str(folder),
                    "another backup is being written there",
                    "Say it again when that one has ended.",
                )
            for leftover in unfinished(folder):
                shutil.rmtree(leftover)
            _require_room(source, folder)
            target = _free_name(folder, f"{now:%Y-%m-%dT%H%M%SZ}-{kind}")
            _write_whole(con, fleet_folder, target, now, kind, limits, upgrade_to)
    except duckdb.Error as error:
        if warehouse.is_damaged(error):
            problem = warehouse.damage_problem(source, error)
            raise ColdMinutesError([problem], exit_code=5) from error
        if is_disk_full(error):
            raise disk_full(error) from error
        raise
    except OSError as error:
        if is_disk_full(error):
            raise disk_full(error) from error
        raise _cannot_write(folder, error) from error
    return target


def _write_whole(
    con: duckdb.DuckDBPyConnection,
    fleet_folder: Path,
    target: Path,
    now: datetime,
    kind: str,
    limits: Limits,
    upgrade_to: tuple[int, str] | None,
) -> None:
    """Write it under another name, look through it, then give it its own; or leave nothing."""
    part = target.with_name(f".{target.name}.part")
    part.mkdir(mode=0o700)
    try:
        rows = copy_warehouse(con, part / WAREHOUSE)
        schema_no, method = stands_at(con)
        _copy_files(fleet_folder, part)
        _look_through(part / WAREHOUSE, rows, limits)
        files = {
            path.relative_to(part).as_posix(): sum_of(path)
            for path in sorted(part.rglob("*"))
            if path.is_file()
        }
        manifest = _manifest(fleet_folder, now, kind, schema_no, method, rows, files, upgrade_to)
        (part / MANIFEST).write_text(manifest.model_dump_json(indent=1), encoding="utf-8")
        _sync_tree(part)
        part.rename(target)
        sync(target.parent)
    except BaseException:
        shutil.rmtree(part, ignore_errors=True)
        raise


def _manifest(
    fleet_folder: Path,
    now: datetime,
    kind: str,
    schema_no: int,
    method: str | None,
    rows: dict[str, int],
    files: dict[str, Sum],
    upgrade_to: tuple[int, str] | None,
) -> Manifest:
    from pipeline.edition import program_version

    return Manifest(
        format_no=FORMAT_NO,
        made_at=now,
        kind=kind,
        operator=fleet_folder.name,
        program_version=program_version(),
        schema_no=schema_no,
        method_version=method,
        upgrade_to=upgrade_to,
        rows=rows,
        files=files,
    )


def _copy_files(fleet_folder: Path, part: Path) -> None:
    for inner in config_files(fleet_folder):
        target = part / CONFIG / inner
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(fleet_folder / inner, target)
    for name in LOG_NAMES:
        path = fleet_folder / ".coldminutes" / name
        if path.is_file():
            (part / STATE).mkdir(exist_ok=True)
            shutil.copyfile(path, part / STATE / name)


def _look_through(path: Path, rows: dict[str, int], limits: Limits) -> None:
    """Open the copy as a restore would, and find in it what was put there."""
    with opened(path, limits) as con:
        if row_counts(con) != rows:
            raise AssertionError("the backup does not hold what was copied")
    for leftover in (path.parent / "temp", path.with_name(path.name + ".wal")):
        if leftover.is_dir():
            shutil.rmtree(leftover)
        else:
            leftover.unlink(missing_ok=True)


def _require_room(source: Path, folder: Path) -> None:
    needed = source.stat().st_size + SPARE_BYTES
    free = shutil.disk_usage(folder).free
    if free < needed:
        raise no_room(str(folder), needed, free, "the backup")


def _free_name(folder: Path, name: str) -> Path:
    path, number = folder / name, 2
    while path.exists():
        path, number = folder / f"{name}-{number}", number + 1
    return path


def _has_departures(con: duckdb.DuckDBPyConnection) -> bool:
    sql = (
        "select count(*) from duckdb_tables() "
        "where database_name = 'warehouse' and table_name = 'departures'"
    )
    return bool(con.execute(sql).fetchall()[0][0])


def _cannot_write(folder: Path, error: OSError) -> ColdMinutesError:
    problem = Problem(
        "BACKUP-05",
        "stop",
        str(folder),
        f"no backup can be written there ({error.strerror or error})",
        "Make the folder, mount its disk, or name another ([backup] folder in fleet.toml, or "
        "--to). No backup was made; the warehouse is as it was.",
    )
    return ColdMinutesError([problem], exit_code=4)


def _sync_tree(folder: Path) -> None:
    for path in (*folder.rglob("*"), folder):
        sync(path)
