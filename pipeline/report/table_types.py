"""What the cells of a table are, by the name of their column: the unit stands last in it."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from typing import Any, Literal

import polars as pl

from pipeline.report.filters import one_line

Kind = Literal["flag", "date", "instant", "whole", "rate", "number", "text"]

_WHOLE = ("_n", "_row", "_bin", "_bytes")
_RATE = ("_rate", "_rate_low", "_rate_high")
UNITS = {
    "_per_kwh": "currency per kWh",
    "_per_hour": "currency per hour",
    "_min": "min",
    "_kwh": "kWh",
    "_kw": "kW",
    "_degc": "°C",
    "_kelvin": "K",
    "_km": "km",
    "_pct": "% of the charge",
    "_cost": "currency",
    "_cash": "currency",
    "_time": "currency",
    "_fees": "currency",
    "_h": "h",
    "_bytes": "bytes",
    "_n": "count",
}
"""Suffix of a name -> unit as printed. The currency is the fleet's."""

_BARE_NUMBERS = frozenset({
    "better_limit_value", "better_value", "cold_value", "expected_starts_value", "high_95_value",
    "high_998_value", "low_95_value", "low_998_value", "odds_ratio_high_value",
    "odds_ratio_low_value", "odds_ratio_value", "p_value", "q_value", "ratio_value",
    "worse_limit_value", "worse_value",
})  # fmt: skip

DTYPES: dict[Kind, pl.DataType] = {
    "flag": pl.Boolean(),
    "date": pl.Date(),
    "instant": pl.Datetime("us", "UTC"),
    "whole": pl.Int64(),
    "rate": pl.Float64(),
    "number": pl.Float64(),
    "text": pl.String(),
}


def kind_of(column: str) -> Kind:
    """What a column holds.

    Examples
    --------
    >>> [kind_of(name) for name in ("hit_rate_low", "stops_n", "lost_cold_min", "site_name")]
    ['rate', 'whole', 'number', 'text']
    """
    if column.startswith(("is_", "has_", "can_")):
        return "flag"
    if column.endswith("_date"):
        return "date"
    if column.endswith("_utc"):
        return "instant"
    if column.endswith(_RATE):
        return "rate"
    if column.endswith(_WHOLE):
        return "whole"
    if column in _BARE_NUMBERS or column.endswith(tuple(UNITS)):
        return "number"
    return "text"


def unit_of(column: str) -> str:
    """Unit as printed; empty for text and flags."""
    kind = kind_of(column)
    if kind == "rate":
        return "0 to 1, shown in %"
    if kind == "instant":
        return "UTC"
    if kind not in ("number", "whole"):
        return ""
    return next((unit for suffix, unit in UNITS.items() if column.endswith(suffix)), "")


def rounded(value: float, column: str) -> float:
    """As every table and the summary carry it; never a negative nought."""
    return round(value, 4 if "_rate" in column else 3) + 0.0


def typed(value: Any, column: str) -> Any:
    """A cell as its column's type, rounded; null where it is null or no finite number.

    Examples
    --------
    >>> typed(0.123456, "hit_rate"), typed("two\\nlines", "site_name"), typed(None, "stops_n")
    (0.1235, 'two lines', None)
    """
    if value is None:
        return None
    kind = kind_of(column)
    if kind == "flag":
        return bool(value)
    if kind == "whole":
        return int(value)
    if kind in ("number", "rate"):
        number = float(value)
        return rounded(number, column) if math.isfinite(number) else None
    if kind == "instant":
        # As in the CSV: whole seconds.
        return (value if value.tzinfo else value.replace(tzinfo=UTC)).replace(microsecond=0)
    if kind == "date":
        return value.date() if isinstance(value, datetime) else value
    return one_line(value)
