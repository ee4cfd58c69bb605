"""Instants as exports write them, and the nights on which clocks jump.

Clock changes in Europe/Stockholm in 2025, by Directive 2000/84/EC (01:00 UTC, last Sundays of
March and October): 30 March, 02:00 becomes 03:00; 26 October, 03:00 becomes 02:00.
"""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path

import polars as pl
import pytest

from pipeline.ingest.cells import day_and_time
from pipeline.ingest.times import read_clock, to_utc
from pipeline.source_config import TimeFormat
from tests.small_fleet import SAMPLES, drop, opened, quarantined, take_in, text, write_fleet

STOCKHOLM = SAMPLES + '[time]\nzone = "Europe/Stockholm"\n'


def instants(cells: pl.Series, form: str = "iso", zone: str = "Europe/Stockholm") -> list[object]:
    time = TimeFormat(format=form, zone=zone)
    return to_utc(read_clock(cells, None, time), zone).early.to_list()


TEN = datetime(2026, 1, 5, 10, tzinfo=UTC)


@pytest.mark.parametrize(
    ("cell", "form", "expected"),
    [
        ("2026-01-05T10:00:00Z", "iso", TEN),
        ("2026-01-05 10:00:00Z", "iso", TEN),
        ("2026-01-05T11:00:00+01:00", "iso", TEN),
        ("2026-01-05T11:00:00+0100", "iso", TEN),
        ("2026-01-05T05:30:00.000-04:30", "iso", TEN),
        ("2026-01-05T11:00:00", "iso", TEN),
        (" 2026-01-05 11:00 ", "iso", TEN),
        ("2026-01-05T10:00:00.250z", "iso", TEN.replace(microsecond=250_000)),
        ("2026-01-05 11:00:00,123456789", "iso", TEN.replace(microsecond=123_456)),
        ("2026-01-05", "iso", datetime(2026, 1, 4, 23, tzinfo=UTC)),
        ("2026-02-30T10:00:00Z", "iso", None),
        ("2026-01-05T25:00:00Z", "iso", None),
        ("05/01/2026 10:00", "iso", None),
        ("1767607200", "epoch_s", TEN),
        ("1767607200.5", "epoch_s", TEN.replace(microsecond=500_000)),
        ("1767607200250", "epoch_ms", TEN.replace(microsecond=250_000)),
        ("1e300", "epoch_s", None),
        ("05.01.2026 11:00:00", "%d.%m.%Y %H:%M:%S", TEN),
        ("05.01.2026 11:00:00.25", "%d.%m.%Y %H:%M:%S.%f", TEN.replace(microsecond=250_000)),
        ("01/05/2026 11:00 AM", "%m/%d/%Y %I:%M %p", TEN),
        ("2026-01-05 12:00:00 +0200", "%Y-%m-%d %H:%M:%S %z", TEN),
        ("05.01.2026", "%d.%m.%Y", datetime(2026, 1, 4, 23, tzinfo=UTC)),
    ],
)
def test_one_stamp(cell: str, form: str, expected: datetime | None) -> None:
    assert instants(pl.Series([cell]), form) == [expected]


def test_shapes_mixed_in_one_column() -> None:
    cells = ["2026-01-05T10:00:00Z", "2026-01-05T11:00:00+01:00", "2026-01-05 11:00:00", "x", None]
    assert instants(pl.Series(cells)) == [TEN, TEN, TEN, None, None]


def test_typed_times_are_taken_as_they_are() -> None:
    naive = pl.Series([datetime(2026, 1, 5, 11)])
    aware = pl.Series([TEN]).dt.convert_time_zone("America/New_York")
    assert instants(naive) == instants(aware) == [TEN]
    assert instants(pl.Series([date(2026, 1, 5)])) == [datetime(2026, 1, 4, 23, tzinfo=UTC)]


def local_rows(*stamps: str, van: str = "a") -> list[str]:
    return [f"{van},{stamp},{index},1.5,4,0" for index, stamp in enumerate(stamps)]


def utc_times(folder: Path, content: str, rows_per_batch: int = 1000) -> list[str]:
    write_fleet(folder, {"logger": STOCKHOLM})
    drop(folder, "van_a.csv", content)
    with opened(folder) as (con, fleet):
        take_in(con, fleet, rows_per_batch=rows_per_batch)
        assert quarantined(con) == []
        found = con.sql("select strftime(sampled_at, '%H:%M') from samples order by file_row")
        return [stamp for (stamp,) in found.fetchall()]


FOLD = [f"2025-10-26 0{hour}:{minute}:00" for hour in (2,) for minute in range(10, 60, 10)]
BEFORE, AFTER = "2025-10-26 01:50:00", "2025-10-26 03:10:00"


@pytest.mark.parametrize("rows_per_batch", [1000, 3])
def test_the_hour_that_autumn_repeats(tmp_path: Path, rows_per_batch: int) -> None:
    """Twice through the hour: first at UTC+2, then, after the step back, at UTC+1."""
    content = text(*local_rows(BEFORE, *FOLD, *FOLD, AFTER))
    first = [f"00:{minute}" for minute in range(10, 60, 10)]
    second = [f"01:{minute}" for minute in range(10, 60, 10)]
    assert utc_times(tmp_path, content, rows_per_batch) == ["23:50", *first, *second, "02:10"]


@pytest.mark.parametrize("rows_per_batch", [1000, 4])
def test_each_vehicle_has_its_own_repeated_hour(tmp_path: Path, rows_per_batch: int) -> None:
    """The other van's single pass, later in the file, is not taken for the second."""
    content = text(*local_rows(BEFORE, *FOLD, *FOLD), *local_rows(BEFORE, *FOLD, AFTER, van="b"))
    got = utc_times(tmp_path, content, rows_per_batch)
    assert got[6:11] == [f"01:{minute}" for minute in range(10, 60, 10)]
    assert got[12:17] == [f"00:{minute}" for minute in range(10, 60, 10)]


def test_one_pass_through_the_repeated_hour_is_the_first(tmp_path: Path) -> None:
    got = utc_times(tmp_path, text(*local_rows(BEFORE, *FOLD, AFTER)))
    assert got == ["23:50", *(f"00:{minute}" for minute in range(10, 60, 10)), "02:10"]


def test_the_hour_that_spring_leaves_out(tmp_path: Path) -> None:
    write_fleet(tmp_path, {"logger": STOCKHOLM})
    stamps = ("2025-03-30 01:59:00", "2025-03-30 02:30:00", "2025-03-30 03:00:00")
    drop(tmp_path, "van_a.csv", text(*local_rows(*stamps)))
    with opened(tmp_path) as (con, fleet):
        report = take_in(con, fleet)
        assert quarantined(con) == [(3, "time_not_in_zone", "time", stamps[1])]
        assert "Europe/Stockholm" in report.problems[0].message
        times = con.sql("select strftime(sampled_at, '%H:%M') from samples order by 1").fetchall()
        assert times == [("00:59",), ("01:00",)]


def test_a_pattern_that_is_none_is_named(tmp_path: Path) -> None:
    write_fleet(tmp_path, {"logger": SAMPLES + '[time]\nformat = "%Q"\n'})
    drop(tmp_path, "van_a.csv", text(*local_rows("2026-01-05 10:00:00")))
    with opened(tmp_path) as (con, fleet):
        report = take_in(con, fleet)
        assert report.files_failed_n + report.rows_set_aside_n == 1


def test_day_and_time_of_day_in_two_columns(tmp_path: Path) -> None:
    source = SAMPLES.replace(
        'sampled_at = { column = "time" }', 'sampled_at = { column = "day", time_column = "clock" }'
    )
    source += '[time]\nformat = "%d.%m.%Y %H:%M"\nzone = "Europe/Berlin"\n'
    folder = write_fleet(tmp_path, {"logger": source})
    rows = ["05.01.2026,11:00", " 05.01.2026 , 11:01 ", ",11:02", "05.01.2026,", "05.01.2026,25:00"]
    lines = "".join(f"a,{row},50,1,4,0\n" for row in rows)
    drop(folder, "van_1.csv", "van,day,clock,soc,power,t_min,plugged\n" + lines)
    with opened(folder) as (con, fleet):
        report = take_in(con, fleet)
        stored = con.sql("select epoch(sampled_at) from samples order by 1").fetchall()
    assert [at for (at,) in stored] == [
        datetime(2026, 1, 5, 10, minute, tzinfo=UTC).timestamp() for minute in (0, 1)
    ]
    assert report.rows_set_aside_n == 3


@pytest.mark.parametrize(
    ("day", "time", "both"),
    [
        ("2026-01-05 00:00:00", "11:30:00", "2026-01-05 11:30:00"),
        ("2026-01-05", "1899-12-31 11:30:00", "2026-01-05 11:30:00"),
        ("2026-01-05", " ", None),
        (None, "11:30", None),
    ],
)
def test_days_and_times_of_workbooks(day: str | None, time: str | None, both: str | None) -> None:
    told = day_and_time(pl.Series([day], dtype=pl.String), pl.Series([time], dtype=pl.String))
    assert told.to_list() == [both]
