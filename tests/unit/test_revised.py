"""What the report says of a revised edition, of moved figures, and of a week without data."""

from __future__ import annotations

import json
import re
from typing import Any

import duckdb
import polars as pl
import pytest
from report_data import WEEK, fill, fleet_of, week

from pipeline.report.filters import quantity_filters
from pipeline.report.opening import opening
from pipeline.report.pages import fleet_html
from pipeline.report.revised import FIGURE_WORDS, issue_summary, revised_section
from pipeline.report.weekdata import WeekData, document_instant, read_week
from pipeline.rounds.figures import DIGITS, Change, as_json, changes_between, from_json

CHANGES = [
    Change("stops_n", 3.0, 5.0),
    Change("lost_cold_min", None, 12.4),
    Change("hit_rate", 0.5, 0.25),
    Change("warming_cost", 1.0, 2.5),
]
FLEET = fleet_of()
FILTERS = quantity_filters(FLEET.settings)


def data(kind: str = "one", **tables: dict[str, Any]) -> WeekData:
    """A week's tables, with one row in each of the optional ones named."""
    con = duckdb.connect(":memory:")
    con.execute("set TimeZone = 'UTC'")
    fill(con, week(kind)[1])
    for name, row in tables.items():
        con.register("incoming", pl.DataFrame([row]).to_arrow())
        con.execute(f"create temp table {name} as select * from incoming")
        con.unregister("incoming")
    read = read_week(con, WEEK, FLEET)
    con.close()
    return read


def issue(**changes: Any) -> dict[str, Any]:
    row = {"edition_no": 2, "reason": "late_data", "changes": as_json(CHANGES)}
    return row | {"last_data_date": None} | changes


def moved(**changes: Any) -> dict[str, Any]:
    row = {
        "week_id": "2026-W02",
        "reason": "upgrade",
        "before_program_version": "0.1.0",
        "before_method_version": "1.0",
        "program_version": "0.2.0",
        "method_version": "1.1",
        "changes": as_json(CHANGES[:2]),
        "has_new_data": False,
    }
    return row | changes


def page(read: WeekData) -> str:
    """The page's words."""
    html = fleet_html(
        read, FLEET, instant=document_instant(WEEK, FLEET, None), method_version="1", version="1"
    )
    body = html[html.index("<main>") :]
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", body)).replace("\u00a0", " ")


def test_a_revised_edition_says_what_changed() -> None:
    said = page(data(weekly_edition=issue()))
    assert "revised, edition 2" in said
    assert "What changed in this edition" in said
    assert "Data came in after the edition before" in said
    assert "fast-charge stops 3 5" in said
    assert "cold minutes – 12 min" in said
    assert "warming hit rate 50 % 25 %" in said
    assert "cost of warming 1.00 EUR 2.50 EUR" in said


def test_a_first_edition_is_quiet() -> None:
    read = data(weekly_edition=issue(edition_no=1, reason="first", changes="[]"))
    assert revised_section(read, FILTERS) is None
    said = page(read)
    assert "edition 1" not in said
    assert "What changed" not in said
    assert revised_section(data(), FILTERS) is None


def test_a_list_that_changed_without_its_sums_is_told() -> None:
    found = revised_section(data(weekly_edition=issue(changes="[]")), FILTERS)
    assert found is not None
    assert "the list of stops did" in found["revised"]["words"]


def test_the_first_report_after_an_upgrade_says_which_figures_moved() -> None:
    said = page(data(weekly_moved=moved()))
    assert "went from version 0.1.0 to 0.2.0, its method from 1.0 to 1.1" in said
    assert "That alone moved 2 figures of 2026-W02" in said
    assert "fast-charge stops 3 5" in said
    with_data = page(data(weekly_moved=moved(has_new_data=True)))
    assert "That alone" not in with_data
    assert "files that came in since have a part in it" in with_data
    none = page(data(weekly_moved=moved(changes="[]")))
    assert "No figure of 2026-W02 moved" in none


def test_settings_that_move_nothing_are_not_told() -> None:
    other = moved(reason="configuration")
    assert "settings were changed" in page(data(weekly_moved=other))
    assert revised_section(data(weekly_moved=other | {"changes": "[]"}), FILTERS) is None


def test_the_summary_carries_both() -> None:
    read = data(weekly_edition=issue(), weekly_moved=moved())
    found = issue_summary(read)
    assert found["edition"]["number"] == 2
    assert found["edition"]["revised_because"] == "late_data"
    assert found["edition"]["changes"][1] == {
        "figure": "lost_cold_min",
        "before": None,
        "now": 12.4,
    }
    assert found["moved"]["week"] == "2026-W02"
    assert len(found["moved"]["changes"]) == 2
    assert issue_summary(data()) == {"edition": None, "moved": None}
    # The reason of a first edition depends on the day it was made; equal data give equal bytes.
    first = data(weekly_edition=issue(edition_no=1, reason="asked", changes="[]"))
    assert "asked" not in json.dumps(issue_summary(first))


def test_every_figure_kept_has_words_and_a_filter() -> None:
    assert set(FIGURE_WORDS) == set(DIGITS)
    every = as_json([Change(figure, 1.0, 2.0) for figure in DIGITS])
    found = revised_section(data(weekly_edition=issue(changes=every)), FILTERS)
    assert found is not None
    assert len(found["revised"]["rows"]) == len(DIGITS)


def test_changes_are_what_prints_otherwise() -> None:
    before = {"stops_n": 3.0, "lost_min": 9.9, "hit_rate": 0.504, "warming_kwh": None}
    same = {"stops_n": 3.0, "lost_min": 10.1, "hit_rate": 0.496, "warming_kwh": None}
    assert changes_between(before, same) == []
    other = {"stops_n": 4.0, "lost_min": 10.6, "hit_rate": None, "warming_kwh": 0.0}
    found = changes_between(before, other)
    assert [each.figure for each in found] == ["stops_n", "hit_rate", "lost_min", "warming_kwh"]
    assert from_json(as_json(found)) == found
    assert changes_between({"lost_min": -0.2}, {"lost_min": 0.2}) == []


def test_a_week_without_any_data_reads_as_trouble() -> None:
    read = data("blank", weekly_edition=issue(edition_no=1, changes="[]"))
    vehicles = [row | {"is_silent": True} for row in read.vehicles]
    assert len(vehicles) > 1
    edition = {**read.edition, "stops_n": 0, "vehicles_n": 0}
    said = opening(edition, [], [], silent_n=len(vehicles), known_n=len(vehicles))
    assert f"none of the {len(vehicles)} vehicles of the fleet sent anything" in said.what
    assert "Nothing is known of its charging" in said.what
    assert said.action.startswith("Find out today why the exports stopped")
    quiet = opening(edition, [], [], silent_n=0, known_n=len(vehicles))
    assert "No fast-charge stop was found" in quiet.what


@pytest.mark.parametrize("known_n", [1, 2])
def test_the_masthead_counts_the_vehicles_there_are(known_n: int) -> None:
    import dataclasses
    from datetime import date

    read = data("one", weekly_edition=issue(edition_no=1, last_data_date=date(2026, 1, 4)))
    one = read.vehicles[0] | {"is_silent": True, "stops_n": 0}
    empty = {
        name: 0 if name.endswith("_n") else value if name in ("week_id", "is_edition") else None
        for name, value in read.edition.items()
    }
    read = dataclasses.replace(
        read, edition=empty, vehicles=[one] * known_n, stops=[], attention=[], coverage=[], sites=[]
    )
    said = page(read)
    assert f"{known_n} vehicle{'s' if known_n > 1 else ''} · 0 fast-charge stops" in said
    assert f"0 of {known_n} vehicle" in said
    assert "The newest data until then are of 2026-01-04" in said
    assert "0 vehicles" not in said
