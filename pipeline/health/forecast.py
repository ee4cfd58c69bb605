"""When the disk is full, from how the fleet folder has grown. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from statistics import linear_regression

LEAST_DAYS = 7
MOST_DAYS = 56
MOST_SIZES_N = 120


def weeks_until_full(sizes: Sequence[tuple[date, int]], free_bytes: int) -> float | None:
    """Weeks until what is free is used up at the pace of the last eight weeks.

    Parameters
    ----------
    sizes
        Day and bytes of the fleet folder; any order, one a day.
    free_bytes
        Free on the disk [bytes].

    Returns
    -------
    float or None
        None where fewer than seven days are known, or the folder does not grow.

    Notes
    -----
    A straight line by least squares (Legendre, 1805); the newest eight weeks, because fleets grow
    and a backlog taken in long ago says nothing of the future.

    Examples
    --------
    >>> weeks_until_full([(date(2026, 1, 1), 0), (date(2026, 1, 15), 200)], 500)
    5.0
    """
    if not sizes:
        return None
    newest = max(day for day, _ in sizes)
    recent = [(day, size) for day, size in sizes if (newest - day).days <= MOST_DAYS]
    days = [float((day - newest).days) for day, _ in recent]
    if max(days) - min(days) < LEAST_DAYS:
        return None
    grown_bytes_a_day = linear_regression(days, [float(size) for _, size in recent]).slope
    if grown_bytes_a_day <= 0:
        return None
    return max(free_bytes, 0) / (grown_bytes_a_day * 7)


def with_size(sizes: Sequence[tuple[date, int]], day: date, size: int) -> list[tuple[date, int]]:
    """One more size, the last of its day; the oldest go."""
    by_day = dict(sizes) | {day: size}
    return sorted(by_day.items())[-MOST_SIZES_N:]
