"""What may be said about people in one edition: one decision, asked by every table."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from pipeline.config import Fleet

LEAST_PEOPLE_N = 5
"""Fewer cannot hide in a sum, nor behind a pseudonym."""

Level = Literal["nothing", "sums", "each"]


@dataclass(frozen=True)
class Allowed:
    """How far tables may go.

    Parameters
    ----------
    level
        ``nothing`` about people, ``sums`` over all drivers, or ``each`` of them under the label
        of the fleet's level of driver analysis.
    why_not
        Why not ``each``: ``off``, ``few`` drivers, ``totals`` or no ``record``; empty where it is.
    missing_record
        Keys of ``[privacy]`` that a full record lacks.
    """

    level: Level
    why_not: str = ""
    missing_record: tuple[str, ...] = ()


def allowed(fleet: Fleet, drivers_n: int) -> Allowed:
    """What the level, the record and the number of drivers allow.

    Parameters
    ----------
    drivers_n
        Drivers with a stop in the weeks that are judged.
    """
    privacy = fleet.settings.privacy
    if privacy.driver_analysis == "off":
        return Allowed("nothing", "off")
    if drivers_n < LEAST_PEOPLE_N and privacy.driver_analysis != "names":
        return Allowed("nothing", "few")
    if privacy.driver_analysis == "totals":
        return Allowed("sums", "totals")
    if privacy.missing_record:
        return Allowed("sums", "record", privacy.missing_record)
    return Allowed("each")
