"""A backup before a new version of the program changes a warehouse, so that one can go back."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import duckdb

from pipeline.backup.copying import row_counts, stands_at
from pipeline.backup.make import write_backup
from pipeline.backup.store import listed, local_folder, read_manifest
from pipeline.config import Fleet
from pipeline.problems import ColdMinutesError, Problem


def before_upgrade(
    con: duckdb.DuckDBPyConnection, fleet: Fleet, schema_no: int, method_version: str, now: datetime
) -> Problem | None:
    """Back up a warehouse that this version would migrate or recompute; once for each upgrade.

    Parameters
    ----------
    con
        The warehouse attached as ``warehouse``, not migrated yet.
    schema_no, method_version
        What this program brings it to.

    Returns
    -------
    Problem or None
        A note that says where the backup is; None where none was needed.

    Raises
    ------
    ColdMinutesError
        As `pipeline.backup.make_backup`; then the warehouse is as it was.

    Notes
    -----
    The backup lies in the state folder, whatever ``[backup]`` says: the upgrade must not wait for
    a disk that is not mounted.
    """
    old_schema, old_method = stands_at(con)
    is_same = old_schema == schema_no and old_method in (None, method_version)
    if is_same or old_schema == 0 or old_schema > schema_no:
        return None
    rows = row_counts(con)
    target = (schema_no, method_version)
    folder = local_folder(fleet.folder)
    if not any(rows[name] for name in rows if name != "schema_versions"):
        return None
    if _is_saved(folder, target, rows):
        return None
    path = write_backup(
        con, fleet.folder, folder, now, "upgrade", fleet.settings.limits, upgrade_to=target
    )
    return Problem(
        "BACKUP-06",
        "note",
        str(path),
        f"a backup was made before the upgrade from schema {old_schema}, method "
        f"{old_method or 'none'} to schema {schema_no}, method {method_version}",
        f"To go back: `coldminutes restore FLEET {path.name}`, then install the earlier version.",
    )


def _is_saved(folder: Path, target: tuple[int, str], rows: dict[str, int]) -> bool:
    """Does a backup before this very upgrade hold as many rows of each table it has?

    An upgrade that was broken off between the migration and the first run needs no second one; a
    warehouse that was rolled back and has grown since does.
    """
    for kept in reversed(listed(folder)):
        if kept.kind != "upgrade":
            continue
        try:
            manifest = read_manifest(kept.path)
        except ColdMinutesError:
            continue
        same = {name: rows_n for name, rows_n in manifest.rows.items() if name != "schema_versions"}
        if manifest.upgrade_to == target and all(
            rows.get(name, rows_n) == rows_n for name, rows_n in same.items()
        ):
            return True
    return False
