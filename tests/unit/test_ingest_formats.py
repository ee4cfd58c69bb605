"""The same rows through every format, and what a source's mapping does to cells."""

from __future__ import annotations

import gzip
import io
import zipfile
from datetime import datetime
from pathlib import Path

import polars as pl
import pytest
import xlsxwriter

from tests.small_fleet import (
    HEADER,
    SAMPLES,
    drop,
    opened,
    quarantined,
    row,
    samples,
    take_in,
    text,
    write_fleet,
)

PLAIN = text(row(0, soc=50.5), row(1, soc=51), row(2, soc="", plugged=1))


def taken(folder: Path, name: str, content: str | bytes, source: str = SAMPLES) -> pl.DataFrame:
    """Samples of one file through one source."""
    write_fleet(folder, {"logger": source})
    drop(folder, name, content)
    with opened(folder) as (con, fleet):
        report = take_in(con, fleet)
        assert report.problems == []
        return samples(con)


@pytest.fixture
def expected(tmp_path: Path) -> pl.DataFrame:
    """What the plain file gives."""
    return taken(tmp_path / "plain", "van_a.csv", PLAIN)


def test_plain(expected: pl.DataFrame) -> None:
    assert expected["soc_pct"].to_list() == [50.5, 51.0, None]
    assert expected["is_connected"].to_list() == [False, False, True]
    assert expected["pack_power_kw"].to_list() == [1.5] * 3


def as_zip(content: str) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("export/van_a.csv", content)
        archive.writestr("readme.txt", "not an export")
    return out.getvalue()


@pytest.mark.parametrize(
    ("name", "content", "extra"),
    [
        ("van_a.csv.gz", gzip.compress(PLAIN.encode(), mtime=0), ""),
        ("van_a.csv", PLAIN.replace("\n", "\r\n"), ""),
        ("van_a.csv", PLAIN.rstrip("\n"), ""),
        ("van_a.csv", PLAIN.replace("\n", "\r"), ""),
        ("van_a.csv", "\ufeff" + PLAIN, ""),
        ("VAN_A.CSV", PLAIN, ""),
        ("van_a.csv", PLAIN.encode("utf-16"), '[csv]\nencoding = "utf-16"\n'),
        ("van_a.csv", "made by a logger\n\n" + PLAIN, "[csv]\nskip_rows = 2\n"),
        ("van_a.csv", PLAIN.replace(",", "\t"), '[csv]\ndelimiter = "\\t"\n'),
        ("van_a.csv", PLAIN.replace(",0\n", ",'0'\n"), '[csv]\nquote = "\'"\n'),
        (
            "van_a.csv",
            PLAIN.replace(",", ";").replace(".", ","),
            '[csv]\ndelimiter = ";"\ndecimal = ","\n',
        ),
        ("van_a.zip", as_zip(PLAIN), ""),
    ],
    # Archives hold the time they were made at, which must not become a test's name.
    ids=lambda value: value[:12] if isinstance(value, str) else "bytes",
)
def test_every_way_to_write_the_same_text(
    tmp_path: Path, expected: pl.DataFrame, name: str, content: str | bytes, extra: str
) -> None:
    source = SAMPLES.replace("[vehicle]", 'members = ["van*"]\n[vehicle]') + extra
    got = taken(tmp_path / "other", name, content, source)
    assert got.equals(expected)


def test_latin_1_names(tmp_path: Path) -> None:
    content = text(row(0, van="Åre"), row(1, van="Åre")).encode("latin-1")
    got = taken(tmp_path, "van_a.csv", content, SAMPLES + '[csv]\nencoding = "latin-1"\n')
    assert got["vehicle_id"].to_list() == ["Åre", "Åre"]


def test_two_forms_of_one_unicode_name_are_one_vehicle(tmp_path: Path) -> None:
    got = taken(tmp_path, "van_a.csv", text(row(0, van="A\u030are"), row(1, van=" \u00c5re ")))
    assert got["vehicle_id"].to_list() == ["Åre", "Åre"]


def test_rows_are_counted_as_in_an_editor(tmp_path: Path) -> None:
    content = "title\n" + HEADER + "\n" + row(0) + "\n\n" + row(1, soc=140) + "\n"
    write_fleet(tmp_path, {"logger": SAMPLES + "[csv]\nskip_rows = 1\n"})
    drop(tmp_path, "van_a.csv", content)
    with opened(tmp_path) as (con, fleet):
        report = take_in(con, fleet)
        assert quarantined(con)[0][0] == 5
        assert report.rows_read_n == 2
        assert con.sql("select file_row from samples").fetchall() == [(3,)]


def test_parquet_with_the_units_of_another_country(tmp_path: Path) -> None:
    """degF, mph, mi, epoch in milliseconds; typed columns, an integer for the vehicle."""
    frame = pl.DataFrame(
        {
            "unit no": [7, 7, 7],
            "ms": [1767607200000, 1767607210000, 1767607220000],
            "temp": [50.0, float("nan"), -40.0],
            "mph": [10, 0, 255],
            "odo": [100.0, 100.0, None],
            "charging": [True, False, None],
            "soc": [0.5, 0.51, 0.52],
        }
    )
    source = """
    kind = "samples"
    files = ["*.parquet"]
    [vehicle]
    column = "unit no"
    [time]
    format = "epoch_ms"
    [columns]
    sampled_at = { column = "ms" }
    ambient_degc = { column = "temp", unit = "degF" }
    speed_kmh = { column = "mph", unit = "mph", null_values = ["255"] }
    odometer_km = { column = "odo", unit = "mi" }
    is_connected = { column = "charging" }
    soc_pct = { column = "soc", unit = "fraction" }
    """
    path = write_fleet(tmp_path, {"other": source}) / "inbox" / "x.parquet"
    frame.write_parquet(path)
    with opened(tmp_path) as (con, fleet):
        report = take_in(con, fleet)
        got = samples(con)
        assert got["vehicle_id"].to_list() == ["7"] * 3
        assert got["sampled_at"].dt.to_string("%H:%M:%S").to_list() == [
            "10:00:00",
            "10:00:10",
            "10:00:20",
        ]
        assert report.problems == []
        assert got["ambient_degc"].to_list() == [pytest.approx(10.0), None, pytest.approx(-40.0)]
        assert got["speed_kmh"].to_list()[0] == pytest.approx(16.09344)
        assert got["speed_kmh"].to_list()[2] is None
        assert got["odometer_km"].to_list()[0] == pytest.approx(160.9344)
        assert got["is_connected"].to_list() == [True, False, None]
        assert got["soc_pct"].to_list() == [pytest.approx(v) for v in (50.0, 51.0, 52.0)]


def test_a_workbook_with_two_sheets_feeds_two_sources(tmp_path: Path) -> None:
    path = tmp_path / "inbox" / "week.xlsx"
    write_fleet(tmp_path, {"charges": CHARGES, "roster": ROSTER}, sites=SITES, drivers=DRIVERS)
    book = xlsxwriter.Workbook(path, {"default_date_format": "yyyy-mm-dd hh:mm"})
    sheet = book.add_worksheet("Laddning")
    sheet.write_row(2, 0, ["Bil", "Start", "Slut", "kWh", "Plats", "Typ", "Strypt"])
    cells = ["V1", datetime(2026, 1, 5, 11), datetime(2026, 1, 5, 12), 30.5, "KIOSKEN ", "Snabb"]
    sheet.write_row(3, 0, [*cells, "ja"])
    sheet.write_row(5, 0, ["V1", "2026-01-06 11:00", "2026-01-06 10:00", "4,5", "Elsewhere", "AC"])
    roster = book.add_worksheet("Pass")
    roster.write_row(0, 0, ["Bil", "Från", "Till", "Vem"])
    roster.write_row(1, 0, ["V1", datetime(2026, 1, 5), "", "kim"])
    book.close()
    with opened(tmp_path) as (con, fleet):
        report = take_in(con, fleet)
        assert report.files_new_n == 2
        charge = (
            con.sql("select * exclude (file_id) from reported_sessions").pl().row(0, named=True)
        )
        assert charge["plug_in_at"].strftime("%H:%M") == "10:00"
        assert charge["meter_energy_kwh"] == 30.5
        assert charge["site_id"] == "kiosk"
        assert charge["charge_mode"] == "dc"
        assert charge["is_held_back_by_site"] is True
        assert charge["file_row"] == 4
        assert [(n, rule) for n, rule, _, _ in quarantined(con)] == [(6, "ends_before_start")]
        span = con.sql("select driver_id, year(to_at) from driver_spans").fetchall()
        assert span == [("d1", 2100)]
        weeks = con.sql("select week_id from dirty_weeks order by 1").fetchall()
        assert weeks[0] == ("2026-W01",)  # 36 h before Monday 5 January
        assert weeks[-1] == ("2026-W06",)  # 36 h after now, Sunday 1 February
        assert len(weeks) == 6


CHARGES = """
kind = "sessions"
files = ["*.xlsx"]
sheet = "Laddning"
[vehicle]
column = "Bil"
[csv]
skip_rows = 2
decimal = ","
[time]
zone = "Europe/Stockholm"
[columns]
plug_in_at = { column = "Start" }
plug_out_at = { column = "Slut" }
meter_energy_kwh = { column = "kWh" }
site_id = { column = "Plats" }
charge_mode = { column = "Typ", values = { Snabb = "DC" } }
is_held_back_by_site = { column = "Strypt", values = { ja = "true", nej = "false" } }
"""
ROSTER = """
kind = "driver_spans"
files = ["week.xlsx"]
sheet = "Pass"
[vehicle]
column = "Bil"
[time]
zone = "Europe/Stockholm"
[columns]
from_at = { column = "Från" }
to_at = { column = "Till" }
driver_id = { column = "Vem" }
"""
SITES = '[sites.kiosk]\nname = "The Kiosk"\naliases = ["Kiosken"]\n'
DRIVERS = '[drivers.d1]\nname = "Kim"\n'


def test_a_sheet_that_is_not_there(tmp_path: Path) -> None:
    write_fleet(tmp_path, {"charges": CHARGES})
    book = xlsxwriter.Workbook(tmp_path / "inbox" / "week.xlsx")
    book.add_worksheet("Other")
    book.close()
    with opened(tmp_path) as (con, fleet):
        report = take_in(con, fleet)
        assert "no sheet 'Laddning'; it has 'Other'" in report.problems[0].message


def test_power_from_current_and_voltage_with_the_sign_of_the_export(tmp_path: Path) -> None:
    source = """
    kind = "samples"
    files = ["*.csv"]
    [vehicle]
    file_name = "van_(.+)\\\\.csv"
    [columns]
    sampled_at = { column = "t" }
    pack_current_a = { column = "i", sign = "discharge_positive" }
    pack_voltage_v = { column = "u" }
    charge_mode = { value = "DC" }
    """
    content = "t,i,u\n2026-01-05T10:00:00Z,-50,400\n2026-01-05T10:00:10Z,10,400\n"
    content += "2026-01-05T10:00:20Z,,400\n"
    got = taken(tmp_path, "van_17.csv", content, source)
    assert got["vehicle_id"].to_list() == ["17"] * 3
    assert got["pack_power_kw"].to_list() == [20.0, -4.0, None]
    assert got["pack_current_a"].to_list() == [50.0, -10.0, None]
    assert got["charge_mode"].to_list() == ["dc"] * 3


def test_a_name_without_the_vehicle_that_should_be_in_it(tmp_path: Path) -> None:
    source = SAMPLES.replace('column = "van"', 'file_name = "van_(\\\\d+)"')
    write_fleet(tmp_path, {"logger": source})
    drop(tmp_path, "van_x.csv", PLAIN)
    with opened(tmp_path) as (con, fleet):
        report = take_in(con, fleet)
        assert [p.code for p in report.problems] == ["INGEST-11"]


def test_navigation_events(tmp_path: Path) -> None:
    source = """
    kind = "nav_events"
    files = ["nav*.csv"]
    [vehicle]
    column = "v"
    [columns]
    happened_at = { column = "t" }
    action = { column = "what", values = { start = "set", stop = "cleared" } }
    is_charging_place = { column = "charger" }
    """
    write_fleet(tmp_path, {"nav": source})
    rows = ["a,2026-01-05T10:00:00Z,start,yes", "a,2026-01-05T10:05:00Z,Cleared,"]
    head = "v,t,what,charger"
    drop(tmp_path, "nav1.csv", "\n".join([head, *rows, rows[0], "a,2026-01-05T10:06:00Z,pause,no"]))
    drop(tmp_path, "nav2.csv", "\n".join([head, rows[1], "a,2026-01-05T10:05:00Z,start,no"]))
    with opened(tmp_path) as (con, fleet):
        report = take_in(con, fleet)
        got = con.sql("select action, is_charging_place from nav_events order by file_id, file_row")
        assert got.fetchall() == [("set", True), ("cleared", None), ("set", False)]
        assert report.rows_repeated_n == 2
        assert quarantined(con) == [(5, "not_in_list", "what", "pause")]


def test_the_thousands_point_is_not_guessed_at(tmp_path: Path) -> None:
    """With a decimal comma, 1.234 could be a thousand: it is set aside, not read as 1.234."""
    write_fleet(tmp_path, {"logger": SAMPLES + '[csv]\ndelimiter = ";"\ndecimal = ","\n'})
    content = text(row(0, power="1.234"), row(1, power="-2|5")).replace(",", ";")
    drop(tmp_path, "van_a.csv", content.replace("|", ","))
    with opened(tmp_path) as (con, fleet):
        take_in(con, fleet)
        assert quarantined(con) == [(2, "not_a_number", "power", "1.234")]
        assert samples(con)["pack_power_kw"].to_list() == [-2.5]


def test_numbers_that_mean_no_reading_in_whatever_shape(tmp_path: Path) -> None:
    source = SAMPLES.replace('column = "t_min"', 'column = "t_min", null_values = ["255", "n.a."]')
    cells = ("255", "255.0", " 255", "n.a.", "25.5")
    got = taken(
        tmp_path, "van_a.csv", text(*(row(m, t_min=c) for m, c in enumerate(cells))), source
    )
    assert got["cell_temp_min_degc"].to_list() == [None] * 4 + [25.5]
