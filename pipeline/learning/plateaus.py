"""Plateaus below what the vehicle would take: charger sharing, and sites of unknown rating."""

from __future__ import annotations

import numpy as np

from pipeline.learning.steps import Array, ChargeSteps, Flags

LEVEL_TOLERANCE = 0.02
"""Within a plateau, power stays within this of its level."""
HEADROOM = 1.15
"""The vehicle's own limit is at least this much above a plateau (method, section 5)."""
SHARED_LEAST_MIN = 1.5
SITE_LEAST_SOC_PCT = 5.0
SITE_LEAST_SESSIONS_N = 2
SITE_LEVEL_TOLERANCE = 0.03
BELOW_SITE = 0.93
"""A plateau below this share of the site's own limit is not that limit."""


def plateau_runs(steps: ChargeSteps, limit_kw: Array) -> tuple[Array, Flags]:
    """Number the runs of level power well below the vehicle's own limit.

    Parameters
    ----------
    limit_kw
        What the vehicle would take, cold limit included, per step; NaN where not known.

    Returns
    -------
    run : array (steps,)
        Number of the run, -1 outside any.
    is_in_run : array (steps,)
    """
    drawn = steps.power_kw + steps.heater_kw
    is_low = (steps.power_kw * HEADROOM <= limit_kw) & ~steps.is_held & ~steps.is_ramp
    is_low &= steps.power_kw >= 1.0
    joins = np.zeros(len(steps), dtype=bool)
    if len(steps) > 1:
        ratio = drawn[1:] / np.maximum(drawn[:-1], 1e-9)
        joins[1:] = (
            (steps.stop[1:] == steps.stop[:-1])
            & (np.abs(ratio - 1.0) <= LEVEL_TOLERANCE / 2)
            & is_low[1:]
            & is_low[:-1]
        )
    run = np.cumsum(~joins) - 1
    first = np.flatnonzero(~joins)
    length = np.add.reduceat(steps.step_min, first) if len(first) else np.zeros(0)
    low = np.minimum.reduceat(drawn, first) if len(first) else np.zeros(0)
    high = np.maximum.reduceat(drawn, first) if len(first) else np.zeros(0)
    is_level = (length >= SHARED_LEAST_MIN) & (high <= low * (1 + 2 * LEVEL_TOLERANCE))
    is_level &= is_low[first]
    inside = is_level[run]
    return np.where(inside, run, -1).astype(float), inside


def held_back(steps: ChargeSteps, limit_kw: Array) -> Flags:
    """Steps in which the charger gave less than both the pack would take and its own rating.

    Sharing between outlets shows as a plateau well below both limits. A plateau at the site's
    own limit is that limit, not sharing.
    """
    _, inside = plateau_runs(steps, limit_kw)
    with np.errstate(invalid="ignore"):
        return inside & (steps.power_kw <= BELOW_SITE * steps.supply_kw)


def site_limits(
    steps: ChargeSteps, limit_kw: Array, site: np.ndarray, sites_n: int
) -> tuple[Array, Array, Array]:
    """What sites of unknown rating can deliver, as far as their plateaus tell.

    Parameters
    ----------
    limit_kw
        The vehicle's own limit per step [kW].
    site
        Number of the site per stop, -1 for none or for one of known rating.

    Returns
    -------
    power_kw : array (sites_n,)
        Level of the highest plateau that two sessions share and that nothing at the site ever
        exceeded; NaN where there is none.
    sessions_n : array (sites_n,)
        Sessions at that level.
    seen_kw : array (sites_n,)
        The most the site was seen to deliver for a step: its limit is not lower.
    """
    at = site[steps.stop]
    drawn = steps.power_kw + steps.heater_kw
    seen = np.full(sites_n, np.nan)
    level = np.full(sites_n, np.nan)
    count = np.zeros(sites_n)
    known = at >= 0
    if not known.any():
        return level, count, seen
    greatest = np.zeros(sites_n)
    np.maximum.at(greatest, at[known], drawn[known])
    seen = np.where(greatest > 0, greatest, np.nan)
    run, inside = plateau_runs(steps, limit_kw)
    use = inside & known
    if not use.any():
        return level, count, seen
    runs, inverse = np.unique(run[use], return_inverse=True)
    soc_low = np.full(len(runs), np.inf)
    soc_high = np.full(len(runs), -np.inf)
    np.minimum.at(soc_low, inverse, steps.soc_pct[use])
    np.maximum.at(soc_high, inverse, steps.soc_pct[use])
    height = np.bincount(inverse, drawn[use]) / np.bincount(inverse)
    where = np.zeros(len(runs), dtype=int)
    session = np.zeros(len(runs), dtype=int)
    where[inverse] = at[use]
    session[inverse] = steps.stop[use]
    long = soc_high - soc_low >= SITE_LEAST_SOC_PCT
    for number in np.unique(where[long]):
        mine = long & (where == number)
        for top in np.sort(height[mine])[::-1]:
            near = mine & (np.abs(height / top - 1) <= SITE_LEVEL_TOLERANCE)
            sessions = len(np.unique(session[near]))
            if sessions >= SITE_LEAST_SESSIONS_N:
                middle = float(np.median(height[near]))
                if middle >= (1 - SITE_LEVEL_TOLERANCE) * seen[number]:
                    level[number], count[number] = middle, sessions
                break
    return level, count, seen
