"""The opening and the other words: every branch, and nothing claimed beyond the evidence."""

from __future__ import annotations

from typing import Any

import pytest
from report_data import invented_stops, names_of, week

from pipeline.report.filters import minutes, name, number, quantity_filters, rate
from pipeline.report.opening import opening
from pipeline.report.weekdata import document_instant, week_words
from pipeline.report.words import OUTCOME_WORDS, between, change, isolated, words_of

Row = dict[str, Any]


def edition(**changes: Any) -> Row:
    """Counts of a plain cold week; ``changes`` on top."""
    row: Row = {
        "vehicles_n": 12,
        "stops_n": 20,
        "rated_n": 18,
        "needed_warming_n": 10,
        "warmed_n": 4,
        "part_warmed_n": 2,
        "not_warmed_n": 4,
        "already_warm_n": 8,
        "warmed_unneeded_n": 0,
        "unknown_n": 2,
        "cold_arrival_n": 6,
        "lost_min": 90.0,
        "lost_stops_n": 18,
        "lost_cold_arrival_min": 80.0,
        "lost_warm_arrival_min": 10.0,
        "lost_at_most_min": None,
        "lost_cold_min": 75.2,
        "lost_cold_low_min": 71.0,
        "lost_cold_high_min": 79.6,
        "lost_site_min": 5.0,
        "held_back_min": 2.0,
        "avoidable_min": 40.4,
        "unavoidable_min": 34.8,
    }
    return row | changes


def stop(outcome: str, why: str | None, avoidable: float | None = 5.0) -> Row:
    return {"outcome": outcome, "why": why, "avoidable_min": avoidable}


def said(row: Row, stops: list[Row] | None = None, silent_n: int = 0) -> tuple[str, str]:
    found = opening(row, stops or [], [], silent_n=silent_n, known_n=20)
    return found.what.replace("\u00a0", " "), found.action.replace("\u00a0", " ")


def test_cold_week_says_what_and_what_to_do() -> None:
    missed = [stop("not_warmed", "no_destination")] * 3 + [stop("part_warmed", "began_late")]
    what, action = said(edition(), missed)
    assert what == (
        "6 of the 18 stops with a known battery temperature arrived cold. Cold took 75 min of "
        "charging time (between 71 and 80 min, as far as the measurement goes). Warming could "
        "have avoided 40 min; 35 min could not have been avoided. Of 10 stops that needed "
        "warming, 4 got it in time."
    )
    assert action == (
        "Set the charger as the destination before setting off: at 3 stops, with 15 of the 40 "
        "avoidable minutes, none was set."
    )


def test_advice_follows_avoidable_minutes_and_not_counts() -> None:
    stops = [stop("not_warmed", "no_destination", 2.0)] * 3
    stops += [stop("not_warmed", "destination_not_recognised", 9.0)]
    _, action = said(edition(), stops)
    assert action.startswith("Pick the charger from the vehicle's own list of charging places")
    assert "at 1 stop, with 9 of the 40" in action


def test_nothing_avoidable_gives_no_advice_to_warm() -> None:
    row = edition(avoidable_min=0.0, unavoidable_min=75.2)
    what, action = said(row, [stop("not_warmed", "no_destination", 0.0)])
    assert "Warming could have avoided none of it." in what
    assert action == "Nothing stands out that a single action would mend."


def test_all_avoidable_and_partly_judged() -> None:
    what, _ = said(edition(avoidable_min=75.2, unavoidable_min=0.0))
    assert "Warming could have avoided all of it" in what
    what, _ = said(edition(avoidable_min=30.0, unavoidable_min=20.0))
    assert "Warming could have avoided 30 min; 20 min could not" in what
    assert "For the rest it cannot be told." in what
    what, _ = said(edition(avoidable_min=None, unavoidable_min=None))
    assert "How much of it could have been avoided is not known." in what


def test_no_interval_no_words() -> None:
    what, _ = said(edition(lost_cold_low_min=None))
    assert "Cold took 75 min of charging time." in what
    assert between(None, 3.0) == ""


@pytest.mark.parametrize("kind", ["summaries", "blank", "unknown"])
def test_cold_is_blamed_only_where_minutes_are_split(kind: str) -> None:
    _, tables = week(kind)
    row = tables["weekly_fleet"][-1]
    row = row | {"lost_cold_min": None, "avoidable_min": None, "unavoidable_min": None}
    found = opening(row, tables["weekly_stops"], tables["weekly_attention"], silent_n=0, known_n=20)
    assert "Cold took" not in found.what
    assert "avoided" not in found.what


def test_no_stops() -> None:
    what, action = said(edition(stops_n=0))
    assert "No fast-charge stop" in what
    assert "nothing to act on" in action


def test_no_stops_and_silent_vehicles() -> None:
    what, action = said(edition(stops_n=0), silent_n=3)
    assert "3 of 20 vehicles sent no data" in what
    assert "Check the exports" in action


def test_nothing_rated() -> None:
    row = edition(
        rated_n=0,
        warmed_n=0,
        already_warm_n=0,
        cold_arrival_n=0,
        lost_cold_arrival_min=None,
    )
    what, action = said(row)
    assert "For none of the 20 fast-charge stops" in what
    assert "90 min more than a warm battery would have needed; the cause is not known" in what
    assert "coldest cell" in action


def test_summaries_only_give_an_upper_bound() -> None:
    row = edition(
        rated_n=0,
        warmed_n=0,
        already_warm_n=0,
        cold_arrival_n=0,
        lost_min=None,
        lost_stops_n=0,
        lost_at_most_min=140.0,
    )
    what, _ = said(row)
    assert "at most 140 min" in what


def test_no_cold_arrival_is_said_plainly() -> None:
    row = edition(
        cold_arrival_n=0, lost_warm_arrival_min=30.0, warmed_unneeded_n=1, lost_site_min=0.0
    )
    what, action = said(row)
    assert what.startswith("Cold was not the problem this week: all 13 stops")
    assert "30 min lost there have other causes" in what
    assert "1 stop was warmed without need" in action


def test_chargers_are_named_where_they_took_time() -> None:
    row = edition(cold_arrival_n=0, lost_site_min=32.0, held_back_min=12.0)
    what, _ = said(row)
    assert "The chargers took time: their own limits 32 min and power shared or cut 12 min." in what


def test_limits_cost_more_than_cold() -> None:
    what, _ = said(edition(lost_site_min=175.0))
    assert what.startswith("The chargers' own limits took 175 min, more than cold: cold took 75")


def test_sharing_costs_more_than_cold() -> None:
    what, _ = said(edition(held_back_min=175.0))
    assert what.startswith("Chargers that gave less than their rating took 175 min, more than")


def test_cold_arrivals_without_cold_minutes() -> None:
    what, _ = said(edition(lost_cold_min=-4.0))
    assert "cold was not the problem this week" in what


def test_minutes_not_split() -> None:
    what, _ = said(edition(lost_cold_min=None))
    assert "took 80 min longer there than warm batteries would have" in what
    assert "how much of it was the cold cannot be told" in what


def test_minutes_not_computable() -> None:
    what, _ = said(edition(lost_cold_min=None, lost_cold_arrival_min=None))
    assert "the minutes lost there cannot be computed" in what


def test_small_counts_are_called_small() -> None:
    what, _ = said(edition(rated_n=3))
    assert "Only 3 stops could be rated, too few to judge by." in what
    assert "too few" not in said(edition(rated_n=5))[0]


def test_one_stop_reads_like_one() -> None:
    row = edition(
        stops_n=1,
        rated_n=1,
        needed_warming_n=1,
        warmed_n=0,
        part_warmed_n=0,
        not_warmed_n=1,
        already_warm_n=0,
        cold_arrival_n=1,
        lost_warm_arrival_min=None,
    )
    what, _ = said(row)
    assert what.startswith("The one stop with a known battery temperature arrived cold. Cold took")
    assert "1 stops" not in what


def test_equal_reasons_are_settled_by_name() -> None:
    two = [stop("not_warmed", "set_too_late"), stop("not_warmed", "no_destination")]
    assert said(edition(), two) == said(edition(), two[::-1])


def test_change_words() -> None:
    assert change(212.4, 4, minutes, is_a_week=True).replace("\u00a0", " ") == (
        "previous 4 weeks: 212 min a week"
    )
    assert change(0.5, 1, rate).replace("\u00a0", " ") == "previous week: 50 %"
    assert change(None, 0, rate) == "no earlier week to compare with"
    assert change(None, 4, rate) == "previous 4 weeks: not known"


def test_unknown_codes_print_as_words() -> None:
    assert words_of("some_new_code", OUTCOME_WORDS) == "some new code"
    assert words_of(None, OUTCOME_WORDS) == ""


def test_right_to_left_names_are_isolated_in_sentences() -> None:
    assert isolated("טנדר") == "\u2068טנדר\u2069"
    assert isolated("Van 7") == "Van 7"


@pytest.mark.parametrize(
    ("week_id", "words"),
    [
        ("2026-W03", "Mon 12 to Sun 18 January 2026"),
        ("2026-W01", "Mon 29 December 2025 to Sun 4 January 2026"),
        ("2026-W53", "Mon 28 December 2026 to Sun 3 January 2027"),
        ("2026-W05", "Mon 26 January to Sun 1 February 2026"),
    ],
)
def test_week_in_words(week_id: str, words: str) -> None:
    assert week_words(week_id) == words


def test_document_date_is_the_end_of_the_week_or_the_epoch() -> None:
    from report_data import fleet_of

    fleet = fleet_of()
    assert document_instant("2026-W03", fleet, None).isoformat() == "2026-01-18T23:00:00+00:00"
    assert document_instant("2026-W03", fleet, "0").isoformat() == "1970-01-01T00:00:00+00:00"


def test_numbers_in_print() -> None:
    assert number(-1234.5, 1) == "−1\u00a0234.5"
    assert number(-0.2) == "0"
    assert number(None) == "–"
    assert number(float("nan")) == "–"
    assert rate(0.256) == "26\u00a0%"
    assert name("two\nlines\x00 and\ta tab") == "two lines and a tab"
    assert name("abcdefgh", 5) == "abcd…"


def test_display_units() -> None:
    from report_data import fleet_of

    us = quantity_filters(fleet_of(units={"temperature": "degf", "distance": "mi"}).settings)
    assert us["temperature"](-10.0) == "14\u00a0°F"
    assert us["distance"](160.9344) == "100\u00a0mi"
    assert us["money"](1.5) == "1.50\u00a0EUR"


def test_the_builder_agrees_with_itself() -> None:
    import random

    stops = invented_stops(names_of(3), 5, random.Random(2))
    assert {row["vehicle_id"] for row in stops} == {"van_01", "van_02", "van_03"}
