"""Which month an edition's week speaks of, and the months it is held against."""

from __future__ import annotations

from calendar import monthrange
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from pipeline.weeks import monday_of


@dataclass(frozen=True)
class Period:
    """Local days, both included, and the half-open span of instants that they are."""

    code: str
    first_day: date
    last_day: date
    from_at: datetime
    to_at: datetime


@dataclass(frozen=True)
class Month:
    """A month and what it is compared with.

    Parameters
    ----------
    is_running
        The month is not over; then the others are cut at the same day of the month.
    week_ids
        ISO weeks that lie in the month, wholly or in part.
    """

    this: Period
    before: Period
    year_ago: Period
    is_running: bool
    week_ids: tuple[str, ...]

    @property
    def periods(self) -> tuple[Period, Period, Period]:
        """This month, the month before, the same month last year."""
        return self.this, self.before, self.year_ago


def month_of(week_id: str, zone: ZoneInfo) -> Month:
    """The month that ends in the week; else the running one, up to the week's Sunday.

    Examples
    --------
    >>> month_of("2026-W05", ZoneInfo("Europe/Stockholm")).this.last_day
    datetime.date(2026, 1, 31)
    >>> month_of("2026-W06", ZoneInfo("Europe/Stockholm")).this.last_day
    datetime.date(2026, 2, 8)
    """
    days = [monday_of(week_id) + timedelta(days=each) for each in range(7)]
    ends = [day for day in days if day == _last_of(day)]
    last = ends[0] if ends else days[-1]
    first = last.replace(day=1)
    is_running = not ends
    before = first - timedelta(days=1)
    year_ago = first.replace(year=first.year - 1)

    def cut(day_in_month: date) -> date:
        """The day to compare up to: the month's last, or that of the running month."""
        end = _last_of(day_in_month)
        return end.replace(day=min(end.day, last.day)) if is_running else end

    return Month(
        this=_period("this", first, last, zone),
        before=_period("before", before.replace(day=1), cut(before), zone),
        year_ago=_period("year_ago", year_ago, cut(year_ago), zone),
        is_running=is_running,
        week_ids=tuple(dict.fromkeys(_weeks(first, last))),
    )


def _last_of(day: date) -> date:
    return day.replace(day=monthrange(day.year, day.month)[1])


def _weeks(first: date, last: date) -> list[str]:
    days = [first + timedelta(days=each) for each in range((last - first).days + 1)]
    return [f"{day.isocalendar()[0]:04d}-W{day.isocalendar()[1]:02d}" for day in days]


def _period(code: str, first: date, last: date, zone: ZoneInfo) -> Period:
    def midnight(day: date) -> datetime:
        return datetime(day.year, day.month, day.day, tzinfo=zone).astimezone(UTC)

    return Period(code, first, last, midnight(first), midnight(last + timedelta(days=1)))
