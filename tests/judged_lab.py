"""A fleet whose habits are known, put before the judging stage without a warehouse of samples."""

from __future__ import annotations

from functools import cache, partial

import duckdb
import polars as pl
import pytest
from judgement_truth import fleet as true_fleet
from report_data import fleet_of

from pipeline import judge as stage
from pipeline.config import Fleet
from pipeline.fleet_entries import Driver
from pipeline.judge import measured
from pipeline.judgement.control import Watch
from pipeline.judgement.what_if import what_if, worth_of_subjects
from pipeline.resources import folder

WEEK = "2026-W26"
KEY = "k" * 40
SECRET = "secretperson"
"""Stands in every driver's id; no document may hold it."""
NAMED = "Zorvald Quistgren"
RECORD = {
    "purpose": "coaching",
    "agreed_on": "2026-01-05",
    "agreement": "with the staff, invented",
}


@cache
def stops() -> pl.DataFrame:
    """26 weeks: driver 0 never starts, the other eight mostly do; site 5 is hardly known."""
    truth = true_fleet(
        3,
        26,
        habits=[0.0, *[0.8] * 8],
        faults=0.0,
        has_navigation=True,
        stops_per_week=(2.5, 3.0),
    )
    return truth.stops.with_columns(driver_id=SECRET + pl.col("driver_id"))


def fleet_at(level: str, *, has_record: bool = True, **settings: object) -> Fleet:
    """A fleet at a level of driver analysis, its first driver with a name."""
    privacy = {"driver_analysis": level} | (RECORD if has_record else {})
    fleet = fleet_of(level, privacy=privacy, **settings)
    return fleet.model_copy(update={"drivers": {f"{SECRET}d0": Driver(name=NAMED)}})


def before_judging(
    con: duckdb.DuckDBPyConnection, rows: pl.DataFrame, names: dict[str, str] | None = None
) -> None:
    """The tables that the stage reads."""
    week = pl.col("plug_in_at").dt.convert_time_zone("Europe/Stockholm").dt.strftime("%G-W%V")
    judged = rows.drop("can_warm").with_columns(week_id=week)
    if "vehicle_use" not in judged.columns:
        judged = judged.with_columns(vehicle_use=pl.lit("delivery"))
    vehicles = rows.select("vehicle_id").unique().sort("vehicle_id")
    named = {"vehicle_settings": vehicles, "fleet_sites": rows.select("site_id").unique()}
    vehicle_name = pl.col("vehicle_id").replace(names or {})
    con.register("incoming", judged)
    con.execute("create or replace table judged_stops as select * from incoming")
    con.register("incoming", named["vehicle_settings"].with_columns(vehicle_name=vehicle_name))
    con.execute(
        "create or replace table vehicle_settings as select *, true as can_warm from incoming"
    )
    con.register("incoming", named["fleet_sites"].drop_nulls())
    con.execute(
        "create or replace table fleet_sites as select *, 'Site ' || site_id as site_name "
        "from incoming"
    )
    con.unregister("incoming")
    is_there = con.execute(
        "select count(*) from duckdb_tables() where table_name = 'people_findings'"
    ).fetchall()[0][0]
    if not is_there:
        con.execute((folder("sql") / "schema" / "0009_people.sql").read_text(encoding="utf-8"))


def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Fewer resamples: what is tested here is not how exact an interval is."""
    from pipeline.judgement.control import control_chart

    monkeypatch.setenv("COLDMINUTES_PEOPLE_KEY", KEY)
    watch = Watch(resamples_n=100)
    monkeypatch.setattr(stage, "control_chart", partial(control_chart, watch=watch))
    monkeypatch.setattr(measured, "what_if", partial(what_if, resamples_n=50))
    monkeypatch.setattr(measured, "worth_of_subjects", partial(worth_of_subjects, resamples_n=50))


def dumped(con: duckdb.DuckDBPyConnection) -> str:
    """All that the stage hands on, as text."""
    names = con.execute(
        "select table_name from duckdb_tables() where table_name like 'weekly_judged_%' "
        "or table_name = 'weekly_what_if' order by 1"
    ).fetchall()
    tables = [con.sql(f"select * from {name}").pl() for (name,) in names]
    return "\n".join(table.write_json() for table in tables)
