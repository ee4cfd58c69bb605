"""Winters that did not happen: 14-day blocks of a series, drawn anew (method, section 8)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.budget import priors
from pipeline.budget.refusals import refuse
from pipeline.budget.season import Season
from pipeline.budget.weather import Array, Weather

BLOCK_DAYS_N = 14
AROUND_DAYS_N = 15
YEARS_FOR_SHIFT_N = 10
YEAR_DAYS = 365.2425
_LEAST_COVER = 0.9


def draw_days(
    weather: Weather, season: Season, draws_n: int, rng: np.random.Generator
) -> NDArray[np.int32]:
    """Rows of the series that stand for each day of each drawn season.

    Blocks of 14 days (the last may be shorter) begin, in any year of the series, within 15
    calendar days of the block they stand for, and hold no incomplete day.

    Returns
    -------
    (draws, days of the season)

    Raises
    ------
    ColdMinutesError
        ``BUDGET-03`` where the series has no such block.

    References
    ----------
    Moving-block bootstrap: Kuensch, Ann. Stat. 17 (1989) 1217 (from memory).
    """
    drawn = np.empty((draws_n, season.days_n), dtype=np.int32)
    run_n = _complete_run(weather.is_complete)
    start_ordinal = weather.first_day.toordinal() + np.arange(weather.days_n)
    for from_day in range(0, season.days_n, BLOCK_DAYS_N):
        size = min(BLOCK_DAYS_N, season.days_n - from_day)
        target = season.first_day.toordinal() + from_day
        away = np.round(np.abs(_calendar_distance(start_ordinal - target)))
        candidates = np.flatnonzero((away <= AROUND_DAYS_N) & (run_n >= size))
        if not len(candidates):
            day = season.first_day.fromordinal(target)
            raise refuse(
                "BUDGET-03", "weather", f"no {size} days on end around {day:%d %B} in the series",
                "Give a series that covers the calendar days of the season, a year or more.", 3,
            )  # fmt: skip
        first = candidates[rng.integers(len(candidates), size=draws_n)]
        drawn[:, from_day : from_day + size] = first[:, None] + np.arange(size)
    return drawn


def own_days(observed: Weather, season: Season) -> NDArray[np.int32]:
    """Row of the season's own weather on each of its days."""
    first = (season.first_day - observed.first_day).days
    rows = np.arange(first, first + season.days_n)
    if first < 0 or rows[-1] >= observed.days_n or not observed.is_complete[rows].all():
        raise refuse(
            "BUDGET-03", "weather",
            f"the series lacks days between {season.first_day} and {season.end_day}",
            "Add the season's own temperatures to it, up to the day of the comparison.", 3,
        )  # fmt: skip
    return rows.astype(np.int32)


def shift_spread(weather: Weather, season: Season) -> tuple[float, int]:
    """Standard deviation of the seasonal shift [K], and the seasons that told it (0: default).

    That of the series' own seasonal means, with ten of them or more. Drawn seasons differ a little
    even without it; since ten means tell a spread within a quarter, that is not taken off.
    """
    means = season_means(weather, season)
    if len(means) < YEARS_FOR_SHIFT_N:
        return priors.SHIFT_KELVIN, 0
    return float(means.std(ddof=1)), len(means)


def season_means(weather: Weather, season: Season) -> Array:
    """Mean of each year's season of the series [degC], where nine days in ten are there."""
    return np.array([degc for _, degc in season_means_by_year(weather, season)], dtype=np.float64)


def season_means_by_year(weather: Weather, season: Season) -> tuple[tuple[int, float], ...]:
    """The same with the year in which each season began."""
    day_degc = weather.hour_degc.mean(axis=1)
    first = season.first_day.toordinal() - weather.first_day.toordinal()
    years = np.arange(-200, 201)
    found = []
    starts = np.round(first + years * YEAR_DAYS).astype(int)
    for year, at in zip(years.tolist(), starts, strict=True):  # over years, not rows
        rows = np.arange(at, at + season.days_n)
        rows = rows[(rows >= 0) & (rows < len(day_degc))]
        values = day_degc[rows]
        values = values[np.isfinite(values)]
        if len(values) >= _LEAST_COVER * season.days_n:
            found.append((season.first_day.year + year, float(values.mean())))
    return tuple(found)


def _complete_run(is_complete: NDArray[np.bool_]) -> NDArray[np.int64]:
    """(days,) complete days on end from each day on."""
    count = len(is_complete)
    gaps = np.append(np.flatnonzero(~is_complete), count)
    return gaps[np.searchsorted(gaps, np.arange(count))] - np.arange(count)


def _calendar_distance(days: NDArray[np.int64]) -> Array:
    """Days to the nearest anniversary."""
    return np.asarray((days + YEAR_DAYS / 2) % YEAR_DAYS - YEAR_DAYS / 2, dtype=np.float64)
