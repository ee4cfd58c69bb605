"""The DuckDB file behind a fleet: open, lock, migrate, build tables from named SQL files."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipeline.config import Limits
from pipeline.problems import ColdMinutesError, Problem
from pipeline.resources import folder, statement

ROW_GROUP_ROWS_N = 16_384
LOCK_LOOK_S = 0.25
_HOLDER = re.compile(r"lock is held in (?P<program>.+?) \(PID (?P<pid>\d+)\)")


def open_warehouse(
    path: Path | None, limits: Limits, wait_s: float = 0.0
) -> duckdb.DuckDBPyConnection:
    """Open (or make) a warehouse and bring its schema up to date; None opens one in memory.

    The connection can read and write no other file: exports come in as frames, so no statement
    has any business with the file system, whatever an export may have put into a value.

    Parameters
    ----------
    wait_s
        How long to wait [s] for another run to let go of the file.

    Raises
    ------
    ColdMinutesError
        When another run holds the file, it is not a warehouse, or it is newer than this program.
    """
    config: dict[str, Any] = {
        "memory_limit": f"{limits.memory_gb}GB",
        "max_temp_directory_size": f"{limits.temp_gb}GB",
        "autoinstall_known_extensions": False,
        "autoload_known_extensions": False,
        "checkpoint_threshold": "256MB",
    }
    if limits.threads:
        config["threads"] = limits.threads
    if path is not None:
        path.parent.mkdir(parents=True, exist_ok=True)
        config["temp_directory"] = str(path.parent / "temp")
    try:
        con = duckdb.connect(config=config)
        if path is not None:
            _attach(con, path, time.monotonic() + wait_s)
            con.execute("use warehouse")
    except duckdb.Error as error:
        raise ColdMinutesError([_open_problem(path, error, wait_s)], exit_code=5) from error
    con.execute("set TimeZone = 'UTC'")
    con.execute("set enable_progress_bar = false")
    con.execute("set enable_external_access = false")
    con.execute("set lock_configuration = true")
    _migrate(con, path)
    return con


def _attach(con: duckdb.DuckDBPyConnection, path: Path, until_s: float) -> None:
    """Attach the file, trying again while another process holds it and time is left."""
    while True:
        try:
            # One file of one vehicle fills some of these row groups, so that its rows go straight
            # to their place and not into the write-ahead log first (a third less work), and a
            # vehicle's week lies together, to be found by the minima and maxima kept per group.
            con.execute(
                f"attach $path as warehouse (row_group_size {ROW_GROUP_ROWS_N})",
                {"path": str(path)},
            )
        except duckdb.IOException as error:
            if not _is_held(error) or time.monotonic() >= until_s:
                raise
            time.sleep(min(LOCK_LOOK_S, max(until_s - time.monotonic(), 0.01)))
        else:
            return


def _is_held(error: duckdb.Error) -> bool:
    return "could not set lock" in str(error).lower()


def build(
    con: duckdb.DuckDBPyConnection, name: str, params: Mapping[str, Any] | None = None
) -> None:
    """Make the temporary table ``<stem>`` from the one select in ``sql/<name>.sql``.

    Only the parameters that the statement names are bound, so one mapping serves all steps.
    """
    stem = name.rsplit("/", 1)[-1]
    run(con, name, params, prefix=f"create or replace temp table {stem} as ")


def query(
    con: duckdb.DuckDBPyConnection, name: str, params: Mapping[str, Any] | None = None
) -> pl.DataFrame:
    """Rows of the one select in ``sql/<name>.sql``."""
    sql, bound = _bound(con, statement(name), params)
    rows: pl.DataFrame = con.sql(sql, params=bound).pl()
    return rows


def register(con: duckdb.DuckDBPyConnection, name: str, frame: pl.DataFrame) -> None:
    """Make the temporary table ``name``, one of our own names, from a frame."""
    con.register("incoming_frame", frame.to_arrow())
    con.execute(f"create or replace temp table {name} as select * from incoming_frame")  # noqa: S608
    con.unregister("incoming_frame")


def run(
    con: duckdb.DuckDBPyConnection,
    name: str,
    params: Mapping[str, Any] | None = None,
    prefix: str = "",
) -> None:
    """Execute ``sql/<name>.sql`` with the parameters it names."""
    sql, bound = _bound(con, prefix + statement(name), params)
    con.execute(sql, bound).fetchall()


@contextmanager
def transaction(con: duckdb.DuckDBPyConnection) -> Iterator[None]:
    """All of the block or nothing of it.

    A commit that fails (for want of disk) has ended the transaction already; that there is none
    left to roll back must not hide why.
    """
    con.execute("begin")
    try:
        yield
        con.execute("commit")
    except BaseException:
        with suppress(duckdb.Error):
            con.execute("rollback")
        raise


def _bound(
    con: duckdb.DuckDBPyConnection, sql: str, params: Mapping[str, Any] | None
) -> tuple[str, dict[str, Any]]:
    """The statement and just the parameters it names: an unused one is an error in DuckDB."""
    wanted = con.extract_statements(sql)[0].named_parameters
    given = params or {}
    return sql, {key: given[key] for key in sorted(wanted)}


def _migrate(con: duckdb.DuckDBPyConnection, path: Path | None) -> None:
    """Apply the schema files that this warehouse has not seen, each in one transaction."""
    scripts = sorted((folder("sql") / "schema").glob("*.sql"))
    con.execute(
        "create table if not exists schema_versions (version integer primary key, name varchar)"
    )
    done = {row[0] for row in con.execute("select version from schema_versions").fetchall()}
    newest = max(done, default=0)
    known = max(int(script.name[:4]) for script in scripts)
    if newest > known:
        con.close()
        raise ColdMinutesError(
            [
                Problem(
                    "WAREHOUSE-02",
                    "stop",
                    str(path),
                    f"has schema {newest}, this program knows schemas up to {known}",
                    "Install the newer coldminutes that wrote it. Nothing was changed.",
                )
            ],
            exit_code=5,
        )
    for script in scripts:
        version = int(script.name[:4])
        if version in done:
            continue
        with transaction(con):
            for single in con.extract_statements(script.read_text(encoding="utf-8")):
                con.execute(single)
            row = {"v": version, "n": script.stem}
            con.execute("insert into schema_versions values ($v, $n)", row)


def _open_problem(path: Path | None, error: duckdb.Error, wait_s: float) -> Problem:
    text = str(error).splitlines()[0]
    if _is_held(error):
        holder = _HOLDER.search(text)
        who = f"process {holder['pid']} ({Path(holder['program']).name})" if holder else text
        waited = f"; waited {wait_s:g} s" if wait_s else ""
        return Problem(
            "WAREHOUSE-01",
            "stop",
            str(path),
            f"another run holds this warehouse, {who}{waited}",
            "Run again when it has finished, or let `--wait SECONDS` wait for it. Nothing was "
            "changed.",
            {"pid": int(holder["pid"])} if holder else {},
        )
    return Problem(
        "WAREHOUSE-03",
        "stop",
        str(path),
        f"cannot be opened as a warehouse ({text})",
        "If it was damaged, move it away and run again: it is rebuilt from the inbox.",
    )
