"""What stops a backup or its restoring, in words."""

from __future__ import annotations

from pipeline.problems import ColdMinutesError, Problem


def refuse(code: str, where: str, why: str, remedy: str, exit_code: int = 5) -> ColdMinutesError:
    """The exception that ends the command with one finding."""
    return ColdMinutesError([Problem(code, "stop", where, why, remedy)], exit_code=exit_code)


def no_room(where: str, needed_bytes: int, free_bytes: int, what: str) -> ColdMinutesError:
    """ENV-03: what is to be written does not fit."""
    return refuse(
        "ENV-03",
        where,
        f"{what} needs about {needed_bytes / 1e6:,.0f} MB, {free_bytes / 1e6:,.0f} MB are free",
        "Free some disk, or name a folder on another disk ([backup] folder in fleet.toml, or "
        "--to). Nothing was changed.",
        exit_code=4,
    )
