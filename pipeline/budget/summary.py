"""From sums of every winter to P10, P50, P90 and mean, by scenario, month, unit and quantity."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.budget.tables import FIGURES

F32 = NDArray[np.float32]

QUANTITIES = (
    *FIGURES[:4], "range_given_up_km", *FIGURES[4:], "cost",
)  # fmt: skip
"""In the order of the arrays: `FIGURES`, range, and ``cost = warming_cost + cold_fees``. Cash only:
a driver's minutes stay minutes (method, section 6)."""

QUANTILES = (0.1, 0.5, 0.9)
SEASON_ID = "season"
"""Stands for the whole season in the column of months."""


def quantities(sums: F32, km_per_kwh: float, heat_scale: F32, cold_scale: F32) -> F32:
    """(..., winters, months, figures) to (..., winters, months, quantities).

    Parameters
    ----------
    heat_scale, cold_scale
        (winters,) what thermal model and cold limit are out by, in each winter.
    """
    at = {name: k for k, name in enumerate(FIGURES)}
    figures = {name: sums[..., at[name]] for name in FIGURES}
    for name in ("warming_kwh", "warming_cost"):
        figures[name] = figures[name] * heat_scale[:, None]
    for name in ("cold_min", "driver_min", "cold_fees"):
        figures[name] = figures[name] * cold_scale[:, None]
    figures["range_given_up_km"] = figures["warming_kwh"] * np.float32(km_per_kwh)
    figures["cost"] = figures["warming_cost"] + figures["cold_fees"]
    return np.stack([figures[name] for name in QUANTITIES], axis=-1)


def with_season(values: F32) -> F32:
    """(..., winters, months, q) with the season's own sum as a further month.

    Percentiles of months do not add up: the season's are drawn from its sums.
    """
    return np.concatenate((values, values.sum(axis=-2, keepdims=True)), axis=-2)


def percentiles(values: F32) -> NDArray[np.float64]:
    """(scenarios, winters, months, q) to (scenarios, months, q, 4): P10, P50, P90, mean.

    Quantiles between order statistics, straight (Hyndman and Fan's type 7; from memory).
    """
    winters_n = values.shape[1]
    ordered = np.sort(np.moveaxis(values, 1, -1), axis=-1)
    found = np.empty((*ordered.shape[:-1], len(QUANTILES) + 1))
    for at, level in enumerate(QUANTILES):
        place = level * (winters_n - 1)
        low = int(place)
        high = min(low + 1, winters_n - 1)
        found[..., at] = ordered[..., low] * (1 - place + low) + ordered[..., high] * (place - low)
    found[..., -1] = ordered.mean(axis=-1, dtype=np.float64)
    return found


@dataclass
class Collector:
    """Takes vehicles one at a time and keeps sums of winters for depots and fleet only.

    Parameters
    ----------
    depot_of
        Depot of each vehicle by number.
    """

    depot_of: NDArray[np.int64]
    depots_n: int
    fleet: F32 = field(init=False)
    depots: list[F32 | None] = field(init=False)
    vehicles: list[NDArray[np.float64]] = field(init=False, default_factory=list)

    def __post_init__(self) -> None:
        self.depots = [None] * self.depots_n

    def take(self, values: F32) -> None:
        """Quantities of the next vehicle."""
        number = len(self.vehicles)
        self.vehicles.append(percentiles(with_season(values)))
        if number == 0:
            self.fleet = values.copy()
        else:
            self.fleet += values
        depot = int(self.depot_of[number])
        known = self.depots[depot]
        self.depots[depot] = values.copy() if known is None else known + values


def tidy(
    unit_kind: str, unit_ids: list[str], found: list[NDArray[np.float64]],
    scenarios: list[str], month_ids: list[str],
) -> pl.DataFrame:  # fmt: skip
    """One row per scenario, month, unit and quantity.

    Returns
    -------
    DataFrame
        ``scenario, month_id, unit_kind, unit_id, quantity, p10_value, p50_value, p90_value,
        mean_value``.
    """
    months = [*month_ids, SEASON_ID]
    whole = np.stack(found)  # units, scenarios, months, quantities, 4
    sizes = whole.shape[:-1]
    names = (unit_ids, scenarios, months, list(QUANTITIES))
    index = np.unravel_index(np.arange(int(np.prod(sizes))), sizes)
    columns = {
        column: pl.Series(column, names[axis], dtype=pl.String).gather(index[axis])
        for axis, column in ((1, "scenario"), (2, "month_id"), (0, "unit_id"), (3, "quantity"))
    }
    flat = whole.reshape(-1, len(QUANTILES) + 1)
    return pl.DataFrame(columns).select(
        "scenario", "month_id", pl.lit(unit_kind).alias("unit_kind"), "unit_id", "quantity",
        *(
            pl.Series(f"{name}_value", flat[:, k])
            for k, name in enumerate(("p10", "p50", "p90", "mean"))
        ),
    )  # fmt: skip


def differences(fleet: F32, scenarios: list[str], month_ids: list[str]) -> pl.DataFrame:
    """Each scenario less the first, winter by winter, for the fleet.

    Returns
    -------
    DataFrame
        As `tidy`, with ``than_scenario``. Far sharper than a difference of two rows of it.
    """
    values = with_season(fleet)
    apart = percentiles(values[1:] - values[:1])
    if not len(apart):
        apart = np.empty((0, len(month_ids) + 1, len(QUANTITIES), len(QUANTILES) + 1))
    rows = tidy("fleet", ["fleet"], [apart], scenarios[1:], month_ids)
    return rows.with_columns(than_scenario=pl.lit(scenarios[0], pl.String))
