"""Did it help? The start rate before and after a marked date, with the interval of the effect."""

from __future__ import annotations

from datetime import datetime

import numpy as np
import polars as pl
from scipy.special import expit, stdtrit

from pipeline.judgement.expected import LEVEL_SD, full_design, numbered
from pipeline.judgement.logistic import Array, Logistic, penalised_logistic
from pipeline.judgement.tables import judged

LEAST_STOPS_N = 5
LEAST_GROUPS_N = 3

EFFECT_SCHEMA = pl.Schema(
    {
        "event_at": pl.Datetime("us", "UTC"),
        "before_n": pl.Int64(),
        "after_n": pl.Int64(),
        "effective_n": pl.Float64(),
        "before_rate": pl.Float64(),
        "after_rate": pl.Float64(),
        "change_rate": pl.Float64(),
        "change_rate_low": pl.Float64(),
        "change_rate_high": pl.Float64(),
        "odds_ratio_value": pl.Float64(),
        "odds_ratio_low_value": pl.Float64(),
        "odds_ratio_high_value": pl.Float64(),
        "why_null": pl.String(),
    }
)
"""``change_rate`` is a difference of rates; ``effective_n`` what the stops of both sides are worth
as independent ones; ``why_null`` is ``too_few_stops`` or ``too_few_drivers``."""


def before_and_after(
    stops: pl.DataFrame, event_at: datetime, confidence: float = 0.9
) -> pl.DataFrame:
    """What changed in the start rate with an event, weather, vehicles and sites being equal.

    Parameters
    ----------
    stops
        Rows in `pipeline.judgement.tables.JUDGED_SCHEMA` of the time to be compared; for an event
        of some vehicles or drivers, theirs alone.
    event_at
        The marked instant, with a zone: training, new software.
    confidence
        Of the two-sided intervals.

    Returns
    -------
    DataFrame
        One row in `EFFECT_SCHEMA`. Raw rates beside ``change_rate``: by how much the rate at the
        stops after the event differs from what the model gives these stops without it.

    Notes
    -----
    Penalised logistic model with the season in it as outside temperature; standardisation over
    the stops after the event. Stops of one driver go together and drivers take to training
    differently, so the variance is the larger of the model's and that of clusters by driver
    (vehicles where none is known), with Student's t of one less than the clusters (Liang and
    Zeger 1986; Cameron and Miller 2015; both from memory). Without a group that the event did not
    touch, whatever else changed on that day is in the figure too.
    """
    rows = judged(stops).filter(pl.col("fleet_why_not").is_null())
    is_after = (rows["plug_in_at"] >= event_at).to_numpy()
    is_started = rows["is_started"].to_numpy().astype(bool)
    group, names = numbered(
        rows.select(
            pl.coalesce("driver " + pl.col("driver_id"), "vehicle " + pl.col("vehicle_id"))
        ).to_series()
    )
    after_n = int(is_after.sum())
    row: dict[str, object] = dict.fromkeys(EFFECT_SCHEMA) | {
        "event_at": event_at,
        "before_n": len(rows) - after_n,
        "after_n": after_n,
    }
    if min(after_n, len(rows) - after_n) < LEAST_STOPS_N:
        return pl.DataFrame([row | {"why_null": "too_few_stops"}], schema=EFFECT_SCHEMA)
    both = len(set(group[is_after]) & set(group[~is_after]))
    if both < LEAST_GROUPS_N:
        return pl.DataFrame([row | {"why_null": "too_few_drivers"}], schema=EFFECT_SCHEMA)
    plain, prior, _ = full_design(rows)
    design = np.column_stack([is_after.astype(float), plain])
    fit = penalised_logistic(design, is_started, np.concatenate([[LEVEL_SD], prior]))
    covariance = fit.covariance
    robust = clustered_covariance(design, is_started, fit, group, len(names))
    after = design[is_after]
    without = after.copy()
    without[:, 0] = 0.0
    with_it, without_it = expit(after @ fit.effects), expit(without @ fit.effects)
    change = float((with_it - without_it).mean())
    slope = (
        after * (with_it * (1 - with_it))[:, None]
        - without * (without_it * (1 - without_it))[:, None]
    ).mean(axis=0)
    only = np.eye(len(fit.effects))[0]
    times = float(stdtrit(both - 1, 0.5 + confidence / 2))
    half, log_half = (
        times * np.sqrt(max(float(at @ covariance @ at), float(at @ robust @ at)))
        for at in (slope, only)
    )
    model = float(only @ covariance @ only)
    log_odds = float(fit.effects[0])
    row |= {
        "effective_n": len(rows) * min(1.0, model / max(float(only @ robust @ only), 1e-300)),
        "before_rate": float(is_started[~is_after].mean()),
        "after_rate": float(is_started[is_after].mean()),
        "change_rate": change,
        "change_rate_low": max(change - half, -1.0),
        "change_rate_high": min(change + half, 1.0),
        "odds_ratio_value": float(np.exp(log_odds)),
        "odds_ratio_low_value": float(np.exp(log_odds - log_half)),
        "odds_ratio_high_value": float(np.exp(log_odds + log_half)),
    }
    return pl.DataFrame([row], schema=EFFECT_SCHEMA)


def clustered_covariance(
    design: Array, is_hit: np.ndarray, fit: Logistic, group: np.ndarray, groups_n: int
) -> Array:
    """Covariance of effects where the stops of a group go together.

    Parameters
    ----------
    group
        Number of each stop's group, 0 to ``groups_n - 1``.

    Notes
    -----
    ``B (sum_g s_g s_g') B * G / (G - 1) * (n - 1) / (n - k)`` with ``k`` the effective number of
    effects, ``trace(B X'WX)``; without a penalty that is the usual small-sample form.
    """
    chance = expit(design @ fit.effects)
    score = np.zeros((groups_n, design.shape[1]))
    np.add.at(score, group, design * (is_hit - chance)[:, None])
    weighted = design * (chance * (1 - chance))[:, None]
    covariance = fit.covariance
    free = float(np.trace(covariance @ (weighted.T @ design)))
    count = len(design)
    scale = groups_n / (groups_n - 1) * (count - 1) / max(count - free, 1.0)
    found: Array = covariance @ (score.T @ score) @ covariance * scale
    return found
