"""What is due: by table. The laws over all histories are in ``tests/property``."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from pipeline.rounds.due import (
    Due,
    Made,
    due,
    first_week,
    newest_complete_week,
    silent_weeks,
    weeks_from,
)

STOCKHOLM = ZoneInfo("Europe/Stockholm")


def at(text: str) -> datetime:
    """An instant in UTC."""
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def made(week_id: str, text: str) -> Made:
    return Made(week_id, at(text))


ON_TIME = made("2026-W03", "2026-01-19T05:00")


def shown(items: list[Due]) -> list[str]:
    return [f"{each.week_id} {each.reason}{'' if each.has_data else ' silent'}" for each in items]


@pytest.mark.parametrize(
    ("data", "history", "changed", "now", "expected"),
    [
        pytest.param((), (), (), "2026-01-19T05:00", [], id="no data ever"),
        pytest.param(
            ("2025-W50", "2026-W02", "2026-W03"),
            (),
            (),
            "2026-01-21T05:00",
            ["2026-W03 first"],
            id="a new fleet: only the newest complete week",
        ),
        pytest.param(
            ("2025-W20",),
            (),
            (),
            "2026-01-21T05:00",
            ["2026-W03 first silent"],
            id="a new fleet whose data ended long ago",
        ),
        pytest.param(("2026-W03",), (ON_TIME,), (), "2026-01-25T22:59", [], id="not over yet"),
        pytest.param(
            ("2026-W04",),
            (ON_TIME,),
            (),
            "2026-01-25T23:00",
            ["2026-W04 first"],
            id="over at local midnight, 23:00 UTC",
        ),
        pytest.param(
            ("2026-W03", "2026-W04", "2026-W06"),
            (ON_TIME,),
            (),
            "2026-02-10T05:00",
            ["2026-W04 first", "2026-W05 first silent", "2026-W06 first"],
            id="after downtime every missed week, in order, one of them without data",
        ),
        pytest.param(
            ("2026-W05",),
            (ON_TIME, made("2026-W05", "2026-02-03T05:00")),
            (),
            "2026-02-03T06:00",
            ["2026-W04 first silent"],
            id="a hole in between is filled",
        ),
        pytest.param(
            ("2026-W03", "2026-W04"),
            (ON_TIME,),
            ("2026-W03", "2026-W02"),
            "2026-01-27T05:00",
            ["2026-W03 late_data", "2026-W04 first"],
            id="late data: the week with an edition again, not the one without",
        ),
        pytest.param(
            ("2026-W03",),
            (ON_TIME, made("2026-W05", "2026-01-20T05:00")),
            ("2026-W05",),
            "2026-01-20T06:00",
            [],
            id="an edition made under a clock that was ahead waits for its week",
        ),
        pytest.param(
            ("2025-W06", "2026-W03"),
            (made("2025-W06", "2026-01-20T05:00"),),
            (),
            "2026-01-20T06:00",
            ["2026-W03 first"],
            id="last winter's edition, asked for, obliges to nothing since",
        ),
        pytest.param(
            ("2026-W53",),
            (made("2026-W52", "2026-12-28T05:00"),),
            (),
            "2027-01-12T05:00",
            ["2026-W53 first", "2027-W01 first silent"],
            id="2026 has a week 53",
        ),
        pytest.param(
            ("2025-W52", "2026-W01"),
            (made("2025-W52", "2025-12-29T05:00"),),
            (),
            "2026-01-05T05:00",
            ["2026-W01 first"],
            id="2025 has none",
        ),
    ],
)
def test_what_is_due(
    data: tuple[str, ...],
    history: tuple[Made, ...],
    changed: tuple[str, ...],
    now: str,
    expected: list[str],
) -> None:
    assert shown(due(data, history, changed, at(now), STOCKHOLM)) == expected


@pytest.mark.parametrize(
    ("now", "expected"),
    [
        # Clocks went forward on 29 March 2026 at 01:00 UTC and went back on 25 October (EU
        # directive 2000/84/EC, last Sundays): the Mondays after begin at 22:00 and at 23:00 UTC.
        ("2026-03-29T21:59", "2026-W12"),
        ("2026-03-29T22:00", "2026-W13"),
        ("2026-10-25T22:59", "2026-W42"),
        ("2026-10-25T23:00", "2026-W43"),
        # ISO 8601: 2026 begins and ends on a Thursday, so it has 53 weeks.
        ("2027-01-03T22:59", "2026-W52"),
        ("2027-01-03T23:00", "2026-W53"),
    ],
)
def test_a_week_is_over_at_local_midnight(now: str, expected: str) -> None:
    assert newest_complete_week(at(now), STOCKHOLM) == expected


def test_weeks_over_a_turn_of_the_year() -> None:
    assert list(weeks_from("2026-W52", "2027-W02")) == [
        "2026-W52",
        "2026-W53",
        "2027-W01",
        "2027-W02",
    ]
    assert list(weeks_from("2026-W02", "2026-W01")) == []


def test_the_count_begins_with_the_oldest_edition_made_in_time() -> None:
    asked = made("2025-W40", "2026-01-19T05:00")
    assert first_week([asked, ON_TIME, made("2026-W04", "2026-01-26T05:00")], STOCKHOLM) == (
        "2026-W03"
    )
    assert first_week([asked], STOCKHOLM) is None


def test_silence_is_counted_from_the_end() -> None:
    items = [
        Due("2026-W01", "first", has_data=False),
        Due("2026-W02", "first", has_data=True),
        Due("2026-W03", "first", has_data=False),
        Due("2026-W04", "first", has_data=False),
    ]
    assert silent_weeks(items) == ["2026-W03", "2026-W04"]
    assert silent_weeks(items[:2]) == []
