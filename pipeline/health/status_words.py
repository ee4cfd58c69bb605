"""The status of a fleet as lines and as JSON."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from pipeline.health.signs import instant
from pipeline.health.status import Status

MOST_VEHICLES_N = 12


def status_lines(status: Status, zone: ZoneInfo) -> Iterator[str]:
    """Warnings first, then figures; one fact a line."""

    def local(at: datetime | None) -> str:
        return "never" if at is None else f"{at.astimezone(zone):%Y-%m-%d %H:%M}"

    acts = sum(problem.level == "stop" for problem in status.problems)
    verdict = f"{acts} things need a person" if acts > 1 else "one thing needs a person"
    yield f"{status.operator} ({status.folder}): {verdict if acts else 'all is well'}"
    for problem in status.problems:
        mark = "!" if problem.level == "stop" else "-"
        yield f"  {mark} {problem.code} {problem.where}: {problem.message}"
        if problem.remedy:
            yield f"      {problem.remedy}"
    facts = status.facts
    if not status.is_live:
        yield f"  Below is what the last run left at {local(instant(facts.get('seen_at')))}."
    yield f"  Last run         {local(status.run_at)}"
    intake = local(instant(facts.get("last_intake_at")))
    yield f"  Last file in     {intake}, {facts.get('files_n', 0):,} files in all"
    week, number = facts.get("edition_week_id"), facts.get("edition_no")
    issue = f", issue {number}" if number else ""
    made = (
        f", made {local(instant(facts['edition_made_at']))}" if "edition_made_at" in facts else ""
    )
    yield f"  Last edition     {f'{week}{issue}{made}' if week else 'none'}"
    yield f"  Next due         {local(status.next_due_at) if status.next_due_at else 'not known'}"
    yield f"  In the inbox     {status.waiting_n} files waiting, {mb(status.waiting_bytes)}"
    states = facts.get("deliveries") or {}
    shown = ", ".join(f"{count} {state}" for state, count in states.items()) or "none"
    yield f"  Deliveries       {shown}"
    yield (
        f"  Rows set aside   {facts.get('set_aside_n', 0):,} in all; of the last 28 days "
        f"{facts.get('recent_rows_set_aside_n', 0):,} of {facts.get('recent_rows_read_n', 0):,}"
    )
    full = status.full_in_weeks
    when = "no growth seen yet" if full is None else f"full in about {full:,.0f} weeks"
    yield f"  Disk             {mb(status.fleet_bytes)} used, {mb(status.free_bytes)} free, {when}"
    backup = status.backup
    aged = f"{local(backup.made_at)}, {backup.path}" if backup else "none"
    yield f"  Newest backup    {aged}"
    sending = sum(not vehicle.is_silent for vehicle in status.vehicles)
    yield f"  Vehicles         {sending} of {len(status.vehicles)} send; longest silence first:"
    longest = sorted(
        status.vehicles,
        key=lambda each: (
            -(float("inf") if each.silent_days is None else each.silent_days),
            each.vehicle_id,
        ),
    )
    for each in longest[:MOST_VEHICLES_N]:
        days = "never sent" if each.silent_days is None else f"{max(each.silent_days, 0):.1f} days"
        yield f"    {each.vehicle_id}  {days}{'  silent' if each.is_silent else ''}"
    if len(longest) > MOST_VEHICLES_N:
        yield f"    and {len(longest) - MOST_VEHICLES_N} more; --json has all"


def status_json(status: Status) -> dict[str, Any]:
    """The same for a machine; instants in ISO 8601."""

    def text(at: datetime | None) -> str | None:
        return None if at is None else at.isoformat()

    return {
        "folder": str(status.folder),
        "operator": status.operator,
        "looked_at": text(status.now),
        "wants_a_person": status.wants_a_person,
        "problems": [
            {
                "code": problem.code,
                "wants_a_person": problem.level == "stop",
                "where": problem.where,
                "message": problem.message,
                "remedy": problem.remedy,
            }
            for problem in status.problems
        ],
        "is_live": status.is_live,
        "run_at": text(status.run_at),
        "next_due_at": text(status.next_due_at),
        "warehouse": {key: value for key, value in status.facts.items() if key != "last_data_at"},
        "vehicles": [
            {
                "vehicle_id": each.vehicle_id,
                "last_data_at": text(each.last_data_at),
                "silent_days": None if each.silent_days is None else round(each.silent_days, 2),
                "is_silent": each.is_silent,
            }
            for each in status.vehicles
        ],
        "waiting_files_n": status.waiting_n,
        "waiting_bytes": status.waiting_bytes,
        "fleet_bytes": status.fleet_bytes,
        "free_bytes": status.free_bytes,
        "full_in_weeks": status.full_in_weeks,
        "backup": None
        if status.backup is None
        else {
            "path": str(status.backup.path),
            "made_at": text(status.backup.made_at),
            "kind": status.backup.kind,
        },
    }


def mb(size_bytes: float) -> str:
    """Bytes as people say them.

    >>> mb(5_400_000), mb(7.3e10)
    ('5.4 MB', '73.0 GB')
    """
    return f"{size_bytes / 1e9:,.1f} GB" if size_bytes >= 1e9 else f"{size_bytes / 1e6:,.1f} MB"
