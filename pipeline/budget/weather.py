"""Outside temperature by local day and hour, and its degree days."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import polars as pl
from numpy.typing import NDArray

Array = NDArray[np.float64]
HOURS_N = 24
LONGEST_GAP_H = 6
"""Hours without a reading that are bridged by a straight line. Common practice, no source."""


@dataclass(frozen=True)
class Weather:
    """A series of outside temperature, one row per local day.

    Attributes
    ----------
    first_day
        Local date of the first row.
    hour_degc
        (days, 24): mean of each hour on the local clock. The hour that the clocks skip is bridged,
        the one they repeat is the mean of both; NaN where too much is missing.
    mean_degc
        (days,): mean over the day's own 23, 24 or 25 hours; NaN where a reading is missing beyond
        what is bridged.
    is_daily
        The source gave one value a day; hours then repeat it.
    """

    first_day: date
    hour_degc: Array
    mean_degc: Array
    is_daily: bool = False

    @property
    def days_n(self) -> int:
        """Rows of the series."""
        return len(self.mean_degc)

    @property
    def is_complete(self) -> NDArray[np.bool_]:
        """(days,) whether a day can be drawn."""
        return np.asarray(np.isfinite(self.hour_degc).all(axis=1))

    @property
    def days(self) -> list[date]:
        """Local date of each row."""
        return [self.first_day + timedelta(days=k) for k in range(self.days_n)]

    def before(self, day: date) -> Weather:
        """The part of the series before a day, for a back-test that must not look ahead."""
        kept = max(0, min(self.days_n, (day - self.first_day).days))
        return Weather(self.first_day, self.hour_degc[:kept], self.mean_degc[:kept], self.is_daily)

    def between(self, first: date, end: date) -> Weather:
        """Days from `first` until before `end`, as far as the series has them."""
        low = max(0, min(self.days_n, (first - self.first_day).days))
        high = max(low, min(self.days_n, (end - self.first_day).days))
        return Weather(
            self.first_day + timedelta(days=low),
            self.hour_degc[low:high], self.mean_degc[low:high], self.is_daily,
        )  # fmt: skip

    def with_shift(self, kelvin: float) -> Weather:
        """The same series, warmer by `kelvin`."""
        return Weather(
            self.first_day, self.hour_degc + kelvin, self.mean_degc + kelvin, self.is_daily
        )


def from_instants(readings: pl.DataFrame, zone: str) -> Weather:
    """A series from readings at instants, cut into days on the local clock.

    Parameters
    ----------
    readings
        ``sampled_at`` (an instant, any zone) and ``outside_degc``; in any order, null is missing.
        Several readings within an hour are averaged first, so that density has no weight.
    zone
        IANA zone of the fleet.

    Raises
    ------
    ValueError
        When there is no reading.
    """
    rows = readings.drop_nulls().filter(pl.col("outside_degc").is_finite())
    if rows.is_empty():
        raise ValueError("no readings")
    # Hours are counted in UTC and bridged there: no clock change opens a gap or closes one.
    hours = (
        rows.group_by(pl.col("sampled_at").dt.convert_time_zone("UTC").dt.truncate("1h"))
        .agg(pl.col("outside_degc").mean())
        .sort("sampled_at")
        .upsample("sampled_at", every="1h")
    )
    gap = hours["outside_degc"].is_null()
    run_length = pl.DataFrame({"gap": gap, "run": gap.rle_id()}).select(pl.len().over("run"))
    short = ~gap | (run_length.to_series() <= LONGEST_GAP_H)
    hours = hours.with_columns(
        outside_degc=pl.when(short).then(pl.col("outside_degc").interpolate()),
        local=pl.col("sampled_at").dt.convert_time_zone(zone),
    ).with_columns(
        day=pl.col("local").dt.date(),
        hour=pl.col("local").dt.hour().cast(pl.Int64),
    )
    days = hours.group_by("day").agg(
        mean_degc=pl.col("outside_degc").mean(),
        hours_n=pl.col("outside_degc").count(),
    )
    first_day: date = hours["day"].min()  # type: ignore[assignment]
    last_day: date = hours["day"].max()  # type: ignore[assignment]
    days_n = (last_day - first_day).days + 1
    per_hour = hours.group_by("day", "hour").agg(pl.col("outside_degc").mean())
    row = _day_number(per_hour["day"], first_day)
    hour_degc = np.full((days_n, HOURS_N), np.nan)
    hour_degc[row, per_hour["hour"].to_numpy()] = _numbers(per_hour["outside_degc"])
    mean_degc = np.full(days_n, np.nan)
    day_row = _day_number(days["day"], first_day)
    expected = _day_hours(first_day, days_n, zone)[day_row]
    mean_degc[day_row] = np.where(
        days["hours_n"].to_numpy() == expected, _numbers(days["mean_degc"]), np.nan
    )
    return Weather(first_day, _bridge_skipped(hour_degc, first_day, zone), mean_degc)


def from_daily(readings: pl.DataFrame) -> Weather:
    """A series from daily means; the swing of a day is then not known and taken as none.

    Parameters
    ----------
    readings
        ``day`` (a local date) and ``outside_degc``; several of one day are averaged.

    Raises
    ------
    ValueError
        When there is no reading.
    """
    rows = readings.drop_nulls().filter(pl.col("outside_degc").is_finite())
    if rows.is_empty():
        raise ValueError("no readings")
    days = rows.group_by("day").agg(pl.col("outside_degc").mean())
    first_day: date = days["day"].min()  # type: ignore[assignment]
    last_day: date = days["day"].max()  # type: ignore[assignment]
    mean_degc = np.full((last_day - first_day).days + 1, np.nan)
    mean_degc[_day_number(days["day"], first_day)] = days["outside_degc"].to_numpy()
    return Weather(first_day, np.repeat(mean_degc[:, None], HOURS_N, axis=1), mean_degc, True)


def degree_days(weather: Weather, base_degc: float = 18.0) -> Array:
    """(days,) heating degree days ``max(0, base - mean)`` [K d]; NaN where the mean is.

    18 °C is one of several bases in use (common practice, no source).
    """
    below: Array = np.maximum(base_degc - weather.mean_degc, 0.0)
    return below


def _bridge_skipped(hour_degc: Array, first_day: date, zone: str) -> Array:
    """The hour that a spring change skips, as the mean of its neighbours."""
    short = np.flatnonzero(_day_hours(first_day, len(hour_degc), zone) < HOURS_N)
    filled = hour_degc.copy()
    for day in short:  # two a year at most
        missing = np.flatnonzero(np.isnan(filled[day]))
        known = np.flatnonzero(np.isfinite(filled[day]))
        if len(missing) <= 1 and len(known):
            filled[day, missing] = np.interp(missing, known, filled[day, known])
    return filled


def _day_hours(first_day: date, days_n: int, zone: str) -> Array:
    """(days,) hours of each local day, to the half-hour changes that some zones have."""
    midnights = pl.date_range(first_day, first_day + timedelta(days=days_n), eager=True).cast(
        pl.Datetime("us")
    )
    # Where midnight itself is skipped, the day begins an hour later.
    local = midnights.dt.replace_time_zone(zone, ambiguous="earliest", non_existent="null")
    later = (midnights + timedelta(hours=1)).dt.replace_time_zone(
        zone, ambiguous="earliest", non_existent="null"
    )
    starts = local.fill_null(later).dt.epoch("s").to_numpy()
    hours: Array = np.diff(starts) / 3600
    return hours


def _day_number(days: pl.Series, first_day: date) -> NDArray[np.int64]:
    number: NDArray[np.int64] = (days - first_day).dt.total_days().to_numpy()
    return number


def _numbers(values: pl.Series) -> Array:
    return values.cast(pl.Float64).fill_null(float("nan")).to_numpy()
