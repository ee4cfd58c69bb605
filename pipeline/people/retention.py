"""How long data are kept: what is past its time goes, and no total of a computed week changes.

Only computed weeks lose anything. A week that loses its samples is closed: its results stay and
are never computed again. Drivers leave spans and stops, the breaks of a shift keep their meaning;
a rental keeps only that its charges were a rental's.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

import duckdb

from pipeline import warehouse
from pipeline.config import Fleet
from pipeline.ingest.archived import list_archive
from pipeline.weeks import monday_of, span_of, week_of

NEEDED_BEFORE_H = 48
"""Computing a week reads samples of the 36 h before it, and an approach before those."""

EDITION_PARTS = ("fleet.pdf", "fleet.html", "summary.json", "tables", "tables.xlsx")
SHEET_FOLDERS = ("vehicles", "drivers", "models", "accounts")

_RULES = (
    ("samples, older than samples_months", ("old_samples",)),
    ("destinations and readings of chargers, likewise", ("old_nav_events", "old_charger_readings")),
    ("positions away from charges, older than positions_days", ("old_positions",)),
    ("spans without their driver, older than people_months", ("old_driver_spans",)),
    ("stops without their driver, likewise", ("old_drivers_of_stops",)),
    ("findings about people, likewise", ("old_findings",)),
    ("who was sent what, with pages of drivers and with editions", ("old_deliveries",)),
    ("rental spans, older than rentals_days", ("old_rental_spans", "old_rental_texts")),
    (
        "rows set aside, put right or replaced, older than quarantine_months",
        ("old_quarantine", "old_mended_rows", "old_superseded_rows"),
    ),
)


@dataclass
class Retained:
    """What went, or in a dry run would go.

    Parameters
    ----------
    rows
        Rows by rule, in words.
    editions, inbox_files
        Paths removed.
    inbox_left
        Exports past their time that still lie in the inbox.
    config_rentals_n
        Rentals past their time that vehicles.toml still holds.
    backups
        Backups removed, which would have kept longer what is past its time.
    """

    rows: dict[str, int] = field(default_factory=dict)
    editions: list[Path] = field(default_factory=list)
    inbox_files: list[Path] = field(default_factory=list)
    inbox_left: list[Path] = field(default_factory=list)
    config_rentals_n: int = 0
    backups: list[Path] = field(default_factory=list)


def retain(
    con: duckdb.DuckDBPyConnection, fleet: Fleet, now: datetime, *, dry_run: bool = False
) -> Retained:
    """Hold the fleet folder to ``[retention]``; a second call changes nothing.

    Parameters
    ----------
    con
        The fleet's warehouse, all weeks computed (`pipeline.edition.compute`), no transaction open.
    dry_run
        Only say what would go.

    Notes
    -----
    The rows' place in the file is free for new rows, but not overwritten; `compact` does that.
    """
    limits = cut_offs(fleet, now)
    done = Retained()
    con.execute("begin")
    try:
        _remove_rows(con, fleet, limits, now, done)
        con.execute("rollback" if dry_run else "commit")
    except BaseException:
        with suppress(duckdb.Error):
            con.execute("rollback")
        raise
    past = _past_inbox_files(con, fleet, limits)
    if fleet.settings.retention.delete_inbox_files:
        done.inbox_files = past
    else:
        done.inbox_left = past
    done.editions = list(_old_editions(fleet, limits))
    done.config_rentals_n = sum(
        span.use == "rental" and _instant(span.to, fleet) < limits["rentals_before_at"]
        for vehicle in fleet.vehicles.values()
        for span in vehicle.spans
    )
    if not dry_run:
        for path in done.inbox_files:
            path.unlink()
        for path in done.editions:
            _remove(path)
    return done


def cut_offs(fleet: Fleet, now: datetime) -> dict[str, datetime]:
    """Instants before which each kind of data goes, on week borders where results depend on it."""
    keep = fleet.settings.retention
    zone = fleet.zone

    def week_start(instant: datetime) -> datetime:
        return span_of(week_of(instant, zone), zone).from_at

    samples_from_at = week_start(_months_before(now, keep.samples_months))
    this_week = week_start(now)
    return {
        "samples_from_at": samples_from_at,
        "samples_before_at": samples_from_at - timedelta(hours=NEEDED_BEFORE_H),
        "people_before_at": week_start(_months_before(now, keep.people_months)),
        "rentals_before_at": min(now - timedelta(days=keep.rentals_days), this_week),
        "positions_before_at": min(now - timedelta(days=keep.positions_days), this_week),
        "quarantine_before_at": _months_before(now, keep.quarantine_months),
        "editions_before_at": _months_before(now, keep.editions_months),
    }


def retained_lines(done: Retained, *, dry_run: bool) -> Iterator[str]:
    """What went, in words."""
    yield "Would go, nothing was changed:" if dry_run else "Gone:"
    for rule, rows_n in done.rows.items():
        yield f"  {rows_n:>12,}  {rule}"
    yield f"  {len(done.editions):>12,}  reports or folders of driver pages"
    yield f"  {len(done.inbox_files):>12,}  exports in the inbox"
    yield f"  {len(done.backups):>12,}  backups past backup.keep_days or their number"
    if done.inbox_left:
        yield (
            f"{len(done.inbox_left)} exports past their time still lie in the inbox, the first of "
            f"them {done.inbox_left[0].name}: delete them, or set retention.delete_inbox_files."
        )
    if done.config_rentals_n:
        yield (
            f"vehicles.toml holds {done.config_rentals_n} rentals past their time. Taking them out "
            "is up to you; their stops stay rental stops only in closed weeks."
        )


def _remove_rows(
    con: duckdb.DuckDBPyConnection,
    fleet: Fleet,
    limits: dict[str, datetime],
    now: datetime,
    done: Retained,
) -> None:
    people_week = week_of(limits["people_before_at"], fleet.zone)
    params = {
        **limits,
        "now": now,
        "people_before_week_id": people_week,
        "editions_before_week_id": week_of(limits["editions_before_at"], fleet.zone),
    }
    warehouse.run(con, "people/keep_rental_stops", params)
    for rule, names in _RULES:
        if "old_positions" in names and fleet.settings.privacy.keep_positions:
            continue
        done.rows[rule] = sum(_changed(con, name, params) for name in names)
    if done.rows[_RULES[0][0]]:
        warehouse.run(con, "people/close_weeks", params)


def _changed(con: duckdb.DuckDBPyConnection, name: str, params: dict[str, object]) -> int:
    """Run one statement; how many rows it changed."""
    from pipeline.resources import statement

    sql = statement(f"people/{name}")
    wanted = con.extract_statements(sql)[0].named_parameters
    found = con.execute(sql, {key: params[key] for key in sorted(wanted)}).fetchall()
    return int(found[0][0])


def _past_inbox_files(
    con: duckdb.DuckDBPyConnection, fleet: Fleet, limits: dict[str, datetime]
) -> list[Path]:
    """Exports of inbox and archive of which every row is past its time; a zip with all members."""
    past: dict[Path, bool] = {}
    archived: dict[str, list[Path]] = {}
    for each in list_archive(fleet):
        archived.setdefault(each.name, []).append(each.path)
    for name, is_past in warehouse.query(con, "people/past_files", limits).iter_rows():
        path = inbox_path(fleet, name)
        parts = name.split("/")
        names = ("/".join(parts[:n]) for n in range(1, len(parts) + 1))
        paths = [found for each in names for found in archived.get(each, ())]
        for found in paths if path is None else [path, *paths]:
            past[found] = past.get(found, True) and is_past
    return sorted(path for path, is_past in past.items() if is_past)


def inbox_path(fleet: Fleet, name: str) -> Path | None:
    """The file of the inbox that a name of the ledger means, or the archive it is a member of."""
    path = fleet.inbox / name
    if ".." in path.parts:
        return None
    for each in (path, *path.parents):
        if each == fleet.inbox or not each.is_relative_to(fleet.inbox):
            return None
        if each.is_file():
            return each
    return None


def _old_editions(fleet: Fleet, limits: dict[str, datetime]) -> Iterator[Path]:
    """What the program wrote into editions past their time, and driver pages past theirs."""
    for folder in editions(fleet):
        monday = span_of(folder.name, fleet.zone).from_at
        if monday < limits["editions_before_at"]:
            parts = [*EDITION_PARTS, *SHEET_FOLDERS]
        elif monday < limits["people_before_at"]:
            parts = ["drivers"]
        else:
            continue
        yield from (folder / part for part in parts if (folder / part).exists())


def editions(fleet: Fleet) -> list[Path]:
    """Folders of issued editions in the fleet folder, oldest first."""
    found = []
    for path in sorted((fleet.folder / "reports").glob("????-W??")):
        with suppress(ValueError):
            monday_of(path.name)
            if path.is_dir() and not path.is_symlink():
                found.append(path)
    return found


def _remove(path: Path) -> None:
    if path.is_dir():
        shutil.rmtree(path)
    else:
        path.unlink()
    with suppress(OSError):  # other files in it are the operator's own
        path.parent.rmdir()


def _instant(told: datetime, fleet: Fleet) -> datetime:
    return told if told.tzinfo else told.replace(tzinfo=fleet.zone)


def _months_before(now: datetime, months: int) -> datetime:
    """The same day so many months before, or the last of that month.

    >>> from datetime import UTC
    >>> _months_before(datetime(2026, 3, 31, tzinfo=UTC), 1).date().isoformat()
    '2026-02-28'
    """
    count = now.year * 12 + now.month - 1 - months
    first = now.replace(year=count // 12, month=count % 12 + 1, day=1)
    following = (first + timedelta(days=31)).replace(day=1)
    return first.replace(day=min(now.day, (following - timedelta(days=1)).day))
