"""What is due: which editions an unattended round has to make, in order, each once.

Pure: told which weeks have data, which editions were made and which of them stand on data that
have changed, it reads no clock and no database.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal
from zoneinfo import ZoneInfo

from pipeline.weeks import monday_of, week_of, weeks_before

Reason = Literal["first", "late_data"]

SILENT_WEEKS_N = 13
"""So many weeks without any data are closed at once at most; beyond, the clock is doubted."""


@dataclass(frozen=True)
class Made:
    """A week that has an edition, and when its first one was made."""

    week_id: str
    first_made_at: datetime


@dataclass(frozen=True)
class Due:
    """One edition to be made.

    Parameters
    ----------
    week_id
        ISO week.
    reason
        ``first``, where the week has no edition; ``late_data``, where its data have changed since
        and it is to be seen whether the edition would say something else.
    has_data
        False where no vehicle sent anything for the week: the edition says so.
    """

    week_id: str
    reason: Reason
    has_data: bool = True


def newest_complete_week(now: datetime, zone: ZoneInfo) -> str:
    """The last week that is over in the fleet's zone.

    Examples
    --------
    >>> from datetime import UTC
    >>> newest_complete_week(datetime(2027, 1, 4, 0, 0, tzinfo=UTC), ZoneInfo("UTC"))
    '2026-W53'
    """
    return weeks_before(week_of(now, zone), 1)[0]


def weeks_from(first: str, last: str) -> Iterator[str]:
    """Every week from one to another, both included; none where the first is later."""
    monday, end = monday_of(first), monday_of(last)
    while monday <= end:
        year, week, _ = monday.isocalendar()
        yield f"{year:04d}-W{week:02d}"
        monday += timedelta(weeks=1)


def due(
    weeks_with_data: Collection[str],
    made: Sequence[Made],
    changed: Collection[str],
    now: datetime,
    zone: ZoneInfo,
) -> list[Due]:
    """The editions to be made now, oldest week first, each week once.

    Parameters
    ----------
    weeks_with_data
        Weeks for which some vehicle sent something.
    made
        Weeks that have an edition.
    changed
        Weeks whose facts are no longer those that their newest edition stands on.
    now
        The present; a week is over at local midnight of its Sunday in `zone`.

    Notes
    -----
    The first round of a fleet makes the newest complete week and no older one. From then on every
    week has its edition, with data or without: the count begins at the oldest week that had its
    edition while it was the newest complete one, so that an edition of last winter which somebody
    asked for does not oblige anybody to make all the weeks since. A fleet that never sent anything
    has nothing due.
    """
    if not weeks_with_data and not made:
        return []
    newest = newest_complete_week(now, zone)
    has_edition = {each.week_id for each in made}
    begun = first_week(made, zone)
    wanted = weeks_from(begun, newest) if begun is not None else [newest]
    missed = {week_id for week_id in wanted if week_id not in has_edition}
    revised = {week_id for week_id in changed if week_id in has_edition and week_id <= newest}
    return [
        Due(
            week_id,
            "first" if week_id in missed else "late_data",
            week_id in weeks_with_data,
        )
        for week_id in sorted(missed | revised)
    ]


def first_week(made: Sequence[Made], zone: ZoneInfo) -> str | None:
    """The oldest week that had an edition while it was the newest complete one, or before."""
    in_time = [each.week_id for each in made if is_in_time(each.week_id, each.first_made_at, zone)]
    return min(in_time, default=None)


def is_in_time(week_id: str, made_at: datetime, zone: ZoneInfo) -> bool:
    """Was the week the newest complete one, or not even over, at that instant?"""
    return week_id >= newest_complete_week(made_at, zone)


def silent_weeks(items: Sequence[Due]) -> list[str]:
    """The weeks at the end of the list that no data stand behind."""
    silent: list[str] = []
    for item in reversed(items):
        if item.has_data or item.reason != "first":
            break
        silent.append(item.week_id)
    return silent[::-1]
