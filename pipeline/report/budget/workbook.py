"""The tables of a budget as one workbook: typed cells, nothing that a spreadsheet would run."""

from __future__ import annotations

import io
from datetime import UTC, datetime

import polars as pl

from pipeline.budget.summary import SEASON_ID
from pipeline.config import Fleet
from pipeline.report.budget.data import BudgetPaper
from pipeline.report.filters import one_line

_MOST_LETTERS = 32_767
"""Letters that a cell holds (as `pipeline.report.workbook` has it)."""

_SENTENCES = (
    "p10, p50 and p90: one simulated winter in ten is below the first, half below the second, nine "
    "in ten below the third. Percentiles of months do not add up to the season's; means do.",
    "cost is warming_cost + cold_fees, cash only. driver_min are minutes that were not spent "
    "anyway; they are never valued in these tables.",
    "budget_differences are taken winter by winter: far sharper than a difference of two rows.",
    "An empty cell is not known, never 0. Text is never a formula.",
)


def budget_workbook(
    frames: dict[str, pl.DataFrame],
    paper: BudgetPaper,
    fleet: Fleet,
    *,
    instant: datetime,
    version: str,
    method_version: str,
) -> bytes:
    """The ``.xlsx`` file; equal tables and dates give equal bytes."""
    from xlsxwriter import Workbook  # type: ignore[import-untyped]

    stream = io.BytesIO()
    never = {f"strings_to_{what}": False for what in ("formulas", "urls", "numbers")}
    book = Workbook(stream, {"in_memory": True, **never})
    title = f"{one_line(fleet.settings.operator)}: winter budget {paper.season_id}"
    # Office reads this as UTC.
    created = instant.astimezone(UTC).replace(tzinfo=None)
    book.set_properties({"title": title[:255], "created": created})
    bold = book.add_format({"bold": True})
    figure = book.add_format({"num_format": "#,##0.0##"})
    notes = book.add_worksheet("notes")
    notes.set_column(0, 0, 24)
    notes.set_column(1, 1, 100)
    notes.write_string(0, 0, title[:_MOST_LETTERS], bold)
    facts = (
        ("Known on the morning of", paper.as_of.isoformat()),
        ("Simulated winters", str(paper.winters_n)),
        ("Currency", fleet.settings.currency),
        ("Method", method_version),
        ("Made by", f"coldminutes {version}"),
    )
    for row, (what, value) in enumerate(facts, 1):
        notes.write_string(row, 0, what, bold)
        notes.write_string(row, 1, value)
    for row, sentence in enumerate(_SENTENCES, len(facts) + 2):
        notes.write_string(row, 0, sentence)
    for name, whole in frames.items():
        # Months of every vehicle would be tens of thousands of rows: they stand in the CSV.
        rows = whole.filter(pl.col("month_id") == SEASON_ID) if name == "budget_units" else whole
        sheet = book.add_worksheet(name)
        for at, column in enumerate(rows.columns):
            sheet.write_string(0, at, column, bold)
            sheet.set_column(at, at, 16 if rows[column].dtype == pl.String else 12)
            for row, value in enumerate(rows[column].to_list(), 1):
                if value is None or value != value:
                    continue
                if isinstance(value, bool):
                    sheet.write_boolean(row, at, value)
                elif isinstance(value, int | float):
                    sheet.write_number(row, at, value, figure)
                else:
                    sheet.write_string(row, at, one_line(value)[:_MOST_LETTERS])
        sheet.freeze_panes(1, 1)
        sheet.autofilter(0, 0, max(rows.height, 1), max(rows.width - 1, 0))
    book.close()
    return stream.getvalue()
