"""The months a budget speaks of."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from pipeline.budget.refusals import refuse

LONGEST_MONTHS_N = 24


@dataclass(frozen=True)
class Season:
    """Whole or cut months, one after the other without a gap.

    Attributes
    ----------
    edges
        Local dates, rising: month ``k`` runs from ``edges[k]`` until before ``edges[k + 1]``.
    """

    edges: tuple[date, ...]

    def __post_init__(self) -> None:
        if len(self.edges) < 2 or any(
            b <= a for a, b in zip(self.edges, self.edges[1:], strict=False)
        ):
            raise ValueError("a season needs at least one day, and its months must follow")

    @property
    def first_day(self) -> date:
        """First day of the season."""
        return self.edges[0]

    @property
    def end_day(self) -> date:
        """The day after the last."""
        return self.edges[-1]

    @property
    def months_n(self) -> int:
        """How many months or parts of months."""
        return len(self.edges) - 1

    @property
    def month_ids(self) -> list[str]:
        """``2026-10`` and so on."""
        return [f"{day:%Y-%m}" for day in self.edges[:-1]]

    @property
    def month_days(self) -> NDArray[np.int64]:
        """(months,) days of each."""
        return np.diff([day.toordinal() for day in self.edges]).astype(np.int64)

    @property
    def month_from_day(self) -> NDArray[np.int64]:
        """(months,) day of the season on which each begins, from 0."""
        return np.array([(day - self.first_day).days for day in self.edges[:-1]], dtype=np.int64)

    @property
    def calendar_months(self) -> NDArray[np.int64]:
        """(months,) 1 to 12."""
        return np.array([day.month for day in self.edges[:-1]], dtype=np.int64)

    @property
    def days_n(self) -> int:
        """Days of the season."""
        return (self.end_day - self.first_day).days

    def starting(self, day: date) -> Season:
        """What is left of the season from a day on.

        Raises
        ------
        ValueError
            When nothing is left.
        """
        start = max(day, self.first_day)
        return Season((start, *(edge for edge in self.edges if edge > start)))


def parse_season(text: str) -> Season:
    """A season written ``2026-10..2027-04``, both months included.

    Raises
    ------
    ColdMinutesError
        ``BUDGET-01`` when it cannot be read, ends before it begins or is too long.

    Examples
    --------
    >>> parse_season("2026-10..2027-04").days_n
    212
    """
    match = re.fullmatch(r"(\d{4})-(\d{2})\.\.(\d{4})-(\d{2})", text, flags=re.ASCII)
    if not match:
        raise refuse("BUDGET-01", "--season", f"got {text!r:.60}, expected first..last month",
                     "Write it like 2026-10..2027-04.")  # fmt: skip
    year, month, last_year, last_month = (int(part) for part in match.groups())
    count = (last_year - year) * 12 + last_month - month + 1
    if not (1 <= month <= 12 and 1 <= last_month <= 12 and year >= 1 and last_year <= 9998):
        raise refuse("BUDGET-01", "--season", f"{text}: there is no such month",
                     "Months run from 01 to 12.")  # fmt: skip
    if not 1 <= count <= LONGEST_MONTHS_N:
        raise refuse(
            "BUDGET-01", "--season", f"{text} has {count} months, expected 1 to {LONGEST_MONTHS_N}",
            "Name the first month, two dots, and a last month that is not before it.",
        )  # fmt: skip
    return Season(tuple(_month(year, month - 1 + step) for step in range(count + 1)))


def month_of(day: date) -> Season:
    """The calendar month of a day, as a season of its own."""
    return Season((day.replace(day=1), _month(day.year, day.month)))


def whole_months(first: date, end: date) -> Season:
    """The calendar months from that of `first` until that of the day before `end`."""
    edges = [first.replace(day=1)]
    while edges[-1] < end:
        edges.append(_month(edges[-1].year, edges[-1].month))
    return Season(tuple(edges))


def _month(year: int, months: int) -> date:
    return date(year + months // 12, months % 12 + 1, 1)


def days_between(first: date, end: date) -> list[date]:
    """Days from `first` until before `end`."""
    return [first + timedelta(days=step) for step in range((end - first).days)]
