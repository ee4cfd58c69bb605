"""How much of a month the data cover: nothing is held against days of which nobody knows."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.budget.season import Season
from pipeline.budget.weather import Array

LEAST_COVERED_RATE = 0.8
"""A month of which less is covered is left out of every comparison. Common practice, no source.

A covered part is compared with the same part of what was drawn for the whole month, whose spread
then falls as the part does; that of chance alone would fall as its root. At 0.8 the interval is
so at most a tenth too narrow.
"""


def covered_rates(exposure: pl.DataFrame, weights: pl.DataFrame, season: Season) -> Array:
    """Share of each month's budgeted work that falls on days which data cover.

    Parameters
    ----------
    exposure
        As `pipeline.budget.given.EXPOSURE`; more vehicles and months allowed.
    weights
        ``vehicle_id, month_id, weight_value``: of each vehicle that is compared, what the month
        asks of it; 0 or more.

    Returns
    -------
    array (months,)
        0 to 1; 0 where less than `LEAST_COVERED_RATE` is covered, and where the weights are 0.
    """
    length = pl.DataFrame(
        {"month_id": season.month_ids, "length_n": [float(days) for days in season.month_days]},
        schema={"month_id": pl.String, "length_n": pl.Float64},
    )
    days = exposure.select(
        "vehicle_id", "days_n", month_id=pl.col("month_date").dt.strftime("%Y-%m")
    )
    share = (pl.col("days_n").fill_null(0.0) / pl.col("length_n")).clip(0.0, 1.0)
    rates = (
        length.join(weights, on="month_id", how="left", maintain_order="left")
        .join(days, on=["vehicle_id", "month_id"], how="left", maintain_order="left")
        .group_by("month_id", maintain_order=True)
        .agg(
            covered=(share * pl.col("weight_value")).sum(),
            whole=pl.col("weight_value").sum(),
        )
    )
    covered, whole = rates["covered"].to_numpy(), rates["whole"].to_numpy()
    rate = np.divide(covered, whole, out=np.zeros(len(rates)), where=whole > 0)
    return np.where(rate >= LEAST_COVERED_RATE, rate, 0.0)


def only_covered(daily: pl.DataFrame, season: Season, covered: Array) -> pl.DataFrame:
    """Those days of actuals that lie in a month which counts; ``local_day`` and any others."""
    counted = [month for month, rate in zip(season.month_ids, covered, strict=True) if rate > 0]
    return daily.filter(pl.col("local_day").dt.strftime("%Y-%m").is_in(counted))
