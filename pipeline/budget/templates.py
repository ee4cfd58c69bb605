"""What a stop is like: a few typical ones per vehicle model, and how often each vehicle makes them.

The stops of a model, those that could be warmed and the others apart, are halved again and again
along the figure that spreads most, into at most 64 groups; each group's means are one *template*.
So tables stay small however long the history is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

Array = NDArray[np.float64]

FIGURES = (
    "site_power_kw", "soc_start_pct", "energy_kwh", "lead_min", "able_min", "approach_min",
    "drive_i2_a2", "idle_min", "break_min", "price_per_kwh", "fee_per_min",
)  # fmt: skip
_SPLIT_ON = ("site_power_kw", "soc_start_pct", "energy_kwh", "able_min", "approach_min")
HALVINGS_N = 6
NO_TIME_MIN = 5.0
"""The usual least time before arrival at which a vehicle begins to warm."""

SLOTS_N = 1024
"""A vehicle draws its templates from so many slots."""

OWN_MIX_WEIGHT = 40.0
"""Stops of its model that a vehicle's own mix is held against. Common practice, no source."""

HOUR_SLOTS_N = 256

_UNKNOWN_SITE_KW = 1e6
"""For a site that gives all a vehicle takes."""

PRIOR_STOPS = pl.DataFrame(
    {
        "site_power_kw": [50.0, 50.0, 100.0, 100.0, 150.0, 150.0, 150.0, 300.0],
        "soc_start_pct": [20.0, 40.0, 15.0, 35.0, 12.0, 25.0, 40.0, 25.0],
        "charged_pct": [40.0, 30.0, 55.0, 40.0, 60.0, 50.0, 35.0, 50.0],
        "lead_min": [20.0, 30.0, 30.0, 15.0, 30.0, 30.0, 10.0, 30.0],
        "approach_min": [20.0, 45.0, 40.0, 15.0, 60.0, 35.0, 10.0, 50.0],
        "drive_kw": [8.0, 12.0, 14.0, 8.0, 16.0, 12.0, 8.0, 16.0],
    }
)
"""Stops of a model that has made none: of a day's round. Common practice, no source."""

PRIOR_HOURS = (7, 9, 10, 11, 12, 12, 13, 13, 14, 15, 16, 18)
"""Local hours of plugging in where none were seen. Common practice, no source."""


@dataclass(frozen=True)
class Templates:
    """Typical stops.

    Attributes
    ----------
    rows
        ``template_no``, ``model_id``, and `FIGURES`; power of a site that does not limit is 1e6.
    slots
        (vehicles, 1024) template of each slot of a vehicle.
    hours
        (256,) local hours, as often as vehicles plug in then.
    from_history
        By model: whether its stops were seen.
    """

    rows: pl.DataFrame
    slots: NDArray[np.int32]
    hours: NDArray[np.int32]
    from_history: dict[str, bool]


def make_templates(
    stops: pl.DataFrame,
    vehicles: pl.DataFrame,
    usable_kwh: dict[str, float],
    price_per_kwh: float,
) -> Templates:
    """Group the stops of each model and count each vehicle's.

    Parameters
    ----------
    stops
        ``vehicle_id``, ``model_id``, ``plug_in_hour`` (local, 0 to 23) and `FIGURES`: null power
        does not limit, null price is the fleet's, null times and fees are 0; a row without charge,
        energy or approach is passed over.
    vehicles
        ``vehicle_id``, ``model_id``, one row each: those of the budget.
    usable_kwh
        By model.
    price_per_kwh
        The fleet's.
    """
    rows = (
        stops.drop_nulls(["soc_start_pct", "energy_kwh", "approach_min"])
        .filter(pl.col("energy_kwh") > 0)
        .with_columns(
            pl.col("site_power_kw").fill_null(_UNKNOWN_SITE_KW),
            pl.col("price_per_kwh").fill_null(price_per_kwh),
            pl.col("able_min").fill_null(pl.col("lead_min")),
        )
        .with_columns(pl.col(name).cast(pl.Float64).fill_null(0.0) for name in FIGURES)
        .sort("model_id", "vehicle_id", *FIGURES)
    )
    parts: list[pl.DataFrame] = []
    slots = np.zeros((vehicles.height, SLOTS_N), dtype=np.int32)
    from_history = {}
    first = 0
    for model_id in sorted(set(vehicles["model_id"].to_list())):
        mine = rows.filter(pl.col("model_id") == model_id)
        from_history[model_id] = not mine.is_empty()
        if mine.is_empty():
            typical = _prior(usable_kwh[model_id], price_per_kwh)
            group = np.zeros(0, dtype=np.int64)
            share = np.full(typical.height, 1 / typical.height)
        else:
            group = _groups(mine)
            typical = (
                mine.select(FIGURES)
                .with_columns(group=pl.Series(group))
                .group_by("group")
                .mean()
                .sort("group")
                .select(FIGURES)
            )
            share = np.bincount(group) / len(group)
        owners = mine["vehicle_id"].to_numpy()
        for at, name in enumerate(vehicles["vehicle_id"].to_list()):
            if vehicles["model_id"][at] != model_id:
                continue
            own = np.bincount(group[owners == name], minlength=len(share)).astype(np.float64)
            mixed = own + OWN_MIX_WEIGHT * share
            ends = np.cumsum(mixed) / mixed.sum()
            picks = np.searchsorted(ends, (np.arange(SLOTS_N) + 0.5) / SLOTS_N)
            slots[at] = first + np.minimum(picks, len(share) - 1)
        parts.append(typical.with_columns(model_id=pl.lit(model_id, pl.String)))
        first += typical.height
    whole = pl.concat(parts, how="vertical").with_row_index("template_no")
    return Templates(whole, slots, _hours(rows), from_history)


def _groups(rows: pl.DataFrame) -> NDArray[np.int64]:
    """(n,) number of the group each row falls into, from 0 without holes."""
    figures = rows.select(_SPLIT_ON).to_numpy().copy()
    # No site gives more than some 400 kW: a site without limit must not be the only spread.
    figures[:, 0] = np.minimum(figures[:, 0], 400.0)
    figures = (figures - figures.mean(axis=0)) / np.maximum(figures.std(axis=0), 1e-9)
    # No time, or no charge, to warm with is not half the time: such stops stay among themselves.
    group = (rows["able_min"].to_numpy() < NO_TIME_MIN).astype(np.int64)
    for _ in range(HALVINGS_N - len(np.unique(group)) + 1):
        halved = group * 2
        for number in range(group.max() + 1):
            inside = np.flatnonzero(group == number)
            if len(inside) < 2:
                continue
            spread = figures[inside].std(axis=0)
            if spread.max() < 1e-6:
                continue
            values = figures[inside, int(spread.argmax())]
            # By value, so that equal stops stay together; the last half may be the smaller.
            upper = values > np.median(values)
            if not upper.any():
                upper = values >= np.median(values)
            halved[inside[upper]] += 1
        group = halved
    return np.unique(group, return_inverse=True)[1]


def _prior(usable_kwh: float, price_per_kwh: float) -> pl.DataFrame:
    return PRIOR_STOPS.select(
        "site_power_kw",
        "soc_start_pct",
        energy_kwh=pl.col("charged_pct") / 100 * usable_kwh,
        lead_min="lead_min",
        able_min="lead_min",
        approach_min="approach_min",
        drive_i2_a2=(pl.col("drive_kw") * 1000 / 360.0) ** 2,
        idle_min=pl.lit(0.0),
        break_min=pl.lit(0.0),
        price_per_kwh=pl.lit(price_per_kwh),
        fee_per_min=pl.lit(0.0),
    ).select(FIGURES)


def _hours(rows: pl.DataFrame) -> NDArray[np.int32]:
    seen = rows["plug_in_hour"].drop_nulls().sort().to_numpy()
    hours = np.array(PRIOR_HOURS) if not len(seen) else seen
    at = ((np.arange(HOUR_SLOTS_N) + 0.5) / HOUR_SLOTS_N * len(hours)).astype(int)
    return np.asarray(hours[at], dtype=np.int32)
