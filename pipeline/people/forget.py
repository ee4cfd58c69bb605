"""Forgetting a person: what is theirs goes from everywhere the program keeps data.

The order makes a crash harmless: first the list that keeps them out, last the entry that says how
they are spelled; each step can be done again, so the same command finishes what was broken off.
A forgotten driver leaves the word `words.FORGOTTEN` in the spans of vehicles, so that breaks keep
their meaning and no total changes; stops say nothing of who drove.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import duckdb

from pipeline import warehouse
from pipeline.backup.make import make_backup
from pipeline.backup.rotate import drop_all
from pipeline.config import Fleet
from pipeline.people.blocked import Blocked, block
from pipeline.people.compact import compact
from pipeline.people.editions import unissue
from pipeline.people.files import config_without, driver_without, inbox_without
from pipeline.people.keys import key_ring, word_hash
from pipeline.people.rewrite import Remover
from pipeline.people.tables import rows_without
from pipeline.people.traces import traces
from pipeline.people.words import Person, person
from pipeline.problems import ColdMinutesError, Problem


@dataclass
class Forgotten:
    """What was done, and what the operator has to do.

    Parameters
    ----------
    rows_n
        Rows of the warehouse changed or removed.
    rewritten, dropped
        Files of the inbox written anew, and those removed because they could not be.
    weeks
        Editions that carried the person.
    removed
        Documents of those that were removed.
    departures
        What is known to have left the folder, in words.
    backups_n
        Backups, and states laid aside by a restore, that were deleted.
    no_backup
        Why no new backup could be made in their place.
    remains
        Files and tables in which a word of the person is left.
    """

    rows_n: int = 0
    rewritten: list[str] = field(default_factory=list)
    dropped: list[str] = field(default_factory=list)
    weeks: list[str] = field(default_factory=list)
    removed: list[Path] = field(default_factory=list)
    departures: list[str] = field(default_factory=list)
    backups_n: int = 0
    no_backup: str = ""
    remains: list[str] = field(default_factory=list)


def forget(fleet: Fleet, told: str, said_by: str, now: datetime | None = None) -> Forgotten:
    """Remove a person from the fleet folder and keep them out.

    Parameters
    ----------
    told
        Id, name or an alias of the driver.
    said_by
        Account that asked for it, for the record; the record does not name the person.

    Raises
    ------
    ColdMinutesError
        PEOPLE-06, where nothing is held about anybody of that name; WAREHOUSE-01, where another
        run holds the warehouse; PEOPLE-01 and 02 about the keys.
    """
    now = now or datetime.now(UTC)
    who = person(fleet, told)
    remover = Remover(who)
    path = fleet.state / "warehouse.duckdb"
    done = Forgotten()
    with closing(warehouse.open_warehouse(path, fleet.settings.limits)) as con:
        _require_known(con, fleet, who, told)
        block(fleet, who.words, now.astimezone(fleet.zone).date())
        who_hash = word_hash(key_ring(fleet)[0], who.driver_id.lower())
        begun = {"begun_at": now, "who_hash": who_hash, "said_by": said_by}
        warehouse.run(con, "people/begin_forgetting", begun)
        done.rows_n = rows_without(con, fleet, remover)
        done.rewritten, done.dropped = inbox_without(con, fleet, remover)
        unissued = unissue(fleet, remover)
        done.weeks, done.removed = unissued.weeks, unissued.removed
        config_without(fleet, remover)
        done.departures = list(_departures(con, done.weeks))
    compact(path)
    driver_without(fleet, remover)
    # Only now, so that no backup that began before holds the old configuration.
    done.backups_n, unreached = drop_all(fleet)
    done.departures += [f"backups in {folder}, which is not there now" for folder in unreached]
    with closing(warehouse.open_warehouse(path, fleet.settings.limits)) as con:
        params = {
            "now": now,
            "who_hash": who_hash,
            "rows_changed_n": done.rows_n,
            "files_rewritten_n": len(done.rewritten),
            "files_dropped_n": len(done.dropped),
            "editions_n": len(done.weeks),
        }
        warehouse.run(con, "people/finish_forgetting", params)
        done.remains = traces(con, fleet, who)
    if done.backups_n:
        try:
            make_backup(fleet, now)
        except ColdMinutesError as error:
            done.no_backup = str(error)  # the person is forgotten; that must be told all the same
    return done


def forgotten_lines(done: Forgotten) -> Iterator[str]:
    """What was done and what is left to do, in words that do not name the person."""
    yield f"Warehouse: {done.rows_n:,} rows changed; the file was written anew."
    yield f"Inbox: {len(done.rewritten)} exports rewritten, {len(done.dropped)} removed."
    for name in done.dropped:
        yield f"  removed, because it cannot be rewritten: inbox/{name}"
    yield f"Editions that spoke of the person: {', '.join(done.weeks) or 'none'}."
    for week_id in done.weeks:
        yield f"  documents removed; `coldminutes run FLEET --week {week_id}` makes them again"
    if done.backups_n:
        yield f"Backups: {done.backups_n} deleted, since they may hold the person."
        yield f"  no new one: {done.no_backup}" if done.no_backup else "  a new one was made"
    yield "A new export does not bring the person back (forgotten.txt)."
    yield (
        "Sums of minutes, energy and cost are as before. More stops are without a driver, which "
        "changes what rests on who drove: widths of intervals, and the split of a change."
    )
    yield "What left this folder cannot be called back from here; ask for it to be deleted:"
    for line in done.departures:
        yield f"  {line}"
    yield "  copies, prints, e-mails and downloads of those editions"
    yield "  exports where they came from, other backups, snapshots of this machine, --out folders"
    if done.remains:
        yield "A word of the person is left here; mend these by hand, then say it again:"
        for shown in done.remains:
            yield f"  {shown}"


def unfinished_n(con: duckdb.DuckDBPyConnection) -> int:
    """How many forgettings were broken off and not said again since."""
    sql = "select count(*) from forgettings where finished_at is null"
    return int(con.execute(sql).fetchall()[0][0])


def _require_known(con: duckdb.DuckDBPyConnection, fleet: Fleet, who: Person, told: str) -> None:
    """A slip of the pen must not look like a success."""
    if who.driver_id in fleet.drivers or any(Blocked(fleet).names(word) for word in who.words):
        return
    params = {"words": [word.lower() for word in who.words]}
    if warehouse.query(con, "people/spans_of_words", params)["spans_n"][0]:
        return
    if traces(con, fleet, who):
        return
    problem = Problem(
        "PEOPLE-06",
        "stop",
        told,
        "nothing is held about a driver of this id, name or alias",
        "Look it up in drivers.toml or in the roster. Nothing was changed.",
    )
    raise ColdMinutesError([problem])


def _departures(con: duckdb.DuckDBPyConnection, weeks: list[str]) -> Iterator[str]:
    for row in warehouse.query(con, "people/departures_of_weeks", {"week_ids": weeks}).iter_rows(
        named=True
    ):
        week = f" of {row['week_id']}" if row["week_id"] else ""
        yield f"{row['what']}{week}, {row['departed_at']:%Y-%m-%d}, by {row['channel']}"
