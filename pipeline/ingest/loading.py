"""Rows of one file into the warehouse, inside one transaction that the stage opens and closes."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from zoneinfo import ZoneInfo

import duckdb
import polars as pl

from pipeline import warehouse
from pipeline.ingest import order
from pipeline.ingest.checks import Check, quarantine_rows
from pipeline.ingest.earlier import EarlierSpans
from pipeline.ingest.findings import by_rule, summed
from pipeline.ingest.mapping import Mapped
from pipeline.ingest.put import ask, next_file_ids, put, put_file
from pipeline.ingest.raw import RawRows
from pipeline.ingest.supersede import Correction, Replaced
from pipeline.ingest.tables import TABLES, spans_of
from pipeline.ingest.touched import touched_weeks
from pipeline.ingest.unpack import Plain
from pipeline.ocpi_source import OCPI_CDRS
from pipeline.source_config import SourceKind

CONTEXT_ROWS_N = order.SPIKE_ROWS_N + 1
NUMBER_HOLDS_DAYS = 31
"""Bills of one number and vehicle so close are one charge; some billers begin anew each year."""


class NotInOrderError(Exception):
    """The file is plainly not in time order: roll back and load it again as such."""


@dataclass
class FileLoad:
    """One file on its way into the warehouse.

    Parameters
    ----------
    con
        Connection with an open transaction.
    plain, source_id, kind
        What is loaded.
    zone
        Zone in which weeks are cut.
    earlier
        The time that files taken in before speak of; mostly there is no overlap.
    time_column
        Column of the export that holds the instant, for the quarantine.
    is_in_order
        Judge clocks by the order of the rows; False once that has been found not to hold.
    replaced
        Which files this one replaces, and which replace it.
    """

    con: duckdb.DuckDBPyConnection
    plain: Plain
    source_id: str
    kind: SourceKind
    zone: ZoneInfo
    now: datetime
    earlier: EarlierSpans
    time_column: str | None
    is_in_order: bool = True
    replaced: Replaced = field(default_factory=Replaced)
    file_id: int = 0
    read_n: int = 0
    used_n: int = 0
    repeated_n: int = 0
    set_aside_n: int = 0
    superseded_n: int = 0
    backward_n: int = 0
    spans: list[pl.DataFrame] = field(default_factory=list)
    weeks: list[pl.DataFrame] = field(default_factory=list)
    broken: list[pl.DataFrame] = field(default_factory=list)
    mended: list[pl.DataFrame] = field(default_factory=list)
    intervals: list[tuple[float, int]] = field(default_factory=list)
    context: pl.DataFrame | None = None
    held: pl.DataFrame | None = None
    raw: RawRows = field(default_factory=RawRows)

    def __post_init__(self) -> None:
        self.file_id = next_file_ids(self.con, 1)[0]
        self.table = TABLES[self.kind]
        self.correction = Correction(
            self.con, self.kind, self.table, self.replaced, self.zone, self.now
        )

    def add(self, mapped: Mapped, is_last: bool) -> None:
        """Take one batch in.

        Raises
        ------
        NotInOrderError
            When the rows so far are plainly not in time order.
        """
        self.read_n += mapped.read_n
        self.raw.add(mapped.cells, mapped.vehicle, None if self.held is None else self.held_rows())
        self._quarantine(mapped.quarantine)
        self._mended(mapped.mended)
        table = self.table
        rows = mapped.rows.select(
            "vehicle_id", *dict.fromkeys((table.start, table.end)), *table.values, "file_row"
        )
        if self.kind == "samples":
            used, verdict = self._judged_samples(rows, is_last)
        else:
            used, verdict = self._judged_rows(rows)
        if used.height == 0:
            return
        is_good = verdict.is_null()
        is_repeated = (verdict == order.REPEATED).fill_null(False)
        self.repeated_n += int(is_repeated.sum())
        self._arrive(used.filter(is_good | is_repeated))
        for rule in verdict.filter(~is_good & ~is_repeated).unique(maintain_order=True):
            # What a row contradicts lies in another file, so the value shown is what both share.
            is_record = rule == order.CONFLICTING_RECORD
            column = "id" if is_record else self.time_column
            shown = used["record_id" if is_record else table.start]
            check = Check(rule, column, is_good, shown, order.EXPECTED[rule])
            chosen = (verdict == rule).fill_null(False)
            self._quarantine(quarantine_rows(used["file_row"], check, chosen))
        self._insert(used.filter(is_good) if not is_good.all() else used)

    def finish(self) -> None:
        """Write the ledger row, the spans and the weeks that need computing again.

        Raises
        ------
        AssertionError
            When the rows do not add up: used, repeated, set aside and superseded must be all that
            were read.
        """
        self._settle()
        if self.read_n != self.used_n + self.repeated_n + self.set_aside_n + self.superseded_n:
            raise AssertionError(
                f"{self.plain.name}: {self.read_n} rows read, but {self.used_n} used, "
                f"{self.repeated_n} repeated, {self.set_aside_n} set aside and "
                f"{self.superseded_n} superseded"
            )
        weeks = [*self.weeks, *self.correction.weeks]
        spans = pl.concat(self.spans) if self.spans else None
        if spans is not None and not self.weeks:
            weeks.append(touched_weeks(spans, self.zone, self.now))
        dirty = pl.concat(weeks).unique().sort(pl.all()) if weeks else pl.DataFrame()
        if dirty.height:
            listed = dirty.to_dict(as_series=False)
            warehouse.run(self.con, "ingest/insert_dirty_weeks", listed)
        first_at = last_at = None
        if spans is not None:
            spans = (
                spans.group_by("vehicle_id")
                .agg(pl.col("first_at").min(), pl.col("last_at").max(), pl.col("rows_n").sum())
                .sort("vehicle_id")
            )
            first_at, last_at = spans["first_at"].min(), spans["last_at"].max()
            put(self.con, "insert_file_spans", self._owned(spans))
        put_file(
            self.con,
            {
                "file_id": self.file_id,
                "file_path": self.plain.name,
                "content_sha256": self.plain.content_sha256,
                "source_id": self.source_id,
                "kind": self.kind,
                "size_bytes": self.plain.size_bytes,
                "rows_read_n": self.read_n,
                "rows_used_n": self.used_n,
                "rows_repeated_n": self.repeated_n,
                "rows_set_aside_n": self.set_aside_n,
                "rows_superseded_n": self.superseded_n,
                "first_at": first_at,
                "last_at": last_at,
                "median_interval_s": self._median_interval_s(),
                "taken_in_at": self.now,
            },
        )

    def held_rows(self) -> pl.Series:
        """Rows that wait for the next batch to be judged."""
        return pl.Series(dtype=pl.Int64) if self.held is None else self.held["file_row"]

    def _arrive(self, rows: pl.DataFrame) -> None:
        """Tell the correction what the file says where it may contradict another."""
        if not (self.replaced.older or self.replaced.keeps_reach) or rows.height == 0:
            return
        spans = spans_of(rows, self.table)
        if not self.replaced.by_evidence or self.earlier.overlap(self.kind, spans).height:
            self.correction.arrive(rows)

    def _settle(self) -> None:
        """What this file replaces, and what of it is replaced, out of the tables."""
        if not (self.correction.ignored_ids or self.replaced.keeps_reach):
            return
        self.superseded_n, rejected = self.correction.settle(self.file_id, self.plain.name)
        self.used_n -= self.superseded_n + rejected.height
        if rejected.height:
            rule, rows = "conflicting_sample", rejected["file_row"]
            is_chosen = pl.repeat(True, rejected.height, dtype=pl.Boolean, eager=True)
            check = Check(
                rule, self.time_column, is_chosen, rejected["first_at"], order.EXPECTED[rule]
            )
            self._quarantine(quarantine_rows(rows, check, is_chosen))
        if self.correction.spans is not None and self.spans:
            # Only the days on which something is new have to be computed again.
            left = self.correction.spans
            self.spans = [left] if left.height else []
            if self.kind != "driver_spans":
                self.weeks = [touched_weeks(left, self.zone, self.now)] if left.height else []

    def _judged_samples(self, new: pl.DataFrame, is_last: bool) -> tuple[pl.DataFrame, pl.Series]:
        """Rows that can be judged now, and the verdict on each.

        The last rows of each vehicle wait for the next batch, because a jump of the clock shows
        only by what follows; the last good rows of the batch before stand in front as context.
        """
        parts = [part for part in (self.context, self.held, new) if part is not None]
        pool = pl.concat(parts) if len(parts) > 1 else new
        values = list(self.table.values)
        verdict, is_step_back = order.verdicts(pool, values, self.is_in_order)
        if len(parts) == 1 and is_last:
            self._count_steps_back(is_step_back)
            return pool, self._held_against_warehouse(pool, verdict)
        context_n = 0 if self.context is None else self.context.height
        is_now = pl.int_range(pool.height, eager=True) >= context_n
        if not is_last:
            fresh = pool.slice(context_n)
            self.held = fresh.group_by("vehicle_id", maintain_order=True).tail(CONTEXT_ROWS_N)
            self.held = self.held.sort("file_row")
            is_now = is_now & ~pool["file_row"].is_in(self.held["file_row"].implode())
        rows, verdict = pool.filter(is_now), verdict.filter(is_now)
        self._count_steps_back(is_step_back.filter(is_now))
        if rows.height:
            verdict = self._held_against_warehouse(rows, verdict)
        good = rows.filter(verdict.is_null())
        seen = good if self.context is None else pl.concat([self.context, good])
        self.context = (
            seen.group_by("vehicle_id", maintain_order=True).tail(CONTEXT_ROWS_N).sort("file_row")
        )
        return rows, verdict

    def _count_steps_back(self, is_step_back: pl.Series) -> None:
        self.backward_n += int(is_step_back.sum())
        if self.is_in_order and order.is_unordered(self.backward_n, self.read_n):
            raise NotInOrderError

    def _held_against_warehouse(self, rows: pl.DataFrame, verdict: pl.Series) -> pl.Series:
        """The verdict after a look at what other files, or earlier batches, brought already."""
        is_own_wanted = self.used_n > 0 and (
            not self.is_in_order or bool((verdict == "clock_set_back").any())
        )
        matched = self._matched(rows, is_own_wanted)
        if matched is None:
            return verdict
        found = rows.select("file_row", verdict=verdict).join(
            matched, on="file_row", how="left", maintain_order="left"
        )
        is_open = (pl.col("verdict") != "clock_jump").fill_null(True)
        is_backward = (pl.col("verdict") == "clock_set_back").fill_null(False)
        is_same = pl.col("is_same")
        return found.select(
            verdict=pl.when(is_open & is_same)
            .then(pl.lit(order.REPEATED))
            .when(is_open & is_same.not_() & ~is_backward)
            .then(pl.lit("conflicting_sample"))
            .otherwise("verdict")
        )["verdict"]

    def _judged_rows(self, rows: pl.DataFrame) -> tuple[pl.DataFrame, pl.Series]:
        """Whole rows seen before, in this file or another, are repeats.

        Of bills, one more: a biller's number is given once, so a second record of the same number
        and vehicle is not another charge.
        """
        names = [name for name in rows.columns if name != "file_row"]
        is_seen = ~rows.select(names).to_struct("row").is_first_distinct()
        matched = self._matched(rows, self.used_n > 0)
        if matched is not None:
            is_seen = is_seen | rows["file_row"].is_in(matched["file_row"].implode())
        is_other = self._is_of_known_record(rows, is_seen)
        frame = pl.DataFrame({"is_seen": is_seen, "is_other": is_other})
        verdict = (
            pl.when("is_seen")
            .then(pl.lit(order.REPEATED))
            .when("is_other")
            .then(pl.lit(order.CONFLICTING_RECORD))
        )
        return rows, frame.select(verdict.alias("verdict"))["verdict"]

    def _is_of_known_record(self, rows: pl.DataFrame, is_seen: pl.Series) -> pl.Series:
        """Is a bill's number one that this vehicle has a bill of already, though not the same?"""
        if self.kind != OCPI_CDRS or rows.height == 0:
            return pl.repeat(False, rows.height, dtype=pl.Boolean, eager=True)
        limits = {
            "first_at": rows["plug_in_at"].min(),
            "last_at": rows["plug_in_at"].max(),
            "ignored_ids": self.correction.ignored_ids,
            "holds_days": NUMBER_HOLDS_DAYS,
        }
        stored = ask(self.con, "match_record_ids", rows, limits)["file_row"]
        # Among the rows at hand the first that counts stands for its number.
        own = ("vehicle_id", "record_id", "is_seen")
        since_first = pl.col("plug_in_at") - pl.col("plug_in_at").first().over(own)
        is_later = rows.with_columns(is_seen=is_seen).select(
            later=(pl.col("plug_in_at").cum_count().over(own) > 1)
            & (since_first.abs() <= pl.duration(days=NUMBER_HOLDS_DAYS))
        )["later"]
        is_known = rows["file_row"].is_in(stored.implode())
        return rows["record_id"].is_not_null() & ~is_seen & (is_known | is_later)

    def _matched(self, rows: pl.DataFrame, is_own_wanted: bool) -> pl.DataFrame | None:
        """Rows that the warehouse holds already; None where no file speaks of that time."""
        if rows.height == 0:
            return None
        spans = spans_of(rows, self.table)
        overlap = self.earlier.overlap(self.kind, spans)
        if overlap.height == 0 and not is_own_wanted:
            return None
        wanted, reach = rows, spans if is_own_wanted else overlap
        if not is_own_wanted:
            wanted = rows.join(overlap.select("vehicle_id"), on="vehicle_id", how="semi")
        limits = {
            "first_at": reach["first_at"].min(),
            "last_at": reach["last_at"].max(),
            "ignored_ids": self.correction.ignored_ids,
        }
        found = ask(self.con, f"match_{self.table.name}", wanted, limits)
        return found.group_by("file_row").agg(pl.col("is_same").any())

    def _insert(self, rows: pl.DataFrame) -> None:
        if rows.height == 0:
            return
        table = self.table
        is_single = rows["vehicle_id"].n_unique() == 1
        if not (is_single and rows[table.start].is_sorted()):
            rows = rows.sort("vehicle_id", table.start, "file_row")
        self._run(f"insert_{table.name}", self._owned(rows))
        self.used_n += rows.height
        self.spans.append(spans_of(rows, table))
        if self.kind == "driver_spans":
            # A roster may speak of two weeks far apart; those between are left in peace.
            each = rows.select("vehicle_id", first_at=table.start, last_at=table.end)
            self.weeks.append(touched_weeks(each, self.zone, self.now))
        if self.kind == "samples" and rows.height > 1:
            step = pl.col("sampled_at").diff()
            if not is_single:
                step = step.over("vehicle_id")
            steps_s = rows.select(step.dt.total_milliseconds() / 1000).to_series()
            median_s = steps_s.median()
            if isinstance(median_s, float):
                self.intervals.append((median_s, rows.height))

    def _median_interval_s(self) -> float | None:
        """Median step [s] of the file; with several batches the median of theirs, by rows."""
        if not self.intervals:
            return None
        ordered = sorted(self.intervals)
        half = sum(n for _, n in ordered) / 2
        seen = 0
        for median_s, n in ordered:
            seen += n
            if seen >= half:
                return median_s
        return ordered[-1][0]

    def _quarantine(self, rows: pl.DataFrame) -> None:
        if rows.height:
            self.set_aside_n += rows.height
            self.broken.append(by_rule(rows))
            kept = rows.with_columns(self.raw.of(rows["file_row"])["raw_row"])
            self._run("insert_quarantine", self._owned(kept))

    def _mended(self, rows: pl.DataFrame) -> None:
        """Keep what was put right in rows that are used."""
        if rows.height:
            self.mended.append(by_rule(rows))
            self._run("insert_mended_rows", self._owned(rows))

    def broken_summary(self) -> pl.DataFrame:
        """Per rule and column: rows set aside, and the first of them; per card if not linked."""
        return summed(self.broken)

    def mended_summary(self) -> pl.DataFrame:
        """Per rule and column: rows put right, and the first of them."""
        return summed(self.mended)

    def _owned(self, rows: pl.DataFrame) -> pl.DataFrame:
        """Rows with the id and name of this file."""
        return rows.with_columns(
            file_id=pl.lit(self.file_id, pl.Int32), file_path=pl.lit(self.plain.name)
        )

    def _run(self, name: str, rows: pl.DataFrame) -> None:
        put(self.con, name, rows)
