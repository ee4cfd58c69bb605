"""Stage: one table per section of the weekly report, with intervals.

Counting is SQL (``sql/weekly``); intervals, labels and findings are added here, on a few rows
per vehicle.
"""

from __future__ import annotations

from typing import Any

import duckdb
import polars as pl

from pipeline.advice import advice
from pipeline.attention import attention
from pipeline.comparisons import change_row, mild_power
from pipeline.config import Fleet
from pipeline.privacy import ALL_DRIVERS, UNASSIGNED, driver_labels
from pipeline.rates import correlation_of, with_rates
from pipeline.warehouse import build, query, register
from pipeline.weekly_bills import build_bills
from pipeline.weeks import span_of, weeks_before
from pipeline.wording import N_

WEEKS_COMPARED_N = 4

UNLOCKS = {
    "cell_temp": (
        N_("coldest cell temperature"),
        N_("at which stops the battery was cold, and whether warming got it there"),
    ),
    "heater": (
        N_("battery heater power (or a conditioning state)"),
        N_("whether the battery was warmed, and what that cost"),
    ),
    "pack_power": (N_("pack power"), N_("charging minutes and minutes lost")),
    "soc": (N_("state of charge"), N_("minutes lost against a warm pack")),
    "odometer": (N_("odometer"), N_("the range that warming gave up")),
    "place": (
        N_("position or site name"),
        N_("which site a stop was at, and what it can deliver"),
    ),
    "ambient": (N_("outside temperature"), N_("what the weather had to do with it")),
    "speed": (N_("speed"), N_("where an approach begins")),
}


def weekly(
    con: duckdb.DuckDBPyConnection, fleet: Fleet, week_id: str, params: dict[str, Any]
) -> None:
    """Build the ``weekly_*`` tables of one edition from ``stops`` and ``charge_sessions``.

    Reads also the fleet tables of `pipeline.fleet_tables`. Each table's columns are described
    in the contributors' guide.
    """
    span = span_of(week_id, fleet.zone)
    weeks = [*weeks_before(week_id, WEEKS_COMPARED_N), week_id]
    params = params | {
        "week_id": week_id,
        "week_ids": weeks,
        "from_at": span.from_at,
        "to_at": span.to_at,
    }
    drivers = con.execute(
        "select distinct driver_id from stops where driver_id is not null order by 1"
    ).fetchall()
    register(con, "driver_labels", driver_labels(fleet, [row[0] for row in drivers]))
    correlation = correlation_of(query(con, "weekly/weekly_clusters", params))
    sums = with_rates(query(con, "weekly/weekly_sums", params), correlation)
    sums = _with_idle(con, fleet, sums, params)
    sums = _with_intervals(con, sums, week_id)
    fleet_weeks = sums.filter(pl.col("grouped_by") == "fleet").with_columns(
        is_edition=pl.col("week_id") == week_id,
        unassigned_driver_rate=pl.col("unassigned_driver_n")
        / (pl.col("stops_n") - pl.col("rental_n")).replace(0, None),
    )
    if week_id not in fleet_weeks["week_id"]:
        fleet_weeks = pl.concat([fleet_weeks, _empty_week(fleet_weeks, week_id)])
    this_week = sums.filter(pl.col("week_id") == week_id)
    for table in ("stop_files", "stops", "files", "rules"):
        build(con, f"weekly/weekly_{table}", params)
    build_bills(con, params)
    register(con, "weekly_doubts", _doubts(con, params))
    vehicles = _vehicles(con, this_week)
    sites = _sites(con, this_week)
    cover = _coverage(con, params)
    vehicles = (
        vehicles.join(
            cover.select("vehicle_id", has_data=pl.lit(True)), on="vehicle_id", how="left"
        )
        .with_columns(is_silent=pl.col("has_data").is_null())
        .drop("has_data")
    )
    register(con, "weekly_fleet", fleet_weeks.sort("week_id"))
    register(con, "weekly_vehicles", vehicles)
    register(con, "weekly_sites", sites)
    register(con, "weekly_drivers", _drivers(con, fleet, this_week))
    register(con, "weekly_coverage", cover)
    register(con, "weekly_change", change_row(query(con, "weekly/weekly_changes", params), weeks))
    year = weeks_before(week_id, 51)[0]
    power = query(con, "weekly/weekly_power", params | {"first_week_id": year})
    register(con, "weekly_mild_power", mild_power(power))
    advice(con, fleet, week_id)
    whys = query(con, "weekly/weekly_whys", params)
    worth = _worth(con)
    register(con, "weekly_attention", attention(vehicles, sites, whys, fleet_weeks, week_id, worth))


def _worth(con: duckdb.DuckDBPyConnection) -> pl.DataFrame | None:
    """What the stage before judged each vehicle and site to be worth; None where it did not run."""
    is_there = con.execute(
        "select count(*) from duckdb_tables() where table_name = 'weekly_judged_worth'"
    ).fetchall()[0][0]
    return con.sql("select * from weekly_judged_worth").pl() if is_there else None


def _doubts(con: duckdb.DuckDBPyConnection, params: dict[str, Any]) -> pl.DataFrame:
    """Signals that failed a test of plausibility, named, with the figure each would unlock."""
    name, unlocks = UNLOCKS["cell_temp"]  # the one signal that is tested
    return query(con, "weekly/weekly_doubts", params).with_columns(
        signal_name=pl.lit(name), unlocks=pl.lit(unlocks)
    )


def _with_idle(
    con: duckdb.DuckDBPyConnection, fleet: Fleet, sums: pl.DataFrame, params: dict[str, Any]
) -> pl.DataFrame:
    """Energy that warmed for nothing, and its cost at the fleet's price.

    ``idle_warming_kwh`` is what ran on no approach plus that of stops warm already; null where no
    heater was measured in the group.
    """
    idle = query(con, "weekly/weekly_idle", params)
    by_vehicle = idle.with_columns(grouped_by=pl.lit("vehicle"))
    whole = (
        idle.group_by("week_id")
        .agg(pl.col("idle_standing_kwh").sum())
        .with_columns(grouped_by=pl.lit("fleet"), vehicle_id=pl.lit(None, dtype=pl.String))
    )
    both = pl.concat(
        [by_vehicle.select(sorted(by_vehicle.columns)), whole.select(sorted(by_vehicle.columns))]
    )
    joined = sums.join(
        both, on=["grouped_by", "week_id", "vehicle_id"], how="left", nulls_equal=True
    )
    price = fleet.settings.energy_price_per_kwh
    return joined.with_columns(
        idle_warming_kwh=pl.when(pl.col("warming_kwh").is_not_null()).then(
            pl.col("unneeded_kwh").fill_null(0) + pl.col("idle_standing_kwh").fill_null(0)
        )
    ).with_columns(idle_warming_cost=pl.col("idle_warming_kwh") * price)


def _with_intervals(
    con: duckdb.DuckDBPyConnection, sums: pl.DataFrame, week_id: str
) -> pl.DataFrame:
    """The measurement interval of the edition's week beside its sums; null for other weeks."""
    found = con.sql("select * from loss_intervals").pl().with_columns(week_id=pl.lit(week_id))
    keyed = sums.with_columns(
        group_key=pl.when(pl.col("grouped_by") == "vehicle")
        .then("vehicle_id")
        .when(pl.col("grouped_by") == "site")
        .then("site_key")
        .otherwise(pl.lit(""))
    )
    keyed = keyed.join(found, on=["grouped_by", "group_key", "week_id"], how="left")
    return keyed.drop("group_key")


def _empty_week(like: pl.DataFrame, week_id: str) -> pl.DataFrame:
    """A week without a stop: counts are 0, sums and rates null."""
    counts = {name: 0 for name in like.columns if name.endswith("_n")}
    row = {name: counts.get(name) for name in like.columns} | {
        "week_id": week_id,
        "is_edition": True,
        "grouped_by": "fleet",
    }
    return pl.DataFrame([row], schema=like.schema)


def _count_columns(frame: pl.DataFrame) -> list[pl.Expr]:
    return [pl.col(name).fill_null(0) for name in frame.columns if name.endswith("_n")]


def _vehicles(con: duckdb.DuckDBPyConnection, sums: pl.DataFrame) -> pl.DataFrame:
    """One row per vehicle that is configured or ever had data."""
    settings = con.sql(
        "select vehicle_id, vehicle_name, model_id, model_name, is_configured, can_warm, "
        "vehicle_use, is_heater_assumed, is_outcome_assumed from vehicle_settings"
    ).pl()
    own = sums.filter(pl.col("grouped_by") == "vehicle").drop(
        "grouped_by", "site_key", "driver_key", "week_id"
    )
    joined: pl.DataFrame = settings.join(own, on="vehicle_id", how="left").sort("vehicle_id")
    return joined.with_columns(_count_columns(own))


def _sites(con: duckdb.DuckDBPyConnection, sums: pl.DataFrame) -> pl.DataFrame:
    """One row per site with stops in the week; the unknown place has a null id."""
    names = con.sql("select site_id, site_name, power_kw from fleet_sites").pl()
    own = sums.filter(pl.col("grouped_by") == "site").drop(
        "grouped_by", "vehicle_id", "driver_key", "week_id"
    )
    return (
        own.with_columns(site_id=pl.col("site_key").replace("", None))
        .drop("site_key")
        .join(names, on="site_id", how="left")
        .with_columns(site_name=pl.coalesce("site_name", "site_id"))
        .sort("site_id", nulls_last=True)
    )


def _drivers(con: duckdb.DuckDBPyConnection, fleet: Fleet, sums: pl.DataFrame) -> pl.DataFrame:
    """Counts by driver, as far as the fleet's level of driver analysis allows; no ranking."""
    own = sums.filter(pl.col("grouped_by") == "driver").drop(
        "grouped_by", "vehicle_id", "site_key", "week_id"
    )
    own = own.with_columns(stops_n=pl.col("stops_n") - pl.col("rental_n")).filter(
        pl.col("stops_n") > 0
    )
    level = fleet.settings.privacy.shown_level
    if level == "off":
        own = own.clear()
    assigned = pl.col("driver_key") != ""
    if level == "totals":
        kind = pl.when(assigned).then(pl.lit(ALL_DRIVERS)).otherwise(pl.lit(UNASSIGNED))
        numbers = [
            name
            for name, dtype in own.schema.items()
            if dtype.is_numeric() and "_rate" not in name and not name.startswith("mean_")
        ]
        own = with_rates(own.group_by(kind.alias("driver_label")).agg(pl.col(numbers).sum()))
        return own.sort("driver_label")
    labels = con.sql("select driver_id, driver_label from driver_labels").pl()
    return (
        own.join(labels, left_on="driver_key", right_on="driver_id", how="left")
        .with_columns(driver_label=pl.coalesce("driver_label", pl.lit(UNASSIGNED)))
        .drop("driver_key")
        .sort("driver_label")
    )


def _coverage(con: duckdb.DuckDBPyConnection, params: dict[str, Any]) -> pl.DataFrame:
    """One row per vehicle with data in the week: how much came, and what it lacks."""
    cover = query(con, "weekly/weekly_cover", params)
    charges = query(con, "weekly/weekly_charges", params)
    names = con.sql("select vehicle_id, vehicle_name from vehicle_settings").pl()
    joined = cover.join(charges, on="vehicle_id", how="full", coalesce=True).join(
        names, on="vehicle_id", how="left"
    )
    joined = joined.with_columns(_count_columns(joined)).sort("vehicle_id")
    missing: list[list[str]] = []
    unlocks: list[str | None] = []
    for row in joined.iter_rows(named=True):
        lacking = [name for name in UNLOCKS if row[f"{name}_n"] == 0]
        if row["samples_n"] == 0:
            missing.append([N_("time series of the charge and the approach")])
            unlocks.append(N_("why and for how long: now only start, end and energy are known"))
        else:
            missing.append([UNLOCKS[name][0] for name in lacking])
            unlocks.append(UNLOCKS[lacking[0]][1] if lacking else None)
    return joined.with_columns(
        pl.Series("missing_signals", missing, dtype=pl.List(pl.String)),
        pl.Series("unlocks", unlocks, dtype=pl.String),
    )
