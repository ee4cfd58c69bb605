"""The tables of a group report as CSV, workbook and summary; people are in none of them."""

from __future__ import annotations

import io
import json
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

from pipeline.group.figures import FIGURES, Group
from pipeline.group.page import attention_rows
from pipeline.group.words import total_of
from pipeline.report.filters import one_line
from pipeline.report.rows import finding
from pipeline.report.table_types import rounded
from pipeline.report.tables import Table, csv_text, frame
from pipeline.report.weekdata import Row

SCHEMA_VERSION = 1
_FLEETS = (
    "fleet_name", "folder_name", "time_zone", "currency", "vehicles_n", "silent_n", *FIGURES,
)  # fmt: skip
_ATTENTION = (
    "fleet_name", "kind", "subject_id", "subject", "code", "lost_cold_min", "avoidable_min",
    "worth_min", "worth_low_min", "worth_high_min", "stops_n", "evidence", "advice",
)  # fmt: skip
_MISSING = ("fleet_name", "why", "detail")
_ADDED = (
    "stops_n", "needed_warming_n", "warmed_n", "part_warmed_n", "not_warmed_n", "lost_cold_min",
    "avoidable_min", "warming_kwh",
)  # fmt: skip
_NOTES = (
    "Each row of sheet fleets is a fleet's own week: cut in its own time zone, by its own settings "
    "and prices. Costs are in the currency beside them; sums over currencies are never made.",
    "Rates are shares of 0 to 1; an empty cell is not known, never 0. Text is never a formula.",
)


def group_tables(group: Group) -> list[Table]:
    """Fleets, findings of vehicles and sites, and fleets that are not in the other two."""
    fleets = [
        {
            "fleet_name": member.label,
            "folder_name": member.fleet.folder.name,
            "time_zone": member.fleet.settings.time_zone,
            "currency": member.fleet.settings.currency,
            **member.figures,
        }
        for member in group.members
    ]
    missing = [
        {"fleet_name": each.label, "why": each.why, "detail": each.detail} for each in group.missing
    ]
    return [
        Table("fleets", _same(_FLEETS), fleets),
        Table("attention", _same(_ATTENTION), [_finding(row) for row in attention_rows(group)]),
        Table("missing", _same(_MISSING), missing),
    ]


def csv_files(tables: Sequence[Table]) -> dict[str, str]:
    """Text of each table, by its path in the edition."""
    return {f"tables/{table.name}.csv": csv_text(table.rows, table.columns) for table in tables}


def workbook(
    tables: Sequence[Table], week_id: str, *, instant: datetime, version: str, method_version: str
) -> bytes:
    """The ``.xlsx`` file; equal tables and dates give equal bytes."""
    from xlsxwriter import Workbook  # type: ignore[import-untyped]

    stream = io.BytesIO()
    never = {f"strings_to_{what}": False for what in ("formulas", "urls", "numbers")}
    book = Workbook(stream, {"in_memory": True, **never})
    # Office reads this as UTC.
    created = instant.astimezone(UTC).replace(tzinfo=None)
    book.set_properties({"title": f"Cold Minutes, group, {week_id}", "created": created})
    sheet = book.add_worksheet("notes")
    sheet.set_column(0, 0, 120)
    made_by = f"Made by coldminutes {version}, method {method_version}."
    for row, line in enumerate((f"Group report, {week_id}", *_NOTES, made_by)):
        sheet.write_string(row, 0, line)
    for table in tables:
        frame(table).write_excel(book, table.name, freeze_panes=(1, 1), autofit=False)
    book.close()
    return stream.getvalue()


def summary(group: Group, *, outputs: Sequence[str], version: str, method_version: str) -> str:
    """Text of ``summary.json``; null where a figure is not computable."""
    body: dict[str, Any] = {
        "schema_version": SCHEMA_VERSION,
        "method_version": method_version,
        "generator": f"coldminutes {version}",
        "week": group.week_id,
        "all_fleets": {name: _shown(total_of(group.members, name), name) for name in _ADDED},
        "warming_cost_by_currency": _costs(group),
        "fleets": [
            {
                "name": one_line(member.label),
                "time_zone": member.fleet.settings.time_zone,
                "currency": member.fleet.settings.currency,
                **{name: _shown(value, name) for name, value in member.figures.items()},
            }
            for member in group.members
        ],
        "missing": [
            {"name": one_line(each.label), "why": each.why, "detail": one_line(each.detail)}
            for each in group.missing
        ],
        "outputs": list(outputs),
    }
    return json.dumps(body, indent=2, ensure_ascii=False) + "\n"


def _costs(group: Group) -> dict[str, float]:
    sums: dict[str, float] = {}
    for member in group.members:
        cost = member.figures["warming_cost"]
        if cost is not None:
            currency = member.fleet.settings.currency
            sums[currency] = sums.get(currency, 0.0) + cost
    return {currency: round(cost, 2) for currency, cost in sorted(sums.items())}


def _finding(row: dict[str, Any]) -> Row:
    told = finding(row, {})
    worth = {key: row["facts"].get(key) for key in ("worth_min", "worth_low_min", "worth_high_min")}
    kept = ("kind", "subject_id", "code", "lost_cold_min", "avoidable_min", "stops_n")
    return {
        "fleet_name": row["fleet_label"],
        **{key: row[key] for key in kept},
        **worth,
        **{key: told[key] for key in ("subject", "evidence", "advice")},
    }


def _same(columns: Sequence[str]) -> dict[str, str]:
    return {column: column for column in columns}


def _shown(value: Any, name: str) -> Any:
    return rounded(value, name) if isinstance(value, float) else value
