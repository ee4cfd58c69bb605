"""Why a week's cold minutes differ from those of the weeks before: weather, mix, behaviour.

Pure arithmetic on a frame of stops. All weeks are computed with the same curves, so that a change
of the fit is no change of the fleet.
"""

from __future__ import annotations

from itertools import permutations
from typing import NamedTuple

import numpy as np
import polars as pl

SHRINK_STOPS_N = 8.0
"""A group's own level counts as much as the fleet's with so many stops."""

FACTORS = ("vehicle_id", "site_id", "driver_id")


class Change(NamedTuple):
    """Minutes a week; ``mix + weather + behaviour = now - before``, exactly."""

    before_min: float
    now_min: float
    mix_min: float
    weather_min: float
    behaviour_min: float


def split_change(stops: pl.DataFrame, weeks_before_n: int) -> Change | None:
    """Split the change in a week's cold minutes against the mean of the weeks before.

    Parameters
    ----------
    stops
        ``is_now``, ``vehicle_id``, ``site_id``, ``driver_id`` (null is a group too),
        ``lost_cold_min`` and ``unwarmed_cold_min`` (what it would have been had nobody warmed).
        Rows with a null figure are left out.
    weeks_before_n
        Number of weeks that the other rows cover.

    Returns
    -------
    Change or None
        None where a period has no stop, or nothing could have been lost in one of them.

    Notes
    -----
    A week's minutes are written as a product. *Mix*: what these vehicles, drivers and sites lose
    per stop, by levels common to both periods, summed over the stops that were. *Weather*: what
    the cold would have taken had nobody warmed, against the same levels. *Behaviour*: what is
    left, the part of that which warming did not prevent. Each factor's share of the difference is
    its Shapley value over the orders of changing them (Shapley 1953), hence the exact sum.
    """
    known = stops.drop_nulls(["lost_cold_min", "unwarmed_cold_min", "is_now"])
    now = known.filter(pl.col("is_now"))
    before = known.filter(~pl.col("is_now"))
    if now.is_empty() or before.is_empty() or weeks_before_n < 1:
        return None
    expected = _levels(known, "lost_cold_min")
    expected_unwarmed = _levels(known, "unwarmed_cold_min")
    is_now = known["is_now"].to_numpy()

    def product(mask: np.ndarray, weeks_n: int) -> tuple[float, float, float]:
        cold = float(known["lost_cold_min"].to_numpy()[mask].sum()) / weeks_n
        unwarmed = float(known["unwarmed_cold_min"].to_numpy()[mask].sum()) / weeks_n
        mix = float(expected[mask].sum()) / weeks_n
        weather = unwarmed / (float(expected_unwarmed[mask].sum()) / weeks_n)
        return mix, weather, cold / (mix * weather)

    with np.errstate(invalid="ignore", divide="ignore"):
        try:
            old, new = product(~is_now, weeks_before_n), product(is_now, 1)
        except ZeroDivisionError:
            return None
    if not all(np.isfinite([*old, *new])):
        return None
    shares = np.zeros(3)
    orders = list(permutations(range(3)))
    for order in orders:
        state = list(old)
        for factor in order:
            first = float(np.prod(state))
            state[factor] = new[factor]
            shares[factor] += (float(np.prod(state)) - first) / len(orders)
    return Change(float(np.prod(old)), float(np.prod(new)), *(float(share) for share in shares))


def _levels(stops: pl.DataFrame, column: str) -> np.ndarray:
    """Expected minutes of each stop from its groups: the mean times each group's shrunk level."""
    values = stops[column].to_numpy()
    mean = float(values.mean())
    level = np.full(len(values), mean)
    if mean == 0:
        return level
    for factor in FACTORS:
        groups = stops[factor].fill_null("").rank("dense").to_numpy().astype(int) - 1
        count = np.bincount(groups)
        sums = np.bincount(groups, values)
        own = (sums + SHRINK_STOPS_N * mean) / (count + SHRINK_STOPS_N)
        level *= own[groups] / mean
    # Common scale, so that levels of many groups together keep the whole.
    total: np.ndarray = level * (values.sum() / level.sum()) if level.sum() else level
    return total
