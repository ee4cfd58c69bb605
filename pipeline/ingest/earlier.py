"""Which time of which vehicle earlier files speak of, held in memory for the length of a run.

One short row per file and vehicle: asking the warehouse anew for each file costs more than all of
the rest of a small file.
"""

from __future__ import annotations

from datetime import datetime

import duckdb
import polars as pl

from pipeline import warehouse


class EarlierSpans:
    """Spans of the files taken in so far, by kind and vehicle."""

    def __init__(self, con: duckdb.DuckDBPyConnection) -> None:
        self._spans: dict[tuple[str, str], list[tuple[datetime, datetime]]] = {}
        for kind, vehicle_id, first_at, last_at in warehouse.query(
            con, "ingest/earlier_spans"
        ).iter_rows():
            self._spans.setdefault((kind, vehicle_id), []).append((first_at, last_at))

    def add(self, kind: str, spans: pl.DataFrame) -> None:
        """Count a file in that has been taken in (``vehicle_id, first_at, last_at``)."""
        for vehicle_id, first_at, last_at in spans.select(
            "vehicle_id", "first_at", "last_at"
        ).iter_rows():
            self._spans.setdefault((kind, vehicle_id), []).append((first_at, last_at))

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
            shared = [
                (max(first_at, begins), min(last_at, ends))
                for begins, ends in self._spans.get((kind, vehicle_id), ())
                if begins <= last_at and ends >= first_at
            ]
            if shared:
                begins, ends = zip(*shared, strict=True)
                found.append((vehicle_id, min(begins), max(ends)))
        schema = {name: spans.schema[name] for name in ("vehicle_id", "first_at", "last_at")}
        return pl.DataFrame(found, schema=schema, orient="row")
