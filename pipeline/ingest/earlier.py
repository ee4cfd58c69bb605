"""Which time of which vehicle earlier files speak of, held in memory for the length of a run.

One short row per file and vehicle: asking the warehouse anew for each file costs more than all of
the rest of a small file.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import defaultdict
from datetime import datetime

import duckdb
import polars as pl

from pipeline import warehouse


class EarlierSpans:
    """Spans of the files taken in so far, by kind and vehicle.

    Spans that meet are kept as one, so those kept are in order and apart, and a look among many
    thousand of them costs a few steps.
    """

    def __init__(self, con: duckdb.DuckDBPyConnection) -> None:
        self._begins: defaultdict[tuple[str, str], list[datetime]] = defaultdict(list)
        self._ends: defaultdict[tuple[str, str], list[datetime]] = defaultdict(list)
        for row in warehouse.query(con, "ingest/earlier_spans").iter_rows():
            self._add(*row)

    def add(self, kind: str, spans: pl.DataFrame) -> None:
        """Count files in that have been taken in (``vehicle_id, first_at, last_at``)."""
        for row in spans.select("vehicle_id", "first_at", "last_at").iter_rows():
            self._add(kind, *row)

    def meets(self, kind: str, vehicle_id: str, first_at: datetime, last_at: datetime) -> bool:
        """Does any file speak of this vehicle between these instants, both included?"""
        low, high = self._reach(kind, vehicle_id, first_at, last_at)
        return low < high

    def overlap(self, kind: str, spans: pl.DataFrame) -> pl.DataFrame:
        """Per vehicle the part of its span that earlier files speak of too; mostly no row.

        Parameters
        ----------
        spans
            ``vehicle_id, first_at, last_at`` of a batch, one row per vehicle.
        """
        found = []
        for vehicle_id, first_at, last_at in spans.select(
            "vehicle_id", "first_at", "last_at"
        ).iter_rows():
            low, high = self._reach(kind, vehicle_id, first_at, last_at)
            if low < high:
                begins = self._begins[kind, vehicle_id][low]
                ends = self._ends[kind, vehicle_id][high - 1]
                found.append((vehicle_id, max(first_at, begins), min(last_at, ends)))
        schema = {name: spans.schema[name] for name in ("vehicle_id", "first_at", "last_at")}
        return pl.DataFrame(found, schema=schema, orient="row")

    def _reach(
        self, kind: str, vehicle_id: str, first_at: datetime, last_at: datetime
    ) -> tuple[int, int]:
        """From which to before which of the kept spans meet this one."""
        ends = self._ends.get((kind, vehicle_id), [])
        begins = self._begins.get((kind, vehicle_id), [])
        return bisect_left(ends, first_at), bisect_right(begins, last_at)

    def _add(self, kind: str, vehicle_id: str, first_at: datetime, last_at: datetime) -> None:
        low, high = self._reach(kind, vehicle_id, first_at, last_at)
        begins, ends = self._begins[kind, vehicle_id], self._ends[kind, vehicle_id]
        if low < high:
            first_at, last_at = min(first_at, begins[low]), max(last_at, ends[high - 1])
        begins[low:high] = [first_at]
        ends[low:high] = [last_at]
