"""The weekly round of `coldminutes retain`; a scheduled flow calls the same."""

from __future__ import annotations

from datetime import datetime

from pipeline.backup.rotate import rotate
from pipeline.config import Fleet
from pipeline.edition import Progress, compute, warehouse_of
from pipeline.people.compact import compact
from pipeline.people.forget import unfinished_n
from pipeline.people.retention import Retained, retain


def keep_to_retention(
    fleet: Fleet,
    now: datetime,
    *,
    dry_run: bool = False,
    progress: Progress | None = None,
    wait_s: float = 0.0,
) -> tuple[Retained, int]:
    """Compute what is open, remove what is past its time, write the warehouse anew if any was.

    Parameters
    ----------
    dry_run
        Only say what would go, by the weeks computed so far.
    wait_s
        How long to wait [s] for another run to end.

    Returns
    -------
    tuple
        What went, and how many forgettings were broken off and have to be said again.

    Raises
    ------
    ColdMinutesError
        WAREHOUSE-01, where another run holds the warehouse.
    """
    with warehouse_of(fleet, wait_s=wait_s) as con:
        if not dry_run:
            compute(con, fleet, progress)
        done = retain(con, fleet, now, dry_run=dry_run)
        left_n = unfinished_n(con)
    if not dry_run and any(done.rows.values()):
        compact(fleet.state / "warehouse.duckdb")
    if not dry_run:
        done.backups = rotate(fleet, now)
    return done, left_n
