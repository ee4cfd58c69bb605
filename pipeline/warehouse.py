"""The DuckDB file behind a fleet: open, lock, migrate, build tables from named SQL files."""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipeline.config import Limits
from pipeline.disk import is_disk_full
from pipeline.problems import ColdMinutesError, Problem
from pipeline.resources import folder, statement

ROW_GROUP_ROWS_N = 16_384
LOCK_LOOK_S = 0.25
_NAMED: dict[str, tuple[str, ...]] = {}
"""Parameters by the text of a statement; the texts are ours, so there are few."""
_HOLDER = re.compile(r"lock is held in (?P<program>.+?) \(PID (?P<pid>\d+)\)")
_DAMAGE = (
    "corrupt database file",
    "could not read enough bytes",
    "not a valid duckdb database",
    "failure while replaying wal",
    "database has been invalidated",
    "serialization error",
    "failed to deserialize",
)


def open_warehouse(
    path: Path | None,
    limits: Limits,
    wait_s: float = 0.0,
    before: Callable[[duckdb.DuckDBPyConnection], None] | None = None,
) -> duckdb.DuckDBPyConnection:
    """Open (or make) a warehouse and bring its schema up to date; None opens one in memory.

    The connection can read and write no other file: exports come in as frames, so no statement
    has any business with the file system, whatever an export may have put into a value.

    Parameters
    ----------
    wait_s
        How long to wait [s] for another run to let go of the file.
    before
        Given the file as it is found, attached as ``warehouse``, before its schema is changed.

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
            attach(con, path, time.monotonic() + wait_s)
            con.execute("use warehouse")
    except duckdb.Error as error:
        raise ColdMinutesError([open_problem(path, error, wait_s)], exit_code=5) from error
    try:
        con.execute("set TimeZone = 'UTC'")
        con.execute("set enable_progress_bar = false")
        if before is not None:
            before(con)
        con.execute("set enable_external_access = false")
        con.execute("set lock_configuration = true")
        with damage_told(path):
            _migrate(con, path)
    except BaseException:
        con.close()
        raise
    return con


def attach(
    con: duckdb.DuckDBPyConnection, path: Path, until_s: float, *, read_only: bool = False
) -> None:
    """Attach a file as ``warehouse``, trying again while another process holds it.

    Parameters
    ----------
    until_s
        Instant of the monotonic clock [s] at which to give up.

    Raises
    ------
    duckdb.Error
        Where it cannot be attached; `open_problem` has words for it.
    """
    options = "(read_only)" if read_only else f"(row_group_size {ROW_GROUP_ROWS_N})"
    while True:
        try:
            # One file of one vehicle fills some of these row groups, so that its rows go straight
            # to their place and not into the write-ahead log first (a third less work), and a
            # vehicle's week lies together, to be found by the minima and maxima kept per group.
            con.execute("attach $path as warehouse " + options, {"path": str(path)})
        except duckdb.IOException as error:
            if not _is_held(error) or time.monotonic() >= until_s:
                raise
            time.sleep(min(LOCK_LOOK_S, max(until_s - time.monotonic(), 0.01)))
        else:
            return


def is_damaged(error: BaseException) -> bool:
    """Does the database say that its file is not as it wrote it?

    What a full disk broke off is not damage: the log makes up for it at the next opening.
    """
    text = str(error).lower()
    said = isinstance(error, duckdb.Error) and any(word in text for word in _DAMAGE)
    return said and not is_disk_full(error)


def damage_problem(path: Path, error: BaseException) -> Problem:
    """WAREHOUSE-04: what to do about a file that was damaged."""
    return Problem(
        "WAREHOUSE-04",
        "stop",
        str(path),
        f"is damaged ({str(error).splitlines()[0][:200]})",
        "`coldminutes restore FLEET newest` brings back the newest backup and lays this file "
        "aside; what came in since is then taken in again from the inbox. Without a backup, move "
        "the file and its .wal away and run again: it is rebuilt from the exports. Look after the "
        "disk first.",
    )


@contextmanager
def damage_told(path: Path | None) -> Iterator[None]:
    """Turn what the database says of a damaged file into WAREHOUSE-04."""
    try:
        yield
    except duckdb.Error as error:
        if path is None or not is_damaged(error):
            raise
        raise ColdMinutesError([damage_problem(path, error)], exit_code=5) from error


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
    if sql not in _NAMED:  # parsing it again for every file took as long as some statements
        _NAMED[sql] = tuple(sorted(con.extract_statements(sql)[0].named_parameters))
    given = params or {}
    return sql, {key: given[key] for key in _NAMED[sql]}


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


def newest_schema() -> int:
    """Number of the newest schema that this program knows."""
    return max(int(script.name[:4]) for script in (folder("sql") / "schema").glob("*.sql"))


def open_problem(path: Path | None, error: duckdb.Error, wait_s: float) -> Problem:
    """What kept a file from being opened, in words: held, damaged, or no warehouse."""
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
    if path is not None and is_damaged(error):
        return damage_problem(path, error)
    return Problem(
        "WAREHOUSE-03",
        "stop",
        str(path),
        f"cannot be opened as a warehouse ({text})",
        "If it was damaged, move it away and run again: it is rebuilt from the inbox.",
    )
