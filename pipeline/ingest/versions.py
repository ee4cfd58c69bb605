"""Which export is a later version of which, by its name: ``van_1.csv`` and ``van_1_v2.csv``."""

from __future__ import annotations

import re
from pathlib import PurePosixPath
from typing import NamedTuple

_SUFFIXES = re.compile(r"(\.[a-z][a-z0-9]{0,7}){1,2}$", re.IGNORECASE)
_MARK = re.compile(
    r"(?:[ _.-]+(?:v|ver|version|rev|revision)[ _.-]?(?P<version>\d{1,6})"
    r"|[ _]*\((?P<copy>\d{1,6})\)"
    r"|[ _.-]+(?P<corrected>corrected|correction|amended|fixed)[ _.-]?(?P<time>\d{0,6}))$",
    re.IGNORECASE,
)


class Version(NamedTuple):
    """What a name says: the export it is of, and how late a version of it.

    Parameters
    ----------
    stem
        Name without suffixes and marks, in lower case; with that of the zip around it.
    marks
        Version, copy and correction of each part; a greater tuple is a later version.
    """

    stem: str
    marks: tuple[int, ...]


def version_of(name: str) -> Version:
    """The version that a file's name tells; folders do not count, a zip around it does.

    A bare number is a vehicle or a week, never a version.

    >>> version_of("van_1.csv.gz")
    Version(stem='van_1', marks=(0, 0, 0))
    >>> version_of("later/van_1_v2_corrected.csv")
    Version(stem='van_1', marks=(2, 0, 1))
    >>> version_of("week 3 (2).zip/van_1.csv")
    Version(stem='week 3/van_1', marks=(0, 2, 0, 0, 0, 0))
    """
    parts = PurePosixPath(name).parts
    begins = next(
        (number for number, part in enumerate(parts[:-1]) if part.lower().endswith(".zip")),
        len(parts) - 1,
    )
    found = [_part(part) for part in parts[begins:]]
    return Version("/".join(stem for stem, _ in found), tuple(n for _, m in found for n in m))


def _part(name: str) -> tuple[str, tuple[int, int, int]]:
    stem = _SUFFIXES.sub("", name)
    version = copy = corrected = 0
    while (mark := _MARK.search(stem)) and mark.start() > 0:
        stem = stem[: mark.start()]
        version = max(version, int(mark["version"] or 0))
        copy = max(copy, int(mark["copy"] or 0))
        if mark["corrected"]:
            corrected = max(corrected, int(mark["time"] or 1))
    return stem.casefold(), (version, copy, corrected)
