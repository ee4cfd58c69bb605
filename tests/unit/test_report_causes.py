"""Minutes by cause in print: parts add up, labels do not overlap, gains stay gains."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from report_data import WEEK, fleet_of, week

from pipeline.report.begin import begin_section
from pipeline.report.causes import (
    adding_up,
    cold_shown,
    main_cause,
    parts_of,
    parts_shown,
    whole_of,
)
from pipeline.report.charts import stacked
from pipeline.report.filters import quantity_filters
from pipeline.report.fleet_bar import fleet_bar, spread
from pipeline.report.learned import spans
from pipeline.report.weekdata import read_week
from pipeline.report.worth_charts import change_parts, worth_chart

Row = dict[str, Any]
MINUTES = st.floats(-500, 500, allow_nan=False)


def sums(**changes: Any) -> Row:
    row: Row = {
        "lost_cold_min": 175.54,
        "avoidable_min": 84.07,
        "unavoidable_min": 91.47,
        "lost_site_min": 148.35,
        "lost_unexplained_min": 68.1,
        "held_back_min": 49.72,
        "split_excess_min": 391.99,
        "unsplit_excess_min": None,
    }
    return row | changes


@given(st.lists(MINUTES, min_size=1, max_size=8))
def test_printed_parts_add_up_and_stay_near(parts: list[float]) -> None:
    shown = adding_up(parts)
    assert sum(shown) == round(math.fsum(parts))
    assert all(abs(whole - part) <= 1 for whole, part in zip(shown, parts, strict=True))


@pytest.mark.parametrize("kind", ["rich", "many", "unknown", "summaries", "blank", "warm"])
def test_parts_add_up_to_the_whole(kind: str) -> None:
    _, tables = week(kind)
    rows = [*tables["weekly_fleet"], *tables["weekly_vehicles"], *tables["weekly_sites"]]
    for row in rows:
        parts, whole = parts_of(row), whole_of(row)
        if whole is None:
            assert parts == []
            continue
        # What is below the least drawn may be left out, once per part.
        assert math.fsum(part.minutes for part in parts) == pytest.approx(whole, abs=0.35)


def test_every_sentence_prints_the_same_numbers() -> None:
    assert cold_shown(sums()) == {"avoidable": 84, "unavoidable": 92, "unjudged": 0}
    assert parts_shown(sums()) == [84, 92, 148, 50, 18]
    assert "84 min cold, avoidable, 92 min cold, unavoidable" in str(fleet_bar(sums()))


def test_cold_that_nobody_judged_is_a_part_of_its_own() -> None:
    row = sums(avoidable_min=20.0, unavoidable_min=30.0)
    assert [part.code for part in parts_of(row)][:3] == ["avoidable", "unavoidable", "unjudged"]


def test_gains_are_drawn_to_the_left() -> None:
    row = sums(lost_unexplained_min=-6.0, held_back_min=0.0)
    bars = stacked(parts_of(row))
    code, at, width = bars[-1]
    assert (code, at) == ("unexplained", 0.0)
    assert width == pytest.approx(-6.0)
    assert "−6 min unexplained" in str(fleet_bar(row))


def test_nothing_known_draws_nothing() -> None:
    nothing: Row = dict.fromkeys(sums())
    assert fleet_bar(nothing) is None
    assert whole_of(nothing) is None


@given(st.lists(st.floats(0, 178), min_size=1, max_size=6))
def test_labels_never_overlap(middles: list[float]) -> None:
    middles = sorted(middles)
    widths = [25.0] * len(middles)
    spots = spread(middles, widths, 178.0)
    assert spots[0] >= 12.5 - 1e-6
    assert spots[-1] <= 178 - 12.5 + 1e-6
    for left, right in pairwise(spots):
        assert right - left >= 25.0 - 1e-6


@pytest.mark.parametrize(
    ("changes", "cause"),
    [
        ({}, "cold"),
        ({"lost_cold_min": 2.0, "lost_site_min": 12.0}, "site"),
        ({"lost_cold_min": 2.0, "held_back_min": 7.0, "lost_unexplained_min": 8.0}, "held_back"),
        ({"lost_cold_min": 2.0, "lost_unexplained_min": 9.0}, "unexplained"),
        ({"lost_cold_min": 0.4}, None),
        ({"lost_cold_min": None}, "unsplit"),
        ({"lost_cold_min": None, "excess_min": None}, None),
    ],
)
def test_main_cause_of_a_stop(changes: Row, cause: str | None) -> None:
    stop: Row = {
        "excess_min": 9.0,
        "lost_cold_min": 8.0,
        "lost_site_min": 0.5,
        "lost_unexplained_min": 0.5,
        "held_back_min": 0.0,
    }
    assert main_cause(stop | changes) == cause


def test_change_adds_up_in_print() -> None:
    parts = change_parts(
        {
            "cold_before_min": 418.9388,
            "cold_now_min": 175.5411,
            "weather_min": -141.6284,
            "mix_min": -55.6017,
            "behaviour_min": -46.1676,
        }
    )
    assert parts.before + parts.weather + parts.mix + parts.behaviour == parts.now


def test_worth_chart_says_every_vehicle_or_how_many_more() -> None:
    _, tables = week("many")
    chart = worth_chart(tables["weekly_fleet"][-1], tables["weekly_vehicles"])
    assert chart is not None
    judged = [
        row
        for row in tables["weekly_vehicles"]
        if row["net_saved_min"] is not None or row["net_missed_min"] is not None
    ]
    assert len(chart.rows) - 1 + chart.more_n == len(judged)
    assert chart.rows[0]["vehicle_name"] == "Whole fleet"


def test_ranges_of_charge() -> None:
    assert spans([0, 1, 2, 97, 98, 99]) == "0–3, 97–100"
    assert spans([]) == ""


def test_site_lines_say_when_or_not_worth_it() -> None:
    con, tables = week("rich")
    con.execute("update weekly_site_advice set verdict = 'begin' where site_id = 'hamnplan'")
    con.execute(
        "update weekly_site_advice set verdict = 'not_worth_it' "
        "where site_id = 'kvarnbacken' and model_id = 'vidar_40'"
    )
    fleet = fleet_of()
    found = begin_section(read_week(con, WEEK, fleet), quantity_filters(fleet.settings))
    lines = {row["site_id"]: row["words"].replace("\u00a0", " ") for row in found["sites"]}
    assert lines["norra_tullen"] == "warming is not worth it here"
    assert lines["kvarnbacken"].startswith("Vidar 40: warming is not worth it here; Vidar 60: ")
    assert lines["hamnplan"].startswith("Vidar 40: 45 min before arrival, saves 16 min net; ")
    assert len(found["tables"]) == 2
    assert len(found["tables"][0]["powers"]) == 3
    assert tables["weekly_other_ways"]


def test_an_unknown_verdict_prints_as_its_own_words() -> None:
    con, _ = week("rich")
    con.execute("update weekly_leadtime set verdict = 'never_warm' where pack_degc = -10")
    con.execute("update weekly_leadtime set verdict = 'unknown' where pack_degc = -5")
    fleet = fleet_of()
    found = begin_section(read_week(con, WEEK, fleet), quantity_filters(fleet.settings))
    words = {cell["words"] for row in found["tables"][0]["rows"] for cell in row["cells"]}
    assert {"never gets warm", "not known"} <= words
