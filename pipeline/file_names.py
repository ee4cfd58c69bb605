"""Patterns from one file's name: which later files are alike, and where a vehicle's name stands."""

from __future__ import annotations

import re
from dataclasses import dataclass

_COMMON = frozenset(
    [
        "log",
        "logs",
        "logger",
        "export",
        "exports",
        "data",
        "samples",
        "sample",
        "week",
        "weeks",
        "day",
        "days",
        "month",
        "report",
        "reports",
        "charging",
        "charge",
        "charges",
        "sessions",
        "session",
        "trip",
        "trips",
        "telemetry",
        "vehicle",
        "vehicles",
        "fleet",
        "csv",
        "all",
        "full",
        "file",
        "record",
        "records",
        "history",
        "raw",
        "processed",
        "drive",
        "driving",
        "signals",
        "vss",
        "obd",
        "can",
        "dump",
        "daily",
        "weekly",
        "monthly",
        "again",
        "copy",
        "final",
        "new",
        "output",
        "out",
        "battery",
    ]
)
_DATE = re.compile(r"(?i)^(\d{4}|\d{6}|\d{8}|\d{10,14}|w?\d{1,2}|\d{4}w\d\d|t?\d{4,6}z?)$")


@dataclass(frozen=True)
class VehicleInName:
    """A regular expression with one group, the name it finds, and whether that is doubtful."""

    pattern: str
    found: str
    doubt: str


def files_pattern(name: str) -> str:
    """A pattern for names that differ in their digits only.

    >>> files_pattern("tg_van-01_2026-W03.csv.gz")
    'tg_van-*_*-W*.csv.gz'
    """
    stem, dot, suffixes = name.partition(".")
    escaped = re.sub(r"([\[\]?*])", "[\\1]", stem)
    return re.sub(r"\d+", "*", escaped) + dot + re.sub(r"([\[\]?*])", "[\\1]", suffixes)


def vehicle_in_name(name: str) -> VehicleInName | None:
    """The part of a file's name that is neither a date nor a common word; None without one."""
    stem = name.partition(".")[0]
    pieces = re.split(r"(_|\s+)", stem)
    parts = pieces[::2]
    kept = [at for at, part in enumerate(parts) if not _is_common(part)]
    if not kept:
        return None
    with_digit = [at for at in kept if re.search(r"\d", parts[at])]
    chosen = (with_digit or kept)[0]
    doubt = ""
    if len(with_digit) != 1:
        doubt = f"is {parts[chosen]!r} in the file's name the vehicle?"
    before = "".join(_loose(piece) for piece in pieces[: 2 * chosen])
    return VehicleInName(f"^{before}([^_.]+)", parts[chosen], doubt)


def _is_common(part: str) -> bool:
    bits = [bit for bit in re.split(r"[-.]", part.lower()) if bit]
    return not bits or all(bit in _COMMON or _DATE.match(bit) for bit in bits)


def _loose(piece: str) -> str:
    return re.sub(r"\d+", r"\\d+", re.escape(piece))
