"""The charges of a window with what their cost is drawn from, invoices shared out."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl
import pytest

from pipeline.config import Limits
from pipeline.cost import session_costs
from pipeline.inventory import pack_inventory
from pipeline.tariffs import FleetPrice
from pipeline.warehouse import open_warehouse, query, register

NOON = datetime(2026, 1, 12, 12, tzinfo=UTC)
INSTANT = pl.Datetime("us", "UTC")
WINDOW = {
    "window_from_at": NOON - timedelta(days=30),
    "window_to_at": NOON + timedelta(days=30),
}
CHARGES = {
    "vehicle_id": pl.String,
    "plug_in_at": INSTANT,
    "plug_out_at": INSTANT,
    "energy_kwh": pl.Float64,
}
REPORTS = {
    "vehicle_id": pl.String,
    "plug_in_at": INSTANT,
    "plug_out_at": INSTANT,
    "total_cost": pl.Float64,
    "file_id": pl.Int32,
    "parking_min": pl.Float64,
}
Row = tuple[Any, ...]


def priced_charges(
    charges: list[Row], reports: list[Row], idle: dict[int, float] | None = None
) -> list[dict[str, Any]]:
    """Charges (from, to in minutes from noon, kWh) and reports (from, to, cost, file)."""

    def at(minute: float) -> datetime:
        return NOON + timedelta(minutes=minute)

    con = open_warehouse(None, Limits())
    sessions = pl.DataFrame(
        [("v1", at(a), at(b), kwh) for a, b, kwh in charges], schema=CHARGES, orient="row"
    ).with_columns(
        mode=pl.lit("dc"),
        site_id=pl.lit("fast"),
        soc_start_pct=pl.lit(30.0),
        soc_end_pct=pl.lit(60.0),
        power_max_kw=pl.lit(50.0),
        week_id=pl.lit("2026-W03"),
    )
    told = [("v1", at(a), at(b), cost, file_id, None) for a, b, cost, file_id in reports]
    register(con, "charge_sessions", sessions)
    register(
        con,
        "reported_sessions",
        pl.DataFrame(told, schema=REPORTS, orient="row").with_row_index("file_row"),
    )
    register(con, "vehicle_settings", pl.DataFrame({"vehicle_id": ["v1"], "usable_kwh": [60.0]}))
    stops = sessions.select("vehicle_id", "plug_in_at", "plug_out_at").with_columns(
        idle_min=pl.Series([(idle or {}).get(k) for k in range(len(sessions))], dtype=pl.Float64)
    )
    register(con, "stops", stops)
    rows = query(con, "minutes/charges_to_price", WINDOW)
    costs = session_costs(rows, {}, "UTC", FleetPrice(0.4, False), 0.93)
    assert len(pack_inventory(costs, FleetPrice(0.4, False))) == len(rows)
    return rows.sort("plug_in_at").to_dicts()


def test_a_charge_without_a_report_has_no_invoice() -> None:
    (row,) = priced_charges([(0, 40, 20.0)], [], idle={0: 12.0})
    assert row["invoiced_cost"] is None
    assert (row["usable_kwh"], row["charging_min"]) == (60.0, 28.0)


def test_unknown_idle_minutes_stay_unknown() -> None:
    assert priced_charges([(0, 40, 20.0)], [])[0]["charging_min"] is None


def test_a_report_goes_to_the_charge_it_overlaps() -> None:
    rows = priced_charges([(0, 40, 20.0), (300, 340, 20.0)], [(2, 43, 9.0, 1)])
    assert [row["invoiced_cost"] for row in rows] == [9.0, None]


def test_one_report_of_two_charges_is_shared_by_energy() -> None:
    rows = priced_charges([(0, 20, 15.0), (30, 50, 5.0)], [(0, 50, 8.0, 1)])
    assert [row["invoiced_cost"] for row in rows] == pytest.approx([6.0, 2.0])
    rows = priced_charges([(0, 30, None), (40, 50, None)], [(0, 50, 8.0, 1)])
    assert [row["invoiced_cost"] for row in rows] == pytest.approx([6.0, 2.0])


def test_two_reports_of_one_charge_are_added() -> None:
    (row,) = priced_charges([(0, 50, 20.0)], [(0, 24, 5.0, 1), (26, 50, 4.0, 1)])
    assert row["invoiced_cost"] == pytest.approx(9.0)


def test_a_session_that_two_sources_report_is_paid_once() -> None:
    (row,) = priced_charges([(0, 50, 20.0)], [(0, 50, 9.0, 1), (1, 51, 9.0, 2)])
    assert row["invoiced_cost"] == pytest.approx(9.0)


def test_a_report_without_a_sum_hides_none() -> None:
    (row,) = priced_charges([(0, 50, 20.0)], [(0, 50, None, 1), (1, 51, 9.0, 2)])
    assert row["invoiced_cost"] == pytest.approx(9.0)


def test_a_clock_that_runs_into_the_next_charge_does_not_price_it() -> None:
    rows = priced_charges([(0, 40, 20.0), (42, 80, 20.0)], [(2, 44, 9.0, 1)])
    assert [row["invoiced_cost"] for row in rows] == [9.0, None]


def test_a_share_does_not_depend_on_the_window() -> None:
    start = -30 * 1440
    rows = priced_charges(
        [(start - 20, start, 10.0), (start + 2, start + 22, 10.0)], [(start - 20, start + 22, 8, 1)]
    )
    assert [row["invoiced_cost"] for row in rows] == pytest.approx([4.0])
