"""The measurement interval beside a week's minutes: the stops are what they are, the curves might
have come out otherwise (method, section 5)."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl

from pipeline.config import Fleet
from pipeline.learning.draws import refits
from pipeline.learning.steps import Array, Flags
from pipeline.minutes.attribute import cold_of_week
from pipeline.minutes.learn import Learned, prior_of
from pipeline.minutes.window import Window

DRAWS_N = 200
CONFIDENCE = 0.9
RESIDUAL_SESSIONS_N = 10
PATH_SHARE = 0.01
"""A charge that had not been cold would have filled and warmed the pack along another way. That is
not modelled, and goes the same way in all stops: 1 % of the cold minutes on simulated fleets, whose
packs have two nodes and a resistance that falls with warmth (`tests/benchmarks/truth_study.py`)."""
DOUBT_SHARE = 0.25
"""Where both causes act, the way differs more, from stop to stop: by this part of the minutes that
either alone would have cost, measured likewise."""


def week_draws(window: Window, fleet: Fleet, learned: Learned, minutes: pl.DataFrame) -> Array:
    """Cold and site minutes of the week's stops under `DRAWS_N` refits.

    Each stop's residual is added: the spread of what its charge took beyond curve and limit,
    relative to its length, drawn from the sessions of its model that were not held back.

    Returns
    -------
    array of shape (DRAWS_N, 2, stops)
        Cold and site; NaN for stops of other weeks and those without a split.
    """
    in_week = (window.stops["week_id"] == window.week_id).to_numpy()
    split = minutes["lost_cold_min"].is_not_null().to_numpy()
    wanted = in_week & split
    draws = np.full((DRAWS_N, 2, len(window.stops)), np.nan)
    for number, (name, fit) in enumerate(sorted(learned.fits.items())):
        mine = wanted & learned.of_model[name]
        if not mine.any():
            continue
        rows = mine[learned.steps.stop]
        seed = number + 1
        prior = prior_of(fleet.models[name])
        for draw, model in enumerate(refits(fit, prior, len(window.stops), DRAWS_N, seed)):
            draws[draw][:, mine] = cold_of_week(window, learned, name, model, rows)[:, mine]
        draws[:, 0, mine] += _residuals(minutes, learned.of_model[name], mine, seed)
    return draws + _path_noise(minutes)


def _path_noise(minutes: pl.DataFrame) -> Array:
    """Noise of the counterfactual's way, per draw, cause and stop [min]; see the shares above."""
    generator = np.random.default_rng(20_000)
    cold = minutes["lost_cold_min"].fill_null(float("nan")).to_numpy()
    site = minutes["lost_site_min"].fill_null(float("nan")).to_numpy()
    doubt = minutes["split_doubt_min"].fill_null(0.0).to_numpy()
    common = generator.normal(0.0, PATH_SHARE, (DRAWS_N, 1))
    own = generator.normal(0.0, DOUBT_SHARE, (DRAWS_N, len(minutes))) * doubt
    # What is not the cold's is the site's.
    return np.stack([common * cold + own, common * site - own], axis=1)


def _residuals(minutes: pl.DataFrame, of_model: Flags, mine: Flags, seed: int) -> Array:
    """Noise per draw and stop [min]: relative residuals of like sessions times what was charged.

    Only a stop that lost minutes to the cold can have lost them otherwise, so that the noise
    fades where nothing was lost.
    """
    generator = np.random.default_rng(10_000 + seed)
    unexplained = minutes["lost_unexplained_min"].fill_null(float("nan")).to_numpy()
    back = minutes["held_back_min"].fill_null(0.0).to_numpy()
    cold = minutes["lost_cold_min"].fill_null(float("nan")).to_numpy()
    reference = minutes["reference_min"].fill_null(float("nan")).to_numpy()
    with np.errstate(invalid="ignore", divide="ignore"):
        relative = unexplained / (reference + np.maximum(cold, 0.0))
    usable = of_model & np.isfinite(relative) & (np.abs(back) < 0.05) & (cold > 0.5)
    pool = relative[usable]
    shape = (DRAWS_N, int(mine.sum()))
    if len(pool) < RESIDUAL_SESSIONS_N:
        return np.zeros(shape)
    pool = pool - np.median(pool)
    # One wild session says nothing of the others.
    bound = 5 * np.median(np.abs(pool))
    pool = np.clip(pool, -bound, bound)
    drawn = generator.choice(pool, size=shape)
    affected = np.clip(cold[mine] / 1.0, 0.0, 1.0)
    noise: Array = drawn * (reference[mine] + np.maximum(cold[mine], 0.0)) * affected
    return noise


def interval_rows(window: Window, draws: Array) -> list[dict[str, Any]]:
    """Ends of the 90 % interval of the week's sums, by fleet, vehicle and site."""
    in_week = (window.stops["week_id"] == window.week_id).to_numpy()
    has = in_week & np.isfinite(draws[0, 0])
    vehicles = window.stops["vehicle_id"].to_numpy()
    sites = window.stops["site_id"].fill_null("").to_numpy()
    rows = []
    groups = [("fleet", "", has)]
    groups += [("vehicle", key, has & (vehicles == key)) for key in sorted(set(vehicles[has]))]
    groups += [("site", key, has & (sites == key)) for key in sorted(set(sites[has]))]
    tail = (1 - CONFIDENCE) / 2
    for grouped_by, key, mask in groups:
        if not mask.any():
            continue
        sums = draws[:, :, mask].sum(axis=2)
        low, high = np.quantile(sums, [tail, 1 - tail], axis=0)
        rows.append(
            {
                "grouped_by": grouped_by,
                "group_key": str(key),
                "lost_cold_low_min": float(low[0]),
                "lost_cold_high_min": float(high[0]),
                "lost_site_low_min": float(low[1]),
                "lost_site_high_min": float(high[1]),
            }
        )
    return rows
