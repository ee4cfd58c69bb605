"""The workbook and the Parquet files: types, looks, nothing that runs, equal bytes.

Read back by openpyxl and, for what no reader shows, from the parts of the file itself
(ECMA-376: a formula is an ``f`` in a cell, a link a ``hyperlink`` of the sheet).
"""

from __future__ import annotations

import io
import re
import zipfile
from datetime import UTC, date, datetime
from typing import Any

import openpyxl
import polars as pl
import pytest
from report_data import WEEK, fleet_of, week

from pipeline.report import workbook
from pipeline.report.table_notes import MEANINGS, meaning_of
from pipeline.report.table_types import DTYPES, kind_of, typed, unit_of
from pipeline.report.tables import Table, edition_tables, frame, parquet_bytes
from pipeline.report.weekdata import read_week
from pipeline.report.workbook import workbook_bytes

INSTANT = datetime(2026, 1, 18, 23, tzinfo=UTC)
NO_UNIT = {
    "cold_value", "soc_bin", "bill_file_row", "example_row", "first_file_row", "last_file_row",
}  # fmt: skip


def made(tables: list[Table], **changes: Any) -> bytes:
    facts: dict[str, Any] = {
        "title": "Norrvind: Cold Minutes, 2026-W03",
        "week_id": WEEK,
        "currency": "EUR",
        "time_zone": "Europe/Stockholm",
        "method_version": "1.1",
        "version": "1",
        "instant": INSTANT,
    }
    return workbook_bytes(tables, **(facts | changes))


def tables_of_week(kind: str) -> list[Table]:
    con, _ = week(kind)
    return edition_tables(read_week(con, WEEK, fleet_of()))


@pytest.fixture(scope="module")
def hostile() -> bytes:
    return made(tables_of_week("hostile"), title='=cmd|" /C calc"!A0')


def opened(content: bytes) -> Any:
    return openpyxl.load_workbook(io.BytesIO(content))


def test_every_column_has_a_note_and_every_number_a_unit() -> None:
    columns = {column for table in tables_of_week("none") for column in table.columns}
    for column in columns:
        assert meaning_of(column)
        is_bare = column in NO_UNIT or column.endswith("_value")
        if kind_of(column) in ("number", "whole", "rate") and not is_bare:
            assert unit_of(column), column
    assert set(MEANINGS) <= columns, "a note of a column that no table has"


@pytest.mark.parametrize(
    ("column", "kind"),
    [
        ("plug_in_utc", "instant"),
        ("plug_in_date", "date"),
        ("hit_rate_high", "rate"),
        ("can_warm", "flag"),
        ("soc_bin", "whole"),
        ("size_bytes", "whole"),
        ("worth_time", "number"),
        ("break_even_per_hour", "number"),
        ("lost_why_null", "text"),
        ("column_name", "text"),
        ("cold_form", "text"),
    ],
)
def test_kinds(column: str, kind: str) -> None:
    assert kind_of(column) == kind


@pytest.mark.parametrize(
    ("value", "column", "expected"),
    [
        (float("nan"), "lost_min", None),
        (float("inf"), "lost_min", None),
        (-0.00001, "lost_min", 0.0),
        (0.12345, "hit_rate", 0.1235),
        (1.23456, "lost_min", 1.235),
        ("a\tb\x00c\ud800", "site_name", "a b c"),
        (
            datetime(2026, 1, 1, 8, 0, 0, 999_999),
            "plug_in_utc",
            datetime(2026, 1, 1, 8, tzinfo=UTC),
        ),
        (datetime(2026, 1, 1, 8), "plug_in_date", date(2026, 1, 1)),
    ],
)
def test_typed(value: Any, column: str, expected: Any) -> None:
    assert typed(value, column) == expected


def test_nothing_runs_and_nothing_links(hostile: bytes) -> None:
    with zipfile.ZipFile(io.BytesIO(hostile)) as parts:
        for name in parts.namelist():
            text = parts.read(name).decode("utf-8")
            if name.startswith("xl/worksheets/"):
                assert not re.search(r"<(f|hyperlink|hyperlinks)\b", text), name
            assert "TargetMode" not in text, "no link out of the file"
        assert not [name for name in parts.namelist() if "externalLink" in name]
    book = opened(hostile)
    assert book["notes"]["A1"].data_type == "s"
    assert book["notes"]["A1"].value.startswith("=cmd")
    names = [row[1] for row in book["vehicles"].iter_rows(min_row=2)]
    cell = next(each for each in names if str(each.value).startswith("=HYPERLINK"))
    assert cell.value == '=HYPERLINK("http://x","y")'
    assert cell.data_type == "s"
    assert cell.hyperlink is None


def test_cells_are_typed_and_shown_as_what_they_are(hostile: bytes) -> None:
    book = opened(hostile)
    assert book.sheetnames[:3] == ["notes", "stops", "vehicles"]
    stops = book["stops"]
    at = {cell.value: cell.column for cell in stops[1]}
    seen = set()
    for row in stops.iter_rows(min_row=2):
        for column, index in at.items():
            cell = row[index - 1]
            if cell.value is None:
                continue
            kind = kind_of(column)
            seen.add(kind)
            expected = {"flag": "b", "date": "d", "instant": "d", "text": "s"}.get(kind, "n")
            assert cell.data_type == expected, (column, cell.value)
    assert {"flag", "date", "instant", "number", "whole", "text"} <= seen
    vehicles = book["vehicles"]
    at = {cell.value: cell.column for cell in vehicles[1]}
    rates = [row[at["hit_rate"] - 1] for row in vehicles.iter_rows(min_row=2)]
    rates = [cell for cell in rates if cell.value is not None]
    assert rates
    for cell in rates:
        assert 0 <= cell.value <= 1
        assert cell.number_format == "0.0%"
    assert stops.cell(2, 1).number_format == "General"


def test_sheets_can_be_read(hostile: bytes) -> None:
    book = opened(hostile)
    for sheet in book.worksheets[1:]:
        assert sheet.freeze_panes == "B2", sheet.title
        last = openpyxl.utils.get_column_letter(sheet.max_column)
        assert sheet.auto_filter.ref == f"A1:{last}{max(sheet.max_row, 2)}"
        for index in range(1, sheet.max_column + 1):
            width = sheet.column_dimensions[openpyxl.utils.get_column_letter(index)].width
            # openpyxl groups equal neighbours under the first; those say 13, its default.
            assert width == 13 or 8 < width < 46
        assert sheet.cell(1, 1).font.bold
    notes = [[cell.value for cell in row] for row in book["notes"].iter_rows()]
    assert ["Currency", "EUR", None, None] in notes
    assert ["vehicles", "hit_rate", "0 to 1, shown in %", meaning_of("hit_rate")] in notes
    described = {(row[0], row[1]) for row in notes}
    for sheet in book.worksheets[1:]:
        for cell in sheet[1]:
            assert (sheet.title, cell.value) in described


def test_equal_bytes_and_one_date(hostile: bytes) -> None:
    assert made(tables_of_week("hostile"), title='=cmd|" /C calc"!A0') == hostile
    with zipfile.ZipFile(io.BytesIO(hostile)) as parts:
        assert {info.date_time for info in parts.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        stamps = re.findall(r"\d{4}-\d\d-\d\dT[\d:]+Z", parts.read("docProps/core.xml").decode())
    assert set(stamps) == {"2026-01-18T23:00:00Z"}
    first, second = (
        [parquet_bytes(table) for table in tables_of_week("hostile")] for _ in range(2)
    )
    assert first == second


def test_parquet_is_typed_even_without_rows() -> None:
    for table in tables_of_week("none"):
        read = pl.read_parquet(io.BytesIO(parquet_bytes(table)))
        assert read.schema == {column: DTYPES[kind_of(column)] for column in table.columns}
        assert read.height == len(table.rows)


def test_limits_of_a_sheet(monkeypatch: pytest.MonkeyPatch) -> None:
    columns = {"site_name": "site_name", "plug_in_date": "plug_in_date"}
    rows = [
        {"site_name": "x" * 40_000, "plug_in_date": date(1899, 12, 31)},
        {"site_name": "second", "plug_in_date": date(2026, 1, 2)},
        {"site_name": "third", "plug_in_date": None},
    ]
    table = Table("sites", columns, rows)
    assert frame(table).height == 3
    monkeypatch.setattr(workbook, "MOST_ROWS", 2)
    book = opened(made([table]))
    assert [row[0] for row in book["sites"].iter_rows(min_row=2, values_only=True)] == [
        "x" * 32_767,
        "second",
    ]
    assert book["sites"]["B2"].value == "1899-12-31", "spreadsheets have no days before 1900"
    assert book["sites"]["B3"].value == datetime(2026, 1, 2)
    told = " ".join(str(cell.value) for row in book["notes"].iter_rows() for cell in row)
    assert "Sheet sites holds the first 2 of 3 rows" in told
