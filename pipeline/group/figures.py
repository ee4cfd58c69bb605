"""What each fleet of a group says of a week, read from its own warehouse one after the other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.config import Fleet, load_fleet
from pipeline.edition import build_week, compute, newest_week, warehouse_of
from pipeline.problems import ColdMinutesError
from pipeline.report.filters import one_line
from pipeline.report.weekdata import Row, read_week
from pipeline.weeks import span_of, week_of

if TYPE_CHECKING:
    import duckdb

FIGURES = (
    "stops_n",
    "rated_n",
    "needed_warming_n",
    "warmed_n",
    "part_warmed_n",
    "not_warmed_n",
    "unknown_n",
    "hit_rate",
    "hit_rate_low",
    "hit_rate_high",
    "lost_cold_min",
    "lost_cold_low_min",
    "lost_cold_high_min",
    "split_stops_n",
    "avoidable_min",
    "unavoidable_min",
    "net_saved_min",
    "warming_kwh",
    "warming_cost",
    "assumed_rate",
)
"""Of a fleet's week, as its own report has them."""


@dataclass(frozen=True)
class Member:
    """A fleet of the group that has the week.

    Parameters
    ----------
    label
        Its operator, and its folder where two fleets of the group have one operator.
    figures
        `FIGURES`, and how many vehicles are configured or known and how many were silent.
    attention
        Findings about vehicles and sites in their order; people are never in them.
    """

    label: str
    fleet: Fleet
    figures: dict[str, Any]
    attention: Sequence[Row]


@dataclass(frozen=True)
class Missing:
    """A fleet of the group that has not, and why.

    Parameters
    ----------
    why
        ``cannot_be_read | never_run | week_not_over | no_data | held``.
    detail
        The newest week it has, or the first finding; may be empty.
    """

    label: str
    why: str
    detail: str = ""


@dataclass(frozen=True)
class Group:
    """One week of all fleets, in the order of their labels."""

    week_id: str
    members: Sequence[Member]
    missing: Sequence[Missing]


def read_group(
    folders: Sequence[Path], week_id: str | None, now: datetime, wait_s: float = 0.0
) -> Group:
    """Compute and read the week of each fleet.

    Parameters
    ----------
    week_id
        By default the newest week that is over and that any of the fleets has data of.

    Raises
    ------
    ColdMinutesError
        RUN-01 where no fleet has data of a week that is over.
    """
    loaded: dict[Path, Fleet] = {}
    missing: list[Missing] = []
    for folder in dict.fromkeys(folder.resolve() for folder in folders):
        try:
            loaded[folder] = load_fleet(folder)
        except ColdMinutesError as error:
            missing.append(Missing(one_line(folder.name), "cannot_be_read", _first(error)))
    labels = _labels(loaded)
    if week_id is None:
        week_id = _newest_of_all(loaded, now, wait_s)
    members: list[Member] = []
    for folder, fleet in loaded.items():
        found = _member(labels[folder], fleet, week_id, now, wait_s)
        if isinstance(found, Member):
            members.append(found)
        else:
            missing.append(found)
    return Group(
        week_id,
        sorted(members, key=lambda member: member.label.casefold()),
        sorted(missing, key=lambda each: each.label.casefold()),
    )


def _labels(loaded: dict[Path, Fleet]) -> dict[Path, str]:
    operators = [one_line(fleet.settings.operator) for fleet in loaded.values()]
    folders = [folder.name for folder in loaded]
    found = {}
    for folder, fleet in loaded.items():
        operator = one_line(fleet.settings.operator)
        if operators.count(operator) == 1:
            found[folder] = operator
        else:
            is_told = folders.count(folder.name) == 1
            place = folder.name if is_told else f"{folder.parent.name}/{folder.name}"
            found[folder] = f"{operator} ({one_line(place)})"
    return found


def _newest_of_all(loaded: dict[Path, Fleet], now: datetime, wait_s: float) -> str:
    newest: list[str] = []
    error_of_all: ColdMinutesError | None = None
    for fleet in loaded.values():
        if not _has_warehouse(fleet):
            continue
        try:
            with warehouse_of(fleet, wait_s=wait_s) as con:
                newest.append(newest_week(con, fleet, now))
        except ColdMinutesError as error:
            error_of_all = error_of_all or error
    if newest:
        return max(newest)
    if error_of_all is not None:
        raise error_of_all
    # No fleet could be read, or none was ever run: any week would do to say so.
    from datetime import timedelta
    from zoneinfo import ZoneInfo

    zone = next((fleet.zone for fleet in loaded.values()), ZoneInfo("UTC"))
    return week_of(now - timedelta(days=7), zone)


def _member(
    label: str, fleet: Fleet, week_id: str, now: datetime, wait_s: float
) -> Member | Missing:
    if span_of(week_id, fleet.zone).to_at > now:
        return Missing(label, "week_not_over")
    if not _has_warehouse(fleet):
        return Missing(label, "never_run")
    try:
        with warehouse_of(fleet, wait_s=wait_s) as con:
            if not _has_data(con, fleet, week_id):
                return Missing(label, "no_data", newest_week(con, fleet, now))
            compute(con, fleet)
            build_week(con, fleet, week_id)
            week = read_week(con, week_id, fleet)
    except ColdMinutesError as error:
        is_held = any(problem.code == "WAREHOUSE-01" for problem in error.problems)
        no_data = any(problem.code == "RUN-01" for problem in error.problems)
        why = "held" if is_held else "no_data" if no_data else "cannot_be_read"
        return Missing(label, why, "" if no_data or is_held else _first(error))
    figures = {name: week.edition[name] for name in FIGURES} | {
        "vehicles_n": len(week.vehicles),
        "silent_n": sum(bool(row["is_silent"]) for row in week.vehicles),
    }
    return Member(label, fleet, figures, week.attention)


def _has_warehouse(fleet: Fleet) -> bool:
    """Opening it would make one."""
    return (fleet.state / "warehouse.duckdb").is_file()


def _has_data(con: duckdb.DuckDBPyConnection, fleet: Fleet, week_id: str) -> bool:
    span = span_of(week_id, fleet.zone)
    found = con.execute(
        "select count(*) > 0 from file_spans where first_at < $to_at and last_at >= $from_at",
        {"from_at": span.from_at, "to_at": span.to_at},
    ).fetchall()
    return bool(found[0][0])


def _first(error: ColdMinutesError) -> str:
    problem = error.problems[0]
    return one_line(f"{problem.code} {problem.where}: {problem.message}")
