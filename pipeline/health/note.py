"""What every run leaves in ``status.json``."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path

import duckdb

from pipeline.config import Fleet
from pipeline.health.facts import warehouse_facts
from pipeline.health.forecast import with_size
from pipeline.health.state_file import change_state, read_state

Sizes = list[tuple[date, int]]


def note_run(con: duckdb.DuckDBPyConnection, fleet: Fleet, now: datetime) -> None:
    """Leave what the warehouse says now, and how large the folder is today."""
    sizes = with_size(
        kept_sizes(fleet.state), now.astimezone(fleet.zone).date(), folder_bytes(fleet.folder)
    )
    change_state(
        fleet.state,
        run_at=now.isoformat(),
        facts=warehouse_facts(con, now),
        sizes=[[day.isoformat(), size] for day, size in sizes],
    )


def kept_sizes(state: Path) -> Sizes:
    """Sizes of the fleet folder by day, as runs left them."""
    found: Sizes = []
    told = read_state(state).get("sizes")
    for entry in told if isinstance(told, list) else []:
        try:
            found.append((date.fromisoformat(entry[0]), int(entry[1])))
        except (TypeError, ValueError, IndexError, KeyError):
            continue
    return found


def folder_bytes(folder: Path) -> int:
    """Bytes of all files of a fleet folder; what goes while it is looked at is passed over."""
    total = 0
    for path in folder.rglob("*"):
        try:
            if path.is_file() and not path.is_symlink():
                total += path.stat().st_size
        except OSError:
            continue
    return total
