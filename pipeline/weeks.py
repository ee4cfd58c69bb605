"""ISO 8601 weeks, cut at local midnight of the fleet's zone (a week may have 167 or 169 hours)."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta
from typing import NamedTuple
from zoneinfo import ZoneInfo


class WeekSpan(NamedTuple):
    """Half-open span of a local week as UTC instants."""

    from_at: datetime
    to_at: datetime


def monday_of(week_id: str) -> date:
    """Monday of a week written ``2026-W03``.

    Raises
    ------
    ValueError
        When there is no such week; the message says what is expected.

    Examples
    --------
    >>> monday_of("2020-W53")
    datetime.date(2020, 12, 28)
    """
    match = re.fullmatch(r"(\d{4})-W(\d{2})", week_id, flags=re.ASCII)
    if not match:
        raise ValueError(f"'{week_id}' is not an ISO week; write it like 2026-W03")
    try:
        return date.fromisocalendar(int(match[1]), int(match[2]), 1)
    except ValueError as error:
        raise ValueError(f"there is no week '{week_id}' in that year") from error


def week_of(instant: datetime, zone: ZoneInfo) -> str:
    """ISO week, in the fleet's zone, of an aware instant.

    Examples
    --------
    >>> week_of(datetime(2027, 1, 3, 12, tzinfo=UTC), ZoneInfo("UTC"))
    '2026-W53'
    """
    year, week, _ = instant.astimezone(zone).isocalendar()
    return f"{year:04d}-W{week:02d}"


def span_of(week_id: str, zone: ZoneInfo) -> WeekSpan:
    """UTC instants at which a local week begins and ends."""
    monday = monday_of(week_id)
    midnights = (monday, monday + timedelta(days=7))
    starts = [datetime(day.year, day.month, day.day, tzinfo=zone) for day in midnights]
    return WeekSpan(starts[0].astimezone(UTC), starts[1].astimezone(UTC))


def weeks_before(week_id: str, count: int) -> list[str]:
    """The ``count`` weeks before one, oldest first."""
    monday = monday_of(week_id)
    days = (monday - timedelta(weeks=back) for back in range(count, 0, -1))
    return [f"{day.isocalendar()[0]:04d}-W{day.isocalendar()[1]:02d}" for day in days]
