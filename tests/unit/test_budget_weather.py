"""Weather series: days and hours on the local clock, files, blocks of drawn winters."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from budget_lab import made_up_weather

from pipeline.budget import priors
from pipeline.budget.blocks import draw_days, season_means, shift_spread
from pipeline.budget.season import Season, parse_season
from pipeline.budget.weather import Weather, degree_days, from_daily, from_instants
from pipeline.budget.weather_files import WeatherFile, read_weather
from pipeline.problems import ColdMinutesError

ZONE = "Europe/Stockholm"
SEASON = parse_season("2026-10..2027-04")


def hourly(first: datetime, hours_n: int, values: np.ndarray | None = None) -> pl.DataFrame:
    at = [first + timedelta(hours=k) for k in range(hours_n)]
    degc = np.arange(hours_n, dtype=float) if values is None else values
    return pl.DataFrame({"sampled_at": at, "outside_degc": degc})


def test_the_day_of_the_spring_change_has_23_hours() -> None:
    # Local midnight of 29 March 2026 in Stockholm is 23:00 UTC the day before.
    frame = hourly(datetime(2026, 3, 28, 23, tzinfo=UTC), 23)
    weather = from_instants(frame, ZONE)
    assert weather.first_day == date(2026, 3, 29)
    assert weather.mean_degc.tolist() == [pytest.approx(11.0)]
    hours = weather.hour_degc[0]
    assert hours[1] == 1 and hours[3] == 2
    # The skipped hour is bridged on the clock, but counts in no mean.
    assert hours[2] == pytest.approx(1.5)


def test_the_day_of_the_autumn_change_has_25_hours() -> None:
    frame = hourly(datetime(2026, 10, 24, 22, tzinfo=UTC), 25)
    weather = from_instants(frame, ZONE)
    assert weather.mean_degc.tolist() == [pytest.approx(12.0)]
    # The repeated hour is the mean of both.
    assert weather.hour_degc[0, 2] == pytest.approx(2.5)
    assert weather.hour_degc[0, 3] == 4


def test_short_gaps_are_bridged_and_long_ones_are_not() -> None:
    frame = hourly(datetime(2026, 1, 1, 23, tzinfo=UTC), 72)
    short = frame.filter(~pl.col("outside_degc").is_between(30, 35))
    assert from_instants(short, ZONE).is_complete.all()
    assert from_instants(short, ZONE).hour_degc[1].tolist() == list(range(24, 48))
    long = frame.filter(~pl.col("outside_degc").is_between(30, 36))
    found = from_instants(long, ZONE)
    assert found.is_complete.tolist() == [True, False, True]
    assert np.isnan(found.mean_degc[1])
    assert not np.isnan(found.mean_degc[[0, 2]]).any()


def test_degree_days() -> None:
    weather = from_daily(
        pl.DataFrame({"day": [date(2026, 1, 1), date(2026, 1, 3)], "outside_degc": [-2.0, 20.0]})
    )
    assert degree_days(weather)[[0, 2]].tolist() == [20.0, 0.0]
    assert np.isnan(degree_days(weather)[1])


def write(folder: Path, text: str, name: str = "weather.csv") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def test_a_csv_in_fahrenheit_with_offsets(tmp_path: Path) -> None:
    path = write(tmp_path, "at,t\n2026-01-05T00:00:00+01:00,14\n2026-01-05T01:00:00+01:00,32\n")
    layout = WeatherFile(time_column="at", temperature_column="t", unit="degf")
    weather = read_weather(path, layout, ZONE)
    assert weather.hour_degc[0, :2] == pytest.approx([-10.0, 0.0])


def test_local_times_across_both_changes(tmp_path: Path) -> None:
    def rows(day: str, hours: list[int]) -> str:
        return "".join(f"{day} {h:02d}:00;{k},5\n" for k, h in enumerate(hours))

    layout = WeatherFile(
        time_column="at", temperature_column="t", separator=";", decimal_comma=True
    )
    autumn = [0, 1, 2, 2, *range(3, 24)]
    weather = read_weather(write(tmp_path, "at;t\n" + rows("2026-10-25", autumn)), layout, ZONE)
    assert weather.mean_degc.tolist() == [pytest.approx(12.5)]
    # A logger that counts on through the hour that does not exist: its row is no instant.
    spring = read_weather(
        write(tmp_path, "at;t\n" + rows("2026-03-29", list(range(24)))), layout, ZONE
    )
    assert spring.hour_degc[0, 3] == 3.5
    assert spring.is_complete.all()


def test_daily_values(tmp_path: Path) -> None:
    path = write(tmp_path, "day,t\n2026-01-05,-3\n2026-01-06,NA\n2026-01-07,999\n")
    layout = WeatherFile(time_column="day", temperature_column="t", steps="daily")
    weather = read_weather(path, layout, ZONE)
    assert weather.is_daily
    assert weather.is_complete.tolist() == [True]
    assert weather.hour_degc[0].tolist() == [-3.0] * 24


def epw(rows: list[str]) -> str:
    head = [
        "LOCATION,Skarnby,-,-,made up,000000,60.0,15.0,1.0,10.0",
        *[f"LINE {k}" for k in range(7)],
    ]
    return "\n".join([*head, *rows]) + "\n"


def epw_row(month: int, day: int, hour: int, degc: float, year: int = 2019) -> str:
    return f"{year},{month},{day},{hour},0,?9?9,{degc}," + ",".join(["0"] * 28)


def test_an_epw_is_in_standard_time_all_year(tmp_path: Path) -> None:
    rows = [epw_row(7, 1, hour, hour) for hour in range(1, 25)]
    rows += [epw_row(1, 9, hour, 100 if hour == 5 else -hour) for hour in range(1, 25)]
    weather = read_weather(write(tmp_path, epw(rows), "town.epw"), None, ZONE)
    july = (date(2019, 7, 1) - weather.first_day).days
    # Hour 1 of the file is 00:00 to 01:00 standard time, which clocks in July call 01:00.
    assert weather.hour_degc[july, 1] == 1.0
    assert weather.hour_degc[0, 0] == -1.0
    assert weather.hour_degc[0, 4] == pytest.approx(-5.0)  # 99.9 or more is missing, bridged


@pytest.mark.parametrize(
    ("name", "text", "says"),
    [
        ("w.csv", "", "not a table"),
        ("w.csv", "a,b\n1,2\n", "no column 'at'"),
        ("w.csv", "at,t\n2026-01-05T00:00:00+01:00,cold\n", "row 2, column t: got 'cold'"),
        ("w.csv", "at,t\n2026-01-05T00:00:00+01:00,1\nyesterday,2\n", "row 3, column at"),
        ("w.csv", "at,t\n2026-01-05T00:00:00+01:00,\n", "no temperature"),
        ("w.csv", "at,t\n2026-01-05T00:00:00+01:00,-300\n", "no temperature"),
        ("w.epw", "not,an,epw\n", "LOCATION"),
        ("w.epw", "LOCATION,a,b,c,d,e,1,2,1,10\n" + "x\n" * 7 + "2019,1,1,25,0,?,5\n", "row 9"),
        ("w.epw", "LOCATION,a,b,c,d,e,1,2,nan,10\n" + "x\n" * 9, "LOCATION"),
    ],
)
def test_a_false_file_is_refused_with_its_place(
    tmp_path: Path, name: str, text: str, says: str
) -> None:
    layout = WeatherFile(time_column="at", temperature_column="t")
    with pytest.raises(ColdMinutesError) as caught:
        read_weather(write(tmp_path, text, name), layout, ZONE)
    assert says in str(caught.value)
    assert "BUDGET-02" in str(caught.value)


def test_bytes_that_are_no_text(tmp_path: Path) -> None:
    path = tmp_path / "w.csv"
    path.write_bytes(b"\xff\xfe\x00at,t\n\x00\x81")
    with pytest.raises(ColdMinutesError, match="BUDGET-02"):
        read_weather(path, WeatherFile(time_column="at", temperature_column="t"), ZONE)
    with pytest.raises(ColdMinutesError, match="cannot be read"):
        read_weather(tmp_path / "none.csv", None, ZONE)


def test_blocks_come_from_the_same_time_of_the_year() -> None:
    weather = made_up_weather()
    days = draw_days(weather, SEASON, 300, np.random.default_rng(1))
    assert days.shape == (300, 212)
    drawn = np.array(weather.days, dtype="datetime64[D]")[days]
    target = np.arange("2026-10-01", "2027-05-01", dtype="datetime64[D]")
    away = (drawn - target).astype(int)
    # At most 15 days from the block's begin, on any anniversary (leap years move it by one).
    to_year = np.abs(away - np.round(away / 365.2425) * 365.2425)
    assert to_year.max() <= 16
    assert to_year.max() > 12
    # Days of a block follow each other; blocks begin every fortnight.
    steps = np.diff(days, axis=1)
    inner = np.arange(1, 212) % 14 != 0
    assert (steps[:, inner] == 1).all()
    assert (steps[:, ~inner] != 1).mean() > 0.9
    # All years are drawn.
    assert len(np.unique(drawn.astype("datetime64[Y]"))) >= 12


def test_incomplete_days_are_never_drawn() -> None:
    whole = made_up_weather(years_n=3)
    hour_degc = whole.hour_degc.copy()
    hour_degc[400:420, 5] = np.nan
    weather = Weather(whole.first_day, hour_degc, whole.mean_degc)
    days = draw_days(weather, SEASON, 500, np.random.default_rng(1))
    assert not np.isin(days, np.arange(400, 420)).any()


def test_a_series_without_the_season_is_refused() -> None:
    summer = made_up_weather(first_day=date(2025, 5, 1), years_n=1).between(
        date(2025, 5, 1), date(2025, 9, 1)
    )
    with pytest.raises(ColdMinutesError, match="BUDGET-03"):
        draw_days(summer, SEASON, 10, np.random.default_rng(1))


def test_the_shift_is_that_of_the_series_or_two_kelvin() -> None:
    assert shift_spread(made_up_weather(years_n=5), SEASON) == (priors.SHIFT_KELVIN, 0)
    weather = made_up_weather(years_n=14)
    spread, seasons_n = shift_spread(weather, SEASON)
    means = season_means(weather, SEASON)
    assert seasons_n == len(means) == 13
    first = (date(2014, 10, 1) - weather.first_day).days
    assert means[0] == pytest.approx(weather.mean_degc[first : first + 212].mean(), abs=0.05)
    assert spread == pytest.approx(np.std(means, ddof=1))


def test_seasons() -> None:
    assert SEASON.month_ids[0] == "2026-10" and SEASON.month_ids[-1] == "2027-04"
    assert SEASON.month_days.tolist() == [31, 30, 31, 31, 28, 31, 30]
    assert SEASON.starting(date(2026, 12, 10)).month_days.tolist() == [22, 31, 28, 31, 30]
    with pytest.raises(ValueError, match="at least one day"):
        SEASON.starting(date(2027, 5, 1))
    with pytest.raises(ValueError, match="must follow"):
        Season((date(2026, 1, 1), date(2026, 1, 1)))
    for text in ("2026-10", "2026-13..2027-01", "2027-04..2026-10", "2026-10..2036-10", "x..y"):
        with pytest.raises(ColdMinutesError, match="BUDGET-01"):
            parse_season(text)
