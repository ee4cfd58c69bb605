"""The stop sheet: what it says, what it draws, what it must never say."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from statistics import NormalDist
from typing import Any

import numpy as np
import polars as pl
import pypdf
import pytest
from conftest import Simulated
from fleets import MONDAY, NOW, drive_and_charge, drop, nav, write_fleet

from pipeline.config import load_fleet
from pipeline.edition import compute, take_in, warehouse_of
from pipeline.explain import explanation
from pipeline.minutes import minutes
from pipeline.report.pages import for_print
from pipeline.report.pdf import write_pdf
from pipeline.report.sheets import stop_interval
from pipeline.report.sheets.stop import stop_sheets
from pipeline.report.sheets.stop_chart import course_chart
from pipeline.report.sheets.stop_data import StopData, read_stops
from pipeline.report.sheets.stop_interval import cold_interval, site_interval
from pipeline.report.sheets.stop_words import RULES, headline, reasoning
from pipeline.report.words import OUTCOME_WORDS

WEEK = "2026-W03"
PRINTED: dict[str, Any] = {
    "instant": datetime(2026, 1, 19, tzinfo=UTC),
    "version": "0.1.0",
    "method_version": "1.1",
}
LONG_NAME = "شاحنة الشمال الطويلة جدا رقم سبعة عشر في مستودع المدينة القديمة"
HOSTILE_NAME = "<script>alert('x')</script> {{ 7 * 7 }} </style>"
VEHICLES = f"""
[vehicles.v1]
model = "flat-60"
[vehicles.v2]
model = "flat-60"
name = "{LONG_NAME}"
[vehicles.v3]
model = "flat-60"
name = "{HOSTILE_NAME}"
use = "rental"
[vehicles.v4]
model = "flat-60"
"""
SESSIONS = """
kind = "sessions"
files = ["bill_*.csv"]
[vehicle]
column = "vehicle"
[columns]
plug_in_at = { column = "in" }
plug_out_at = { column = "out" }
meter_energy_kwh = { column = "kwh" }
soc_start_pct = { column = "soc_in" }
soc_end_pct = { column = "soc_out" }
charge_mode = { column = "mode" }
"""


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, dict[str, StopData]]]:
    """Four vehicles: one that set its place late, one warmed, one rental, one of summaries."""
    folder = write_fleet(tmp_path_factory.mktemp("stop") / "fleet", vehicles=VEHICLES)
    (folder / "sources" / "bills.toml").write_text(SESSIONS, encoding="utf-8")
    drive = drive_and_charge(approach_min=100, charge_kw=40, idle_min=6)
    # A hole of ten minutes on the way.
    gap = (MONDAY + timedelta(minutes=80)).strftime("%Y-%m-%dT%H:%M:%S")
    end = (MONDAY + timedelta(minutes=90)).strftime("%Y-%m-%dT%H:%M:%S")
    drop(folder, drive.filter(~pl.col("time").is_between(pl.lit(gap), pl.lit(end))), "log_1.csv")
    nav(folder, (MONDAY + timedelta(hours=2, minutes=-1), "set", True))
    warmed = drive_and_charge(
        vehicle="v2", heater=(-40, -5), cell_start_degc=2, cell_arrival_degc=23, charge_kw=90,
        charge_min=20,
    )  # fmt: skip
    drop(folder, warmed, "log_2.csv")
    # Not at a round minute, so that a scale set by the clock would show.
    rented = drive_and_charge(vehicle="v3", plug_in=MONDAY + timedelta(hours=2, minutes=7))
    drop(folder, rented, "log_3.csv")
    nav(folder, (MONDAY + timedelta(minutes=100), "set", True), vehicle="v3", name="nav_3.csv")
    pl.DataFrame(
        {"vehicle": ["v4"], "in": ["2026-01-13T08:00:00Z"], "out": ["2026-01-13T08:41:00Z"],
         "kwh": [30.0], "soc_in": [20], "soc_out": [66], "mode": ["dc"]}
    ).write_csv(folder / "inbox" / "bill_1.csv")  # fmt: skip
    fleet = load_fleet(folder)
    with warehouse_of(fleet) as con:
        take_in(con, fleet, NOW)
        compute(con, fleet)
        minutes(con, fleet, WEEK)
        ids = [row[0] for row in con.execute("select stop_id from stops").fetchall()]
        found = {data.stop["vehicle_id"]: data for data in read_stops(con, fleet, ids)}
    assert sorted(found) == ["v1", "v2", "v3", "v4"]
    yield folder, found


@cache
def html_of(folder: Path, stop_id: str) -> str:
    fleet = load_fleet(folder)
    with warehouse_of(fleet) as con:
        (sheet,) = stop_sheets(con, fleet, WEEK, stop_ids=[stop_id], **PRINTED)
    return sheet.html


def body(html: str) -> str:
    return html[html.index("<body") :]


def test_every_sheet_is_one_page(made: tuple[Path, dict[str, StopData]], tmp_path: Path) -> None:
    folder, found = made
    for vehicle in ("v2", "v4"):
        path = tmp_path / f"{vehicle}.pdf"
        write_pdf(for_print(html_of(folder, found[vehicle].stop["stop_id"])), path)
        pages = pypdf.PdfReader(path).pages
        assert len(pages) == 1, vehicle
        assert "page 1 of 1" in pages[0].extract_text()


def test_a_rental_has_no_time_of_day(made: tuple[Path, dict[str, StopData]]) -> None:
    folder, found = made
    clock = re.compile(r"\b\d{1,2}:\d{2}\b")
    own = body(html_of(folder, found["v1"].stop["stop_id"]))
    # 08:00 UTC is 09:00 in the fleet's zone: on the axis, and in the head.
    assert "Mon 12 Jan 09:00" in own and "local time" in own
    rental = body(html_of(folder, found["v3"].stop["stop_id"]))
    assert clock.search(rental) is None
    assert "min from plug-in" in rental and "Mon 12 Jan<" in rental
    assert "27\u00a0min before plug-in" in rental
    assert found["v3"].stop["plug_in_local"] is None
    # Steps are counted from plug-in, not from the hour.
    assert ">−20<" in rental and ">−40<" in rental and ">+20<" in rental
    assert "2026-01-12T" not in rental


def test_a_hostile_name_is_text(made: tuple[Path, dict[str, StopData]]) -> None:
    folder, found = made
    page = html_of(folder, found["v3"].stop["stop_id"])
    assert "<script" not in page and "&lt;script&gt;" in page
    assert "{{ 7 * 7 }}" in page and page.count("</style>") == 2


def test_outline_and_alternative_text(made: tuple[Path, dict[str, StopData]]) -> None:
    folder, found = made
    page = body(html_of(folder, found["v1"].stop["stop_id"]))
    assert re.findall(r"<h(\d)", page)[:2] == ["1", "2"]
    assert set(re.findall(r"<h(\d)", page)) == {"1", "2"}
    drawings = re.findall(r"<svg[^>]*>(?:<title>)?(.{0,20})", page)
    assert len(re.findall(r"<svg", page)) == len(re.findall(r'role="img"[^>]*><title>', page))
    assert drawings
    for head in re.findall(r"<th[ >][^>]*", page):
        assert "scope=" in head
    assert 'dir="auto"' in page


def test_the_sheet_cites_what_explain_cites(made: tuple[Path, dict[str, StopData]]) -> None:
    folder, found = made
    fleet = load_fleet(folder)
    stop_id = found["v1"].stop["stop_id"]
    told = "\n".join(explanation(fleet, stop_id))
    hashes = re.findall(r"sha256 ([0-9a-f]{64})", told)
    page = html_of(folder, stop_id)
    assert len(hashes) == 2
    for sha256 in hashes:
        assert sha256 in page
    for outcome in OUTCOME_WORDS:
        assert outcome in RULES


def test_reasoning_tells_the_figures(made: tuple[Path, dict[str, StopData]]) -> None:
    folder, found = made
    fleet = load_fleet(folder)
    said = " ".join(reasoning(found["v1"], fleet)).replace("\u00a0", " ")
    stop = found["v1"].stop
    assert stop["outcome"] == "not_warmed" and stop["why"] == "set_too_late"
    assert "A charging place was set 1 min before plug-in" in said
    assert "Warm begins at 20.5 °C" in said and "below 20 % charge" in said
    # 30 min at 40 kW are 20 kWh; a warm pack of 100 kW takes them in 12 min.
    assert "It took charge for 30.0 min; a warm battery at this charger would have taken" in said
    reference = float(re.findall(r"have taken ([\d.]+) min", said)[0])
    assert reference == pytest.approx(12.0, abs=0.7)
    warm = headline(found["v2"], fleet)
    assert warm.startswith("Warmed in time. The coldest cell arrived at 23")
    summary = " ".join(reasoning(found["v4"], fleet)).replace("\u00a0", " ")
    assert "Only a summary" in summary and "in a stay of 41 min, from 20 to 66 % charge" in summary
    assert "At most" in headline(found["v4"], fleet)


def test_a_destination_that_was_cleared_is_told(made: tuple[Path, dict[str, StopData]]) -> None:
    folder, found = made
    # As the data of a stop at which nothing was set any more when it was plugged in.
    events = [
        {"from_plug_in_min": -50.0, "action": "set", "is_charging_place": True},
        {"from_plug_in_min": -6.0, "action": "cleared", "is_charging_place": None},
    ]
    stop = found["v2"].stop | {"destination_set_before_min": None}
    said = reasoning(replace(found["v2"], stop=stop, events=events), load_fleet(folder))
    told = "A charging place was set 50 min before plug-in and cleared 6 min before it."
    assert told in [line.replace("\xa0", " ") for line in said]


def test_the_course_shows_curve_gap_and_heater(made: tuple[Path, dict[str, StopData]]) -> None:
    folder, found = made
    fleet = load_fleet(folder)
    ((from_min, to_min),) = found["v1"].breaks_min
    assert (from_min, to_min) == (pytest.approx(-40, abs=0.4), pytest.approx(-30, abs=0.4))
    chart = str(course_chart(found["v1"], fleet)).replace("\u00a0", " ")
    # The configured curve is level at 100 kW, and nothing was learned.
    assert "the highest that a warm battery would have taken at the same charge is 100 kW" in chart
    assert "none on the way" in chart and "charging place set" in chart
    warmed = str(course_chart(found["v2"], fleet)).replace("\u00a0", " ")
    assert "Battery heater at most 5 kW; 2.9 kWh on the way" in warmed
    assert "none on the way" not in warmed
    assert course_chart(found["v4"], fleet) is None
    # The way took 100 min; its last 60 are drawn.
    assert found["v1"].course["from_plug_in_min"].min() == pytest.approx(-60, abs=0.3)


def test_a_doubted_signal_is_not_drawn(made: tuple[Path, dict[str, StopData]]) -> None:
    folder, found = made
    fleet = load_fleet(folder)
    stop_id = found["v2"].stop["stop_id"]
    with warehouse_of(fleet) as con:
        con.execute(
            "insert into doubted_signals values ('v2', $week, 'cell_temp_min_degc', 'frozen', 0, "
            "9, 99, now(), now())",
            {"week": WEEK},
        )
        (data,) = read_stops(con, fleet, [stop_id])
        con.execute("delete from doubted_signals")
    assert data.course["cell_temp_min_degc"].is_null().all()
    assert "coldest cell" not in str(course_chart(data, fleet))
    assert "failed a test of plausibility" in " ".join(reasoning(data, fleet))


def test_display_units(made: tuple[Path, dict[str, StopData]]) -> None:
    folder, found = made
    fleet = load_fleet(folder)
    units = fleet.settings.units.model_copy(update={"temperature": "degf"})
    fleet = fleet.model_copy(
        update={"settings": fleet.settings.model_copy(update={"units": units})}
    )
    chart = str(course_chart(found["v2"], fleet)).replace("\u00a0", " ")
    # 23 °C are 73.4 °F (9/5 and 32, by definition of the scale).
    assert "Coldest cell 73 °F at plug-in" in chart and "Cells, °F" in chart
    assert "Warm begins at 68.9 °F" in " ".join(reasoning(found["v2"], fleet)).replace("\xa0", " ")


def test_an_unknown_stop_makes_no_sheet(made: tuple[Path, dict[str, StopData]]) -> None:
    fleet = load_fleet(made[0])
    with warehouse_of(fleet) as con:
        assert stop_sheets(con, fleet, WEEK, stop_ids=["nobody.2026-01-12.1"], **PRINTED) == []


def stop_of(cold: float | None, site: float = 0.0, doubt: float = 0.0) -> dict[str, Any]:
    return {
        "lost_cold_min": cold, "lost_site_min": site, "reference_min": 20.0,
        "split_doubt_min": doubt,
    }  # fmt: skip


def test_the_normal_quantile_is_that_of_the_standard_library() -> None:
    assert NormalDist().inv_cdf(0.95) == pytest.approx(stop_interval._NORMAL_95, abs=1e-4)


def test_intervals_of_one_stop() -> None:
    even = np.linspace(-0.1, 0.1, 201)
    span = cold_interval(stop_of(10.0), even)
    assert span is not None and span.charges_n == 201
    # 90 % of an even spread of 10 % either way, on 30 min; the shared 1 % adds next to nothing.
    assert span.high_min == pytest.approx(10 + np.hypot(0.09 * 30, 1.645 * 0.1), abs=0.01)
    assert span.low_min == pytest.approx(10 - np.hypot(0.09 * 30, 1.645 * 0.1), abs=0.01)
    wide = cold_interval(stop_of(10.0, doubt=8.0), even)
    assert wide is not None and wide.high_min > span.high_min + 0.5
    # No loss, no doubt about it; and never below 0 for a loss.
    nothing = cold_interval(stop_of(0.0), even)
    assert nothing is not None and (nothing.low_min, nothing.high_min) == (0.0, 0.0)
    small = cold_interval(stop_of(0.5), even)
    assert small is not None and small.low_min == 0.0
    assert cold_interval(stop_of(None), even) is None
    assert cold_interval(stop_of(10.0), even[:9]) is None
    assert site_interval(stop_of(1.0), even[:9]) is None
    site = site_interval(stop_of(1.0, site=10.0), even)
    assert site is not None
    assert site.high_min == pytest.approx(10 + np.hypot(0.09 * 20, 1.645 * 0.2), abs=0.02)


@pytest.mark.long
def test_intervals_hold_the_truth_as_they_say(simulated: Simulated) -> None:
    """Against the minutes that the simulator took without the cold; it shares no formula."""
    fleet = load_fleet(simulated.folder)
    ids = simulated.stops.filter(pl.col("lost_cold_min") > 1)["stop_id"].to_list()
    truth = simulated.truth.select("vehicle_id", "plug_in_utc", "lost_cold_min", "lost_site_min")
    inside = {"cold": [], "site": []}  # type: dict[str, list[bool]]
    with warehouse_of(fleet) as con:
        found = read_stops(con, fleet, ids)
    for data in found:
        stop = data.stop
        near = truth.filter(
            (pl.col("vehicle_id") == stop["vehicle_id"])
            & ((pl.col("plug_in_utc") - stop["plug_in_at"]).abs() < timedelta(minutes=5))
        )
        if near.is_empty():
            continue
        (true,) = near.to_dicts()
        cold = cold_interval(stop, data.residual_rate)
        site = site_interval(stop, data.residual_rate)
        assert cold is not None and site is not None
        inside["cold"].append(cold.low_min <= true["lost_cold_min"] <= cold.high_min)
        if stop["lost_site_min"] > 1:
            inside["site"].append(site.low_min <= true["lost_site_min"] <= site.high_min)
    assert len(inside["cold"]) > 50
    print({key: (len(held), np.mean(held)) for key, held in inside.items()})
    assert 0.8 <= np.mean(inside["cold"]) <= 0.98
    assert 0.75 <= np.mean(inside["site"]) <= 1.0
