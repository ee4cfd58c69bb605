"""Rates of small groups, shrunk towards the fleet's, as far as the fleet itself is known."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import ArrayLike, NDArray
from scipy.special import betainc, betaln, expit

from pipeline.judgement.logistic import Array
from pipeline.judgement.tables import NEEDED, NOBODYS_MISS, judged

MEANS_N, SHARES_N, RATES_N = 36, 24, 257
GONE = 1e-6
"""Weight below which a point of the grid of fleets is left out."""


class ShrunkRates(NamedTuple):
    """Posterior mean and interval of each group's rate, shape (groups,)."""

    rate: Array
    low: Array
    high: Array


class FleetGrid(NamedTuple):
    """Beta distributions that a fleet's rates may follow, each with its posterior weight."""

    alpha: Array
    beta: Array
    weight: Array


def fleet_grid(hits: ArrayLike, trials: ArrayLike) -> FleetGrid:
    """Which beta distributions the groups' true rates may come from, by marginal likelihood.

    Parameters
    ----------
    hits, trials
        Per group, ``0 <= hits <= trials``; groups without trials say nothing.

    Returns
    -------
    FleetGrid
        Points of a grid over mean and size (``alpha + beta``), weights adding up to 1.

    Raises
    ------
    ValueError
        When counts are outside their domain.

    Notes
    -----
    Weight of a point: ``prod B(a + x, b + n - x) / B(a, b)`` times a prior that is even in the
    mean and in ``1 / (1 + size)``, by which an own rate is shrunk (uniform shrinkage: Christiansen
    and Morris, J. Am. Stat. Assoc. 92 (1997) 618-632; from memory). That prior is proper, so one
    group, none, or groups that all agree need no case of their own: where the data say nothing
    of the spread, the whole range of spreads stays in the interval.
    """
    hit, trial = np.asarray(hits, dtype=float), np.asarray(trials, dtype=float)
    if np.any(hit < 0) or np.any(hit > trial):
        raise ValueError("hits must lie between 0 and trials")
    pairs, times = np.unique(np.column_stack([hit, trial]), axis=0, return_counts=True)
    mean_ends, share_ends = (-8.0, 8.0), (-8.0, 4.0)
    for _ in range(2):  # once over everything, once where the weight lies
        mean_logit = np.linspace(*mean_ends, MEANS_N)
        share_logit = np.linspace(*share_ends, SHARES_N)
        weight, alpha, beta = _weights(mean_logit, share_logit, pairs, times)
        mean_ends = _where(mean_logit, weight.sum(axis=1))
        share_ends = _where(share_logit, weight.sum(axis=0))
    keep = weight > GONE
    return FleetGrid(alpha[keep], beta[keep], weight[keep] / weight[keep].sum())


def _weights(
    mean_logit: Array, share_logit: Array, pairs: Array, times: NDArray[np.intp]
) -> tuple[Array, Array, Array]:
    """Posterior weights, alpha and beta on a grid even in the logits of mean and share."""
    mean, share = expit(mean_logit)[:, None], expit(share_logit)[None, :]
    size = 1 / share - 1
    alpha, beta = mean * size, (1 - mean) * size
    # Even densities of mean and share, in the scales of the grid.
    logs = np.log(mean * (1 - mean)) + np.log(share * (1 - share))
    for (x, n), count in zip(pairs, times, strict=True):  # distinct counts, few
        logs = logs + count * (betaln(alpha + x, beta + n - x) - betaln(alpha, beta))
    weight = np.exp(logs - logs.max())
    return weight / weight.sum(), alpha, beta


def _where(axis: Array, weight: Array) -> tuple[float, float]:
    """Ends of the part of an axis that holds all but a millionth, one step wider."""
    has = np.flatnonzero(weight > 1e-6)
    return float(axis[max(has[0] - 1, 0)]), float(axis[min(has[-1] + 1, len(axis) - 1)])


def shrunk_rates(hits: ArrayLike, trials: ArrayLike, confidence: float = 0.9) -> ShrunkRates:
    """Beta-binomial posterior of each group's rate.

    Parameters
    ----------
    hits, trials
        Per group, ``0 <= hits <= trials``; a group without trials gets the fleet's distribution.
    confidence
        Of the two-sided interval, in (0, 1).

    Returns
    -------
    ShrunkRates
        Each group's posterior is the mixture over `fleet_grid` of ``Beta(a + x, b + n - x)``.
    """
    if not 0 < confidence < 1:
        raise ValueError(f"confidence must lie between 0 and 1, got {confidence}")
    hit, trial = np.asarray(hits, dtype=float), np.asarray(trials, dtype=float)
    grid = fleet_grid(hit, trial)
    # Finer towards both ends, where rates of few stops pile up.
    rates = (1 - np.cos(np.linspace(0, np.pi, RATES_N))) / 2
    mean, low, high = (np.empty(len(hit)) for _ in range(3))
    tail = (1 - confidence) / 2
    pairs, places = np.unique(np.column_stack([hit, trial]), axis=0, return_inverse=True)
    for number, (x, n) in enumerate(pairs):  # distinct counts, few
        a, b = grid.alpha + x, grid.beta + n - x
        mine = places.ravel() == number
        mean[mine] = grid.weight @ (a / (a + b))
        low[mine] = _quantile(a, b, grid.weight, tail, rates)
        high[mine] = _quantile(a, b, grid.weight, 1 - tail, rates)
    return ShrunkRates(mean, low, high)


def _quantile(a: Array, b: Array, weight: Array, share: float, rates: Array) -> float:
    """Quantile of a mixture of betas, by halving on a fine grid of rates."""
    first, last = 0, len(rates) - 1
    while last - first > 1:
        middle = (first + last) // 2
        if weight @ betainc(a, b, rates[middle]) < share:
            first = middle
        else:
            last = middle
    below, above = (float(weight @ betainc(a, b, rates[at])) for at in (first, last))
    part = (share - below) / (above - below) if above > below else 0.5
    return float(rates[first] + min(max(part, 0.0), 1.0) * (rates[last] - rates[first]))


RATE_SCHEMA = pl.Schema(
    {
        "grouped_by": pl.String(),
        "group_id": pl.String(),
        "basis": pl.String(),
        "rate_name": pl.String(),
        "hits_n": pl.Int64(),
        "trials_n": pl.Int64(),
        "raw_rate": pl.Float64(),
        "shrunk_rate": pl.Float64(),
        "shrunk_rate_low": pl.Float64(),
        "shrunk_rate_high": pl.Float64(),
    }
)


def rates_by_group(stops: pl.DataFrame, confidence: float = 0.9) -> pl.DataFrame:
    """Start rate and hit rate by driver, vehicle and site, and the fleet's on both bases.

    Parameters
    ----------
    stops
        Rows in `pipeline.judgement.tables.JUDGED_SCHEMA`.

    Returns
    -------
    DataFrame
        `RATE_SCHEMA`, sorted by group, never by rate. ``basis`` is ``expected`` (stops that count
        for that group) or, for the fleet, also ``needed`` (all that needed warming). A driver's
        hit rate leaves out stops that started and came cold through nobody's fault. The fleet's
        own rates are not shrunk; their intervals are in the report's weekly tables.
    """
    rows = judged(stops)
    needed = rows.filter(pl.col("outcome").is_in(NEEDED))
    counted = rows.filter(pl.col("fleet_why_not").is_null())
    tables = [_of_fleet(needed, "needed"), _of_fleet(counted, "expected")]
    for kind in ("driver", "site", "vehicle"):
        own = rows.filter(pl.col(f"{kind}_why_not").is_null())
        fair = own.filter(~pl.col("why").is_in(NOBODYS_MISS).fill_null(False))
        for name, hits, trials in (
            ("hit_rate", "is_hit", fair if kind == "driver" else own),
            ("start_rate", "is_started", own),
        ):
            sums = _sums(trials.with_columns(group_id=pl.col(f"{kind}_id")), hits)
            found = shrunk_rates(sums["hits_n"], sums["trials_n"], confidence)
            tables.append(
                sums.with_columns(
                    grouped_by=pl.lit(kind),
                    basis=pl.lit("expected"),
                    rate_name=pl.lit(name),
                    shrunk_rate=pl.Series(found.rate),
                    shrunk_rate_low=pl.Series(found.low),
                    shrunk_rate_high=pl.Series(found.high),
                )
            )
    return pl.concat([_in_schema(table) for table in tables]).sort(
        "grouped_by", "group_id", "basis", "rate_name", nulls_last=True
    )


def _of_fleet(rows: pl.DataFrame, basis: str) -> pl.DataFrame:
    whole = rows.with_columns(group_id=pl.lit(None, dtype=pl.String))
    return pl.concat(
        _sums(whole, hits).with_columns(
            grouped_by=pl.lit("fleet"), basis=pl.lit(basis), rate_name=pl.lit(name)
        )
        for name, hits in (("hit_rate", "is_hit"), ("start_rate", "is_started"))
    )


def _sums(rows: pl.DataFrame, hits: str) -> pl.DataFrame:
    return (
        rows.group_by("group_id")
        .agg(hits_n=pl.col(hits).sum().cast(pl.Int64), trials_n=pl.len().cast(pl.Int64))
        .with_columns(raw_rate=pl.col("hits_n") / pl.col("trials_n"))
        .sort("group_id")
    )


def _in_schema(table: pl.DataFrame) -> pl.DataFrame:
    absent = {name: kind for name, kind in RATE_SCHEMA.items() if name not in table.columns}
    whole = table.with_columns(
        pl.lit(None, dtype=kind).alias(name) for name, kind in absent.items()
    )
    return whole.select(RATE_SCHEMA.keys()).cast(RATE_SCHEMA)
