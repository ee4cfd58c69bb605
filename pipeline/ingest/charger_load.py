"""One log of a charger into the warehouse, in one transaction."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime
from itertools import islice
from pathlib import PurePosixPath

import duckdb
import polars as pl

from pipeline.disk import disk_full, is_disk_full
from pipeline.ingest.findings import failed_while_writing
from pipeline.ingest.names import fixed_vehicle
from pipeline.ingest.ocpp import READING_COLUMNS, readings_of
from pipeline.ingest.ocpp_messages import Broken, Message, flatten, messages
from pipeline.ingest.put import ask, next_file_ids, put, put_file
from pipeline.ingest.refusals import unreadable
from pipeline.ingest.unpack import Plain
from pipeline.source_config import Source

BATCH_MESSAGES_N = 20_000


@dataclass
class ChargerLoad:
    """What became of the rows of one log: those read are used, repeated or set aside.

    A row is one meter value; a line that cannot be understood is one too. ``other_n`` counts
    messages of other kinds, which are no rows.
    """

    name: str
    file_id: int
    read_n: int = 0
    used_n: int = 0
    repeated_n: int = 0
    set_aside_n: int = 0
    other_n: int = 0
    first_at: datetime | None = None
    last_at: datetime | None = None
    broken: list[pl.DataFrame] = field(default_factory=list)

    def broken_summary(self) -> pl.DataFrame:
        """Per rule and column: rows set aside, and the first of them."""
        return (
            pl.concat(self.broken)
            .group_by("rule", "column_name", maintain_order=True)
            .agg(pl.col("file_row", "value", "expected").first(), rows_n=pl.len())
        )


def load_charger_readings(
    con: duckdb.DuckDBPyConnection,
    plain: Plain,
    source_id: str,
    source: Source,
    now: datetime,
    batch_n: int = BATCH_MESSAGES_N,
) -> ChargerLoad:
    """Take one log in, whole or not at all.

    The caller has seen that this content is not known yet. Readings that another log brought are
    counted as repeated.

    Raises
    ------
    ColdMinutesError
        When the file cannot be read or written, or its name does not tell the charger though
        ``charger.file_name`` says so.
    """
    charger = source.charger
    fixed = None
    if charger is not None:
        named = source.model_copy(update={"vehicle": charger})
        fixed = fixed_vehicle(named, plain.name, PurePosixPath(plain.name).name, source_id)
    found = messages(plain.path, None if charger is None else charger.column)
    con.execute("begin")
    try:
        load = ChargerLoad(plain.name, next_file_ids(con, 1)[0])
        while batch := list(islice(found, batch_n)):
            _add(con, load, iter(batch), fixed, now)
        _keep(con, load, plain, source_id, source, now)
        con.execute("commit")
    except BaseException as error:
        with suppress(duckdb.Error):
            con.execute("rollback")
        if is_disk_full(error):
            raise disk_full(error) from error
        if isinstance(error, duckdb.Error | pl.exceptions.PolarsError):
            raise failed_while_writing(plain.name, error) from error
        if isinstance(error, OSError):
            raise unreadable(plain.name, f"cannot be read: {error.strerror}") from error
        raise
    return load


def _add(
    con: duckdb.DuckDBPyConnection,
    load: ChargerLoad,
    batch: Iterator[Message | Broken | None],
    fixed: str | None,
    now: datetime,
) -> None:
    flat = flatten(batch, fixed)
    readings = readings_of(flat, now)
    load.read_n += readings.read_n
    load.other_n += flat.other_n
    if readings.quarantine.height:
        load.set_aside_n += readings.quarantine.height
        load.broken.append(readings.quarantine)
        rows = readings.quarantine.with_columns(
            raw_row=pl.lit(None, pl.String),
            file_id=pl.lit(load.file_id, pl.Int32),
            file_path=pl.lit(load.name),
        )
        put(con, "insert_quarantine", rows)
    rows = readings.rows.with_row_index("reading_no")
    if rows.height == 0:
        return
    first_at, last_at = rows["read_at"].min(), rows["read_at"].max()
    limits = {"first_at": first_at, "last_at": last_at}
    stored = ask(con, "match_charger_readings", rows, limits)
    is_new = rows.select(READING_COLUMNS).to_struct("row").is_first_distinct()
    is_new = is_new & ~rows["reading_no"].is_in(stored["reading_no"].implode())
    new = rows.filter(is_new)
    load.repeated_n += rows.height - new.height
    load.used_n += new.height
    if new.height:
        ordered = new.sort("charger_id", "connector_id", "read_at", "file_row")
        put(con, "insert_charger_readings", ordered, {"file_id": load.file_id})
        seen = [at for at in (load.first_at, new["read_at"].min()) if isinstance(at, datetime)]
        load.first_at = min(seen)
        seen = [at for at in (load.last_at, new["read_at"].max()) if isinstance(at, datetime)]
        load.last_at = max(seen)


def _keep(
    con: duckdb.DuckDBPyConnection,
    load: ChargerLoad,
    plain: Plain,
    source_id: str,
    source: Source,
    now: datetime,
) -> None:
    """The ledger row of the log."""
    if load.read_n != load.used_n + load.repeated_n + load.set_aside_n:
        raise AssertionError(
            f"{load.name}: {load.read_n} rows read, but {load.used_n} used, {load.repeated_n} "
            f"repeated and {load.set_aside_n} set aside"
        )
    ledger = {
        "file_id": load.file_id,
        "file_path": load.name,
        "content_sha256": plain.content_sha256,
        "source_id": source_id,
        "kind": source.kind,
        "size_bytes": plain.size_bytes,
        "rows_read_n": load.read_n,
        "rows_used_n": load.used_n,
        "rows_repeated_n": load.repeated_n,
        "rows_set_aside_n": load.set_aside_n,
        "rows_superseded_n": 0,
        "first_at": load.first_at,
        "last_at": load.last_at,
        "median_interval_s": None,
        "taken_in_at": now,
    }
    put_file(con, ledger)
