"""The rows that are judged, and whose denominator each of them may stand in."""

from __future__ import annotations

import polars as pl

JUDGED_SCHEMA = pl.Schema(
    {
        "stop_id": pl.String(),
        "vehicle_id": pl.String(),
        "driver_id": pl.String(),
        "site_id": pl.String(),
        "plug_in_at": pl.Datetime("us", "UTC"),
        "local_h": pl.Float64(),
        "ambient_degc": pl.Float64(),
        "approach_min": pl.Float64(),
        "outcome": pl.String(),
        "why": pl.String(),
        "is_expected": pl.Boolean(),
        "expected_why_not": pl.String(),
        "can_warm": pl.Boolean(),
        "lost_cold_min": pl.Float64(),
        "avoidable_min": pl.Float64(),
        "missed_valued_min": pl.Float64(),
        "missed_worth_cash": pl.Float64(),
        "missed_worth_time": pl.Float64(),
    }
)
"""Columns of ``sql/judgement/judgement_stops``: one row per stop, one stop per ``stop_id``.

``driver_id`` and ``site_id`` are null where not known, and the driver on every rental;
``local_h`` is the hour of plug-in on the fleet's clock, 0 to 24.
"""

NEEDED = ("warmed", "part_warmed", "not_warmed")
STARTED = ("warmed", "part_warmed")

DRIVER_DID_ALL = ("vehicle_did_not_respond", "destination_not_recognised")
"""Reasons of a missed stop that show a destination set in time: the driver did what is asked."""
VEHICLE_NOT_ASKED = ("no_destination", "set_too_late", "destination_not_recognised")
"""Reasons of a missed stop at which nothing asked the vehicle to warm."""
NOBODYS_MISS = ("too_cold_for_the_time", "cut_off_low_charge")
"""Started, and cold through no fault of the driver's (method, section 4)."""


def judged(stops: pl.DataFrame) -> pl.DataFrame:
    """Check the rows and say of each whether it started, and for whom it counts.

    Parameters
    ----------
    stops
        Rows in `JUDGED_SCHEMA`; further columns are dropped.

    Returns
    -------
    DataFrame
        Sorted by ``plug_in_at, stop_id``, with ``is_started``, ``is_hit``, and
        ``fleet_why_not``, ``driver_why_not``, ``vehicle_why_not``, ``site_why_not``: why the stop
        does not count for or against them; null where it counts.

    Raises
    ------
    ValueError
        When a column is missing or a stop appears twice: it would be judged twice.
    """
    missing = [name for name in JUDGED_SCHEMA if name not in stops.columns]
    if missing:
        raise ValueError(f"columns missing of the judged stops: {', '.join(missing)}")
    rows = stops.select(pl.col(name).cast(kind) for name, kind in JUDGED_SCHEMA.items())
    if rows["stop_id"].is_duplicated().any() or rows["stop_id"].null_count():
        raise ValueError("every judged stop needs an id of its own")
    # A recorded reason comes before one drawn from the outcome: it is the more exact.
    common = (
        pl.when(pl.col("is_expected").is_null())
        .then(pl.lit("evidence"))
        .when(~pl.col("is_expected"))
        .then(pl.col("expected_why_not").fill_null("evidence"))
        .when(~pl.col("outcome").is_in(NEEDED))
        .then(pl.lit("not_needed"))
        .when(~pl.col("can_warm").fill_null(True) | (pl.col("why") == "vehicle_cannot_warm"))
        .then(pl.lit("vehicle_cannot_warm"))
        .when(pl.col("why") == "approach_too_short")
        .then(pl.lit("approach_too_short"))
    )
    return rows.sort("plug_in_at", "stop_id").with_columns(
        is_started=pl.col("outcome").is_in(STARTED),
        is_hit=pl.col("outcome") == "warmed",
        fleet_why_not=common,
        driver_why_not=pl.when(pl.col("driver_id").is_null())
        .then(pl.lit("no_driver"))
        .otherwise(common.when(pl.col("why").is_in(DRIVER_DID_ALL)).then(pl.col("why"))),
        vehicle_why_not=common.when(pl.col("why").is_in(VEHICLE_NOT_ASKED)).then(pl.col("why")),
        site_why_not=pl.when(pl.col("site_id").is_null()).then(pl.lit("no_site")).otherwise(common),
    )


def not_expected(stops: pl.DataFrame) -> pl.DataFrame:
    """Stops that count for nobody's rate among the drivers, each with its reason.

    Parameters
    ----------
    stops
        Rows in `JUDGED_SCHEMA`.

    Returns
    -------
    DataFrame
        ``driver_id, stop_id, not_expected_why``; stops that needed no warming are left out.
    """
    rows = judged(stops)
    return rows.filter(
        pl.col("driver_why_not").is_not_null()
        & pl.col("driver_id").is_not_null()
        & (pl.col("driver_why_not") != "not_needed")
    ).select("driver_id", "stop_id", not_expected_why="driver_why_not")
