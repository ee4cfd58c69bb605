"""The tables a budget learns from, drawn from a warehouse filled by hand."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pytest
from budget_lab import made_up_weather
from fitted import WEEK, put, put_fit, put_stop
from fleets import FLEET_TOML, MODELS_TOML, SITES_TOML, VEHICLES_TOML, write_fleet

from pipeline.budget import Given, learn, run_budget
from pipeline.budget import given as tables
from pipeline.budget.physics import default_facts
from pipeline.budget.scenario import Scenario
from pipeline.budget.season import parse_season
from pipeline.config import Limits, load_fleet
from pipeline.fleet_tables import write_fleet_tables
from pipeline.warehouse import open_warehouse, query

FROM, TO = datetime(2025, 9, 1, tzinfo=UTC), datetime(2026, 3, 1, tzinfo=UTC)
PARAMS: dict[str, Any] = {
    "zone": "Europe/Stockholm", "lead_window_min": 30.0, "bridged_days_n": 4, "fit_week_id": WEEK,
    "history_from_at": FROM, "history_to_at": TO,
}  # fmt: skip


@pytest.fixture
def con(tmp_path: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    opened = open_warehouse(None, Limits())
    vehicles = VEHICLES_TOML + '\n[vehicles.v2]\nmodel = "flat-60"\ncan_warm = false\n'
    folder = write_fleet(
        tmp_path / "fleet", FLEET_TOML, models=MODELS_TOML, vehicles=vehicles, sites=SITES_TOML
    )
    write_fleet_tables(opened, load_fleet(folder))
    yield opened
    opened.close()


def span(
    con: duckdb.DuckDBPyConnection, first: datetime, last: datetime, vehicle_id: str = "v1"
) -> None:
    put(con, "file_spans", {"file_id": 1, "vehicle_id": vehicle_id, "first_at": first,
                            "last_at": last, "rows_n": 10})  # fmt: skip


def stop(
    con: duckdb.DuckDBPyConnection, number: int, plug_in_at: datetime | None = None, **facts: Any
) -> None:
    if plug_in_at is not None:
        facts |= {"plug_in_at": plug_in_at}
    put_stop(con, number, **({"unwarmed_cell_temp_min_degc": 6.0} | facts))
    for name, value in facts.pop("minutes", {}).items():
        con.execute(
            f"update stop_minutes set {name} = $value where stop_id = $stop_id",
            {"value": value, "stop_id": f"{facts.get('vehicle_id', 'v1')}.{number}"},
        )


def of(con: duckdb.DuckDBPyConnection, name: str) -> pl.DataFrame:
    return query(con, f"budget/{name}", PARAMS)


def test_days_with_data_are_counted_once_and_on_the_local_clock(
    con: duckdb.DuckDBPyConnection,
) -> None:
    # 21:59 UTC on 25 October 2025 is 23:59 local, an hour later it is the day of the change.
    span(con, datetime(2025, 10, 20, 12, tzinfo=UTC), datetime(2025, 10, 25, 21, 59, tzinfo=UTC))
    span(con, datetime(2025, 10, 24, 12, tzinfo=UTC), datetime(2025, 11, 2, 23, 30, tzinfo=UTC))
    stop(con, 1, datetime(2025, 10, 31, 22, 59, tzinfo=UTC))
    stop(con, 2, datetime(2025, 10, 31, 23, 1, tzinfo=UTC))
    # A summary brings its own day along.
    stop(con, 3, datetime(2025, 11, 20, 12, tzinfo=UTC))
    rows = of(con, "budget_exposure")
    assert rows.rows() == [
        ("v1", date(2025, 10, 1), 12.0, 1.0),
        ("v1", date(2025, 11, 1), 4.0, 2.0),
    ]
    assert dict(rows.schema) == tables.EXPOSURE


def test_a_weekend_between_two_files_is_no_gap_and_a_fortnight_is_one(
    con: duckdb.DuckDBPyConnection,
) -> None:
    def day(number: int) -> None:
        span(
            con,
            datetime(2025, 11, number, 6, tzinfo=UTC),
            datetime(2025, 11, number, 15, tzinfo=UTC),
        )

    for number in (3, 4, 9, 24):  # four days stood between the 4th and the 9th, 14 after it
        day(number)
    rows = of(con, "budget_exposure")
    assert rows.rows() == [("v1", date(2025, 11, 1), 8.0, 0.0)]  # 3 to 9, and the 24th
    PARAMS["bridged_days_n"] = 3
    try:
        assert of(con, "budget_exposure")["days_n"].to_list() == [4.0]
    finally:
        PARAMS["bridged_days_n"] = 4


def test_exposure_is_cut_to_the_history(con: duckdb.DuckDBPyConnection) -> None:
    span(con, datetime(1990, 1, 1, tzinfo=UTC), datetime(2090, 1, 1, tzinfo=UTC))
    rows = of(con, "budget_exposure")
    assert rows["month_date"].min() == date(2025, 9, 1)
    # 1 March 00:00 UTC is 01:00 of 1 March local: its day is touched.
    assert rows["days_n"].sum() == 30 + 31 + 30 + 31 + 31 + 28 + 1


def test_arrivals_are_of_grade_a_and_b(con: duckdb.DuckDBPyConnection) -> None:
    stop(con, 1)
    stop(con, 2, minutes={"model_unwarmed_degc": 3.5})
    stop(con, 3, evidence_grade="C")
    stop(con, 4, outcome="unknown")
    stop(con, 5, ambient_degc=None)
    rows = of(con, "budget_arrivals")
    assert rows["unwarmed_degc"].to_list() == [6.0, 3.5]
    # 06:00 UTC on Monday and the hours after, an hour later on the clock of January.
    assert rows["plug_in_hour"].to_list() == [8, 9]
    assert rows.columns == list(tables.ARRIVALS)


def test_starts_are_of_stops_that_could_be_warmed(con: duckdb.DuckDBPyConnection) -> None:
    stop(con, 1, outcome="warmed", warming_before_min=30.0)
    stop(con, 2, outcome="part_warmed", warming_before_min=12.0)
    stop(con, 3, outcome="not_warmed")
    stop(con, 4, outcome="low_charge_hold")
    stop(con, 5, outcome="already_warm")
    stop(con, 6, outcome="not_warmed", vehicle_id="v2")
    stop(con, 7, outcome="not_warmed", lead_above_cutoff_min=2.0)
    rows = of(con, "budget_starts")
    assert rows["is_started"].to_list() == [True, True, False]
    assert rows["share"].to_list() == [1.0, pytest.approx(0.4), None]
    assert rows.columns == list(tables.STARTS)


def test_stops_and_what_they_are_like(con: duckdb.DuckDBPyConnection) -> None:
    put_fit(con)
    put(con, "fitted_sites", {"fit_week_id": WEEK, "site_id": "learned", "power_kw": 71.0,
                              "sessions_n": 3})  # fmt: skip
    stop(con, 1, minutes={"lost_cold_min": 5.0, "cold_fees": 1.0, "warming_price_per_kwh": 0.55})
    stop(con, 2, site_id="learned", lead_above_cutoff_min=9.0, lost_cold_min=0.4,
         minutes={"cold_fees": 0.5})  # fmt: skip
    stop(con, 3, site_id="elsewhere", energy_kwh=0.0)
    rows = of(con, "budget_stops")
    assert rows["site_power_kw"].to_list() == [150.0, 71.0]
    assert rows["able_min"].to_list() == [30.0, 9.0]
    assert rows["fee_per_min"].to_list() == [pytest.approx(0.2), None]
    assert rows["price_per_kwh"].to_list() == [0.55, None]
    assert rows["drive_i2_a2"].to_list() == [1000.0, 1000.0]
    assert rows.columns == list(tables.STOPS)


def test_actuals_by_day(con: duckdb.DuckDBPyConnection) -> None:
    stop(con, 1, outcome="warmed", warming_kwh=2.0, range_given_up_km=9.6,
         minutes={"warming_cost": 0.9, "cold_fees": 0.1})  # fmt: skip
    stop(con, 2, lost_cold_min=None)
    row = of(con, "budget_actuals").row(0, named=True)
    assert row["local_day"] == date(2026, 1, 12)
    assert (row["stops_n"], row["needed_n"], row["warmed_n"], row["unknown_n"]) == (2, 2, 1, 1)
    assert row["cost"] == pytest.approx(1.0)
    assert row["cold_min"] == 4.0
    kwh = of(con, "budget_vehicles")
    assert kwh["km_per_kwh"].to_list() == [pytest.approx(4.8), 4.8]
    assert kwh["can_warm"].to_list() == [True, False]


def test_from_the_warehouse_to_a_budget(con: duckdb.DuckDBPyConnection) -> None:
    put_fit(con)
    span(con, datetime(2025, 12, 1, tzinfo=UTC), datetime(2026, 1, 31, tzinfo=UTC))
    for number in range(30):
        stop(con, number, datetime(2025, 12, 1, 9, tzinfo=UTC) + timedelta(days=2 * number),
             outcome="not_warmed")  # fmt: skip
    vehicles = of(con, "budget_vehicles").with_columns(depot_id=pl.lit("yard"))
    given = Given(
        vehicles,
        *(of(con, f"budget_{name}") for name in ("exposure", "stops", "arrivals", "starts")),
        {"flat-60": default_facts(60.0)}, made_up_weather(), 0.40,
    )  # fmt: skip
    budget = run_budget(
        learn(given), parse_season("2026-11..2027-02"), [Scenario(name="as_today")], 100
    )
    stops = budget.table.filter(
        (pl.col("unit_id") == "v1") & (pl.col("quantity") == "stops_n")
        & (pl.col("month_id") == "season")
    )  # fmt: skip
    # Half a stop a day for 120 days, pulled a little to the prior's third.
    assert 45 < stops["p50_value"].item() < 65
