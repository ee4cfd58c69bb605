"""Charges that overlap cannot be one vehicle's: what that says of a table without vehicles."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipeline.draft.choose import Choice
from pipeline.draft.evidence import Column

OVERLAP_SHARE = 0.005
"""Fewer than this are slips of a clock."""


def overlapping_share(choice: Choice, decimal: str, by: Column | None = None) -> float:
    """Share of charges that begin before the one before them ended, within each value of `by`."""
    start, end = (choice.columns[name] for name in ("plug_in_at", "plug_out_at"))
    if start.clock is None or end.clock is None:
        return 0.0
    group = (
        by.cells.cast(pl.String) if by is not None else pl.repeat("", len(start.cells), eager=True)
    )
    spans = pl.DataFrame(
        {
            "group": group,
            "start": start.clock.instants(start.cells, decimal),
            "end": end.clock.instants(end.cells, decimal),
        }
    ).drop_nulls()
    if spans.height < 2:
        return 0.0
    spans = spans.sort("group", "start", "end")
    before = pl.col("end").cum_max().shift(1).over("group")
    return float(spans.select((pl.col("start") < before).fill_null(False).mean()).item())


def stand_in(choice: Choice, columns: Mapping[str, Column], decimal: str) -> Column | None:
    """A column of words within whose values no charges overlap, where they do without it."""
    if overlapping_share(choice, decimal) <= OVERLAP_SHARE:
        return None
    for column in columns.values():
        if column.nature != "text" or not 2 <= column.different_n <= 0.3 * column.filled_n:
            continue
        if overlapping_share(choice, decimal, column) <= OVERLAP_SHARE:
            return column
    return None
