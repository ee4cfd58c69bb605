"""What a round asks of its neighbours, imported when it is needed and in one place."""

from __future__ import annotations

from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.config import Fleet
from pipeline.problems import Problem

if TYPE_CHECKING:
    import duckdb

    from pipeline.ingest.stage import Ready
    from pipeline.rounds.make import Round


def settled_files(fleet: Fleet) -> Ready:
    """Chooses among new exports those that nobody is still writing."""
    from pipeline.arrivals import ready

    return ready(fleet)


def fetch(fleet: Fleet, now: datetime) -> list[Problem]:
    """Pull new exports from where ``[[fetch]]`` says."""
    if not fleet.settings.fetch:
        return []
    from pipeline.arrivals import fetch_new

    return fetch_new(fleet, now)


def queue(
    con: duckdb.DuckDBPyConnection,
    fleet: Fleet,
    week_id: str,
    edition_no: int,
    folder: Path,
    now: datetime,
) -> int:
    """Hand an edition to the delivery; a second time changes nothing."""
    from pipeline.deliver import queue_edition

    return queue_edition(con, fleet, week_id, edition_no, folder, now)


def send(con: duckdb.DuckDBPyConnection, fleet: Fleet, now: datetime) -> list[Problem]:
    """Send what waits; what cannot leave now stays in the queue."""
    from pipeline.deliver import send_waiting

    return send_waiting(con, fleet, now)


def archive(con: duckdb.DuckDBPyConnection, fleet: Fleet, now: datetime) -> list[Problem]:
    """Move what is wholly taken in out of the inbox, if ``[archive]`` says so."""
    from pipeline.arrivals import archive_taken

    return archive_taken(con, fleet, now).problems


def keep_to_retention(con: duckdb.DuckDBPyConnection, fleet: Fleet, now: datetime) -> None:
    """Remove what is past its time of keeping."""
    from pipeline.people.retention import retain

    retain(con, fleet, now)


def back_up(fleet: Fleet, now: datetime) -> None:
    """Make the week's backup and let go of old ones; the warehouse must not be open here."""
    from pipeline.backup import make_backup, rotate

    make_backup(fleet, now, kind="round")
    rotate(fleet, now)


def beat(fleet: Fleet, done: Round) -> list[Problem]:
    """Tell whoever listens that a round came to its end."""
    from pipeline.health import beat as tell

    return tell(fleet, done, done.now)


def tell_failure(fleet: Fleet, error: BaseException, now: datetime) -> None:
    """Tell whoever is to know that a round did not; why it failed matters more than who heard."""
    with suppress(Exception):
        from pipeline.health import tell_failure as tell

        tell(fleet, error, now)
