"""Which backups go: by age and number, and all of them when a person is forgotten."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from pipeline.backup.store import (
    ASIDE,
    Kept,
    all_folders,
    folder_lock,
    listed,
    remove,
    unfinished,
)
from pipeline.config import Fleet
from pipeline.health_config import Backup

UPGRADES_N = 2
"""Newest backups before an upgrade that are kept besides the others."""


def rotate(fleet: Fleet, now: datetime) -> list[Path]:
    """Remove the backups that are past their time or number; returns them.

    The newest is never removed for its number. Copies made with ``--to`` are the operator's own
    and stay. What a restore laid aside goes when it is as old as a backup may become.
    """
    gone: list[Path] = []
    kept = [each for folder in all_folders(fleet) for each in listed(folder)]
    for each in to_remove(kept, fleet.settings.backup, fleet.zone, now):
        remove(each.path)
        gone.append(each.path)
    for folder in (each for each in all_folders(fleet) if each.is_dir()):
        with folder_lock(folder, waits=False) as is_ours:
            for leftover in unfinished(folder) if is_ours else []:
                shutil.rmtree(leftover)
    oldest_at = now - timedelta(days=fleet.settings.backup.keep_days)
    for path in _laid_aside(fleet):
        if datetime.fromtimestamp(path.stat().st_mtime, now.tzinfo) < oldest_at:
            shutil.rmtree(path)
            gone.append(path)
    return gone


def to_remove(kept: Sequence[Kept], settings: Backup, zone: ZoneInfo, now: datetime) -> list[Kept]:
    """Backups that no rule keeps, oldest first.

    Kept are the newest of each of the last `daily_n` local days that have one, likewise of ISO
    weeks, and the two newest before an upgrade; none of them beyond `keep_days`. A backup from the
    future (a clock that was wrong) counts as any other.
    """
    oldest_at = now - timedelta(days=settings.keep_days)
    young = sorted(
        (each for each in kept if each.made_at >= oldest_at),
        key=lambda each: (each.made_at, each.path.name),
        reverse=True,
    )
    by_day: dict[object, Kept] = {}
    by_week: dict[object, Kept] = {}
    for each in young:
        day = each.made_at.astimezone(zone).date()
        by_day.setdefault(day, each)
        by_week.setdefault(day.isocalendar()[:2], each)
    wanted = {each.path for each in list(by_day.values())[: settings.daily_n]}
    wanted |= {each.path for each in list(by_week.values())[: settings.weekly_n]}
    wanted |= {each.path for each in [e for e in young if e.kind == "upgrade"][:UPGRADES_N]}
    return sorted((each for each in kept if each.path not in wanted), key=lambda each: each.made_at)


def drop_all(fleet: Fleet) -> tuple[int, list[Path]]:
    """Remove every backup and all that restores laid aside: they hold somebody forgotten.

    They are deleted, not rewritten: a copy of an old schema, a file broken off, a workbook in it
    would each need a way of its own, and one missed is one too many.

    Returns
    -------
    tuple
        How many went, and folders that could not be reached, so that nobody knows.
    """
    gone_n, unreached = 0, []
    for folder in all_folders(fleet):
        told = fleet.settings.backup.folder
        if told and not folder.is_dir() and not (fleet.folder / Path(told).expanduser()).is_dir():
            unreached.append(folder)
        if not folder.is_dir():
            continue
        with folder_lock(folder, waits=True):
            for each in listed(folder):
                remove(each.path)
                gone_n += 1
            for leftover in unfinished(folder):
                shutil.rmtree(leftover)
    for path in _laid_aside(fleet):
        shutil.rmtree(path)
        gone_n += 1
    return gone_n, list(dict.fromkeys(unreached))


def _laid_aside(fleet: Fleet) -> list[Path]:
    """What restores kept of the state before, also one that was broken off."""
    aside = fleet.state / ASIDE
    found = sorted(path for path in aside.iterdir() if path.is_dir()) if aside.is_dir() else []
    staged = fleet.state / "restoring"
    return [*found, *([staged] if staged.is_dir() else [])]
