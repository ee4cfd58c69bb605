"""The order of the stages: from the inbox to one edition of the weekly report.

The command line and the scheduled flows call this; it needs no server.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.config import Fleet
from pipeline.method import METHOD_VERSION, parameters
from pipeline.problems import ColdMinutesError, Problem
from pipeline.weeks import monday_of, span_of, week_of

if TYPE_CHECKING:
    import duckdb

    from pipeline.ingest import IngestReport
    from pipeline.ingest.stage import Ready
    from pipeline.rounds.kept import Note

Progress = Callable[[str, int, int], None]
"""Told the name of a step, how much of it is done, and of how much."""


@dataclass(frozen=True)
class Edition:
    """What a run made: the week, the files written, what came in and what was noticed."""

    week_id: str
    paths: list[Path]
    intake: IngestReport
    problems: list[Problem] = field(default_factory=list)


def program_version() -> str:
    """Version of the installed distribution."""
    try:
        return version("coldminutes")
    except PackageNotFoundError:
        return "0+unknown"


@contextmanager
def warehouse_of(
    fleet: Fleet, in_memory: bool = False, wait_s: float = 0.0
) -> Iterator[duckdb.DuckDBPyConnection]:
    """The fleet's warehouse, closed at the end; in memory for a look that leaves no trace.

    Another run that holds it is waited for as long as `wait_s`.
    """
    from pipeline.backup.upgrade import before_upgrade
    from pipeline.warehouse import damage_told, newest_schema, open_warehouse

    path = None if in_memory else fleet.state / "warehouse.duckdb"

    def save(con: duckdb.DuckDBPyConnection) -> None:
        # Whoever opens it first after an upgrade is told, on the screen or in the journal.
        if note := before_upgrade(con, fleet, newest_schema(), METHOD_VERSION, datetime.now(UTC)):
            logging.getLogger(__name__).warning("%s", note)

    is_new = path is None or not path.exists()
    before = None if is_new else save
    with (
        damage_told(path),
        closing(open_warehouse(path, fleet.settings.limits, wait_s, before)) as con,
    ):
        try:
            yield con
        finally:
            if path is not None and fleet.settings.scale is not None:
                from pipeline.scale import clear_storage

                clear_storage(fleet)  # while the warehouse is held: no other run is at work


def make_edition(
    fleet: Fleet,
    week_id: str | None = None,
    out_dir: Path | None = None,
    pdf: bool = True,
    now: datetime | None = None,
    progress: Progress | None = None,
    wait_s: float = 0.0,
) -> Edition:
    """Take in what is new, compute what it touches, write the week's documents and tables.

    Parameters
    ----------
    week_id
        ISO week such as ``2026-W03``; by default the last complete one that has data.
    out_dir
        Folder that receives ``<week>/``; by default ``reports`` in the fleet folder.
    pdf
        False writes HTML and tables only, and needs no Pango.
    now
        The clock; tests set it.
    wait_s
        How long to wait [s] for another run to end.

    Raises
    ------
    ColdMinutesError
        When PDF support is missing, the week is not one, or there is no data at all.
    """
    from pipeline.health.note import note_run
    from pipeline.report import check_look, check_pdf_support

    now = now or datetime.now(UTC)
    if week_id is not None:
        check_week(week_id)
    if pdf and (problem := check_pdf_support()):
        raise ColdMinutesError([problem], exit_code=4)
    check_look(fleet)
    with warehouse_of(fleet, wait_s=wait_s) as con:
        compare_editions(con, fleet, now, progress)
        intake = take_in(con, fleet, now, progress)
        compute(con, fleet, progress)
        week_id = week_id or newest_week(con, fleet, now)
        build_week(con, fleet, week_id, progress)
        note = note_edition(con, fleet, week_id, now)
        paths = write_edition(con, fleet, note, now, out_dir, pdf, intake.problems, progress)
        note_run(con, fleet, now)
    return Edition(week_id, paths, intake, intake.problems)


def build_week(
    con: duckdb.DuckDBPyConnection, fleet: Fleet, week_id: str, progress: Progress | None = None
) -> None:
    """Learn, attribute, and build the weekly tables of one week from what is computed."""
    from pipeline.actions import follow_up
    from pipeline.judge import judge
    from pipeline.minutes import minutes
    from pipeline.reconcile import reconcile
    from pipeline.weekly import weekly
    from pipeline.weekly_bills import has_sides

    if progress:
        progress("minutes", 0, 2)
    minutes(con, fleet, week_id)
    judge(con, fleet, week_id)
    if has_sides(con, fleet, week_id):
        reconcile(con, fleet, week_id)
    if progress:
        progress("report", 1, 2)
    weekly(con, fleet, week_id, parameters(fleet))
    follow_up(con, week_id)


def note_edition(
    con: duckdb.DuckDBPyConnection,
    fleet: Fleet,
    week_id: str,
    now: datetime,
    *,
    by_round: bool = False,
) -> Note:
    """What the edition in the weekly tables is: the first of its week, a revised one, or the same.

    See `pipeline.rounds.kept.note_edition`.
    """
    from pipeline.rounds import kept

    return kept.note_edition(con, fleet, week_id, now, program_version(), by_round=by_round)


def write_edition(
    con: duckdb.DuckDBPyConnection,
    fleet: Fleet,
    note: Note,
    now: datetime,
    out_dir: Path | None = None,
    pdf: bool = True,
    problems: Sequence[Problem] = (),
    progress: Progress | None = None,
) -> list[Path]:
    """Write the documents of the week in the weekly tables, then record that they were made.

    In this order, so that what is broken off between the two is made again, byte for byte the
    same, and never counts as made without its documents.
    """
    from pipeline.actions import keep_actions
    from pipeline.report import report
    from pipeline.rounds.kept import keep_edition

    out_dir = out_dir or fleet.folder / "reports"
    paths = report(
        con,
        fleet,
        note.week_id,
        out_dir,
        pdf=pdf,
        method_version=METHOD_VERSION,
        version=program_version(),
        problems=problems,
        progress=progress,
        with_sheets=True,
    )
    keep_actions(con, note.week_id)
    keep_edition(con, fleet, note, out_dir / note.week_id, now, program_version())
    if progress:
        progress("report", 2, 2)
    return paths


def compare_editions(
    con: duckdb.DuckDBPyConnection,
    fleet: Fleet,
    now: datetime,
    progress: Progress | None = None,
) -> None:
    """After an upgrade, hold the newest edition against its week as it is computed now.

    Before anything is taken in, so that what has moved has moved because of it; the next edition
    tells. Does nothing where program, method and configuration are those of the newest edition.
    """
    from pipeline.rounds import kept

    week_id = kept.week_to_compare(con, fleet, program_version())
    if week_id is not None:
        compute(con, fleet, progress)
        build_week(con, fleet, week_id, progress)
        kept.keep_comparison(con, fleet, now, program_version())


def take_in(
    con: duckdb.DuckDBPyConnection,
    fleet: Fleet,
    now: datetime,
    progress: Progress | None = None,
    ready: Ready | None = None,
) -> IngestReport:
    """Ingest what is new in the inbox; unattended, only the new files that `ready` lets in."""
    from pipeline.health.room import require_room
    from pipeline.ingest import ingest

    require_room(con, fleet)
    if _is_shared_out(con, fleet):
        from pipeline.scale import take_in_parts

        return take_in_parts(con, fleet, now, progress, ready)

    return ingest(con, fleet, now=now, progress=progress, ready=ready)


def compute(
    con: duckdb.DuckDBPyConnection, fleet: Fleet, progress: Progress | None = None
) -> list[str]:
    """Compute the weeks that new data or a new configuration touch; returns them.

    One week at a time, so that memory follows the largest week and not the history.
    """
    from pipeline.fleet_tables import write_fleet_tables
    from pipeline.stops import stops
    from pipeline.warehouse import query, run, transaction

    params = parameters(fleet)
    write_fleet_tables(con, fleet)
    stands_on = con.execute("select method_version, fingerprint from computed_with").fetchall()
    if stands_on != [(METHOD_VERSION, fleet.fingerprint)]:
        with transaction(con):
            run(con, "stops/mark_all_weeks", params)
            con.execute("delete from computed_with")
            con.execute(
                "insert into computed_with values ($method, $fingerprint)",
                {"method": METHOD_VERSION, "fingerprint": fleet.fingerprint},
            )
    weeks = query(con, "stops/weeks_to_compute", params)["week_id"].to_list()
    is_shared_out = bool(weeks) and _is_shared_out(con, fleet)
    if is_shared_out:
        from pipeline.scale import compute_parts

        compute_parts(con, fleet, weeks, progress)
    for done, week_id in enumerate([] if is_shared_out else weeks):
        if progress:
            progress(f"compute {week_id}", done, len(weeks))
        stops(con, params | {"scope_week_id": week_id})
    con.execute("delete from dirty_weeks")
    return weeks


def _is_shared_out(con: duckdb.DuckDBPyConnection, fleet: Fleet) -> bool:
    """Does a cluster share the work? Never of a look in memory, which must leave no trace."""
    if fleet.settings.scale is None:
        return False
    return bool(con.execute("select current_database() = 'warehouse'").fetchall()[0][0])


def newest_week(con: duckdb.DuckDBPyConnection, fleet: Fleet, now: datetime) -> str:
    """The last week that is over and has data.

    Raises
    ------
    ColdMinutesError
        When there is none.
    """
    this_week = span_of(week_of(now, fleet.zone), fleet.zone)
    last = con.execute(
        "select max(least(last_at, $from_at - interval 1 second)) from file_spans "
        "where first_at < $from_at",
        {"from_at": this_week.from_at},
    ).fetchall()[0][0]
    if last is None:
        raise ColdMinutesError(
            [
                Problem(
                    "RUN-01",
                    "stop",
                    str(fleet.inbox),
                    "no usable data of a week that is over, so there is nothing to report on",
                    "Put exports into inbox/, and look at `coldminutes check` for what was "
                    "left out and why. What could be taken in was kept.",
                )
            ],
            exit_code=3,
        )
    return week_of(last, fleet.zone)


def check_week(week_id: str) -> None:
    """Refuse what is not an ISO week.

    Raises
    ------
    ColdMinutesError
        With what is expected.
    """
    try:
        monday_of(week_id)
    except ValueError as error:
        raise ColdMinutesError(
            [Problem("RUN-02", "stop", "--week", str(error), "Try again with a week like that.")]
        ) from error
