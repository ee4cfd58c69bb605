"""How often, and how early, warming is begun where it is needed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.special import expit, logit

from pipeline.budget import priors
from pipeline.statistics import beta_binomial_fit, effective_number

Array = NDArray[np.float64]

SHARES = (0.0, 0.25, 0.5, 0.75, 1.0)
"""Levels of warming: parts of the time there was in which the heater was allowed to run."""

PRIOR_SHARE_WEIGHTS = (0.5, 0.5, 1.0, 6.0)
"""Weights of the levels above 0 before anything was seen: most begin in time. Common practice, no
source."""


@dataclass(frozen=True)
class StartModel:
    """Rates of starting, pooled.

    Attributes
    ----------
    rate, effective_n
        The fleet's rate, and the independent stops it rests on (prior included).
    concentration
        ``alpha + beta`` of the rate between vehicles.
    needed_n, started_n
        By vehicle.
    share_weights
        Of the levels above 0, by those who started; sums to one.
    """

    rate: float
    effective_n: float
    concentration: float
    needed_n: dict[str, float]
    started_n: dict[str, float]
    share_weights: Array


def fit_starts(starts: pl.DataFrame) -> StartModel:
    """Learn from stops where warming was needed and possible; none gives the prior.

    Parameters
    ----------
    starts
        One row per such stop: ``vehicle_id``, ``is_started``, and ``share`` of the time there was
        in which warming ran or could have (null unless started).
    """
    per_vehicle = (
        starts.group_by("vehicle_id")
        .agg(needed=pl.len(), started=pl.col("is_started").sum())
        .sort("vehicle_id")
    )
    needed = per_vehicle["needed"].cast(pl.Float64).to_numpy()
    started = per_vehicle["started"].cast(pl.Float64).to_numpy()
    fit = beta_binomial_fit(started, needed)
    concentration = priors.START_CONCENTRATION if fit is None else fit.alpha + fit.beta
    total, vehicles_n = needed.sum(), len(needed)
    effective = 0.0
    if total:
        icc = 1 / (concentration + 1)
        effective = float(effective_number(total, vehicles_n, icc))
    rate = started.sum() / total if total else 0.0
    weight = effective + priors.START_WEIGHT
    levels = np.array(SHARES[1:])
    shares = starts.filter(pl.col("is_started"))["share"].drop_nulls().to_numpy()
    nearest = np.abs(shares[:, None] - levels).argmin(axis=1)
    weights = np.bincount(nearest, minlength=len(levels)) + np.array(PRIOR_SHARE_WEIGHTS)
    names = per_vehicle["vehicle_id"].to_list()
    return StartModel(
        (rate * effective + priors.START_RATE * priors.START_WEIGHT) / weight,
        weight,
        concentration,
        dict(zip(names, needed.tolist(), strict=True)),
        dict(zip(names, started.tolist(), strict=True)),
        weights / weights.sum(),
    )


def draw_starts(
    model: StartModel, vehicle_ids: list[str], draws_n: int, rng: np.random.Generator
) -> NDArray[np.float32]:
    """(draws, vehicles) rate of starting in a coming season.

    The fleet's rate from its beta posterior on effective stops; each vehicle's from a beta about
    that with its own stops; then the season's drift, common to all.
    """
    fleet = rng.beta(model.rate * model.effective_n, (1 - model.rate) * model.effective_n, draws_n)
    fleet = np.clip(fleet, 1e-6, 1 - 1e-6)[:, None]
    needed = np.array([model.needed_n.get(name, 0.0) for name in vehicle_ids])
    started = np.array([model.started_n.get(name, 0.0) for name in vehicle_ids])
    rates = rng.beta(
        model.concentration * fleet + started,
        model.concentration * (1 - fleet) + needed - started,
    )
    drift = priors.START_DRIFT_LOGIT * rng.standard_normal((draws_n, 1))
    moved = expit(logit(np.clip(rates, 1e-6, 1 - 1e-6)) + drift)
    return np.asarray(moved, dtype=np.float32)
