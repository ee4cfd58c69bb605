"""Why the actual is not the budget: weather, volume, price and behaviour, adding up exactly."""

from __future__ import annotations

from itertools import combinations
from math import factorial

import numpy as np
import polars as pl
from numpy.typing import NDArray

Array = NDArray[np.float64]

CAUSES = ("weather", "volume", "price", "behaviour")

REFERENCES: dict[str, tuple[str, str]] = {
    "warming_kwh": ("everyone", "warming_kwh"),
    "range_given_up_km": ("everyone", "range_given_up_km"),
    "warming_cost": ("everyone", "warming_kwh"),
    "cold_min": ("nobody", "cold_min"),
    "driver_min": ("nobody", "cold_min"),
}
"""What the weather alone asks for per stop, by quantity: the energy if everyone warmed, the minutes
if nobody did. Behaviour is how much of it came about, and whatever else the model cannot name."""


def factors(
    value: Array, stops_n: Array, weather_per_stop: Array, price: Array
) -> dict[str, Array]:
    """A quantity as a product ``volume * weather * behaviour * price``.

    Behaviour is what is left, so that the product is the value exactly. Where there were no stops
    or the weather asked for nothing, behaviour cannot be told and is NaN.

    Parameters
    ----------
    weather_per_stop
        What the weather asked for per stop (see `REFERENCES`).
    price
        Per unit of it; 1 for quantities without a price.
    """
    asked = stops_n * weather_per_stop * price
    with np.errstate(divide="ignore", invalid="ignore"):
        behaviour = np.where(asked > 0, value / asked, np.nan)
    return {
        "weather": weather_per_stop, "volume": stops_n, "price": price, "behaviour": behaviour,
    }  # fmt: skip


def split(budget: dict[str, Array], actual: dict[str, Array]) -> dict[str, Array]:
    """Shapley parts of ``prod(actual) - prod(budget)``, by cause.

    Each cause's part is the mean, over all orders in which causes change from budget to actual,
    of the change it brings when its turn comes (Shapley 1953): no order is preferred, and the
    parts add up to the difference. A behaviour that cannot be told is taken to be the other
    side's: no stops, or mild weather, then explain the change.

    Parameters
    ----------
    budget, actual
        By cause, arrays of one shape.
    """
    before, after = dict(budget), dict(actual)
    known_before, known_after = (
        np.where(np.isnan(one), other, one)
        for one, other in (
            (before["behaviour"], after["behaviour"]), (after["behaviour"], before["behaviour"]),
        )
    )  # fmt: skip
    before["behaviour"] = np.nan_to_num(known_before)
    after["behaviour"] = np.nan_to_num(known_after)
    count = len(CAUSES)
    parts = {}
    for cause in CAUSES:
        others = [name for name in CAUSES if name != cause]
        total = np.zeros(np.shape(before["volume"]))
        for size in range(count):
            weight = factorial(size) * factorial(count - 1 - size) / factorial(count)
            for changed in combinations(others, size):
                rest = np.ones_like(total)
                for name in others:
                    rest = rest * (after[name] if name in changed else before[name])
                total = total + weight * rest * (after[cause] - before[cause])
        parts[cause] = total
    return parts


def variance_table(rows: pl.DataFrame) -> pl.DataFrame:
    """Budget against actual, split by cause.

    Parameters
    ----------
    rows
        ``month_id``, ``quantity``, and for both ``budget_`` and ``actual_``: ``value``,
        ``stops_n``, ``weather_per_stop``, ``price`` (1 where it has none).

    Returns
    -------
    DataFrame
        `rows` with ``difference_value`` and ``weather_part_value`` and so on, which add up to it to
        the rounding of floats.
    """

    def side(name: str) -> dict[str, Array]:
        return factors(
            *(
                rows[f"{name}_{field}"].cast(pl.Float64).to_numpy()
                for field in ("value", "stops_n", "weather_per_stop", "price")
            )
        )

    parts = split(side("budget"), side("actual"))
    # A sum where there was no stop, or where the weather asked for nothing, fits no product: it is
    # nobody else's, so behaviour's. So is the rounding, and the parts add up.
    whole = (rows["actual_value"] - rows["budget_value"]).cast(pl.Float64).to_numpy()
    others = parts["weather"] + parts["volume"] + parts["price"]
    parts["behaviour"] = whole - others
    return rows.with_columns(
        (pl.col("actual_value") - pl.col("budget_value")).alias("difference_value"),
        *(pl.Series(f"{cause}_part_value", parts[cause]) for cause in CAUSES),
    )
