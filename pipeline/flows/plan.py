"""What is planned for a fleet: which job, when, and what happens where two runs meet."""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Literal

from pipeline.config import Fleet

Job = Literal["arrivals", "report", "accounts", "budget", "retention"]


@dataclass(frozen=True)
class Planned:
    """One job of one fleet.

    Parameters
    ----------
    job
        Name of the flow in `pipeline.flows.jobs`.
    name
        Of its deployment; equal fleet folders, equal names.
    cron, time_zone
        When it begins.
    skips
        A run that would overlap the one before is left out, because the next comes soon; else it
        waits.
    folder
        The fleet folder.
    """

    job: Job
    name: str
    cron: str
    time_zone: str
    skips: bool
    folder: str


def planned(fleet: Fleet) -> list[Planned]:
    """The jobs of a fleet, by ``[schedule]``."""
    schedule = fleet.settings.schedule
    zone = schedule.time_zone or fleet.settings.time_zone
    crons: list[tuple[Job, str | None]] = [
        ("arrivals", schedule.arrivals),
        ("report", schedule.report),
        ("accounts", schedule.accounts),
        ("budget", schedule.budget),
        ("retention", schedule.retention),
    ]
    name = key_of(fleet.folder)
    return [
        Planned(job, f"{name}-{job}", cron, zone, job == "arrivals", str(fleet.folder))
        for job, cron in crons
        if cron is not None
    ]


def key_of(folder: Path) -> str:
    """Lower-case letters, digits and dashes that name a fleet folder, and no other.

    Its place is hashed in, because two depots may well have folders of one name.
    """
    plain = re.sub(r"[^a-z0-9]+", "-", folder.name.lower()).strip("-")[:40]
    place = hashlib.sha256(str(folder).encode("utf-8", "surrogateescape")).hexdigest()[:6]
    return f"{plain}-{place}" if plain else f"fleet-{place}"


def running_or_coming(today: date, first_month: int, last_month: int) -> str:
    """The season that runs on a day or begins next, as ``coldminutes budget --season`` wants it.

    >>> running_or_coming(date(2026, 8, 5), 10, 4), running_or_coming(date(2027, 2, 5), 10, 4)
    ('2026-10..2027-04', '2026-10..2027-04')
    """
    for year in (today.year - 1, today.year, today.year + 1):
        last_year = year + (last_month < first_month)
        if (today.year, today.month) <= (last_year, last_month):
            return f"{year}-{first_month:02d}..{last_year}-{last_month:02d}"
    raise AssertionError("a season of the next year ends after today")


def month_before(today: date) -> date:
    """The last day of the month before."""
    return today.replace(day=1) - timedelta(days=1)
