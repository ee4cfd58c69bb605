"""Which backup a person means."""

from __future__ import annotations

from pathlib import Path

from pipeline.backup.refusals import refuse
from pipeline.backup.store import Kept, all_folders, listed, local_folder
from pipeline.config import load_fleet
from pipeline.problems import ColdMinutesError


def chosen(fleet_folder: Path, told: str) -> Path:
    """A backup by its folder, by its name among the fleet's own, or the newest of them.

    Raises
    ------
    ColdMinutesError
        BACKUP-02, with the names there are.
    """
    kept = _own(fleet_folder.resolve())
    if told == "newest" and kept:
        return kept[-1].path
    for each in kept:
        if each.path.name == told:
            return each.path
    path = Path(told).expanduser()
    if path.is_dir():
        return path
    names = ", ".join(each.path.name for each in kept) or "none"
    raise refuse(
        "BACKUP-02",
        told,
        f"there is no such backup; this fleet has: {names}",
        "Name one of these, or the folder of one kept elsewhere.",
        exit_code=2,
    )


def _own(folder: Path) -> list[Kept]:
    """The fleet's own backups, oldest first, also where its configuration is what is broken."""
    try:
        folders = all_folders(load_fleet(folder))
    except ColdMinutesError:
        folders = [local_folder(folder)]
    found = [each for place in folders for each in listed(place)]
    return sorted(found, key=lambda each: each.made_at)
