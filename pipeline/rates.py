"""Rates of warming with their intervals, on effective numbers of stops."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl

from pipeline.statistics import beta_binomial_fit, effective_number, wilson_interval


def correlation_of(clusters: pl.DataFrame) -> dict[str, float]:
    """How far the stops of one driver go together, by rate; 0 where it cannot be told."""
    trials = clusters["needed_warming_n"].to_numpy()
    found = {}
    for rate, hits in (("hit_rate", "warmed_n"), ("start_rate", "started_n")):
        fit = beta_binomial_fit(clusters[hits].to_numpy(), trials)
        found[rate] = fit.icc if fit else 0.0
    return found


def with_rates(sums: pl.DataFrame, correlation: Mapping[str, float] | None = None) -> pl.DataFrame:
    """Add hit rate and start rate with their Wilson intervals at 95 %; null without trials.

    Reads ``warmed_n, part_warmed_n, needed_warming_n, clusters_n``. Intervals stand on the
    effective number of stops, because those of one driver go together (method, section 4):
    ``hit_rate_effective_n`` beside the counts.
    """
    needed = sums["needed_warming_n"].to_numpy()
    added = []
    for name, hits in (
        ("hit_rate", sums["warmed_n"].to_numpy()),
        ("start_rate", (sums["warmed_n"] + sums["part_warmed_n"]).to_numpy()),
    ):
        icc = (correlation or {}).get(name, 0.0)
        effective = effective_number(needed, sums["clusters_n"].to_numpy(), icc)
        with np.errstate(invalid="ignore", divide="ignore"):
            rate = np.where(needed > 0, hits / needed, np.nan)
        interval = wilson_interval(np.nan_to_num(rate) * effective, effective)
        for suffix, values in (("", rate), ("_low", interval.low), ("_high", interval.high)):
            added.append(pl.Series(name + suffix, values, dtype=pl.Float64).fill_nan(None))
        if name == "hit_rate":
            added.append(pl.Series("hit_rate_effective_n", effective, dtype=pl.Float64))
    return sums.with_columns(added)
