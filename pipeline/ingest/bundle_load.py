"""A bundle of small files into the warehouse, in one transaction.

Only files about which nothing has to be judged are loaded together: each in order of time, none
speaking of a time that another speaks of too. The others are handed back, to be taken in one by
one, so that what is loaded here is what would have been loaded alone.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime

import duckdb
import numpy as np
import polars as pl

from pipeline import warehouse
from pipeline.config import Fleet
from pipeline.disk import disk_full, is_disk_full
from pipeline.ingest.bundle import FILE_NO, Bundle
from pipeline.ingest.earlier import EarlierSpans
from pipeline.ingest.findings import (
    aside_problems,
    by_rule,
    failed_while_writing,
    mended_problems,
    summed,
)
from pipeline.ingest.put import FILE_SCHEMA, next_file_ids, put
from pipeline.ingest.raw import RawRows
from pipeline.ingest.supersede import Ledger, Replaced
from pipeline.ingest.tables import TABLES
from pipeline.ingest.touched import touched_weeks
from pipeline.problems import Problem

TABLE = TABLES["samples"]


@dataclass
class BundleLoad:
    """What became of a bundle: rows of the files loaded are used or set aside."""

    file_ids: dict[int, int] = field(default_factory=dict)
    """Place among the bundle's parts -> id in the ledger, of those loaded."""
    used_n: int = 0
    set_aside_n: int = 0
    spans: pl.DataFrame | None = None
    problems: list[Problem] = field(default_factory=list)

    @property
    def files_n(self) -> int:
        """Files loaded."""
        return len(self.file_ids)


def load_bundle(
    con: duckdb.DuckDBPyConnection,
    bundle: Bundle,
    fleet: Fleet,
    now: datetime,
    earlier: EarlierSpans,
    ledger: Ledger,
    known: set[tuple[str, str]],
) -> BundleLoad:
    """Load the plain files of a bundle, all or none.

    Raises
    ------
    ColdMinutesError
        When the warehouse cannot be written.
    """
    rows = bundle.located(bundle.mapped.rows)
    spans = _spans(rows)
    odd = _unplain(bundle, ledger, known) | _unordered(rows) | _overlapping(spans, earlier)
    chosen = [number for number in range(len(bundle.parts)) if number not in odd]
    load = BundleLoad()
    if not chosen:
        return load
    con.execute("begin")
    try:
        ids = next_file_ids(con, len(chosen))
        load.file_ids = dict(zip(chosen, ids, strict=True))
        _write(con, bundle, load, rows, spans, fleet, now)
        con.execute("commit")
    except BaseException as error:
        with suppress(duckdb.Error):
            con.execute("rollback")
        if is_disk_full(error):
            raise disk_full(error) from error
        if isinstance(error, duckdb.Error | pl.exceptions.PolarsError | OSError):
            raise failed_while_writing(bundle.parts[chosen[0]].plain.name, error) from error
        raise
    return load


def _write(
    con: duckdb.DuckDBPyConnection,
    bundle: Bundle,
    load: BundleLoad,
    rows: pl.DataFrame,
    spans: pl.DataFrame,
    fleet: Fleet,
    now: datetime,
) -> None:
    owners = pl.DataFrame(
        {
            FILE_NO: list(load.file_ids),
            "file_id": pl.Series(list(load.file_ids.values()), dtype=pl.Int32),
            "file_path": [bundle.parts[number].plain.name for number in load.file_ids],
            "begins": bundle.begins[list(load.file_ids)],
        }
    )

    def owned(some: pl.DataFrame) -> pl.DataFrame:
        """Rows of the files loaded, each by its file and the row in it."""
        found = some.join(owners, on=FILE_NO, how="inner", maintain_order="left")
        if "file_row" not in found.columns:
            return found
        return found.with_columns(pl.col("file_row") - pl.col("begins"))

    used = owned(rows)
    quarantine = bundle.located(bundle.mapped.quarantine)
    raw = RawRows()
    raw.add(bundle.mapped.cells, bundle.mapped.vehicle, None)
    broken = owned(quarantine.with_columns(raw.of(quarantine["file_row"])["raw_row"]))
    mended = owned(bundle.located(bundle.mapped.mended))
    load.used_n, load.set_aside_n = used.height, broken.height
    if used.height:
        put(con, "insert_samples", used.sort("vehicle_id", TABLE.start, "file_id", "file_row"))
    if broken.height:
        put(con, "insert_quarantine", broken)
    if mended.height:
        put(con, "insert_mended_rows", mended)
    load.spans = owned(spans)
    if load.spans.height:
        put(con, "insert_file_spans", load.spans)
        weeks = touched_weeks(load.spans, fleet.zone, now).sort("vehicle_id", "week_id")
        warehouse.run(con, "ingest/insert_dirty_weeks", weeks.to_dict(as_series=False))
    files = _files(bundle, owners, used, broken, now)
    read_n = bundle.located(bundle.mapped.cells.select("file_row")).join(
        owners, on=FILE_NO, how="semi"
    )
    if read_n.height != load.used_n + load.set_aside_n:
        raise AssertionError(
            f"{bundle.parts[0].plain.name} and {load.files_n - 1} more: {read_n.height} rows "
            f"read, but {load.used_n} used and {load.set_aside_n} set aside"
        )
    put(con, "insert_files", files)
    load.problems = _problems(bundle, broken, mended)


def _files(
    bundle: Bundle, owners: pl.DataFrame, used: pl.DataFrame, broken: pl.DataFrame, now: datetime
) -> pl.DataFrame:
    """The ledger's rows of the files loaded."""
    parts = [bundle.parts[number] for number in owners[FILE_NO]]
    step_s = pl.col(TABLE.start).diff().over(FILE_NO, "vehicle_id").dt.total_milliseconds() / 1000
    of_used = (
        used.sort(FILE_NO, "vehicle_id", TABLE.start)
        .with_columns(step_s=step_s)
        .group_by(FILE_NO)
        .agg(
            pl.len().alias("rows_used_n"),
            first_at=pl.col(TABLE.start).min(),
            last_at=pl.col(TABLE.end).max(),
            median_interval_s=pl.col("step_s").median(),
        )
    )
    of_broken = broken.group_by(FILE_NO).agg(pl.len().alias("rows_set_aside_n"))
    return (
        owners.with_columns(
            content_sha256=pl.Series([part.plain.content_sha256 for part in parts]),
            source_id=pl.lit(parts[0].source_id),
            kind=pl.lit("samples"),
            size_bytes=pl.Series([part.plain.size_bytes for part in parts]),
            rows_repeated_n=pl.lit(0),
            rows_superseded_n=pl.lit(0),
            taken_in_at=pl.lit(now),
        )
        .join(of_used, on=FILE_NO, how="left", maintain_order="left")
        .join(of_broken, on=FILE_NO, how="left", maintain_order="left")
        .with_columns(pl.col("rows_used_n", "rows_set_aside_n").cast(pl.Int64).fill_null(0))
        .with_columns(rows_read_n=pl.col("rows_used_n") + pl.col("rows_set_aside_n"))
        .select(list(FILE_SCHEMA))
        .cast(pl.Schema(FILE_SCHEMA))
    )


def _problems(bundle: Bundle, broken: pl.DataFrame, mended: pl.DataFrame) -> list[Problem]:
    """Findings of the files loaded, in their order."""
    found: list[Problem] = []
    both = pl.concat([broken[FILE_NO], mended[FILE_NO]]).unique().sort()
    for number in both:
        part = bundle.parts[number]
        of_file = broken.filter(pl.col(FILE_NO) == number)
        if of_file.height:
            summary = summed([by_rule(of_file)])
            found += aside_problems(part.plain.name, part.source_id, summary)
        of_file = mended.filter(pl.col(FILE_NO) == number)
        if of_file.height:
            found += mended_problems(part.plain.name, summed([by_rule(of_file)]))
    return found


def _spans(rows: pl.DataFrame) -> pl.DataFrame:
    """``file_no, vehicle_id, first_at, last_at, rows_n``."""
    return (
        rows.group_by(FILE_NO, "vehicle_id")
        .agg(
            first_at=pl.col(TABLE.start).min(),
            last_at=pl.col(TABLE.end).max(),
            rows_n=pl.len().cast(pl.Int64),
        )
        .sort(FILE_NO, "vehicle_id")
    )


def _unplain(bundle: Bundle, ledger: Ledger, known: set[tuple[str, str]]) -> set[int]:
    """Files whose content came before, or comes twice, or that are versions of others."""
    hashes = [part.plain.content_sha256 for part in bundle.parts]
    seen, twice = np.unique(hashes, return_counts=True)
    repeated = set(seen[twice > 1])
    return {
        number
        for number, part in enumerate(bundle.parts)
        if part.plain.content_sha256 in repeated
        or (part.plain.content_sha256, part.source_id) in known
        or ledger.replaced(part.plain.name, part.source_id, "samples") != Replaced()
    }


def _unordered(rows: pl.DataFrame) -> set[int]:
    """Files in which some vehicle's time does not rise from row to row."""
    step = pl.col(TABLE.start).diff().over(FILE_NO, "vehicle_id")
    at_fault = rows.filter((step <= pl.duration()).fill_null(False))
    return set(at_fault[FILE_NO].unique())


def _overlapping(spans: pl.DataFrame, earlier: EarlierSpans) -> set[int]:
    """Files that speak of a time that others, of the bundle or taken in before, speak of too."""
    by_vehicle = spans.sort("vehicle_id", "first_at")
    reached = pl.col("last_at").cum_max().shift(1).over("vehicle_id")
    following = pl.col("first_at").shift(-1).over("vehicle_id")
    meets = (pl.col("first_at") <= reached).fill_null(False) | (
        following <= pl.col("last_at")
    ).fill_null(False)
    # A file that meets one further on meets the next one too, since they are in order of time.
    found = set(by_vehicle.filter(meets)[FILE_NO])
    for number, vehicle_id, first_at, last_at in spans.select(
        FILE_NO, "vehicle_id", "first_at", "last_at"
    ).iter_rows():
        if number not in found and earlier.meets("samples", vehicle_id, first_at, last_at):
            found.add(number)
    return found
