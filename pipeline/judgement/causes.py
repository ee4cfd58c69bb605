"""Who or what: each missed stop's reason, and the minutes it is worth."""

from __future__ import annotations

from collections.abc import Collection

import polars as pl

from pipeline.judgement.findings import METHOD_RULE, Rule
from pipeline.judgement.funnel import funnel
from pipeline.judgement.tables import judged

CAUSES = (
    "driver_habit",
    "vehicle_fault",
    "place_not_recognised",
    "journey_too_short",
    "low_charge",
    "cannot_tell",
)
"""``vehicle_fault`` is a fault or a missing function. ``cannot_tell`` is a cause of its own: what
the evidence does not settle is not put on anybody."""

_OF_WHY = {
    "no_destination": "driver_habit",
    "set_too_late": "driver_habit",
    "began_late": "driver_habit",
    "ended_early": "cannot_tell",  # a heater that ends early has many reasons, none of them seen
    "vehicle_did_not_respond": "vehicle_fault",
    "vehicle_cannot_warm": "vehicle_fault",
    "destination_not_recognised": "place_not_recognised",
    "approach_too_short": "journey_too_short",
    "too_cold_for_the_time": "journey_too_short",
    "cut_off_low_charge": "low_charge",
}
_OF_NOT_EXPECTED = {
    "vehicle_cannot_warm": "vehicle_fault",
    "low_charge": "low_charge",
    "approach_too_short": "journey_too_short",
}


def causes_of_stops(
    stops: pl.DataFrame, faulty_vehicle_ids: Collection[str] = (), rule: Rule = METHOD_RULE
) -> pl.DataFrame:
    """The cause of each missed stop.

    Parameters
    ----------
    stops
        Rows in `pipeline.judgement.tables.JUDGED_SCHEMA`.
    faulty_vehicle_ids
        Vehicles of which it stands that they never respond.

    Returns
    -------
    DataFrame
        The judged rows that needed warming and came cold, or hold avoidable minutes, with
        ``cause``, one of `CAUSES`.

    Notes
    -----
    Where nothing is known of a destination, a missed stop is its driver's only if the vehicle
    warmed with somebody else, and somebody else started on the way to that site, within 60 days,
    and no fewer start there than chance allows. A driver who set no destination is blamed only if
    the vehicle warmed with somebody else. Else it ``cannot_tell``.
    """
    rows = judged(stops)
    of_sites = funnel(stops, "site")
    doubtful = of_sites.filter(pl.col("chance_position").str.starts_with("below"))[
        "group_id"
    ].to_list()
    faulty = pl.col("vehicle_id").is_in(list(faulty_vehicle_ids))
    shown = {
        "is_vehicle_shown": _shown(rows, "vehicle_id", rule),
        "is_site_shown": _shown(
            rows.filter(~pl.col("site_id").is_in(doubtful).fill_null(True)), "site_id", rule
        ),
    }
    missed = pl.col("outcome").is_in(["part_warmed", "not_warmed", "low_charge_hold"])
    drawn = pl.col("why").is_null() | (pl.col("why") == "no_evidence")
    by_driver = pl.col("driver_id").is_not_null() & pl.col("is_vehicle_shown")
    return (
        rows.with_columns(
            pl.col("stop_id").is_in(ids.to_list()).alias(name) for name, ids in shown.items()
        )
        .filter(missed | (pl.col("avoidable_min") != 0).fill_null(False))
        .with_columns(
            cause=pl.when(pl.col("outcome") == "low_charge_hold")
            .then(pl.lit("low_charge"))
            .when(
                ~pl.col("is_expected").fill_null(True)
                & pl.col("expected_why_not").is_in(list(_OF_NOT_EXPECTED))
            )
            .then(pl.col("expected_why_not").replace(_OF_NOT_EXPECTED))
            .when(~pl.col("can_warm").fill_null(True))
            .then(pl.lit("vehicle_fault"))
            .when(faulty & (drawn | pl.col("why").is_in(["no_destination", "set_too_late"])))
            .then(pl.lit("vehicle_fault"))
            .when(drawn & by_driver & pl.col("is_site_shown"))
            .then(pl.lit("driver_habit"))
            .when(drawn)
            .then(pl.lit("cannot_tell"))
            .when(pl.col("why") == "no_destination")
            .then(
                pl.when("is_vehicle_shown")
                .then(pl.lit("driver_habit"))
                .otherwise(pl.lit("cannot_tell"))
            )
            .otherwise(pl.col("why").replace_strict(_OF_WHY, default="cannot_tell"))
        )
        .drop("is_vehicle_shown", "is_site_shown")
    )


def _shown(rows: pl.DataFrame, factor: str, rule: Rule) -> pl.Series:
    """Stops whose vehicle (or site) saw a start within the days, by somebody else.

    Told by whole weeks: of a depot's stops, every one against every start would be millions.
    """
    weekly = rows.with_columns(week_no=pl.col("plug_in_at").dt.epoch("d") // 7)
    keys = [factor, "driver_id", "week_no"]
    near = (
        weekly.select(keys)
        .unique()
        .join(weekly.filter("is_started").select(keys).unique(), on=factor, suffix="_started")
        .filter(
            (pl.col("driver_id") != pl.col("driver_id_started")).fill_null(True)
            & ((pl.col("week_no") - pl.col("week_no_started")).abs() <= rule.shown_days_n // 7)
        )
        .select(keys)
        .unique()
    )
    return weekly.join(near, on=keys, how="semi", nulls_equal=True)["stop_id"]


def minutes_by_cause(
    stops: pl.DataFrame, faulty_vehicle_ids: Collection[str] = (), rule: Rule = METHOD_RULE
) -> pl.DataFrame:
    """What each cause is worth.

    Parameters
    ----------
    stops, faulty_vehicle_ids
        As for `causes_of_stops`.

    Returns
    -------
    DataFrame
        One row per cause in the order of `CAUSES`: ``cause, stops_n, expected_stops_n,
        avoidable_min, unavoidable_min, unknown_n``. ``avoidable_min`` adds up to the fleet's;
        ``unavoidable_min`` is what these stops lost to the cold besides. Null minutes are not
        known and not in the sums; ``unknown_n`` counts them.
    """
    found = causes_of_stops(stops, faulty_vehicle_ids, rule)
    sums = found.group_by("cause").agg(
        stops_n=pl.len().cast(pl.Int64),
        expected_stops_n=pl.col("is_expected").sum().cast(pl.Int64),
        avoidable_min=pl.col("avoidable_min").sum(),
        unavoidable_min=(pl.col("lost_cold_min") - pl.col("avoidable_min")).sum(),
        unknown_n=pl.col("avoidable_min").null_count().cast(pl.Int64),
    )
    order = pl.DataFrame({"cause": list(CAUSES)})
    return order.join(sums, on="cause", how="left", maintain_order="left").fill_null(0)
