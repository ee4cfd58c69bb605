"""The warehouse written anew: what was deleted lies in no free block of the new file."""

from __future__ import annotations

from pathlib import Path

import duckdb

from pipeline.disk import disk_full, is_disk_full, sync
from pipeline.problems import ColdMinutesError, Problem
from pipeline.warehouse import ROW_GROUP_ROWS_N, damage_problem, is_damaged

FRESH_SUFFIX = ".fresh"


def compact(path: Path) -> None:
    """Copy every live row to a new file, then put it in the old one's place.

    The old file stays whole until the new one is on the disk; a copy that a crash left behind is
    removed by the next call. What the file system keeps of overwritten blocks is out of reach.

    Raises
    ------
    ColdMinutesError
        WAREHOUSE-01 where another run holds it, ENV-02 without space for the copy; the old file
        is as it was.
    """
    fresh = path.with_name(path.name + FRESH_SUFFIX)
    _discard(fresh)
    try:
        with duckdb.connect(config={"temp_directory": str(path.parent / "temp")}) as con:
            con.execute("attach $path as old", {"path": str(path)})
            con.execute("checkpoint old")
            con.execute(
                f"attach $path as fresh (row_group_size {ROW_GROUP_ROWS_N})", {"path": str(fresh)}
            )
            con.execute("copy from database old to fresh")
            con.execute("checkpoint fresh")
            _check(con)
            con.execute("detach fresh")
            sync(fresh)
            # While the old file is still held, so that nobody writes into it in between.
            fresh.replace(path)
            sync(path.parent)
            con.execute("detach old")
    except duckdb.Error as error:
        _discard(fresh)
        if is_disk_full(error):
            raise disk_full(error) from error
        if is_damaged(error):
            raise ColdMinutesError([damage_problem(path, error)], exit_code=5) from error
        problem = Problem(
            "WAREHOUSE-01",
            "stop",
            str(path),
            f"cannot be written anew ({str(error).splitlines()[0][:200]})",
            "Run the same again when no other run holds it. The warehouse is as it was.",
        )
        raise ColdMinutesError([problem], exit_code=5) from error


def _check(con: duckdb.DuckDBPyConnection) -> None:
    """Both files hold the same tables with as many rows, or nothing is replaced."""
    counts = []
    for name in ("old", "fresh"):
        tables = con.execute(
            "select table_name from duckdb_tables() where database_name = $name order by 1",
            {"name": name},
        ).fetchall()
        counts.append(
            [
                (table, con.execute(f'select count(*) from {name}."{table}"').fetchall())  # noqa: S608
                for (table,) in tables
            ]
        )
    if counts[0] != counts[1]:
        raise AssertionError("the copy of the warehouse does not hold what the original does")


def _discard(fresh: Path) -> None:
    for leftover in (fresh, fresh.with_name(fresh.name + ".wal")):
        leftover.unlink(missing_ok=True)
