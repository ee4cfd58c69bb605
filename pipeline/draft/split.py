"""Instants that no one column holds: a date here and a time of day there, a start and a duration.

A mapping reads an instant from one column, so such a file cannot be taken in as it is. Drafted all
the same, every row of a day would be one instant; so it is refused, and what would help is said.
"""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipeline.draft.choose import span
from pipeline.draft.evidence import Column
from pipeline.draft.names import fit

_DAY = r"^\d{1,4}[./-]\d{1,2}[./-]\d{2,4}\.?$"
_TIME_OF_DAY = r"^([01]?\d|2[0-3])[:.][0-5]\d([:.][0-5]\d([.,]\d+)?)?( ?[AaPp]\.?[Mm]\.?)?$"
_DURATION = r"^(\d+ days?,? )?\d{1,3}:[0-5]\d(:[0-5]\d)?$|^PT?(\d+H)?(\d+M)?(\d+(\.\d+)?S)?$"
_SHARE = 0.9


def in_two_columns(columns: Mapping[str, Column], decimal: str) -> str:
    """What is in two columns that a mapping wants in one; empty where nothing is."""
    times = [column for column in columns.values() if column.clock is not None]
    if all(column.clock and column.clock.is_date_only for column in times):
        days = times or [c for c in columns.values() if c.nature == "text" and _share(c, _DAY)]
        clocks = [c for c in columns.values() if c.nature == "text" and _share(c, _TIME_OF_DAY)]
        if days and clocks:
            return (
                f"date and time of day stand in two columns, {days[0].name!r} and "
                f"{clocks[0].name!r}; a mapping of your own can say time_column = "
                f"{clocks[0].name!r} beside column = {days[0].name!r}, a draft cannot"
            )
    if times and span(times, decimal) is None:
        lasting = [c for c in columns.values() if fit(c.name, "duration") and _is_duration(c)]
        is_billed = any(fit(c.name, "meter_energy_kwh") for c in columns.values())
        if lasting and is_billed:
            return (
                f"charges have a start, {times[0].name!r}, and a duration, {lasting[0].name!r}, "
                f"but no end, and a mapping needs the end"
            )
    return ""


def _is_duration(column: Column) -> bool:
    return column.nature == "number" or (column.nature == "text" and _share(column, _DURATION))


def _share(column: Column, pattern: str) -> bool:
    cells = column.cells.cast(pl.String).str.strip_chars()
    filled = cells.filter(cells.str.len_chars() > 0)
    return len(filled) > 0 and float(filled.str.contains(pattern).sum()) >= _SHARE * len(filled)
