"""One unattended round: all that is due on one fleet, once, in order.

Each step is recorded when it is done and can be done again, so that a round that is broken off
anywhere is finished by the next one: files are known by their content, weeks stay dirty until they
are computed, an edition counts as made once its documents are in place, and as handed on once the
delivery has it.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.config import Fleet
from pipeline.edition import (
    Progress,
    build_week,
    compare_editions,
    compute,
    note_edition,
    take_in,
    warehouse_of,
    write_edition,
)
from pipeline.problems import ColdMinutesError
from pipeline.rounds import kept, neighbours, stand, words
from pipeline.rounds.due import SILENT_WEEKS_N, Due, due, silent_weeks
from pipeline.rounds.lock import round_lock
from pipeline.rounds.times import REVISION_PAUSE, last_report_at
from pipeline.warehouse import query, run
from pipeline.weeks import week_of

if TYPE_CHECKING:
    import duckdb

    from pipeline.ingest import IngestReport
    from pipeline.problems import Problem
    from pipeline.rounds.kept import Note

CLOCK_SLACK = timedelta(minutes=10)
"""As far ahead of our clock may a logger's be: later samples are never taken in."""


@dataclass
class Round:
    """What a round did.

    Parameters
    ----------
    now
        When it began, by this machine's clock.
    editions
        The editions made, in order.
    same
        Weeks with late data whose edition says the same as before; nothing was made of them.
    intake
        What came in; None where the round did not get that far.
    problems
        Findings, those of the intake among them.
    is_skipped
        Another round was under way, so this one did nothing.
    """

    now: datetime
    editions: list[Note] = field(default_factory=list)
    paths: dict[str, list[Path]] = field(default_factory=dict)
    same: list[str] = field(default_factory=list)
    intake: IngestReport | None = None
    problems: list[Problem] = field(default_factory=list)
    is_skipped: bool = False


def make_round(
    fleet: Fleet,
    now: datetime | None = None,
    *,
    pdf: bool = True,
    progress: Progress | None = None,
    wait_s: float = 0.0,
    take_all: bool = False,
    after_silence: bool = False,
) -> Round:
    """Take in what has arrived, make every edition that is due, hand it on, tidy up.

    Parameters
    ----------
    now
        The clock; tests set it.
    pdf
        False writes HTML and tables only, and needs no Pango.
    wait_s
        How long to wait [s] for another round, or another run, to end.
    take_all
        Take every file at once, as ``coldminutes run`` does, also those that may still be written.
    after_silence
        Close however many weeks without data; somebody has looked at the clock.

    Returns
    -------
    Round
        With `is_skipped` where another round holds the fleet.

    Raises
    ------
    ColdMinutesError
        ``ROUND-02``, the clock is behind the newest sample; ``ROUND-03``, too many weeks without
        data; otherwise as `pipeline.edition.make_edition`. Whoever is to know was told before.
    """
    now = now or datetime.now(UTC)
    done = Round(now)
    with round_lock(fleet.state, wait_s) as holder:
        if holder is not None:
            done.is_skipped = True
            done.problems.append(words.under_way(fleet, holder))
            return done
        try:
            _whole_round(fleet, done, pdf, progress, wait_s, take_all, after_silence)
        except Exception as error:
            neighbours.tell_failure(fleet, error, now)
            raise
        done.problems += neighbours.beat(fleet, done)
    return done


def look_ahead(fleet: Fleet, now: datetime | None = None, wait_s: float = 0.0) -> list[Due]:
    """What would be due on the data that are taken in and computed already; makes nothing.

    Raises
    ------
    ColdMinutesError
        ``ROUND-02``, the clock is behind the newest sample.
    """
    now = now or datetime.now(UTC)
    with warehouse_of(fleet, wait_s=wait_s) as con:
        check_clock(con, fleet, now)
        return due_now(con, fleet, now)


def _whole_round(
    fleet: Fleet,
    done: Round,
    pdf: bool,
    progress: Progress | None,
    wait_s: float,
    take_all: bool,
    after_silence: bool,
) -> None:
    from pipeline.report import check_look, check_pdf_support

    if pdf and (problem := check_pdf_support()):
        raise ColdMinutesError([problem], exit_code=4)
    check_look(fleet)
    now = done.now
    done.problems += neighbours.fetch(fleet, now)
    with warehouse_of(fleet, wait_s=wait_s) as con:
        # First of all: with a clock that is behind, rows of today would be set aside as of the
        # future, and their file would be known and never read again.
        check_clock(con, fleet, now)
        compare_editions(con, fleet, now, progress)
        ready = None if take_all else neighbours.settled_files(fleet)
        done.intake = take_in(con, fleet, now, progress, ready)
        done.problems += done.intake.problems
        compute(con, fleet, progress)
        try:
            make_editions(con, fleet, done, pdf, progress, after_silence)
        except ColdMinutesError:
            # What was made before the one that failed is not held back by it.
            with suppress(ColdMinutesError):
                hand_on(con, fleet, now)
            raise
        done.problems += hand_on(con, fleet, now)
        done.problems += neighbours.archive(con, fleet, now)
        week_id = query(con, "rounds/tidying_due")["week_id"][0]
        if week_id is not None:
            neighbours.keep_to_retention(con, fleet, now)
    if week_id is not None:  # a backup opens the warehouse itself
        neighbours.back_up(fleet, now)
        with warehouse_of(fleet, wait_s=wait_s) as con:
            run(con, "rounds/record_tidied", {"week_id": week_id})


def check_clock(con: duckdb.DuckDBPyConnection, fleet: Fleet, now: datetime) -> None:
    """Refuse to go on with a clock that is behind what was measured already.

    Raises
    ------
    ColdMinutesError
        ``ROUND-02``, with both instants.
    """
    newest_at = query(con, "rounds/newest_sample")["newest_at"][0]
    if newest_at is not None and newest_at > now + CLOCK_SLACK:
        raise ColdMinutesError([words.clock_behind(fleet, now, newest_at)], exit_code=4)


def due_now(con: duckdb.DuckDBPyConnection, fleet: Fleet, now: datetime) -> list[Due]:
    """The editions that are due on the data in the warehouse; all dirty weeks are computed.

    The first round of a fleet need not wait for the hour of its report.
    """
    newest_at = query(con, "rounds/newest_sample")["newest_at"][0]
    made = kept.made_weeks(con)
    closed_at = last_report_at(fleet, now) if made else now
    with_data = {week_of(newest_at, fleet.zone)} if newest_at is not None else set()
    missed = [item.week_id for item in due(with_data, made, (), closed_at, fleet.zone)]
    params = {"zone": fleet.settings.time_zone, "week_ids": missed}
    with_data |= set(query(con, "rounds/weeks_with_data", params)["week_id"])
    changed = kept.changed_weeks(con, fleet, now - REVISION_PAUSE)
    return due(with_data | set(changed), made, changed, closed_at, fleet.zone)


def make_editions(
    con: duckdb.DuckDBPyConnection,
    fleet: Fleet,
    done: Round,
    pdf: bool,
    progress: Progress | None,
    after_silence: bool = False,
) -> None:
    """Make what is due, oldest week first, and leave the minutes under the newest week's fit."""
    items = due_now(con, fleet, done.now)
    silent = silent_weeks(items)
    if len(silent) > SILENT_WEEKS_N and not after_silence:
        newest_at = query(con, "rounds/newest_sample")["newest_at"][0]
        raise ColdMinutesError([words.long_silence(fleet, silent, newest_at)], exit_code=4)
    if not items and not kept.last_editions(con):
        done.problems.append(words.nothing_yet(fleet))
    last_built = None
    for item in items:
        last_built = item.week_id
        build_week(con, fleet, item.week_id, progress)
        note = note_edition(con, fleet, item.week_id, done.now, by_round=True)
        if not note.is_new:
            kept.keep_edition(con, fleet, note, Path(), done.now, "")
            done.same.append(item.week_id)
            continue
        problems = done.intake.problems if done.intake else []
        done.paths[item.week_id] = write_edition(
            con, fleet, note, done.now, None, pdf, problems, progress
        )
        done.editions.append(note)
        queue_made(con, fleet, done.now)
    stand.let_newest_fit_stand(con, fleet, last_built)


def queue_made(con: duckdb.DuckDBPyConnection, fleet: Fleet, now: datetime) -> None:
    """Hand editions to the delivery that it does not know yet, those of a broken round too."""
    for row in query(con, "rounds/editions_to_queue").to_dicts():
        folder = fleet.folder / row["folder"]
        neighbours.queue(con, fleet, row["week_id"], row["edition_no"], folder, now)
        run(con, "rounds/mark_queued", row)


def hand_on(con: duckdb.DuckDBPyConnection, fleet: Fleet, now: datetime) -> list[Problem]:
    """Queue what is not queued, and send what waits."""
    queue_made(con, fleet, now)
    return neighbours.send(con, fleet, now)
