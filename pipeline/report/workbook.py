"""The workbook of an edition: one sheet per table, cells by type, and what the columns mean.

Nothing in it is ever a formula or a link, whatever a name from an export holds: every cell is
written as what its column is, never guessed from its text.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.report.table_notes import meaning_of
from pipeline.report.table_types import Kind, kind_of, unit_of
from pipeline.report.tables import Table, frame

if TYPE_CHECKING:
    from xlsxwriter.format import Format  # type: ignore[import-untyped]
    from xlsxwriter.workbook import Workbook  # type: ignore[import-untyped]
    from xlsxwriter.worksheet import Worksheet  # type: ignore[import-untyped]

MOST_ROWS = 1_048_575
"""Rows that a sheet holds below its head (ECMA-376 sheets end at row 1,048,576)."""
_FIRST_YEAR = 1900
_NARROWEST, _WIDEST = 9, 44
_NUMBER_FORMATS: dict[Kind, str] = {
    "date": "yyyy-mm-dd",
    "instant": "yyyy-mm-dd hh:mm:ss",
    "whole": "#,##0",
    "rate": "0.0%",
    "number": "#,##0.0##",
}
_LETTERS_WIDE: dict[Kind, int] = {"date": 11, "instant": 19, "whole": 9, "rate": 8, "number": 10}
_DEFINITIONS = (
    "The same figures as in tables/*.csv, tables/*.parquet, summary.json and the report. Rates are "
    "shares of 0 to 1, shown in per cent. An empty cell is not known, never 0; a column ending in "
    "_why or _why_null says why.",
    "Minutes are minutes of charging; small negative ones stay. avoidable_min and unavoidable_min "
    "add up to lost_cold_min; lost_cold_min, lost_site_min and lost_unexplained_min to excess_min. "
    "held_back_min is a part of lost_unexplained_min. Cash and valued time are never added.",
    "Rates count stops of evidence grade A or B that needed warming: hit_rate is warmed_n, "
    "start_rate warmed_n + part_warmed_n, both over needed_warming_n; with 95 % Wilson intervals.",
    "Instants are UTC; days are the fleet's own. Rentals show a day and never a time or a driver. "
    "Text is never a formula.",
)


def workbook_bytes(
    tables: Sequence[Table],
    *,
    title: str,
    week_id: str,
    currency: str,
    time_zone: str,
    method_version: str,
    version: str,
    instant: datetime,
) -> bytes:
    """The ``.xlsx`` file; equal tables and dates give equal bytes.

    Parameters
    ----------
    tables
        One sheet each, in this order, after the notes.
    title, week_id, currency, time_zone, method_version, version
        Printed in the notes.
    instant
        Date of the file; the only one in it.

    Notes
    -----
    A sheet holds `MOST_ROWS`; of a longer table the first ones stand there and its notes say so.
    """
    from xlsxwriter import Workbook  # type: ignore[import-untyped]

    stream = io.BytesIO()
    book = Workbook(
        stream,
        {
            "in_memory": True,
            "strings_to_formulas": False,
            "strings_to_urls": False,
            "strings_to_numbers": False,
        },
    )
    # Office reads these as UTC.
    created = instant.astimezone(UTC).replace(tzinfo=None)
    book.set_properties({"title": title[:255], "created": created})
    frames = {table.name: frame(table) for table in tables}
    facts = (
        ("Week", week_id),
        ("Currency", currency),
        ("Time zone of the days", time_zone),
        ("Method", method_version),
        ("Made by", f"coldminutes {version}"),
    )
    _notes(book, title, facts, frames)
    formats = {
        kind: book.add_format({"num_format": text}) for kind, text in _NUMBER_FORMATS.items()
    }
    head = book.add_format({"bold": True, "text_wrap": True, "valign": "top", "bottom": 1})
    for name, rows in frames.items():
        _sheet(book.add_worksheet(name), rows, formats, head)
    book.close()
    return stream.getvalue()


def _notes(
    book: Workbook,
    title: str,
    facts: Sequence[tuple[str, str]],
    frames: dict[str, pl.DataFrame],
) -> None:
    """The first sheet: which week, what the figures mean, and every column of every table."""
    sheet = book.add_worksheet("notes")
    bold = book.add_format({"bold": True})
    large = book.add_format({"bold": True, "font_size": 14})
    wrapped = book.add_format({"text_wrap": True, "valign": "top"})
    ruled = book.add_format({"bold": True, "bottom": 1})
    for at, letters in enumerate((24, 34, 22, 90)):
        sheet.set_column(at, at, letters)
    _text(sheet, 0, 0, title, large)
    for row, (label, value) in enumerate(facts, 1):
        _text(sheet, row, 0, label, bold)
        _text(sheet, row, 1, value)
    row = len(facts) + 2
    for sentence in _DEFINITIONS:
        sheet.merge_range(row, 0, row, 3, "", wrapped)
        _text(sheet, row, 0, sentence, wrapped)
        sheet.set_row(row, 32)
        row += 1
    for name, rows in frames.items():
        if rows.height > MOST_ROWS:
            text = f"Sheet {name} holds the first {MOST_ROWS:,} of {rows.height:,} rows; the whole "
            _text(sheet, row, 0, f"{text}table is in tables/{name}.csv.", bold)
            row += 1
    row += 1
    for at, label in enumerate(("sheet", "column", "unit", "meaning")):
        _text(sheet, row, at, label, ruled)
    first = row
    for name, rows in frames.items():
        for column in rows.columns:
            row += 1
            for at, text in enumerate((name, column, unit_of(column), meaning_of(column))):
                _text(sheet, row, at, text)
    sheet.autofilter(first, 0, row, 3)


def _sheet(sheet: Worksheet, rows: pl.DataFrame, formats: dict[Kind, Format], head: Format) -> None:
    shown = rows.head(MOST_ROWS)
    for at, column in enumerate(shown.columns):
        kind = kind_of(column)
        _text(sheet, 0, at, column, head)
        values = shown[column]
        sheet.set_column(at, at, _width(column, kind, values), formats.get(kind))
        for row, value in enumerate(values.to_list(), 1):
            if value is not None:
                _cell(sheet, row, at, value, kind, formats.get(kind))
    sheet.freeze_panes(1, 1)
    sheet.autofilter(0, 0, max(shown.height, 1), max(shown.width - 1, 0))


def _cell(sheet: Worksheet, row: int, at: int, value: Any, kind: Kind, look: Format | None) -> None:
    if kind == "flag":
        sheet.write_boolean(row, at, value, look)
    elif kind == "instant" and value.year >= _FIRST_YEAR:
        sheet.write_datetime(row, at, value.astimezone(UTC).replace(tzinfo=None), look)
    elif kind == "date" and value.year >= _FIRST_YEAR:
        sheet.write_datetime(row, at, value, look)
    elif kind in ("whole", "rate", "number"):
        sheet.write_number(row, at, value, look)
    else:
        _text(sheet, row, at, value.isoformat() if isinstance(value, date) else value, look)


def _text(sheet: Worksheet, row: int, at: int, text: str, look: Format | None = None) -> None:
    # As text whatever it looks like; the library cuts what is longer than a cell holds.
    sheet.write_string(row, at, text, look)


def _width(column: str, kind: Kind, values: pl.Series) -> int:
    """Letters: a word of the head, or the longest text, within bounds."""
    longest = max(len(part) for part in column.split("_")) + 4
    if kind == "text":
        lengths = values.str.len_chars().drop_nulls().to_list()
        longest = max(longest, max(lengths, default=0) + 2)
    return max(_NARROWEST, min(_WIDEST, max(longest, _LETTERS_WIDE.get(kind, 0))))
