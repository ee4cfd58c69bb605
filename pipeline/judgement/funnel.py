"""Funnel limits: how far a group may lie from what was expected before it says anything."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import ArrayLike
from scipy.stats import binom

from pipeline.judgement.expected import observed_and_expected
from pipeline.judgement.logistic import Array
from pipeline.judgement.tables import judged

LIMITS = {"95": 0.95, "998": 0.998}
WINSORISED_SHARE = 0.10


def rate_limit(target: ArrayLike, trials: ArrayLike, share: float) -> Array:
    """Limit of a rate, below which `share` of the chance lies: exact binomial, interpolated.

    Notes
    -----
    ``r`` the least count with ``F(r) >= share``, ``a = (F(r) - share) / (F(r) - F(r-1))``, limit
    ``(r - a) / n`` (Spiegelhalter, Stat. Med. 24 (2005) 1185-1202, appendix).

    Examples
    --------
    >>> round(float(rate_limit(0.8, 50, 0.975)), 4)
    0.8956
    """
    n, p = np.asarray(trials, dtype=float), np.asarray(target, dtype=float)
    count = binom.ppf(share, n, p)
    reached, before = binom.cdf(count, n, p), binom.cdf(count - 1, n, p)
    with np.errstate(invalid="ignore", divide="ignore"):
        part = np.where(reached > before, (reached - share) / (reached - before), 0.0)
        limit: Array = np.clip((count - part) / n, 0.0, 1.0)
    return limit


class Overdispersion(NamedTuple):
    """How much more groups spread than chance: variance ratio, and variance between them."""

    phi_value: float
    tau2_value: float


def overdispersion(z: Array, standard_error: Array) -> Overdispersion:
    """Spread between groups beyond chance, tails winsorised so that odd groups do not hide.

    Parameters
    ----------
    z, standard_error
        Per group: distance from the target in, and size of, its standard error; at least two.

    Notes
    -----
    ``phi = mean z²`` after winsorising a tenth at each end; ``tau² = max(0, (I phi - (I - 1)) /
    (sum w - sum w² / sum w))`` with ``w = 1 / s²`` (Spiegelhalter 2005, additive model; the same
    as DerSimonian and Laird's moment estimate).
    """
    if len(z) < 2:
        return Overdispersion(1.0, 0.0)
    mild = np.clip(z, *np.quantile(z, [WINSORISED_SHARE, 1 - WINSORISED_SHARE]))
    phi = float(np.mean(mild**2))
    weight = 1 / standard_error**2
    below = weight.sum() - (weight**2).sum() / weight.sum()
    excess = len(z) * phi - (len(z) - 1)
    return Overdispersion(phi, max(0.0, float(excess / below)) if below > 0 else 0.0)


def funnel(stops: pl.DataFrame, kind: str) -> pl.DataFrame:
    """Starts against those to be expected, given everything but the group itself.

    Parameters
    ----------
    stops
        Rows in `pipeline.judgement.tables.JUDGED_SCHEMA`.
    kind
        ``driver``, ``vehicle`` or ``site``.

    Returns
    -------
    DataFrame
        One row per group, sorted by id and not by ratio: ``group_id, stops_n, started_n,
        expected_started_n, ratio_value`` (observed over expected), limits of that ratio
        ``low_95_value, high_95_value, low_998_value, high_998_value``, ``position`` (``inside``,
        ``below_95``, ``below_998``, ``above_95``, ``above_998``), ``chance_position`` (the same
        had groups nothing of their own) and, equal in each row, ``phi_value, tau2_value``.

    Notes
    -----
    Limits of chance are those of a binomial with the group's mean expectation, which is never
    narrower than that of unequal chances. They are moved out by ``sqrt(1 + tau²/s²)``, because
    people differ, and only who differs more than people do stands out. Interpolated limits are
    for drawing: of four stops all four may lie above one although that is what happens mostly. So
    a group is outside only if the exact probability of so few (or many) is below the tail as well.
    """
    sums = observed_and_expected(judged(stops), f"{kind}_id", f"{kind}_why_not").filter(
        (pl.col("expected_started_n") > 0) & (pl.col("variance_value") > 0)
    )
    n, expected = sums["stops_n"].to_numpy(), sums["expected_started_n"].to_numpy()
    started = sums["started_n"].to_numpy()
    ratio = started / expected
    error = np.sqrt(sums["variance_value"].to_numpy()) / expected
    spread = overdispersion((ratio - 1) / error, error)
    wider = np.sqrt(1 + spread.tau2_value / error**2)
    few, many = binom.cdf(started, n, expected / n), binom.sf(started - 1, n, expected / n)
    ends: dict[str, Array] = {}
    positions = {name: np.full(len(sums), "inside", dtype=object) for name in ("own", "chance")}
    for name, confidence in LIMITS.items():  # the wider limits come last and overrule
        tail = (1 - confidence) / 2
        low, high = (
            rate_limit(expected / n, n, share) * n / expected for share in (tail, 1 - tail)
        )
        ends[f"low_{name}_value"] = np.maximum(1 + (low - 1) * wider, 0.0)
        ends[f"high_{name}_value"] = 1 + (high - 1) * wider
        for which, bottom, top in (
            ("own", ends[f"low_{name}_value"], ends[f"high_{name}_value"]),
            ("chance", low, high),
        ):
            positions[which][(ratio < bottom) & (few <= tail)] = f"below_{name}"
            positions[which][(ratio > top) & (many <= tail)] = f"above_{name}"
    return sums.drop("variance_value").with_columns(
        pl.Series("ratio_value", ratio, dtype=pl.Float64),
        *(pl.Series(name, values, dtype=pl.Float64) for name, values in ends.items()),
        position=pl.Series(positions["own"].tolist(), dtype=pl.String),
        chance_position=pl.Series(positions["chance"].tolist(), dtype=pl.String),
        phi_value=pl.lit(spread.phi_value),
        tau2_value=pl.lit(spread.tau2_value),
    )
