"""When a week is closed: at the hour of the weekly report, not at midnight of its Sunday.

Loggers hand in Sunday's rows on Monday; closed at midnight, most weeks would be issued and then
revised with each file that arrives.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from cronsim import CronSim

from pipeline.config import Fleet
from pipeline.weeks import span_of, week_of

REVISION_PAUSE = timedelta(hours=20)
"""A week is issued again at most once a day, however many late files trickle in."""


def last_report_at(fleet: Fleet, now: datetime) -> datetime:
    """The newest hour of the weekly report that is not after `now` (`schedule.report`)."""
    local = now.astimezone(_zone(fleet))
    # The minute that begins now counts; the library's way back leaves its start out.
    return next(CronSim(fleet.settings.schedule.report, local + timedelta(minutes=1), reverse=True))


def next_edition_at(fleet: Fleet, week_id: str) -> datetime:
    """When the week after `week_id` is closed."""
    after = span_of(week_id, fleet.zone).to_at
    end = span_of(week_of(after, fleet.zone), fleet.zone).to_at
    local = end.astimezone(_zone(fleet))
    return next(CronSim(fleet.settings.schedule.report, local - timedelta(minutes=1)))


def _zone(fleet: Fleet) -> ZoneInfo:
    return ZoneInfo(fleet.settings.schedule.time_zone or fleet.settings.time_zone)
