"""ISO 8601 weeks: Monday first, week 1 holds 4 January, the ISO year may differ."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from pipeline.weeks import monday_of, span_of, week_of, weeks_before

# ISO 8601:2004, 3.2.2 and 4.1.4 (rule); dates computed by it.
VECTORS = [
    ("2003-12-29", "2004-W01"),
    ("2005-01-01", "2004-W53"),
    ("2006-01-01", "2005-W52"),
    ("2012-12-31", "2013-W01"),
    ("2020-12-31", "2020-W53"),
    ("2025-12-29", "2026-W01"),
    ("2027-01-03", "2026-W53"),
]
STOCKHOLM = ZoneInfo("Europe/Stockholm")


@pytest.mark.parametrize(("day", "week"), VECTORS)
def test_week_of_a_day(day: str, week: str) -> None:
    noon = datetime.fromisoformat(f"{day}T12:00:00+00:00")
    assert week_of(noon, ZoneInfo("UTC")) == week


@pytest.mark.parametrize("year", range(1990, 2050))
def test_week_one_holds_the_fourth_of_january(year: int) -> None:
    monday = monday_of(f"{year}-W01")
    assert monday.weekday() == 0
    assert 0 <= (datetime(year, 1, 4).date() - monday).days < 7


@pytest.mark.parametrize(
    ("week", "hours"), [("2026-W03", 168), ("2026-W13", 167), ("2026-W43", 169)]
)
def test_weeks_with_a_clock_change(week: str, hours: int) -> None:
    """The European Union changes clocks on the last Sundays of March and October (common
    practice, no source): 29 March and 25 October 2026."""
    span = span_of(week, STOCKHOLM)
    assert (span.to_at - span.from_at).total_seconds() / 3600 == hours
    assert week_of(span.from_at, STOCKHOLM) == week
    assert week_of(span.to_at - timedelta(seconds=1), STOCKHOLM) == week
    assert week_of(span.to_at, STOCKHOLM) != week


def test_week_is_cut_at_local_midnight() -> None:
    before = datetime(2026, 1, 11, 22, 59, tzinfo=UTC)
    assert week_of(before, STOCKHOLM) == "2026-W02"
    assert week_of(before + timedelta(minutes=1), STOCKHOLM) == "2026-W03"


def test_weeks_before_cross_the_year() -> None:
    assert weeks_before("2021-W02", 4) == ["2020-W51", "2020-W52", "2020-W53", "2021-W01"]


@pytest.mark.parametrize("bad", ["2026-W54", "2026-W00", "2026W03", "2025-W53", "", "2026-W٠٣"])
def test_what_is_not_a_week_is_refused(bad: str) -> None:
    with pytest.raises(ValueError, match="week"):
        monday_of(bad)
