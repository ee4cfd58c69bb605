"""The vehicle sheet: figures as in the weekly tables, a box for the workshop only where earned."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pypdf
import pytest
from fleets import MONDAY, NOW, drive_and_charge, nav, write_fleet
from statsmodels.stats.proportion import proportion_confint

from pipeline.config import Fleet, load_fleet
from pipeline.edition import compute, take_in, warehouse_of
from pipeline.fleet_tables import write_fleet_tables
from pipeline.method import parameters
from pipeline.minutes import minutes
from pipeline.report.pages import for_print
from pipeline.report.pdf import write_pdf
from pipeline.report.sheets.vehicle import found_vehicles, vehicle_context, vehicle_sheets
from pipeline.report.sheets.vehicle_data import Vehicles, earlier_range, read_vehicles
from pipeline.report.sheets.vehicle_figures import fleet_words
from pipeline.report.sheets.vehicle_workshop import workshop_box
from pipeline.report.weekdata import WeekData, read_week
from pipeline.weekly import weekly

WEEK = "2026-W03"
PRINTED: dict[str, Any] = {
    "instant": datetime(2026, 1, 19, tzinfo=UTC),
    "version": "0.1.0",
    "method_version": "1.1",
}
LONG_NAME = "טנדר צפוני ארוך מאוד מספר שבע עשרה של המחסן הישן בעיר התחתית"
VEHICLES = f"""
[vehicles.silent-one]
model = "flat-60"
name = "{LONG_NAME}"
[vehicles.answers]
model = "flat-60"
[vehicles.rented]
model = "flat-60"
use = "rental"
[vehicles.parked]
model = "flat-60"
[vehicles."<b>loud</b>"]
model = "flat-60"
name = "<script>alert('x')</script>"
"""


@dataclass(frozen=True, eq=False)
class Made:
    """A week of five vehicles, its weekly tables and what the sheets read."""

    con: duckdb.DuckDBPyConnection
    fleet: Fleet
    week: WeekData
    vehicles: Vehicles


def weekly_tables(con: duckdb.DuckDBPyConnection, fleet: Fleet) -> WeekData:
    """What `make_edition` does up to the report."""
    take_in(con, fleet, NOW)
    compute(con, fleet)
    write_fleet_tables(con, fleet)
    minutes(con, fleet, WEEK)
    weekly(con, fleet, WEEK, parameters(fleet))
    return read_week(con, WEEK, fleet)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Made]:
    """`silent-one` is asked eight times and never warms; `answers` warms at six of six."""
    folder = write_fleet(tmp_path_factory.mktemp("vehicle") / "fleet", vehicles=VEHICLES)
    frames: list[pl.DataFrame] = []
    places: dict[str, list[tuple[datetime, str, bool]]] = {}

    def stop(vehicle: str, plug_in: datetime, set_before_min: float, **course: Any) -> None:
        frames.append(
            drive_and_charge(
                vehicle=vehicle, plug_in=plug_in, charge_min=20, interval_s=30, **course
            )
        )
        at = plug_in - timedelta(minutes=set_before_min)
        places.setdefault(vehicle, []).append((at, "set", True))

    for day in range(-3, 5):
        # A level course would be doubted as a frozen sensor.
        stop(
            "silent-one", MONDAY + timedelta(days=day, hours=3), 35, cell_start_degc=day,
            cell_arrival_degc=day + 2,
        )  # fmt: skip
    for day in range(6):
        stop(
            "answers", MONDAY + timedelta(days=day, hours=5), 45, heater=(-40, -2),
            cell_start_degc=0, cell_arrival_degc=22,
        )  # fmt: skip
    for day in range(2):
        stop("rented", MONDAY + timedelta(days=day, hours=7), 25)
    stop("<b>loud</b>", MONDAY + timedelta(hours=9), 1)
    pl.concat(frames).write_csv(folder / "inbox" / "log_1.csv")
    for number, (vehicle, events) in enumerate(places.items()):
        nav(folder, *events, vehicle=vehicle, name=f"nav_{number}.csv")
    fleet = load_fleet(folder)
    with warehouse_of(fleet) as con:
        week = weekly_tables(con, fleet)
        yield Made(con, fleet, week, read_vehicles(con, fleet, week))


@cache
def context(made: Made, vehicle_id: str) -> dict[str, Any]:
    row = made.vehicles.by_id(made.week.vehicles, vehicle_id)
    assert row is not None
    return vehicle_context(made.vehicles, row, made.fleet)


@cache
def html_of(made: Made, vehicle_id: str) -> str:
    (sheet,) = vehicle_sheets(
        made.con, made.fleet, WEEK, vehicle_ids=[vehicle_id], week=made.week, **PRINTED
    )
    return sheet.html[sheet.html.index("<body") :]


def test_sheets_are_for_vehicles_with_a_finding(made: Made) -> None:
    found = found_vehicles(made.week)
    assert "silent-one" in found and "answers" not in found
    sheets = vehicle_sheets(made.con, made.fleet, WEEK, week=made.week, **PRINTED)
    assert {sheet.path for sheet in sheets} >= {"vehicles/silent-one", "vehicles/parked"}
    assert len(sheets) == len(found)
    none = vehicle_sheets(
        made.con, made.fleet, WEEK, week=made.week, vehicle_ids=["nobody"], **PRINTED
    )
    assert none == []


def test_one_page_whatever_there_is_to_say(made: Made, tmp_path: Path) -> None:
    """The longest page: long names, two findings, signals missing, a box."""
    week = made.week
    (found,) = (row for row in week.attention if row["subject_id"] == "silent-one")
    second = found | {"code": "most_minutes_vehicle", "evidence": "Evidence of some length. " * 9}
    lacking = [
        row | {"missing_signals": ["odometer", "position or site name", "outside temperature"],
               "unlocks": "the range that warming gave up", "missing_min": 99}
        for row in week.coverage
    ]  # fmt: skip
    named = [row | {"model_name": f"{LONG_NAME} of a model"} for row in week.vehicles]
    full = replace(week, attention=[found, second], coverage=lacking, vehicles=named)
    sheets = vehicle_sheets(made.con, made.fleet, WEEK, week=full, **PRINTED)
    assert [sheet.path for sheet in sheets] == ["vehicles/silent-one"]
    write_pdf(for_print(sheets[0].html), tmp_path / "full.pdf")
    (page,) = pypdf.PdfReader(tmp_path / "full.pdf").pages
    assert "Missing: odometer" in page.extract_text()


def test_the_box_says_what_was_asked_and_done(made: Made) -> None:
    box = context(made, "silent-one")["box"]
    assert box["asked"].startswith("At 8 stops of the last 2 weeks a charging place was set")
    # Newest first; 09:00 UTC on Friday is 10:00 in the fleet's zone.
    first = box["stops"][0]
    assert first["when"] == "Fri 16 Jan 10:00" and first["site"] == "Fast"
    assert first["set_before"] == "35"
    assert first["heater"].replace("\xa0", " ") == "0 kW"
    # Charge falls by 10 % over the hour to 30 %, and warming could begin 30 min before plug-in.
    assert first["soc"] == "35 to 30"
    assert (first["cells"], first["outside"], first["at_plug"]) == ("5 to 6", "−5", "0.0")
    assert len(box["stops"]) == 4 and box["more"].startswith("and 4 more such stops")
    expected = box["expected"].replace("\xa0", " ")
    assert "above 20 % charge and below 21 °C" in expected
    assert "takes about 5.0 kW" in expected
    assert "Other vehicles of this model began to warm at 6 of 8 such stops." in expected
    assert "its signal reaches the export at all" in box["doubt"]
    page = html_of(made, "silent-one")
    assert "qualified" in page and "never while driving" in page
    assert "no export carries them" in page


def test_no_box_without_the_finding(made: Made) -> None:
    assert context(made, "answers")["box"] is None
    assert "workshop" not in html_of(made, "answers").lower()
    # Its one stop was set too late: nobody is sent to a workshop for that.
    assert context(made, "<b>loud</b>")["box"] is None
    # Stops without an answer alone are no finding either.
    quiet = replace(made.vehicles, week=replace(made.week, attention=[]))
    row = quiet.by_id(made.week.vehicles, "silent-one")
    assert row is not None and quiet.unanswered["silent-one"]
    assert workshop_box(quiet, row, made.fleet) is None


def test_a_rental_has_no_time_of_day(made: Made) -> None:
    box = context(made, "rented")["box"]
    assert box is not None and [row["when"] for row in box["stops"]] == ["Tue 13 Jan", "Mon 12 Jan"]
    page = html_of(made, "rented")
    assert re.search(r"\b\d{1,2}:\d{2}\b", page) is None
    assert ">25<" in page
    assert re.search(r"Fri 16 Jan 10:00", html_of(made, "silent-one"))


def test_figures_are_those_of_the_weekly_tables(made: Made) -> None:
    row = made.vehicles.by_id(made.week.vehicles, "answers")
    assert row is not None
    told = context(made, "answers")
    cold, hit, energy = told["cards"]
    assert hit.value == "100" and "6 of 6 stops that needed it" in hit.detail
    # 5 kW for 38 min at each of six stops.
    assert float(energy.value) == pytest.approx(6 * 5 * 38 / 60, abs=0.15)
    # Warm at every plug-in: the cold took nothing, and that is a figure, not a dash.
    assert row["lost_cold_min"] == pytest.approx(0.0, abs=0.05) and cold.value == "0"
    numbers = {each["label"]: each for each in told["numbers"]}
    assert numbers["Fast-charge stops"]["now"] == "6"
    assert numbers["Fast-charge stops"]["earlier"] == "–"
    own = {each["label"]: each for each in context(made, "silent-one")["numbers"]}
    assert (own["Fast-charge stops"]["now"], own["Fast-charge stops"]["earlier"]) == ("5", "3")
    for each in made.vehicles.weeks["answers"][-1:]:
        assert each is not None and each["lost_cold_min"] == row["lost_cold_min"]
        assert each["hit_rate_low"] == row["hit_rate_low"]


def test_pooled_rates_against_a_reference_library(made: Made) -> None:
    """Wilson's interval as statsmodels has it, on the effective number of stops."""
    whole = made.vehicles.pooled[None]
    assert whole["needed_warming_n"] == 17 and whole["warmed_n"] == 6
    n = whole["hit_rate_effective_n"]
    low, high = proportion_confint(6 / 17 * n, n, alpha=0.05, method="wilson")
    assert (whole["hit_rate_low"], whole["hit_rate_high"]) == (
        pytest.approx(low, abs=1e-9),
        pytest.approx(high, abs=1e-9),
    )
    # Vehicles of this fleet always or never warm, so that its stops say far less than 17 would.
    assert n < 6


def test_a_difference_is_claimed_only_where_intervals_are_apart(made: Made) -> None:
    def words(own: tuple[float, float], fleet: tuple[float, float], rated_n: int = 5) -> str:
        rows = {
            key: {"hit_rate": sum(ends) / 2, "hit_rate_low": ends[0], "hit_rate_high": ends[1],
                  "rated_n": rated_n}
            for key, ends in (("v", own), (None, fleet))
        }  # fmt: skip
        return fleet_words(Vehicles(made.week, [], {}, rows, {}, {}, {}), "v")

    assert "below the fleet's" in words((0.0, 0.2), (0.3, 0.5))
    assert "above the fleet's" in words((0.6, 0.9), (0.3, 0.5))
    assert "not certain" in words((0.0, 0.4), (0.3, 0.5))
    assert "not certain" in words((0.4, 0.6), (0.3, 0.5))
    assert "could be rated" in words((0.0, 0.2), (0.3, 0.5), rated_n=0)


def test_range_of_earlier_weeks() -> None:
    weeks = [{"x": 3.0}, None, {"x": None}, {"x": 1.0}, {"x": 99.0}]
    assert earlier_range(weeks, "x") == (1.0, 3.0, 2)
    assert earlier_range([None, {"x": 5.0}], "x") is None


def test_a_vehicle_without_a_stop(made: Made) -> None:
    told = context(made, "parked")
    assert [card.value for card in told["cards"]] == ["–", "–", "–"]
    assert told["stops"] == [] and told["signals"] == ["No data of this week."]
    assert "No fast-charge stop this week." in html_of(made, "parked")


def test_missing_signals_are_named(made: Made) -> None:
    assert context(made, "answers")["signals"] == ["All signals came."]
    without = made.week.coverage[0] | {
        "missing_signals": ["battery heater power (or a conditioning state)"],
        "unlocks": "whether the battery was warmed, and what that cost",
        "vehicle_id": "answers",
    }
    week = WeekData(**{**made.week.__dict__, "coverage": [without]})
    vehicles = Vehicles(**{**made.vehicles.__dict__, "week": week})
    row = vehicles.by_id(week.vehicles, "answers")
    assert row is not None
    said = " ".join(vehicle_context(vehicles, row, made.fleet)["signals"])
    assert "Missing: battery heater power" in said and "what that cost" in said


def test_names_are_text_and_the_page_is_in_order(made: Made) -> None:
    page = html_of(made, "<b>loud</b>")
    assert "<script" not in page and "<b>loud" not in page and "&lt;b&gt;loud" in page
    page = html_of(made, "silent-one")
    assert re.findall(r"<h(\d)", page)[0] == "1"
    assert set(re.findall(r"<h(\d)", page)) == {"1", "2"}
    for head in re.findall(r"<th[ >][^>]*", page):
        assert "scope=" in head
    assert len(re.findall("<svg", page)) == len(re.findall(r'role="img"[^>]*><title>', page)) == 4


def test_stops_are_cut_to_those_that_lost_most(made: Made) -> None:
    told = context(made, "silent-one")
    assert len(told["stops"]) < 5 and "more stop" in told["stops_more"]
    assert len(context(made, "answers")["stops"]) == 6
