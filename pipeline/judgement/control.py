"""Has the habit changed? A risk-adjusted CUSUM with a stated rate of false alarms."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import polars as pl
from scipy.special import expit

from pipeline.judgement.expected import full_design
from pipeline.judgement.logistic import Array, Logistic, penalised_logistic
from pipeline.judgement.tables import judged

CHART_SCHEMA = pl.Schema(
    {
        "kind": pl.String(),
        "subject_id": pl.String(),
        "stop_id": pl.String(),
        "plug_in_at": pl.Datetime("us", "UTC"),
        "better_value": pl.Float64(),
        "worse_value": pl.Float64(),
        "better_limit_value": pl.Float64(),
        "worse_limit_value": pl.Float64(),
        "signal": pl.String(),
    }
)
"""One row per watched stop and chart: both sums, their limits, and ``signal``: ``better`` or
``worse`` from the stop on at which the sum first reached its limit, else null."""

KINDS = {"fleet": "fleet_why_not", "driver": "driver_why_not"}


@dataclass(frozen=True)
class Watch:
    """How a chart watches.

    ``error_rate`` is the chance, at the most, that any chart of its kind gives any signal within
    ``horizon_weeks_n`` weeks although nothing changed; ``odds_ratio`` the change of the odds of a
    start that is looked for, and its inverse for the worse.
    """

    error_rate: float = 0.05
    horizon_weeks_n: int = 26
    odds_ratio: float = 2.0
    resamples_n: int = 4000
    seed: int = 1


STANDARD_WATCH = Watch()
BATCH_CELLS_N = 1_000_000
"""Simulated stops held in memory at a time."""


def control_chart(
    stops: pl.DataFrame, kind: str, baseline_until: datetime, watch: Watch = STANDARD_WATCH
) -> pl.DataFrame:
    """Watch every stop after the baseline against what the baseline foretells of it.

    Parameters
    ----------
    stops
        Rows in `pipeline.judgement.tables.JUDGED_SCHEMA`.
    kind
        ``fleet`` (one chart) or ``driver`` (one each, for drivers seen in the baseline).
    baseline_until
        End of the baseline, with a zone; it should hold cold and mild days.

    Returns
    -------
    DataFrame
        `CHART_SCHEMA`, in the order of time within each chart; empty where the baseline or the
        time watched holds no stop.

    Notes
    -----
    Score of a stop ``y log R - log(1 - p + R p)``, sum ``S = max(0, S + score)`` (Steiner, Cook,
    Farewell and Treasure, Biostatistics 1 (2000) 441-452; from memory), ``p`` from the baseline's
    model given driver, vehicle, site, cold, approach and hour. The limit is a quantile of the
    highest sum in simulated seasons without a change, of the same stops and, up to the horizon,
    more like those of the baseline; each with other effects drawn from what the baseline leaves
    open, because a level known from few stops would else raise alarms by itself. Each side has
    half the error, each chart of a kind its equal part.
    """
    rows = judged(stops).filter(pl.col(KINDS[kind]).is_null())
    design, prior, _ = full_design(rows)
    is_base = (rows["plug_in_at"] < baseline_until).to_numpy()
    is_started = rows["is_started"].to_numpy().astype(bool)
    if not is_base.any() or is_base.all():
        return pl.DataFrame(schema=CHART_SCHEMA)
    fit = penalised_logistic(design[is_base], is_started[is_base], prior)
    base = rows.filter(pl.Series(is_base))
    if kind == "fleet":
        charts = {"": np.ones(len(rows), dtype=bool)}
    else:
        drivers = rows["driver_id"]
        charts = {
            str(name): (drivers == name).to_numpy()
            for name in sorted(set(drivers.filter(pl.Series(~is_base))) & set(base["driver_id"]))
        }
    begin, end = base["plug_in_at"].min(), base["plug_in_at"].max()
    assert isinstance(begin, datetime) and isinstance(end, datetime)
    base_weeks = max((end - begin).total_seconds() / (7 * 86400), 1.0)
    tables = []
    for number, (name, mine) in enumerate(charts.items()):
        watched, before = mine & ~is_base, mine & is_base
        generator = np.random.default_rng([watch.seed, number])
        horizon_n = round(before.sum() / base_weeks * watch.horizon_weeks_n)
        more = generator.choice(
            np.flatnonzero(before), max(int(horizon_n - watched.sum()), 0), replace=True
        )
        season = np.vstack([design[watched], design[more]])
        limits = _limits(season, fit, watch, watch.error_rate / 2 / len(charts), generator)
        chance = expit(design[watched] @ fit.effects)
        sums = cusum_pair(is_started[watched], chance, watch.odds_ratio)
        tables.append(_points(rows.filter(pl.Series(watched)), kind, name, sums, limits))
    return pl.concat(tables) if tables else pl.DataFrame(schema=CHART_SCHEMA)


def cusum_pair(is_started: np.ndarray, chance: Array, odds_ratio: float) -> tuple[Array, Array]:
    """Sums for the better and for the worse after each stop, along the last axis.

    Parameters
    ----------
    is_started, chance
        Shape (..., stops), broadcastable.
    """

    def one(ratio: float) -> Array:
        score = is_started * np.log(ratio) - np.log(1 - chance + ratio * chance)
        path = np.cumsum(score, axis=-1)
        # The running sum with a floor at 0 is the path above its lowest point so far.
        lowest = np.minimum(np.minimum.accumulate(path, axis=-1), 0.0)
        above: Array = path - lowest
        return above

    return one(odds_ratio), one(1 / odds_ratio)


def _limits(
    season: Array, fit: Logistic, watch: Watch, error: float, generator: np.random.Generator
) -> tuple[float, float]:
    root = np.linalg.cholesky(fit.covariance + 1e-12 * np.eye(len(fit.effects)))
    expected = expit(season @ fit.effects)
    highest: list[tuple[Array, Array]] = []
    at_once = max(BATCH_CELLS_N // len(season), 1)
    for begin in range(0, watch.resamples_n, at_once):  # some at a time, for the memory's sake
        count = min(at_once, watch.resamples_n - begin)
        draws = generator.standard_normal((count, len(fit.effects)))
        true_chance = expit((fit.effects + draws @ root.T) @ season.T)
        is_started = generator.random(true_chance.shape) < true_chance
        better, worse = cusum_pair(is_started, expected, watch.odds_ratio)
        highest.append((better.max(axis=-1), worse.max(axis=-1)))
    ends = (np.concatenate(side) for side in zip(*highest, strict=True))
    better_limit, worse_limit = (float(np.quantile(end, 1 - error)) for end in ends)
    return better_limit, worse_limit


def _points(
    rows: pl.DataFrame,
    kind: str,
    name: str,
    sums: tuple[Array, Array],
    limits: tuple[float, float],
) -> pl.DataFrame:
    points = rows.select(
        "stop_id",
        "plug_in_at",
        kind=pl.lit(kind),
        subject_id=pl.lit(name),
        better_value=pl.Series(sums[0]),
        worse_value=pl.Series(sums[1]),
        better_limit_value=pl.lit(limits[0]),
        worse_limit_value=pl.lit(limits[1]),
    )
    reached = [
        (pl.col(f"{side}_value") > pl.col(f"{side}_limit_value")).cum_max()
        for side in ("worse", "better")
    ]
    return points.with_columns(
        signal=pl.when(reached[0]).then(pl.lit("worse")).when(reached[1]).then(pl.lit("better"))
    ).select(CHART_SCHEMA.keys())
