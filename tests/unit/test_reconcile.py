"""Vehicle, charger and bill of the same charge: what agrees, what differs, what is missing."""

from __future__ import annotations

import csv
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pytest
from fleets import MODELS_TOML, MONDAY, NOW, drive_and_charge, drop, write_fleet
from ocpp_log import BY_NAME, call, log, meter_values_16, sampled_16, stop_16
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.config import Fleet, load_fleet
from pipeline.edition import compute, take_in, warehouse_of
from pipeline.reconcile import reconcile, reconciled, second_reports_n

WEEK = "2026-W03"
METER_KWH = 25 / 0.93
PRICE = 0.50
BILLS = """
kind = "sessions"
files = ["bills_*.csv"]
[vehicle]
column = "vehicle"
[columns]
plug_in_at = { column = "from" }
plug_out_at = { column = "to" }
meter_energy_kwh = { column = "kwh" }
total_cost = { column = "cost" }
site_id = { column = "site" }
parking_min = { column = "parking", unit = "min" }
record_id = { column = "number" }
charge_mode = { value = "dc" }
"""
SITES = """
[sites.fast]
name = "Fast"
power_kw = 150
mode = "dc"
[[sites.fast.tariff]]
energy_per_kwh = 0.50
idle_per_minute = 0.10
[sites.home]
name = "Home"
mode = "dc"
chargers = ["CP01"]
[sites.free]
name = "Free"
mode = "dc"
"""
VEHICLES = "".join(
    f'[vehicles.{name}]\nmodel = "flat-60"\nuse = "{use}"\n'
    for name, use in (
        ("v1", "delivery"), ("v2", "delivery"), ("v3", "rental"), ("v4", "delivery"),
    )
)  # fmt: skip


def at(day: int, hour: float) -> datetime:
    """Hour of UTC, days from Monday, 12 January 2026."""
    return MONDAY.replace(hour=0) + timedelta(days=day, hours=hour)


class Made:
    """A fleet folder in the making: charges as vehicles log them, bills, chargers' logs."""

    def __init__(self, folder: Path) -> None:
        self.folder = write_fleet(folder, sites=SITES, vehicles=VEHICLES, models=MODELS_TOML)
        (folder / "sources" / "bills.toml").write_text(BILLS, encoding="utf-8")
        (folder / "sources" / "chargers.toml").write_text(BY_NAME, encoding="utf-8")
        self.bills: list[dict[str, Any]] = []
        self.messages: list[Any] = []
        self.charges_n = 0

    def seen(
        self,
        when: datetime,
        vehicle: str = "v1",
        site: str = "fast",
        gap_min: tuple[float, float] | None = None,
        **more: Any,
    ) -> None:
        """A charge; of the minutes of ``gap_min`` after plug-in there are no samples."""
        self.charges_n += 1
        frame = drive_and_charge(
            plug_in=when, vehicle=vehicle, site=site, interval_s=20, approach_min=20, **more
        )
        if gap_min is not None:
            first, last = (
                f"{when + timedelta(minutes=minute):%Y-%m-%dT%H:%M:%S}" for minute in gap_min
            )
            frame = frame.filter(~pl.col("time").is_between(pl.lit(first), pl.lit(last)))
        drop(self.folder, frame, f"log_{self.charges_n}.csv")

    def billed(
        self,
        when: datetime,
        vehicle: str = "v1",
        kwh: float = METER_KWH,
        cost: float | None = None,
        stay_min: float = 30.0,
        site: str = "Fast",
        parking: float | str = "",
        number: str | None = None,
    ) -> None:
        self.bills.append(
            {
                "vehicle": vehicle,
                "from": f"{when:%Y-%m-%dT%H:%M:%SZ}",
                "to": f"{when + timedelta(minutes=stay_min):%Y-%m-%dT%H:%M:%SZ}",
                "kwh": round(kwh, 3),
                "cost": round(kwh * PRICE if cost is None else cost, 2),
                "site": site,
                "parking": parking,
                "number": number or f"B{len(self.bills) + 1}",
            }
        )

    def charged(self, when: datetime, transaction: int, offered_kw: float = 50.0) -> None:
        """Half an hour at 53.8 kW of the meter, by the charger's own clock, a reading a minute."""
        start_wh = 1_000_000 * transaction
        for minute in range(30):
            stamp = f"{when + timedelta(minutes=minute):%Y-%m-%dT%H:%M:%SZ}"
            share = minute / 30
            payload = meter_values_16(
                stamp,
                sampled_16(round(start_wh + 1000 * METER_KWH * share)),
                sampled_16(offered_kw if minute < 10 else 30, "Power.Active.Import", unit="kW"),
                sampled_16(offered_kw if minute < 10 else 30, "Power.Offered", unit="kW"),
                transaction=transaction,
            )
            self.messages.append(call(payload, number=100 * transaction + minute))
        end = f"{when + timedelta(minutes=30):%Y-%m-%dT%H:%M:%SZ}"
        stop = stop_16(end, round(start_wh + 1000 * METER_KWH), transaction)
        self.messages.append(call(stop, "StopTransaction", 100 * transaction + 99))

    def write(self) -> Fleet:
        if self.bills:
            drop(self.folder, pl.DataFrame(self.bills), "bills_1.csv")
        if self.messages:
            path = self.folder / "inbox" / "CP01_w3.log"
            path.write_text(log(*self.messages), encoding="utf-8")
        return load_fleet(self.folder)

    def rows(self, week: str = WEEK) -> list[dict[str, Any]]:
        fleet = self.write()
        with warehouse_of(fleet) as con:
            report = take_in(con, fleet, NOW)
            assert report.files_failed_n == 0, report.problems
            compute(con, fleet)
            reconcile(con, fleet, week)
            rows = reconciled(con, week)
            self.check(con, rows, week)
            return rows.to_dicts()

    def check(self, con: duckdb.DuckDBPyConnection, rows: pl.DataFrame, week: str) -> None:
        """No bill is lost or counted twice, and doing it again changes nothing."""
        fleet = load_fleet(self.folder)
        assert rows["bills_n"].sum() + second_reports_n(con, fleet, week) == len(self.bills)
        seen = rows.filter(pl.col("stop_id").is_not_null())
        assert seen["stop_id"].is_unique().all()
        reconcile(con, fleet, week)
        assert reconciled(con, week).equals(rows)


def judged(rows: list[dict[str, Any]]) -> list[tuple[str, str | None]]:
    return [(row["status"], row["why"]) for row in rows]


@pytest.fixture
def made(tmp_path: Path) -> Made:
    return Made(tmp_path / "fleet")


def test_bill_and_vehicle_agree(made: Made) -> None:
    made.seen(at(0, 8))
    made.billed(at(0, 8))
    (row,) = made.rows()
    assert (row["status"], row["why"], row["bills_n"]) == ("matched", None, 1)
    assert row["received_kwh"] == pytest.approx(25, rel=0.01)
    assert row["expected_kwh"] == pytest.approx(METER_KWH, rel=0.01)
    assert row["expected_cost"] == pytest.approx(row["billed_cost"], abs=0.01)
    assert row["stop_id"].startswith("v1.2026-01-12") and row["bill_file_row"] == 2


@pytest.mark.parametrize(
    ("too_much", "status", "why"),
    [
        (1.08, "energy_differs", "above_received"),
        (1.03, "matched", None),
        (0.97, "matched", None),
        (0.90, "energy_differs", "below_received"),
    ],
)
def test_energy_too_high(made: Made, too_much: float, status: str, why: str | None) -> None:
    made.seen(at(0, 8), charge_min=60, soc_arrival_pct=5)  # 3 % of it is more than a kWh
    made.billed(at(0, 8), kwh=2 * METER_KWH * too_much, stay_min=60)
    assert judged(made.rows()) == [(status, why)]


def test_a_small_charge_is_not_judged_by_its_ratio(made: Made) -> None:
    made.seen(at(0, 8), charge_min=6)  # 5 kWh; 15 % of it is less than a kWh
    made.billed(at(0, 8), kwh=METER_KWH / 5 * 1.15, stay_min=6)
    assert judged(made.rows()) == [("matched", None)]


def test_energy_is_not_judged_by_a_charge_half_seen(made: Made) -> None:
    made.seen(at(0, 8), gap_min=(5, 20))
    made.billed(at(0, 8), kwh=METER_KWH * 1.2)
    assert judged(made.rows()) == [("matched", "energy_not_judged")]


def test_billed_and_never_seen(made: Made) -> None:
    made.seen(at(0, 8))
    made.billed(at(0, 8))
    made.billed(at(0, 7.1), stay_min=20)  # the vehicle came driving then
    made.billed(at(2, 8), vehicle="v2")  # of this one there is no sample at all
    rows = made.rows()
    assert judged(rows) == [
        ("billed_never_seen", "no_charge_then"),
        ("matched", None),
        ("billed_never_seen", "vehicle_silent"),
    ]
    assert rows[0]["stop_id"] is None and rows[0]["received_kwh"] is None


def test_seen_and_never_billed(made: Made) -> None:
    made.seen(at(0, 8))
    made.billed(at(0, 8))
    made.seen(at(1, 8))
    made.seen(at(2, 8), site="free")
    rows = made.rows()
    assert judged(rows) == [
        ("matched", None),
        ("seen_never_billed", None),
        ("seen_never_billed", "site_never_bills"),
    ]
    assert rows[1]["billed_cost"] is None
    assert rows[1]["expected_cost"] == pytest.approx(METER_KWH * PRICE, rel=0.01)
    assert rows[2]["expected_cost"] is None


def test_billed_twice(made: Made) -> None:
    made.seen(at(0, 8))
    made.billed(at(0, 8), number="A")
    made.billed(at(0, 8), number="B")
    made.billed(
        at(
            0,
            8,
        )
        + timedelta(minutes=4),
        number="C",
    )
    rows = made.rows()
    assert sorted(judged(rows)) == [
        ("billed_never_seen", "billed_twice"),
        ("billed_never_seen", "billed_twice"),
        ("matched", None),
    ]
    (kept,) = (row for row in rows if row["status"] == "matched")
    assert kept["record_id"] in ("A", "B") and kept["bills_n"] == 1


def test_one_stay_in_two_bills(made: Made) -> None:
    made.seen(at(0, 8))
    made.billed(at(0, 8), kwh=METER_KWH / 2, stay_min=15)
    made.billed(at(0, 8.25), kwh=METER_KWH / 2, stay_min=15)
    (row,) = made.rows()
    assert (row["status"], row["bills_n"]) == ("matched", 2)
    assert row["billed_kwh"] == pytest.approx(METER_KWH, abs=0.01)
    assert row["billed_cost"] == pytest.approx(METER_KWH * PRICE, abs=0.02)


@pytest.mark.parametrize(
    ("factor", "status", "why"),
    [
        (1.10, "cost_differs", "above_tariff"),
        (1.015, "matched", None),
        (0.9, "cost_differs", "below_tariff"),
    ],
)
def test_cost_against_the_tariff(made: Made, factor: float, status: str, why: str | None) -> None:
    made.seen(at(0, 8))
    made.billed(at(0, 8), cost=METER_KWH * PRICE * factor)
    assert judged(made.rows()) == [(status, why)]


def test_energy_too_high_is_not_also_a_wrong_price(made: Made) -> None:
    made.seen(at(0, 8))
    made.billed(at(0, 8), kwh=METER_KWH * 1.2)
    (row,) = made.rows()
    assert row["status"] == "energy_differs"
    assert row["expected_cost"] == pytest.approx(row["billed_cost"], abs=0.01)


@pytest.mark.parametrize("parking", [20, ""])
def test_idle_fee(made: Made, parking: float | str) -> None:
    """By the bill's own parking time, or the vehicle's idle one."""
    made.seen(at(0, 8), idle_min=20)
    made.billed(at(0, 8), cost=METER_KWH * PRICE + 2.0, stay_min=50, parking=parking)
    (row,) = made.rows()
    assert row["status"] == "idle_fee"
    assert row["idle_fee_cost"] == pytest.approx(2.0, abs=0.11)


def test_a_second_source_is_no_second_bill(made: Made) -> None:
    made.seen(at(0, 8))
    made.billed(at(0, 8))
    made.billed(at(0, 8), number="P-1")
    other = BILLS.replace("bills_", "portal_")
    (made.folder / "sources" / "portal.toml").write_text(other, encoding="utf-8")
    drop(made.folder, pl.DataFrame(made.bills.pop()), "portal_1.csv")
    fleet = made.write()
    with warehouse_of(fleet) as con:
        take_in(con, fleet, NOW)
        compute(con, fleet)
        reconcile(con, fleet, WEEK)
        rows = reconciled(con, WEEK)
        assert rows["status"].to_list() == ["matched"]
        assert second_reports_n(con, fleet, WEEK) == 1


def test_the_next_charge_is_not_taken_for_this_one(made: Made) -> None:
    """Bills ten minutes late: each fits its own charge, though one overlaps the next."""
    made.seen(at(0, 8))
    made.seen(at(0, 8.9))
    for hour in (8.0, 8.9):
        made.billed(at(0, hour) + timedelta(minutes=10), number=f"late-{hour}")
    rows = made.rows()
    assert [row["record_id"] for row in rows] == ["late-8.0", "late-8.9"]
    assert judged(rows) == [("matched", None)] * 2


def test_own_charger(made: Made) -> None:
    """Matched by place and time, the clock's offset told; what it offered is kept."""
    for day in range(3):
        made.seen(at(day, 18), vehicle="v4", site="home")
        made.charged(at(day, 18) - timedelta(minutes=4), transaction=day + 1)
    made.seen(at(4, 18), vehicle="v4", site="home")
    rows = made.rows()
    assert judged(rows) == [("matched", "own_charger")] * 3 + [("matched", "no_log")]
    assert [row["transaction_id"] for row in rows] == ["1", "2", "3", None]
    assert rows[0]["charger_kwh"] == pytest.approx(METER_KWH, abs=0.01)
    with warehouse_of(load_fleet(made.folder)) as con:
        clocks = con.sql("select charger_id, clock_offset_s, charges_n from charger_clocks")
        assert clocks.fetchall() == [("CP01", 240.0, 3)]
        offers = con.sql("select * from stop_offers order by plug_in_at").pl().to_dicts()
    assert len(offers) == 3
    assert (offers[0]["site_offered_kw"], offers[0]["offered_least_kw"]) == (50, 30)
    assert offers[0]["held_back_min"] == pytest.approx(20)
    assert offers[0]["suspended_by_site_min"] is None


def test_a_charger_confirms_a_bill_by_the_clock_it_is_known_to_have(made: Made) -> None:
    for day in range(3):
        made.seen(at(day, 18), vehicle="v4", site="home")
        made.charged(at(day, 18) - timedelta(minutes=12), transaction=day + 1)
    made.charged(at(3, 18) - timedelta(minutes=12), transaction=4)
    made.billed(at(3, 18), vehicle="v2", site="Home")
    row = made.rows()[-1]
    assert (row["why"], row["transaction_id"]) == ("vehicle_silent", "4")
    assert row["match_value"] < 0.2  # as if both clocks were one


def test_own_charger_tells_less_than_the_pack_took(made: Made) -> None:
    made.seen(at(0, 18), vehicle="v4", site="home", charge_kw=60)
    made.charged(at(0, 18), transaction=1)
    assert judged(made.rows()) == [("energy_differs", "below_received")]


def test_a_bill_that_only_the_charger_can_confirm(made: Made) -> None:
    made.charged(at(0, 18), transaction=77)
    made.billed(at(0, 18), vehicle="v2", site="Home", number="77")
    (row,) = made.rows()
    assert (row["status"], row["why"]) == ("billed_never_seen", "vehicle_silent")
    assert (row["charger_id"], row["transaction_id"]) == ("CP01", "77")


def test_a_day_without_a_clock(made: Made) -> None:
    made.seen(at(0, 8))
    made.seen(at(0, 15), charge_min=12)
    midnight = at(-1, 23)  # of the fleet's zone
    made.billed(midnight, kwh=METER_KWH * 12 / 30, stay_min=24 * 60, number="small")
    made.billed(midnight, stay_min=24 * 60, number="large")
    rows = made.rows()
    assert [row["record_id"] for row in rows] == ["large", "small"]
    assert judged(rows) == [("matched", None)] * 2


def test_a_charge_over_the_end_of_the_week_stands_in_one_week(made: Made) -> None:
    made.seen(at(6, 22.9))  # ends on Monday, local time
    made.billed(at(6, 23.05), stay_min=25)  # by the bill it began there
    rows = made.rows()
    assert judged(rows) == [("matched", None)]
    fleet = load_fleet(made.folder)
    with warehouse_of(fleet) as con:
        compute(con, fleet)
        reconcile(con, fleet, "2026-W04")
        assert reconciled(con, "2026-W04").is_empty()
        assert reconciled(con, WEEK).height == 1


def test_the_command(made: Made, tmp_path: Path) -> None:
    made.seen(at(0, 8))
    made.billed(at(0, 8), kwh=METER_KWH * 1.08, number="=2+3")
    made.seen(at(1, 9.5), vehicle="v3")
    made.billed(at(1, 9.5), vehicle="v3", cost=99)
    made.seen(at(2, 8), site="free")
    fleet = made.write()
    with warehouse_of(fleet) as con:
        take_in(con, fleet, NOW)
    path = tmp_path / "charges.csv"
    result = CliRunner().invoke(
        app, ["reconcile", str(made.folder), "--week", WEEK, "--csv", str(path)]
    )
    assert result.exit_code == 0, result.output
    assert "energy differs: 1, more energy billed than the pack can have taken" in result.output
    assert "2026-01-12 09:00  v1  Fast" in result.output
    assert "29.0 kWh billed" in result.output
    assert "2026-01-13  v3  Fast" in result.output and "10:30" not in result.output
    assert "In all: 3 charges, " in result.output
    assert "seen never billed: 1, charged at a site that never sent a bill" in result.output
    assert "2026-01-14" not in result.output, "nothing is missing there, so sums will do"
    assert "113.52 EUR billed" in result.output  # 14.52 and 99.00
    written = list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))
    assert [row["status"] for row in written] == [
        "energy_differs",
        "cost_differs",
        "seen_never_billed",
    ]
    assert [row["seen_at"] for row in written][:2] == ["2026-01-12 09:00", "2026-01-13"]
    assert written[0]["record_id"] == "'=2+3"
    assert written[0]["bill_file_path"] == "bills_1.csv"


def test_the_command_without_data(tmp_path: Path) -> None:
    folder = write_fleet(tmp_path / "fleet")
    result = CliRunner().invoke(app, ["reconcile", str(folder)])
    assert result.exit_code == 3 and "RUN-01" in result.output
    result = CliRunner().invoke(app, ["reconcile", str(folder), "--week", "2026-03"])
    assert result.exit_code == 2 and "is not an ISO week" in result.output
    result = CliRunner().invoke(app, ["reconcile", str(folder), "--week", WEEK])
    assert result.exit_code == 0 and "no fast charge was seen" in result.output
