"""The driver sheet: who gets one, what counts, what it says and never says.

Sources outside the project: 95 % Wilson intervals from Newcombe, Stat. Med. 17 (1998) 857-872,
table I, method 3 (from memory).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import pytest
from fitted import put_fit
from sheet_people import (
    HOSTILE,
    LONG_NAME,
    MADE,
    WEEK,
    add_stop,
    advised,
    fleet_in,
    padded,
    pages_of,
    text_of,
    unmarked,
    warehouse,
)

from pipeline.config import Fleet, load_fleet
from pipeline.problems import ColdMinutesError
from pipeline.report import check_pdf_support
from pipeline.report.filters import quantity_filters
from pipeline.report.language import speaking
from pipeline.report.sheets.driver import _figures, driver_sheets
from pipeline.report.sheets.driver_weeks import weeks_chart
from pipeline.report.sheets.paper import Sheet
from pipeline.warehouse import query

needs_pango = pytest.mark.skipif(check_pdf_support() is not None, reason="Pango is not here")
MONDAY = datetime(2026, 1, 26, 9, 17, tzinfo=UTC)
STATE = {
    "soc_start_pct": 30.0,
    "energy_kwh": 24.0,
    "ambient_degc": -4.0,
    "lead_cell_temp_min_degc": 6.0,
    "approach_min": 20.0,
    "site_power_kw": 150.0,
    "lead_min": 20.0,
    "lead_current2_a2s": 0.0,
}
NAMES = "".join(f'[drivers.d{n}]\nname = "Person {n}"\n' for n in range(1, 6))


def made(con: duckdb.DuckDBPyConnection, fleet: Fleet) -> list[Sheet]:
    advised(con, fleet)
    return driver_sheets(con, fleet, WEEK, **MADE)


@pytest.fixture
def named(tmp_path: Path) -> Iterator[tuple[duckdb.DuckDBPyConnection, Fleet]]:
    fleet = fleet_in(tmp_path / "fleet", "names", drivers=NAMES)
    with warehouse(fleet) as con:
        yield con, fleet


def few_stops(con: duckdb.DuckDBPyConnection, drivers_n: int) -> None:
    for n in range(1, drivers_n + 1):
        add_stop(con, MONDAY + timedelta(hours=n), driver=f"d{n}", net_saved_min=5.0)
        add_stop(
            con,
            MONDAY + timedelta(hours=n + 8),
            "not_warmed",
            "no_destination",
            driver=f"d{n}",
            net_missed_min=7.0,
        )


@pytest.mark.parametrize(
    ("level", "drivers_n", "sheets_n"),
    [
        ("off", 3, 0),
        ("totals", 3, 0),
        ("pseudonyms", 2, 0),
        ("pseudonyms", 3, 3),
        ("names", 1, 1),
        ("names", 0, 0),
    ],
)
def test_only_levels_that_allow_it_give_sheets(
    tmp_path: Path, level: str, drivers_n: int, sheets_n: int
) -> None:
    fleet = fleet_in(tmp_path / "fleet", level, drivers=NAMES)
    with warehouse(fleet) as con:
        few_stops(con, drivers_n)
        assert len(made(con, fleet)) == sheets_n


def test_a_pseudonym_tells_no_name_no_id_no_time(tmp_path: Path) -> None:
    fleet = fleet_in(tmp_path / "fleet", "pseudonyms", drivers=NAMES)
    with warehouse(fleet) as con:
        few_stops(con, 3)
        sheets = made(con, fleet)
    for sheet in sheets:
        text = text_of(sheet.html)
        assert "Person" not in sheet.html and not re.search(r"\bd[1-5]\b", text)
        assert not re.search(r"\d\d:\d\d", text)
        code = re.search(r"Driver ([A-Z2-7]{6})\b", text)
        assert code and re.fullmatch(f"drivers/driver-{code[1].lower()}-[0-9a-f]{{6}}", sheet.path)
        # The only days named are the weeks' Mondays and the period's end.
        assert set(re.findall(r"\b(\d+) (?:Jan|Feb)", text)) == {"26", "1"}
    assert len({sheet.path for sheet in sheets}) == 3


def test_a_name_stands_there_with_times_to_remember(
    named: tuple[duckdb.DuckDBPyConnection, Fleet],
) -> None:
    con, fleet = named
    few_stops(con, 1)
    (sheet,) = made(con, fleet)
    text = text_of(sheet.html)
    assert "Person 1" in text and "coaching, as agreed" in text
    # 9:17 UTC and nine hours, in Stockholm's winter an hour later.
    assert "Mon 26 Jan 19:17" in text


def test_a_rental_is_never_in_it(named: tuple[duckdb.DuckDBPyConnection, Fleet]) -> None:
    con, fleet = named
    add_stop(con, MONDAY, driver="d1", net_saved_min=5.0)
    add_stop(con, MONDAY + timedelta(hours=3), driver="d1", use="rental", net_saved_min=50.0)
    add_stop(con, MONDAY + timedelta(hours=5), driver="d2", use="rental", net_saved_min=50.0)
    (sheet,) = made(con, fleet)
    text = text_of(sheet.html)
    assert "It stands on 1 stop." in text and "5 min" in text and "55 min" not in text


KINDS: list[tuple[str, str | None, bool | None, str | None, str, str | None]] = [
    ("warmed", None, True, None, "went_well", None),
    ("part_warmed", "too_cold_for_the_time", True, None, "went_well", None),
    ("part_warmed", "began_late", True, None, "sooner", "began_late"),
    ("part_warmed", "ended_early", True, None, "sooner", "ended_early"),
    ("not_warmed", "no_destination", True, None, "missed", "no_destination"),
    ("not_warmed", "set_too_late", True, None, "missed", "set_too_late"),
    # The vehicle, the place, a low charge, the cold or want of data: nobody's.
    ("part_warmed", "cut_off_low_charge", True, None, "explained", "cut_off_low_charge"),
    ("not_warmed", "vehicle_did_not_respond", True, None, "explained",
     "vehicle_did_not_respond"),
    ("not_warmed", "destination_not_recognised", True, None, "explained",
     "destination_not_recognised"),
    ("not_warmed", "no_evidence", True, None, "explained", "no_evidence"),
    ("not_warmed", None, True, None, "explained", "no_evidence"),
    ("not_warmed", "no_destination", False, "saves_too_little", "explained",
     "saves_too_little"),
    ("not_warmed", "no_destination", False, "low_charge", "explained", "low_charge"),
    ("not_warmed", "no_destination", None, "evidence", "explained", "evidence"),
    ("warmed", None, False, "saves_too_little", "explained", "warmed_little_gain"),
    ("warmed_unneeded", None, False, "not_needed", "explained", "already_warm"),
    ("unknown", "summary_only", None, "evidence", "explained", "unknown"),
]  # fmt: skip
"""Outcome, why, expected, why not expected: verdict and reason."""


def test_what_counts(named: tuple[duckdb.DuckDBPyConnection, Fleet]) -> None:
    con, _ = named
    for n, (outcome, why, expected, why_not, _verdict, _reason) in enumerate(KINDS):
        at = MONDAY + timedelta(hours=n)
        add_stop(con, at, outcome, why, is_expected=expected, expected_why_not=why_not)
    params = {"week_ids": [WEEK], "zone": "Europe/Stockholm"}
    found = query(con, "sheets/driver_stops", params).select("outcome", "verdict", "reason")
    assert found.rows() == [(kind[0], *kind[4:]) for kind in KINDS]


@pytest.mark.parametrize(
    ("hits", "trials", "low", "high"),
    [(81, 263, "26", "37"), (15, 148, "6", "16"), (0, 20, "0", "16"), (1, 29, "1", "17")],
)
def test_the_rate_has_its_interval(hits: int, trials: int, low: str, high: str) -> None:
    filters: Any = quantity_filters(fleet_settings())
    figure = _figures(hits, trials, None, None, filters)[0]
    said = figure["detail"].replace("\u00a0", " ")
    assert figure["value"] == f"{hits} of {trials}"
    assert f"between {low} % and {high} %" in said
    assert figure["bar"]["low_x"] <= figure["bar"]["at_x"]


def fleet_settings() -> Any:
    from report_data import fleet_of

    return fleet_of().settings


def test_no_counted_stop_is_no_rate_and_no_blame(
    named: tuple[duckdb.DuckDBPyConnection, Fleet],
) -> None:
    con, fleet = named
    add_stop(
        con, MONDAY, "not_warmed", "vehicle_did_not_respond", net_missed_min=9.0, net_saved_min=None
    )
    (sheet,) = made(con, fleet)
    text = text_of(sheet.html)
    assert "nothing to do differently" in text and "no stop counts" in text
    assert "9 min" not in text and "0 of" not in text
    assert "the vehicle did not warm: not up to you" in text


def test_the_two_tips_worth_most(named: tuple[duckdb.DuckDBPyConnection, Fleet]) -> None:
    con, fleet = named
    worth = [
        ("not_warmed", "no_destination", 4.0, "fast"),
        ("not_warmed", "no_destination", 4.0, "slow"),
        ("not_warmed", "no_destination", 4.0, "slow"),
        ("not_warmed", "set_too_late", 10.0, "fast"),
        ("part_warmed", "began_late", 5.0, "fast"),
        ("part_warmed", "ended_early", 8.0, "fast"),
        ("not_warmed", "vehicle_did_not_respond", 77.0, "fast"),
    ]
    for n, (outcome, why, missed, site) in enumerate(worth):
        at = MONDAY + timedelta(hours=n)
        add_stop(con, at, outcome, why, site=site, net_missed_min=missed)
    (sheet,) = made(con, fleet)
    tips = re.findall(r"<h3>(.*?)</h3><p><strong>(.*?)</strong>(.*?)</p>", sheet.html, re.DOTALL)
    assert [(title, time.replace("\u00a0", " ")) for title, time, _ in tips] == [
        ("Set the charger sooner, at best before you set off", "About 15 min."),
        ("Set the charger as your destination before you set off", "About 12 min."),
    ]
    assert "Slow Lane (2), Fast Harbour (1)" in tips[1][2]
    assert "35\u00a0min" in sheet.html  # all that counts: 12 + 15 + 8
    assert "77" not in text_of(sheet.html)


def test_places_say_what_the_report_says(named: tuple[duckdb.DuckDBPyConnection, Fleet]) -> None:
    con, fleet = named
    put_fit(con, week=WEEK)
    for n in range(4):
        add_stop(con, MONDAY + timedelta(hours=n), stop=STATE, net_saved_min=3.0)
    (sheet,) = made(con, fleet)
    (row,) = con.sql("select * from weekly_site_advice").pl().to_dicts()
    assert row["verdict"] == "begin"
    assert f"<strong>{row['begin_min']:.0f}\u00a0min</strong>" in sheet.html
    assert "more than the usual 20 min" in text_of(sheet.html)


def test_each_reads_their_own_language(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    drivers = NAMES.replace('"Person 1"\n', '"Person 1"\nlanguage = "de"\n')
    fleet = fleet_in(tmp_path / "fleet", "names", drivers=drivers)
    with warehouse(fleet) as con, padded(monkeypatch):
        few_stops(con, 2)
        german, english = made(con, fleet)
    assert 'lang="de"' in german.html and "¤Your stops by week" in german.html
    assert 'lang="en"' in english.html


def test_a_language_does_not_give_a_pseudonym_away(tmp_path: Path) -> None:
    drivers = "".join(
        f'[drivers.d{n}]\nlanguage = "{code}"\n'
        for n, code in enumerate(("de", "nb", "nb", "nb"), start=1)
    )
    fleet = fleet_in(tmp_path / "fleet", "pseudonyms", drivers=drivers)
    with warehouse(fleet) as con:
        few_stops(con, 4)
        spoken = sorted(re.findall(r'<html lang="(..)"', "".join(s.html for s in made(con, fleet))))
    assert spoken == ["en", "nb", "nb", "nb"]


def test_the_language_changes_no_figure(tmp_path: Path) -> None:
    plain = fleet_in(tmp_path / "a", drivers=NAMES)
    told = fleet_in(tmp_path / "b", drivers=NAMES + 'language = "fr"\n')
    assert told.drivers["d5"].language == "fr"
    assert plain.fingerprint == told.fingerprint
    with pytest.raises(ColdMinutesError, match="drivers"):
        fleet_in(tmp_path / "c", drivers=NAMES + 'language = "xx"\n')
    assert load_fleet(tmp_path / "a").drivers["d1"].language is None


def test_the_chart_has_a_square_for_every_stop() -> None:
    verdicts = ["went_well"] * 3 + ["missed"] * 2 + ["explained"] * 15
    stops = [{"week_id": WEEK, "verdict": verdict} for verdict in verdicts]
    with speaking("en"):
        chart = weeks_chart(stops, ["2026-W04", WEEK])
    drawing = str(chart["drawing"])
    # Sixteen have room, and two lines stand under the weeks; the rest is a number.
    assert drawing.count("<rect") == 16 + 2 and ">+4<" in drawing
    assert "week of Mon 19 Jan: no stop" in drawing
    assert "3 warmed, or begun in time, 2 could have been warmed, 15 does not count" in drawing
    assert [entry["n"] for entry in chart["key"]] == [3, 2, 15]


def test_a_hostile_name_is_only_text(tmp_path: Path) -> None:
    fleet = fleet_in(tmp_path / "fleet", "names")
    with warehouse(fleet) as con:
        add_stop(con, MONDAY, driver=HOSTILE, site=HOSTILE)
        add_stop(con, MONDAY + timedelta(hours=1), "not_warmed", "no_destination", driver=HOSTILE,
                 site=HOSTILE, net_missed_min=9.0)  # fmt: skip
        (sheet,) = made(con, fleet)
    assert "<script>" not in sheet.html and "&lt;script&gt;" in sheet.html
    assert "{{ 7 * 7 }}" in sheet.html and "/" not in sheet.path.removeprefix("drivers/")


def busy(con: duckdb.DuckDBPyConnection, driver: str, weeks_n: int) -> None:
    """Weeks with everything that a sheet can say."""
    kinds: list[tuple[str, str | None, bool | None, str | None]] = [
        ("warmed", None, True, None),
        ("part_warmed", "began_late", True, None),
        ("part_warmed", "cut_off_low_charge", True, None),
        ("not_warmed", "no_destination", True, None),
        ("not_warmed", "destination_not_recognised", True, None),
        ("not_warmed", "vehicle_did_not_respond", True, None),
        ("not_warmed", "no_destination", False, "saves_too_little"),
        ("not_warmed", "no_destination", False, "costs_more"),
        ("low_charge_hold", None, False, "low_charge"),
        ("not_warmed", "approach_too_short", False, "approach_too_short"),
        ("already_warm", None, False, "not_needed"),
        ("unknown", "summary_only", None, "evidence"),
    ]
    for week in range(weeks_n):
        for n, (outcome, why, expected, why_not) in enumerate(kinds):
            at = MONDAY - timedelta(weeks=week) + timedelta(hours=2 * n)
            add_stop(
                con, at, outcome, why, driver=driver, site=("fast", "slow", "a" * 300)[n % 3],
                is_expected=expected, expected_why_not=why_not, net_missed_min=4.4,
                net_saved_min=3.3, stop=STATE,
            )  # fmt: skip


@needs_pango
@pytest.mark.parametrize(
    ("code", "weeks_n"), [("de", 13), pytest.param("en", 3, marks=pytest.mark.long)]
)
def test_one_page_whatever_stands_on_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: str, weeks_n: int
) -> None:
    long_name = f'[drivers.d1]\nname = "{LONG_NAME}"\nlanguage = "{code}"\n[drivers.d2]\n'
    fleet = fleet_in(tmp_path / "fleet", "names", drivers=long_name)
    with warehouse(fleet) as con, padded(monkeypatch, only="de"):
        put_fit(con, week=WEEK)
        busy(con, "d1", weeks_n)
        add_stop(con, MONDAY + timedelta(days=3), driver="d2")
        sheets = made(con, fleet)
    assert any("When to set the charger" in sheet.html for sheet in sheets)
    # In the longer language the full sheet tells; in English also that of a single stop.
    printed = [sheet for sheet in sheets if code == "en" or "156" in text_of(sheet.html)]
    assert [pages_of(sheet, tmp_path) for sheet in printed] == [1] * (2 if code == "en" else 1)


def test_every_word_can_be_translated(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    drivers = '[drivers.d1]\nname = "Person 1"\nlanguage = "de"\n'
    fleet = fleet_in(tmp_path / "fleet", "names", drivers=drivers)
    with warehouse(fleet) as con, padded(monkeypatch):
        busy(con, "d1", 1)
        (sheet,) = made(con, fleet)
    days = re.compile(r"Mo\. \d")
    assert [each for each in unmarked(sheet.html) if not days.match(each)] == ["Person 1"]
