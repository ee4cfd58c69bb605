"""Which weeks have to be computed again because of what came in."""

from __future__ import annotations

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import polars as pl

SPAN_MARGIN = timedelta(hours=36)
"""A charge may straddle midnight on Sunday, so a file touches the weeks around it too."""


def touched_weeks(spans: pl.DataFrame, zone: ZoneInfo, now: datetime) -> pl.DataFrame:
    """ISO weeks, cut in the fleet's zone, that spans touch with 36 h of margin.

    Parameters
    ----------
    spans
        ``vehicle_id``, ``first_at``, ``last_at``; what lies after `now` counts as now.

    Returns
    -------
    pl.DataFrame
        ``vehicle_id``, ``week_id`` such as ``2026-W03``, each once.
    """
    now_utc = pl.lit(now).dt.convert_time_zone("UTC").dt.cast_time_unit("us")

    def monday(at: pl.Expr) -> pl.Expr:
        local = at.dt.convert_time_zone(zone.key).dt.date()
        return local - pl.duration(days=local.dt.weekday() - 1)

    return (
        spans.filter(pl.col("first_at") <= now_utc + SPAN_MARGIN)
        .select(
            "vehicle_id",
            monday=pl.date_ranges(
                monday(pl.col("first_at") - SPAN_MARGIN),
                monday(pl.min_horizontal("last_at", now_utc) + SPAN_MARGIN),
                "1w",
            ),
        )
        .explode("monday")
        .drop_nulls()
        .select("vehicle_id", week_id=pl.col("monday").dt.to_string("%G-W%V"))
        .unique()
    )
