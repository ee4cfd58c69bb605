"""`coldminutes status`: how a fleet stands, warnings first, whoever holds the warehouse."""

from __future__ import annotations

import shutil
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from pipeline.backup.copying import opened
from pipeline.backup.store import Kept, newest
from pipeline.config import Fleet
from pipeline.health.facts import warehouse_facts
from pipeline.health.forecast import weeks_until_full
from pipeline.health.note import folder_bytes, kept_sizes
from pipeline.health.room import waiting_files
from pipeline.health.signs import instant
from pipeline.health.state_file import read_state
from pipeline.ingest.inbox import list_inbox, matching_sources
from pipeline.problems import ColdMinutesError, Problem
from pipeline.rounds.times import next_edition_at
from pipeline.warehouse import damage_told

LOCK_WAIT_S = 1.0
OLD_BACKUP_DAYS = 14
STUCK_DAYS = 2
_AS_LEFT = "WAREHOUSE-01"


@dataclass(frozen=True)
class Vehicle:
    """When a vehicle last sent something; None: never."""

    vehicle_id: str
    last_data_at: datetime | None
    silent_days: float | None
    is_silent: bool


@dataclass
class Status:
    """How a fleet stands.

    Parameters
    ----------
    folder
        Of the fleet.
    problems
        What a person has to do (level ``stop``), then what is only told (``note``).
    facts
        From the warehouse, or as the last run left them.
    is_live
        False where the facts are those that the last run left.
    """

    folder: Path
    now: datetime
    operator: str = ""
    problems: list[Problem] = field(default_factory=list)
    facts: dict[str, Any] = field(default_factory=dict)
    is_live: bool = True
    run_at: datetime | None = None
    next_due_at: datetime | None = None
    vehicles: list[Vehicle] = field(default_factory=list)
    waiting_n: int = 0
    waiting_bytes: int = 0
    fleet_bytes: int = 0
    free_bytes: int = 0
    full_in_weeks: float | None = None
    backup: Kept | None = None

    @property
    def wants_a_person(self) -> bool:
        """Somebody has to do something."""
        return any(problem.level == "stop" for problem in self.problems)


def status_of(fleet: Fleet, now: datetime) -> Status:
    """Look at a fleet and change nothing.

    A run that holds the warehouse is not disturbed: then the facts are those of the last one.
    """
    told = read_state(fleet.state)
    status = Status(fleet.folder, now, fleet.settings.operator)
    status.run_at = instant(told.get("run_at"))
    left = told.get("facts")
    status.facts = left if isinstance(left, dict) else {}
    _look_inside(fleet, status)
    _disk(fleet, status)
    status.backup = newest(fleet)
    status.vehicles = _vehicles(fleet, status)
    status.next_due_at = _next_due(fleet, status)
    _judge(fleet, status, told)
    status.problems.sort(key=lambda problem: problem.level != "stop")
    return status


def _look_inside(fleet: Fleet, status: Status) -> None:
    path = fleet.state / "warehouse.duckdb"
    files = list_inbox(fleet.inbox)[0]
    if path.is_file():
        try:
            with (
                damage_told(path),
                opened(path, fleet.settings.limits, wait_s=LOCK_WAIT_S) as con,
            ):
                facts = warehouse_facts(con, status.now)
                if "schema_no" in facts:
                    files = waiting_files(con, fleet)
                status.facts = facts
        except ColdMinutesError as error:
            status.is_live = False
            status.problems += [_noted(problem) for problem in error.problems]
            if any(problem.code == _AS_LEFT for problem in error.problems):
                since_s = (status.run_at or status.now).timestamp()
                files = [file for file in files if file.modified_ns / 1e9 > since_s]
    status.waiting_n = len(files)
    status.waiting_bytes = sum(file.size_bytes for file in files)
    strangers = [file.name for file in files if not matching_sources(file.name, fleet.sources)]
    if strangers:
        status.problems.append(
            Problem(
                "STATUS-04",
                "stop",
                f"inbox/{strangers[0]}",
                f"no source speaks for {len(strangers)} of the files that wait",
                "Add the pattern to a source, or take the files out of the inbox.",
            )
        )
    old_s = status.now.timestamp() - STUCK_DAYS * 86_400
    stuck = [file.name for file in files if file.modified_ns / 1e9 < old_s]
    if stuck and not strangers and status.facts.get("last_intake_at"):
        status.problems.append(
            Problem(
                "STATUS-04",
                "stop",
                f"inbox/{stuck[0]}",
                f"{len(stuck)} files have waited for more than {STUCK_DAYS} days",
                "Run `coldminutes ingest FLEET` and read what it says of them.",
            )
        )


def _noted(problem: Problem) -> Problem:
    """That a run is at work is nothing to act on; all else is."""
    if problem.code != _AS_LEFT:
        return problem
    return Problem(
        problem.code, "note", problem.where, "a run is at work; this is what the last one left"
    )


def _disk(fleet: Fleet, status: Status) -> None:
    status.free_bytes = shutil.disk_usage(fleet.folder).free
    status.fleet_bytes = folder_bytes(fleet.folder)
    status.full_in_weeks = weeks_until_full(kept_sizes(fleet.state), status.free_bytes)
    least = fleet.settings.notify.full_weeks
    if status.full_in_weeks is not None and status.full_in_weeks < least:
        status.problems.append(
            Problem(
                "STATUS-06",
                "stop",
                str(fleet.folder),
                f"the disk will be full in about {status.full_in_weeks:.1f} weeks",
                "Free some disk, shorten [retention] in fleet.toml and run `coldminutes retain`, "
                "or move the fleet folder.",
            )
        )


def _vehicles(fleet: Fleet, status: Status) -> list[Vehicle]:
    """Those configured, and without a list of them all that ever sent something."""
    told = status.facts.get("last_data_at")
    last = told if isinstance(told, dict) else {}
    names = sorted(fleet.vehicles) or sorted(last)
    found = []
    for name in names:
        last_at = instant(last.get(name))
        days = None if last_at is None else (status.now - last_at) / timedelta(days=1)
        silent = days is None or days >= fleet.settings.notify.silent_days
        found.append(Vehicle(name, last_at, days, silent))
    return found


def _next_due(fleet: Fleet, status: Status) -> datetime | None:
    """When the next week without an edition is closed."""
    week_id = status.facts.get("edition_week_id")
    if not isinstance(week_id, str):
        return None
    try:
        return next_edition_at(fleet, week_id)
    except ValueError:
        return None


def _judge(fleet: Fleet, status: Status, told: dict[str, Any]) -> None:
    """Everything that somebody has to act on, each with what to do."""
    _judge_rounds(fleet, status, told)
    _judge_data(fleet, status)
    states = status.facts.get("deliveries")
    counts = states if isinstance(states, dict) else {}
    if counts.get("unsure") or counts.get("given_up"):
        # One that failed is tried again by itself; these two are not.
        shown = ", ".join(
            f"{counts[state]} {state}"
            for state in ("unsure", "given_up", "failed")
            if counts.get(state)
        )
        _act(status, "STATUS-05", f"deliveries: {shown}", "Look at `coldminutes deliver FLEET`.")
    if status.facts.get("forgettings_unfinished_n"):
        remedy = "Say the same `coldminutes forget` again."
        _act(status, "STATUS-09", "a forgetting was broken off", remedy)
    _judge_backup(fleet, status)
    lines = told.get("beat_problems")
    for line in lines if isinstance(lines, list) else []:
        status.problems.append(Problem("STATUS-10", "note", "last round", str(line)))


def _act(status: Status, code: str, message: str, remedy: str) -> None:
    status.problems.append(Problem(code, "stop", str(status.folder), message, remedy))


def _judge_rounds(fleet: Fleet, status: Status, told: dict[str, Any]) -> None:
    failure = told.get("failure")
    if isinstance(failure, dict):
        first = str(failure.get("text", "")).splitlines() or ["unknown"]
        since = str(failure.get("since_at", "?"))[:16].replace("T", " ")
        _act(
            status,
            "STATUS-02",
            f"rounds have failed since {since}: {first[0][:300]}",
            "Mend that, then run `coldminutes due FLEET`.",
        )
    if status.run_at is not None and not status.facts.get("last_data_at"):
        _act(
            status,
            "STATUS-01",
            "no report has come out yet, since nothing usable has ever come in",
            "Put exports into inbox/; `coldminutes check FLEET` says what would be left out.",
        )
    due_at = status.next_due_at
    grace = timedelta(days=max(fleet.settings.notify.no_report_days - 7, 0))
    if due_at is not None and status.now - due_at > grace:
        _act(
            status,
            "STATUS-01",
            f"no report since that of {status.facts['edition_week_id']}; the next is due since "
            f"{due_at.astimezone(fleet.zone):%Y-%m-%d}",
            "Run `coldminutes due FLEET`; `coldminutes service` makes it run by itself.",
        )


def _judge_data(fleet: Fleet, status: Status) -> None:
    now = status.now
    newest_at = max((v.last_data_at for v in status.vehicles if v.last_data_at), default=None)
    if newest_at is not None and newest_at - now > timedelta(minutes=10):
        _act(
            status,
            "STATUS-08",
            f"this machine's clock says {now:%Y-%m-%d %H:%M} UTC, data go to "
            f"{newest_at:%Y-%m-%d %H:%M} UTC",
            "Set the clock; until then no week is closed.",
        )
    silent = [vehicle.vehicle_id for vehicle in status.vehicles if vehicle.is_silent]
    if silent and status.facts.get("last_intake_at"):
        shown = ", ".join(silent[:5]) + (", ..." if len(silent) > 5 else "")
        _act(
            status,
            "STATUS-03",
            f"{len(silent)} of {len(status.vehicles)} vehicles sent nothing for "
            f"{fleet.settings.notify.silent_days} days: {shown}",
            "Look at their loggers, or take vehicles that are gone out of vehicles.toml.",
        )


def _judge_backup(fleet: Fleet, status: Status) -> None:
    if status.backup is None:
        if (fleet.state / "warehouse.duckdb").exists():
            remedy = "`coldminutes backup FLEET` makes one; so does every weekly round."
            status.problems.append(
                Problem("STATUS-07", "note", str(fleet.folder), "there is no backup yet", remedy)
            )
        return
    age = status.now - status.backup.made_at
    if age > timedelta(days=OLD_BACKUP_DAYS):
        _act(
            status,
            "STATUS-07",
            f"the newest backup is {age.days} days old",
            "Run `coldminutes backup FLEET` and read what keeps rounds from making one.",
        )
