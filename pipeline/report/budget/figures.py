"""Figures of a budget as they are printed: looked up, with their intervals and units."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

import polars as pl

from pipeline.budget.summary import SEASON_ID
from pipeline.report.filters import NBSP, NONE, number
from pipeline.report.language import _, spoken
from pipeline.units import miles_from_km

Ends = tuple[float, float, float]
"""P10, P50, P90."""

UNITS = {
    "stops_n": "count",
    "needed_n": "count",
    "warmed_n": "count",
    "warming_kwh": "kWh",
    "range_given_up_km": "km",
    "cold_min": "min",
    "driver_min": "min",
    "warming_cost": "currency",
    "cold_fees": "currency",
    "cost": "currency",
}
"""Unit of each quantity, as the tables name it."""


@dataclass(frozen=True)
class Shown:
    """How quantities of one budget are printed.

    Parameters
    ----------
    currency
        ISO 4217 code.
    money_digits
        0 where sums are large enough that cents are noise.
    """

    currency: str
    money_digits: int
    is_in_miles: bool = False

    def unit(self, quantity: str) -> str:
        """Unit as printed."""
        if quantity == "driver_min":
            return "h"
        if quantity == "range_given_up_km" and self.is_in_miles:
            return "mi"
        known = UNITS[quantity]
        return {"currency": self.currency, "count": ""}.get(known, known)

    def bare(self, quantity: str, value: float | None, *, signed: bool = False) -> str:
        """The number alone, for columns whose head carries the unit."""
        if value is None:
            return NONE
        digits = 0
        if quantity == "driver_min":
            value = value / 60
            digits = 0 if abs(value) >= 100 else 1
        elif quantity == "range_given_up_km" and self.is_in_miles:
            value = miles_from_km(value)
        elif UNITS[quantity] == "currency":
            digits = self.money_digits
        return number(value, digits, signed=signed)

    def named(self, quantity: str, value: float | None, *, signed: bool = False) -> str:
        """The number with its unit."""
        text, unit = self.bare(quantity, value, signed=signed), self.unit(quantity)
        return text if text == NONE or not unit else f"{text}{NBSP}{unit}"

    def interval(self, quantity: str, ends: Ends, *, signed: bool = False) -> str:
        """From P10 to P90, without unit."""
        return _(
            "{low} to {high}",
            low=self.bare(quantity, ends[0], signed=signed),
            high=self.bare(quantity, ends[2], signed=signed),
        )


class Lookup:
    """Rows of a tidy table by what they are of."""

    def __init__(self, table: pl.DataFrame) -> None:
        key = ("unit_kind", "unit_id", "scenario", "month_id", "quantity")
        self._rows: dict[tuple[Any, ...], Mapping[str, Any]] = {
            tuple(row[name] for name in key): row for row in table.iter_rows(named=True)
        }

    def ends(
        self,
        scenario: str,
        quantity: str,
        month_id: str = SEASON_ID,
        unit_kind: str = "fleet",
        unit_id: str = "fleet",
    ) -> Ends:
        """P10, P50 and P90."""
        row = self._rows[unit_kind, unit_id, scenario, month_id, quantity]
        return float(row["p10_value"]), float(row["p50_value"]), float(row["p90_value"])

    def mean(self, scenario: str, quantity: str, month_id: str = SEASON_ID) -> float:
        """Mean of the fleet: unlike percentiles, means of months add up."""
        return float(self._rows["fleet", "fleet", scenario, month_id, quantity]["mean_value"])


def month_words(month_id: str) -> str:
    """``October 2026``."""
    return spoken().month(date(int(month_id[:4]), int(month_id[5:7]), 1))
