"""Rows set aside: shown by file and rule, written out to be mended, and counted once they are."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import duckdb
import polars as pl
import pytest
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.config import Fleet
from pipeline.ingest.raw import MAX_RAW_CHARS
from pipeline.ingest.returned import neutral
from pipeline.problems import ColdMinutesError
from pipeline.quarantine_view import exports, quarantine_lines
from tests.small_fleet import (
    SAMPLES,
    codes,
    drop,
    opened,
    quarantined,
    row,
    samples,
    take_in,
    text,
    write_fleet,
)

BAD = text(row(0), row(1, soc=140), row(2, soc="=cmd|' /C calc'!A0"), row(3, soc="\x1b[31m8"))


def exported(con: duckdb.DuckDBPyConnection) -> list[list[str]]:
    """Cells of the one file to mend."""
    made, left_n = exports(con, None, None, Path("mend.csv"))
    assert left_n == 0
    assert len(made) == 1
    return list(csv.reader(io.StringIO(made[0].text, newline="")))


def written(rows: list[list[str]], delimiter: str = ",") -> str:
    """Cells as a spreadsheet may save them."""
    out = io.StringIO()
    csv.writer(out, delimiter=delimiter).writerows(rows)
    return out.getvalue()


def mended(rows: list[list[str]], column: str, values: list[str]) -> list[list[str]]:
    """The rows with new values in one column."""
    at = rows[0].index(column)
    assert len(rows) == len(values) + 1
    return [rows[0]] + [
        [*r[:at], value, *r[at + 1 :]] for r, value in zip(rows[1:], values, strict=True)
    ]


def test_groups_by_file_and_rule_with_examples(tmp_path: Path) -> None:
    write_fleet(tmp_path)
    drop(tmp_path, "van_a.csv", BAD)
    drop(tmp_path, "van_b.csv", text(*(row(m, soc=200 + m, van="b") for m in range(5))))
    with opened(tmp_path) as (con, fleet):
        take_in(con, fleet)
        lines = list(quarantine_lines(con, None, None))
        assert lines[0] == "8 rows set aside in 2 files."
        assert "van_b.csv  (source logger)" in lines
        assert "  5 rows: out_of_range, column soc; expected soc_pct: 0 to 100 pct" in lines
        assert "      row 3: got '201'" in lines
        assert "      and 2 more" in lines
        only = list(quarantine_lines(con, "van_a.csv", "not_a_number"))
        assert only[0] == "2 rows set aside in 1 file."
        assert not any("van_b" in line for line in only)
        with pytest.raises(ColdMinutesError, match=r"no row is set aside for file 'van_x\.csv'"):
            list(quarantine_lines(con, "van_x.csv", None))


def test_the_command_escapes_what_would_steer_a_terminal(tmp_path: Path) -> None:
    write_fleet(tmp_path)
    drop(tmp_path, "van_\x1b[2Ja.csv", BAD)
    runner = CliRunner()
    assert runner.invoke(app, ["ingest", str(tmp_path)]).exit_code == 0
    done = runner.invoke(app, ["quarantine", str(tmp_path), "--export", str(tmp_path / "m.csv")])
    assert done.exit_code == 0, done.output
    assert "\x1b" not in done.output
    assert "3 rows; mend them" in done.output
    content = (tmp_path / "m.csv").read_text(encoding="utf-8-sig")
    assert "'=cmd" in content
    nowhere = str(tmp_path / "no" / "m.csv")
    refused = runner.invoke(app, ["quarantine", str(tmp_path), "--export", nowhere])
    assert refused.exit_code == 2
    assert "QUARANTINE-02" in refused.output


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("bom", ["", "\ufeff"])
def test_mended_rows_count(tmp_path: Path, delimiter: str, bom: str) -> None:
    write_fleet(tmp_path)
    drop(tmp_path, "van_a.csv", BAD)
    with opened(tmp_path) as (con, fleet):
        take_in(con, fleet)
        rows = mended(exported(con), "soc", ["14", "15", "16"])
        assert rows[1][0].startswith("out_of_range: soc got '140', expected soc_pct: 0 to 100 pct")
        assert rows[1][0].endswith("van_a.csv row 3")
        drop(tmp_path, "anything at all.csv", bom + written(rows, delimiter))
        report = take_in(con, fleet)
        assert codes(report) == []
        assert (report.rows_read_n, report.rows_used_n) == (3, 3)
        assert samples(con)["soc_pct"].to_list() == [50, 14, 15, 16]
        again = take_in(con, fleet)
        assert (again.files_new_n, again.rows_read_n) == (0, 0)


def test_rows_not_mended_are_set_aside_again_as_they_were(tmp_path: Path) -> None:
    write_fleet(tmp_path)
    drop(tmp_path, "van_a.csv", BAD)
    with opened(tmp_path) as (con, fleet):
        take_in(con, fleet)
        before = exported(con)
        drop(tmp_path, "back.csv", written(before))
        take_in(con, fleet)
        found = con.sql(
            "select raw_row, count(distinct file_path) as files_n, count(*) as rows_n "
            "from quarantine group by all"
        ).fetchall()
        assert [(files_n, rows_n) for _, files_n, rows_n in found] == [(2, 2)] * 3


FILE_NAMED = """
kind = "samples"
files = ["log_*.csv"]
vehicle = { file_name = 'log_(\\w+?)_' }
csv = { delimiter = ";", decimal = ",", encoding = "cp1252", skip_rows = 1 }
time = { format = "%d.%m.%Y %H:%M", zone = "Europe/Stockholm" }
[columns]
sampled_at = { column = "Zeit" }
soc_pct = { column = "Ladung %" }
ambient_degc = { column = "außen" }
"""


def test_vehicles_of_file_names_decimals_and_odd_columns_come_back(tmp_path: Path) -> None:
    write_fleet(tmp_path, {"log": FILE_NAMED})
    # Two files of one vehicle, the later one first by name: not in order when they come back.
    for name, day in (("log_v1_a.csv", 9), ("log_v1_b.csv", 5), ("log_v2_a.csv", 7)):
        content = f"Logger 7\nZeit;Ladung %;außen\n0{day}.01.2026 10:00;12x;-3,5\n"
        drop(tmp_path, name, content.encode("cp1252"))
    with opened(tmp_path) as (con, fleet):
        take_in(con, fleet)
        assert len(quarantined(con)) == 3
        rows = mended(exported(con), "Ladung %", ["12,5"] * 3)
        assert [r[rows[0].index("außen")] for r in rows[1:]] == ["-3,5"] * 3
        drop(tmp_path, "back.csv", written(rows, ";").encode("cp1252"))
        report = take_in(con, fleet)
        assert codes(report) == []
        got = con.sql(
            "select vehicle_id, sampled_at::varchar, soc_pct, ambient_degc "
            "from samples order by all"
        ).fetchall()
        assert got == [
            ("v1", "2026-01-05 09:00:00+00", 12.5, -3.5),
            ("v1", "2026-01-09 09:00:00+00", 12.5, -3.5),
            ("v2", "2026-01-07 09:00:00+00", 12.5, -3.5),
        ]


def test_parquet_and_workbook_rows_come_back(tmp_path: Path) -> None:
    write_fleet(tmp_path)
    frame = pl.DataFrame(
        {
            "van": ["a", "b"],
            "time": ["2026-01-05T10:00:00", "2026-01-05T10:01:00"],
            "soc": [140.0, 150.0],
            "power": [-1.5, 2.0],
            "t_min": [4, 5],
            "plugged": [True, False],
        }
    ).with_columns(pl.col("time").str.to_datetime())
    frame.write_parquet(tmp_path / "inbox" / "van_p.parquet")
    frame.with_columns(van=pl.lit("x")).write_excel(tmp_path / "inbox" / "van_x.xlsx")
    with opened(tmp_path) as (con, fleet):
        take_in(con, fleet)
        assert len(quarantined(con)) == 4
        rows = mended(exported(con), "soc", ["40"] * 4)
        drop(tmp_path, "back.csv", written(rows))
        report = take_in(con, fleet)
        assert codes(report) == []
        got = con.sql(
            "select vehicle_id, sampled_at::varchar, soc_pct, pack_power_kw, is_connected "
            "from samples order by all"
        ).fetchall()
        first, second = "2026-01-05 10:00:00+00", "2026-01-05 10:01:00+00"
        assert got == [
            ("a", first, 40.0, -1.5, True),
            ("b", second, 40.0, 2.0, False),
            ("x", first, 40.0, -1.5, True),
            ("x", second, 40.0, 2.0, False),
        ]


def test_each_source_gets_a_file_of_its_own(tmp_path: Path) -> None:
    other = SAMPLES.replace("van_*", "car_*")
    write_fleet(tmp_path, {"logger": SAMPLES, "cars": other})
    drop(tmp_path, "van_a.csv", BAD)
    drop(tmp_path, "car_a.csv", text(row(0, soc=101)))
    with opened(tmp_path) as (con, fleet):
        take_in(con, fleet)
        made, _ = exports(con, None, None, Path("out/mend.csv"))
        names = {one.path.name: one.rows_n for one in made}
        assert names == {"mend.cars.csv": 1, "mend.logger.csv": 3}


def test_rows_judged_late_in_another_batch_are_kept_too(tmp_path: Path) -> None:
    """A clock that jumps shows only by what follows, perhaps batches later."""
    rows = [row(minute, soc=minute) for minute in range(60)]
    rows[30] = row(500, soc=77)
    for rows_per_batch in (1, 7, 31, 32, 1000):
        folder = write_fleet(tmp_path / str(rows_per_batch))
        drop(folder, "van_a.csv", text(*rows))
        with opened(folder) as (con, fleet):
            take_in(con, fleet, rows_per_batch=rows_per_batch)
            kept = con.sql("select file_row, raw_row from quarantine").fetchall()
            assert [n for n, _ in kept] == [32]
            assert '"soc":"77"' in (kept[0][1] or "")


def test_a_row_too_long_is_counted_but_not_kept(tmp_path: Path) -> None:
    write_fleet(tmp_path)
    drop(tmp_path, "van_a.csv", text(row(0, soc="x" * (MAX_RAW_CHARS + 1)), row(1, soc=140)))
    with opened(tmp_path) as (con, fleet):
        take_in(con, fleet)
        made, left_n = exports(con, None, None, Path("m.csv"))
        assert left_n == 1
        assert [one.rows_n for one in made] == [1]
        assert con.sql("select max(length(raw_row)) < 4000 from quarantine").fetchall() == [(True,)]


def test_a_file_for_a_source_that_is_gone_is_told_of(tmp_path: Path) -> None:
    write_fleet(tmp_path)
    drop(tmp_path, "back.csv", '"why set aside (coldminutes, source nobody)",van\n"x",a\n')
    with opened(tmp_path) as (con, fleet):
        report = take_in(con, fleet)
        assert codes(report) == ["INGEST-01"]


@pytest.mark.parametrize(
    "cell", ["=1+1", "+x", "-x", "@a", "\t=1", "\r=1", "'", "'=1", "  =1", "\ufeff=1", "x", "-4.5"]
)
def test_neutral_cells_start_no_formula_and_can_be_restored(cell: str) -> None:
    told = neutral(cell)
    assert told == "-4.5" or not told.lstrip(" \ufeff").startswith(("=", "+", "-", "@", "\t", "\r"))
    assert told.removeprefix("'") == cell


def test_the_fleet_type_is_what_the_reader_gets(tmp_path: Path) -> None:
    """A returned file is read with the source's own rules, not with its file layout."""
    from pipeline.ingest.returned import returned_source

    folder = write_fleet(tmp_path, {"log": FILE_NAMED})
    path = drop(folder, "b.csv", '"why set aside (coldminutes, source log)";Zeit\n')
    with opened(folder) as (_, fleet):
        assert isinstance(fleet, Fleet)
        found = returned_source(path, fleet)
        assert found is not None
        source = found[1]
        assert (source.csv.delimiter, source.csv.decimal, source.csv.skip_rows) == (";", ",", 0)
        assert source.vehicle.column == "coldminutes_vehicle"
        assert source.time == fleet.sources["log"].time
