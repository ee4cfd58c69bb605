"""Temperature statistics and degree days of an open series, against pandas.

Series: hourly temperature in °F of a place in Illinois, November 2015 to February 2018, with the
real offsets across five clock changes: sample data of the OpenEEmeter repository (Apache-2.0). The
independent computation is pandas' own resampling on local days. Base temperatures 18 °C and 65 °F:
common practice, no source. 32 °F = 0 °C and 5/9 K per °F: NIST SP 811, appendix B.
"""

from __future__ import annotations

import gzip
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from open_data import data_folder, missing_reason

from pipeline.budget.season import Season
from pipeline.budget.weather import Weather, degree_days
from pipeline.budget.weather_files import WeatherFile, read_weather

NAME = "weather/illinois_hourly_degf.csv.gz"
ZONE = "America/Chicago"
pytestmark = pytest.mark.skipif(bool(missing_reason(NAME)), reason=missing_reason(NAME) or "-")
CHANGES = (
    date(2016, 3, 13), date(2016, 11, 6), date(2017, 3, 12), date(2017, 11, 5),
)  # fmt: skip


@pytest.fixture(scope="module")
def ours(tmp_path_factory: pytest.TempPathFactory) -> Weather:
    path = tmp_path_factory.mktemp("weather") / "illinois.csv"
    path.write_bytes(gzip.decompress((data_folder() / NAME).read_bytes()))
    layout = WeatherFile(time_column="dt", temperature_column="tempF", unit="degf")
    return read_weather(path, layout, ZONE)


@pytest.fixture(scope="module")
def theirs() -> pd.Series:
    path: Path = data_folder() / NAME
    frame = pd.read_csv(path)
    index = pd.to_datetime(frame["dt"], utc=True).dt.tz_convert(ZONE)
    return pd.Series(((frame["tempF"] - 32) / 1.8).to_numpy(), index=pd.DatetimeIndex(index))


def test_daily_means_and_hours_of_every_day(ours: Weather, theirs: pd.Series) -> None:
    daily = theirs.resample("D").agg(["mean", "count"])
    full = theirs.resample("D").size()
    assert ours.first_day == daily.index[0].date()
    assert ours.days_n == len(daily)
    hours = pd.Series(full.to_numpy(), index=[stamp.date() for stamp in full.index])
    assert [hours[day] for day in CHANGES] == [23, 25, 23, 25]
    # No reading is missing inside, so every whole day can be compared.
    inner = slice(1, -1)
    assert daily["count"].to_numpy()[inner].tolist() == full.to_numpy()[inner].tolist()
    assert ours.mean_degc[inner] == pytest.approx(daily["mean"].to_numpy()[inner], abs=1e-9)


def test_statistics_of_the_whole_series(ours: Weather, theirs: pd.Series) -> None:
    # The coldest local hour of the clock, its mean and spread.
    by_hour = theirs.groupby(theirs.index.hour).mean()
    inside = ours.hour_degc[1:-1]
    apart = np.nanmean(inside, axis=0) - by_hour.to_numpy()
    # Bridged and averaged hours of four days, and two cut days at the ends, of 800.
    assert np.abs(apart).max() < 0.05
    assert np.nanmin(ours.mean_degc) == pytest.approx(theirs.resample("D").mean().min(), abs=1e-9)
    assert -25 < np.nanmin(ours.hour_degc) < -23


@pytest.mark.parametrize("base_degc", [18.0, (65 - 32) / 1.8])
def test_degree_days_by_month(ours: Weather, theirs: pd.Series, base_degc: float) -> None:
    daily = theirs.resample("D").mean()
    below = (base_degc - daily).clip(lower=0)
    expected = below.groupby([below.index.year, below.index.month]).sum()
    found = pd.Series(degree_days(ours, base_degc), index=below.index)
    got = found.groupby([found.index.year, found.index.month]).sum()
    whole = slice(1, -1)  # the first and last month are cut
    assert got.to_numpy()[whole] == pytest.approx(expected.to_numpy()[whole], abs=1e-6)
    assert expected.max() > 600


def test_a_season_of_it(ours: Weather, theirs: pd.Series) -> None:
    season = Season((date(2016, 10, 1), date(2017, 5, 1)))
    expected = theirs["2016-10-01":"2017-04-30"].resample("D").mean().mean()
    days = ours.between(season.first_day, season.end_day)
    assert days.days_n == 212
    assert days.mean_degc.mean() == pytest.approx(expected, abs=1e-9)
