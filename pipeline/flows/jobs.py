"""Flows: thin wrappers over the same functions that the command line calls.

Tasks are given a path and a week, never frames. A task is tried again only where waiting can help:
somebody else holds the warehouse, or the network is away. What a person must mend is said once, in
the sentences of the command line, and the run fails with them.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from prefect import flow, task
from prefect.client.schemas.objects import State, TaskRun
from prefect.logging import get_run_logger
from prefect.states import Completed, Failed

from pipeline.config import load_fleet
from pipeline.flows.plan import month_before, running_or_coming
from pipeline.flows.shown import publish
from pipeline.flows.waiting import waiting_helps
from pipeline.people.log import log_command
from pipeline.problems import ColdMinutesError, Problem

LOCK_WAIT_S = 600.0
"""How long a job waits for the warehouse before it is tried again later."""

_RETRIES: dict[str, Any] = {"retries": 3, "retry_delay_seconds": [60, 300, 900]}


def _may_retry(_: Any, run: TaskRun, state: State[Any]) -> bool:
    found = state.result(raise_on_failure=False)
    return waiting_helps(found if isinstance(found, BaseException) else None)


@task(name="round", task_run_name="round", retry_condition_fn=_may_retry, **_RETRIES)
def round_task(fleet_folder: str, wait_s: float = 0.0, pdf: bool = True) -> dict[str, Any]:
    """One unattended round; the weeks made, their folders, and whether another was under way."""
    from pipeline.rounds import make_round

    folder = Path(fleet_folder)
    log_command(["due", fleet_folder], datetime.now(UTC))
    done = make_round(load_fleet(folder), pdf=pdf, wait_s=wait_s)
    _tell(done.problems)
    return {
        "is_skipped": done.is_skipped,
        "weeks": [note.week_id for note in done.editions],
        "paths": {week_id: [str(p) for p in paths] for week_id, paths in done.paths.items()},
        "files_new_n": done.intake.files_new_n if done.intake else 0,
        "files_failed_n": done.intake.files_failed_n if done.intake else 0,
    }


@task(name="accounts", task_run_name="{week_id}", retry_condition_fn=_may_retry, **_RETRIES)
def accounts_task(fleet_folder: str, week_id: str, month: str, pdf: bool = True) -> list[str]:
    """The accounts of the month that ends in a week; the paths written."""
    from pipeline.report.sheets.of_edition import SheetsWanted
    from pipeline.sheets_made import make_sheets

    log_command(["sheets", fleet_folder, "--accounts"], datetime.now(UTC))
    fleet = load_fleet(Path(fleet_folder))
    out = fleet.folder / "monthly" / month
    wanted = SheetsWanted(has_accounts=True)
    paths = make_sheets(fleet, week_id, wanted, out, pdf=pdf, wait_s=LOCK_WAIT_S)
    return [str(path) for path in paths]


@task(name="budget", task_run_name="{season}", retry_condition_fn=_may_retry, **_RETRIES)
def budget_task(fleet_folder: str, season: str, pdf: bool = True) -> list[str]:
    """A new budget of a season, held against the one that was issued; the paths written."""
    from pipeline.budget.season import parse_season
    from pipeline.budget_compared import BudgetWanted
    from pipeline.budget_made import make_budget

    log_command(["budget", fleet_folder, "--season"], datetime.now(UTC))
    wanted = BudgetWanted(season=parse_season(season))
    made = make_budget(load_fleet(Path(fleet_folder)), wanted, pdf=pdf, wait_s=LOCK_WAIT_S)
    for line in made.lines:
        get_run_logger().info(line)
    return [str(path) for path in made.paths]


@task(name="retention", task_run_name="retention", retry_condition_fn=_may_retry, **_RETRIES)
def retention_task(fleet_folder: str) -> list[str]:
    """Hold the folder to ``[retention]``; what went, in words."""
    from pipeline.people.retention import retained_lines
    from pipeline.people.upkeep import keep_to_retention

    log_command(["retain", fleet_folder], datetime.now(UTC))
    fleet = load_fleet(Path(fleet_folder))
    done, left_n = keep_to_retention(fleet, datetime.now(UTC), wait_s=LOCK_WAIT_S)
    lines = list(retained_lines(done, dry_run=False))
    if left_n:
        lines.append(f"{left_n} forgettings were broken off: say them again.")
    for line in lines:
        get_run_logger().info(line)
    return lines


@flow(name="coldminutes arrivals", flow_run_name="arrivals", log_prints=False)
def arrivals(fleet_folder: str, pdf: bool = True) -> State[Any]:
    """Look into the inbox and take in what has arrived; make what that lets fall due."""
    return _told(lambda: _round(fleet_folder, 0.0, pdf))


@flow(name="coldminutes weekly report", flow_run_name="report")
def report(fleet_folder: str, pdf: bool = True) -> State[Any]:
    """The weekly round; one that is under way is waited for."""
    return _told(lambda: _round(fleet_folder, LOCK_WAIT_S, pdf))


@flow(name="coldminutes monthly accounts", flow_run_name="accounts")
def accounts(fleet_folder: str, pdf: bool = True) -> State[Any]:
    """The accounts of the month that is over."""

    def work() -> State[Any]:
        from pipeline.weeks import week_of

        fleet = load_fleet(Path(fleet_folder))
        last_day = month_before(datetime.now(fleet.zone).date())
        noon = datetime(last_day.year, last_day.month, last_day.day, 12, tzinfo=fleet.zone)
        month = f"{last_day:%Y-%m}"
        try:
            paths = accounts_task(fleet_folder, week_of(noon, fleet.zone), month, pdf)
        except ColdMinutesError as error:
            if [problem.code for problem in error.problems] != ["SHEETS-01"]:
                raise
            return Completed(name="Nothing", message=f"There is nothing to account for in {month}.")
        publish(fleet, "accounts", f"Accounts of {month}", paths)
        return Completed(message=f"Accounts of {month}: {len(paths)} files.")

    return _told(work)


@flow(name="coldminutes budget", flow_run_name="budget")
def budget(fleet_folder: str, pdf: bool = True) -> State[Any]:
    """A new budget of the running or coming winter."""

    def work() -> State[Any]:
        fleet = load_fleet(Path(fleet_folder))
        today = datetime.now(fleet.zone).date()
        season = running_or_coming(today, *fleet.settings.schedule.budget_months)
        paths = budget_task(fleet_folder, season, pdf)
        publish(fleet, "budget", f"Budget of {season}", paths)
        return Completed(message=f"Budget of {season}: {len(paths)} files.")

    return _told(work)


@flow(name="coldminutes retention", flow_run_name="retention")
def retention(fleet_folder: str) -> State[Any]:
    """Delete what is past its time."""
    return _told(lambda: Completed(message=" ".join(retention_task(fleet_folder))[:2000]))


def _round(fleet_folder: str, wait_s: float, pdf: bool) -> State[Any]:
    done = round_task(fleet_folder, wait_s, pdf)
    if done["is_skipped"]:
        return Completed(name="Skipped", message="Another round is under way; it does this one's.")
    fleet = load_fleet(Path(fleet_folder))
    for week_id in done["weeks"]:
        publish(fleet, "week", f"Week {week_id}", done["paths"].get(week_id, []))
    made = ", ".join(done["weeks"]) or "no edition was due"
    taken = f"{done['files_new_n']} files taken in, {done['files_failed_n']} left out"
    return Completed(message=f"{taken}; {made}.", data=done["paths"])


def _told(work: Callable[[], State[Any]]) -> State[Any]:
    """Do the work; what a person must mend ends the run with our sentences and no traceback."""
    try:
        return work()
    except ColdMinutesError as error:
        problems = error.problems
    except Exception as error:
        import duckdb

        from pipeline.disk import disk_problem, is_disk_full

        is_database = isinstance(error, duckdb.OutOfMemoryException | duckdb.IOException)
        if not (is_database or is_disk_full(error)):
            raise
        problems = [disk_problem(error)]
    _tell(problems)
    return Failed(message=" ".join(str(problem) for problem in problems)[:2000])


def _tell(problems: list[Problem]) -> None:
    logger = get_run_logger()
    for problem in problems:
        say = {"stop": logger.error, "exclude": logger.warning}.get(problem.level, logger.info)
        say(str(problem))
