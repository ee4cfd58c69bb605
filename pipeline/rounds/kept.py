"""What is kept of each edition in the warehouse, and what a new one says otherwise."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipeline.config import Fleet
from pipeline.method import METHOD_VERSION
from pipeline.rounds.due import Made, is_in_time
from pipeline.rounds.figures import Change, Figures, as_json, changes_between, from_json
from pipeline.warehouse import build, query, register, run, transaction
from pipeline.weeks import span_of

Row = dict[str, Any]


@dataclass(frozen=True)
class Note:
    """What is to be recorded of an edition, and printed in it.

    Parameters
    ----------
    week_id, edition_no
        Together they name the edition; the first of a week is 1.
    reason
        Why it was made: ``first``, ``late_data``, ``upgrade``, ``configuration`` or ``asked``.
    is_new
        False where it says what the edition before it says: then it is the same edition.
    is_for_delivery
        Recipients are to get it.
    changes
        What prints otherwise than in the edition before it of this week.
    figures
        What it says.
    """

    week_id: str
    edition_no: int
    reason: str
    is_new: bool
    is_for_delivery: bool
    facts_hash: str
    stop_list_hash: str
    changes: Sequence[Change] = ()
    figures: Figures = field(default_factory=dict)


def made_weeks(con: duckdb.DuckDBPyConnection) -> list[Made]:
    """Every week that has an edition."""
    rows = last_editions(con)
    return [Made(row["week_id"], row["first_made_at"]) for row in rows]


def last_editions(con: duckdb.DuckDBPyConnection) -> list[Row]:
    """The newest edition of each week, oldest week first."""
    return query(con, "rounds/last_editions").to_dicts()


def changed_weeks(con: duckdb.DuckDBPyConnection, fleet: Fleet, made_until: datetime) -> list[str]:
    """Weeks whose facts are no longer those that their newest edition stands on.

    All dirty weeks have to be computed before. Editions made after `made_until` are left alone.
    """
    editions = [row for row in last_editions(con) if row["made_at"] <= made_until]
    facts = week_facts(con, fleet, [row["week_id"] for row in editions])
    return [row["week_id"] for row in editions if row["facts_hash"] != facts[row["week_id"]][0]]


def week_facts(
    con: duckdb.DuckDBPyConnection, fleet: Fleet, week_ids: Sequence[str]
) -> dict[str, tuple[str, str]]:
    """Hash of the facts, and of the list of stops, of each week."""
    params = {"zone": fleet.settings.time_zone, "week_ids": list(week_ids)}
    rows = query(con, "rounds/week_facts", params).iter_rows()
    return {week_id: (facts, stops) for week_id, facts, stops in rows}


def figures_now(con: duckdb.DuckDBPyConnection) -> dict[str, float | None]:
    """What the weekly tables of the connection say of the whole fleet."""
    row = query(con, "rounds/edition_row").to_dicts()[0]
    return {name: None if value is None else float(value) for name, value in row.items()}


def figures_kept(
    con: duckdb.DuckDBPyConnection, week_id: str, edition_no: int
) -> dict[str, float | None]:
    """What an edition said."""
    params = {"week_id": week_id, "edition_no": edition_no}
    return dict(query(con, "rounds/figures_of", params).iter_rows())


def note_edition(
    con: duckdb.DuckDBPyConnection,
    fleet: Fleet,
    week_id: str,
    now: datetime,
    program_version: str,
    *,
    by_round: bool = False,
) -> Note:
    """Hold the weekly tables against the last edition of this week, and say what they make.

    An edition that prints the same figures and lists the same stops is the same edition: nobody is
    told of a revision without a difference. Leaves ``weekly_edition`` (one row) and, where there is
    something to tell of moved figures, ``weekly_moved`` for the report.

    Parameters
    ----------
    program_version
        Of this program.
    by_round
        Made by an unattended round, which makes no edition that nobody waits for.
    """
    facts_hash, stop_list_hash = week_facts(con, fleet, [week_id])[week_id]
    figures = figures_now(con)
    last = next((row for row in last_editions(con) if row["week_id"] == week_id), None)
    in_time = by_round or is_in_time(week_id, now, fleet.zone)
    if last is None:
        note = Note(
            week_id,
            edition_no=1,
            reason="first" if in_time else "asked",
            is_new=True,
            is_for_delivery=in_time,
            facts_hash=facts_hash,
            stop_list_hash=stop_list_hash,
            figures=figures,
        )
    else:
        changes = changes_between(figures_kept(con, week_id, last["edition_no"]), figures)
        is_new = bool(changes) or stop_list_hash != last["stop_list_hash"]
        note = Note(
            week_id,
            edition_no=last["edition_no"] + is_new,
            reason=_reason(last, fleet, facts_hash, program_version) if is_new else last["reason"],
            is_new=is_new,
            is_for_delivery=last["is_for_delivery"],
            facts_hash=facts_hash,
            stop_list_hash=stop_list_hash,
            changes=changes if is_new else from_json(last["changes"]),
            figures=figures,
        )
    _leave_for_report(con, fleet, note)
    return note


def _reason(last: Row, fleet: Fleet, facts_hash: str, program_version: str) -> str:
    """Data first: where they differ, they are why, whatever else differs too."""
    if facts_hash != last["facts_hash"]:
        return "late_data"
    if (last["program_version"], last["method_version"]) != (program_version, METHOD_VERSION):
        return "upgrade"
    if last["fingerprint"] != fleet.fingerprint:
        return "configuration"
    return "late_data"  # of another week, from which curves were learned


def _leave_for_report(con: duckdb.DuckDBPyConnection, fleet: Fleet, note: Note) -> None:
    until = {"zone": fleet.settings.time_zone, "to_at": span_of(note.week_id, fleet.zone).to_at}
    row = {
        "edition_no": note.edition_no,
        "reason": note.reason,
        "changes": as_json(note.changes),
        "last_data_date": query(con, "rounds/last_data", until)["last_data_date"][0],
    }
    register(con, "weekly_edition", pl.DataFrame([row]))
    build(con, "rounds/weekly_moved", {"week_id": note.week_id})


def keep_edition(
    con: duckdb.DuckDBPyConnection,
    fleet: Fleet,
    note: Note,
    folder: Path,
    now: datetime,
    program_version: str,
) -> None:
    """Record an edition whose documents are written; one that says the same is only looked at."""
    params = {
        "week_id": note.week_id,
        "edition_no": note.edition_no,
        "made_at": now,
        "program_version": program_version,
        "method_version": METHOD_VERSION,
        "fingerprint": fleet.fingerprint,
        "reason": note.reason,
        "changes": as_json(note.changes),
        "folder": str(_told_from(fleet.folder, folder)),
        "facts_hash": note.facts_hash,
        "stop_list_hash": note.stop_list_hash,
        "is_for_delivery": note.is_for_delivery,
    }
    if not note.is_new:
        run(con, "rounds/accept_facts", params)
        return
    names = list(note.figures)
    fresh = {"figure": names, "figure_value": [note.figures[name] for name in names]}
    schema = {"figure": pl.String, "figure_value": pl.Float64}
    register(con, "fresh_figures", pl.DataFrame(fresh, schema=schema))
    with transaction(con):
        run(con, "rounds/record_edition", params)
        run(con, "rounds/record_figures", params)
        run(con, "rounds/comparisons_told", params)


def _told_from(fleet_folder: Path, folder: Path) -> Path:
    """Below the fleet folder where it can be, which may be restored in another place."""
    inside = folder.is_relative_to(fleet_folder)
    return folder.relative_to(fleet_folder) if inside else folder.resolve()


def week_to_compare(
    con: duckdb.DuckDBPyConnection, fleet: Fleet, program_version: str
) -> str | None:
    """The newest edition's week, where it has to be computed anew before data come in.

    So it is where the program, the method or the configuration is no longer that of the edition:
    only before new data arrive can be told what they alone have moved.
    """
    editions = last_editions(con)
    if not editions:
        return None
    last = editions[-1]
    present = {
        "program_version": program_version,
        "method_version": METHOD_VERSION,
        "fingerprint": fleet.fingerprint,
    }
    if all(last[key] == value for key, value in present.items()):
        return None
    done = query(con, "rounds/comparison_done", last | present)
    return None if done["is_done"][0] else str(last["week_id"])


def keep_comparison(
    con: duckdb.DuckDBPyConnection, fleet: Fleet, now: datetime, program_version: str
) -> list[Change]:
    """Hold the newest edition against its week as it is computed now, and keep what moved.

    The weekly tables hold that week. All editions take the facts as they are read now as theirs,
    so that only data that come later make a week due again: an upgrade re-issues nothing.
    """
    editions = last_editions(con)
    last = editions[-1]
    week_id = last["week_id"]
    is_upgrade = (last["program_version"], last["method_version"]) != (
        program_version,
        METHOD_VERSION,
    )
    moved = changes_between(figures_kept(con, week_id, last["edition_no"]), figures_now(con))
    facts = week_facts(con, fleet, [row["week_id"] for row in editions])
    came = {"from_at": last["made_at"], "to_at": span_of(week_id, fleet.zone).to_at}
    params = {
        "week_id": week_id,
        "edition_no": last["edition_no"],
        "compared_at": now,
        "reason": "upgrade" if is_upgrade else "configuration",
        "before_program_version": last["program_version"],
        "before_method_version": last["method_version"],
        "program_version": program_version,
        "method_version": METHOD_VERSION,
        "fingerprint": fleet.fingerprint,
        "changes": as_json(moved),
        "has_new_data": query(con, "rounds/newer_files", came)["has_new_data"][0],
    }
    fresh = pl.DataFrame(
        [(week, *hashes) for week, hashes in facts.items()],
        schema=["week_id", "facts_hash", "stop_list_hash"],
        orient="row",
    )
    register(con, "fresh_facts", fresh)
    with transaction(con):
        run(con, "rounds/accept_all_facts")
        run(con, "rounds/record_comparison", params)
    return moved
