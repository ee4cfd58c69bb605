"""The tables and the summary of one edition: the output contract, in one place."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import polars as pl

from pipeline.report.filters import one_line
from pipeline.report.judged_data import judged_summary, judged_tables
from pipeline.report.revised import issue_summary
from pipeline.report.table_columns import (
    COLD_LIMIT_COLUMNS,
    CURVE_COLUMNS,
    DOUBT_COLUMNS,
    DRIVER_COLUMNS,
    INPUT_COLUMNS,
    LEADTIME_COLUMNS,
    QUARANTINE_COLUMNS,
    RECONCILIATION_COLUMNS,
    SITE_ADVICE_COLUMNS,
    SITE_COLUMNS,
    STOP_COLUMNS,
    STOP_INPUT_COLUMNS,
    VEHICLE_COLUMNS,
)
from pipeline.report.table_types import DTYPES, kind_of, rounded, typed
from pipeline.report.weekdata import Row, WeekData

SCHEMA_VERSION = 1

_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


@dataclass(frozen=True)
class Table:
    """One table of an edition.

    Parameters
    ----------
    name
        Of its files under ``tables/``, without suffix, and of its sheet.
    columns
        Column of the file -> column of a row.
    rows
        As the weekly stage made them.
    """

    name: str
    columns: Mapping[str, str]
    rows: Sequence[Row]


def edition_tables(week: WeekData) -> list[Table]:
    """Every table of an edition, in the order of the workbook's sheets."""
    return [
        Table("stops", STOP_COLUMNS, week.stops),
        Table("vehicles", _same(VEHICLE_COLUMNS), week.vehicles),
        Table("drivers", _same(DRIVER_COLUMNS), week.drivers),
        Table("sites", _same(SITE_COLUMNS), week.sites),
        *(Table(*each) for each in judged_tables(week.judged)),
        Table("curves", _same(CURVE_COLUMNS), week.curves),
        Table("cold_limits", _same(COLD_LIMIT_COLUMNS), week.cold_limits),
        Table("leadtime", _same(LEADTIME_COLUMNS), week.leadtime),
        Table("site_advice", _same(SITE_ADVICE_COLUMNS), week.site_advice),
        Table("reconciliation", RECONCILIATION_COLUMNS, week.reconciliation),
        Table("quarantine", _same(QUARANTINE_COLUMNS), week.rules),
        Table("doubts", _same(DOUBT_COLUMNS), week.doubts),
        Table("inputs", _same(INPUT_COLUMNS), week.files),
        Table("stop_inputs", _same(STOP_INPUT_COLUMNS), week.stop_files),
    ]


def tables(week: WeekData) -> dict[str, str]:
    """Text of every CSV file, by its name under ``tables/``."""
    return {
        f"{table.name}.csv": csv_text(table.rows, table.columns) for table in edition_tables(week)
    }


def _same(columns: Sequence[str]) -> dict[str, str]:
    return {column: column for column in columns}


def frame(table: Table) -> pl.DataFrame:
    """The table with typed columns; an empty one has its types as well.

    Text is on one line and otherwise as it came: no program runs what stands in a typed cell.
    """
    return pl.DataFrame(
        [
            pl.Series(
                column,
                [typed(row[source], column) for row in table.rows],
                dtype=DTYPES[kind_of(column)],
            )
            for column, source in table.columns.items()
        ]
    )


def parquet_bytes(table: Table) -> bytes:
    """The table as a Parquet file."""
    stream = io.BytesIO()
    frame(table).write_parquet(stream, compression="zstd")
    return stream.getvalue()


def csv_text(rows: Sequence[Row], columns: Mapping[str, str]) -> str:
    """RFC 4180 text in UTF-8; text that a spreadsheet would run gets an apostrophe in front."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\r\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow([cell(row[source], column) for column, source in columns.items()])
    return stream.getvalue()


def cell(value: Any, column: str) -> str:
    """One cell; null is empty.

    Examples
    --------
    >>> cell("=1+1", "vehicle_name")
    "'=1+1"
    >>> cell(-2.34567, "lost_min")
    '-2.346'
    """
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return str(rounded(value, column))
    if isinstance(value, datetime):
        return value.strftime("%Y-%m-%dT%H:%M:%SZ")
    if isinstance(value, date):
        return value.isoformat()
    text = str(value)
    # Judged before and after cleaning: an importer may drop the same leading blanks we do.
    clean = one_line(text)
    is_formula = text.startswith(_FORMULA_STARTS) or clean.startswith(_FORMULA_STARTS)
    return f"'{clean}" if is_formula else clean


_BY_CAUSE = (
    "lost_cold_min",
    "lost_cold_low_min",
    "lost_cold_high_min",
    "lost_site_min",
    "lost_site_low_min",
    "lost_site_high_min",
    "lost_unexplained_min",
    "held_back_min",
    "avoidable_min",
    "unavoidable_min",
    "net_saved_min",
    "net_missed_min",
    "refill_min",
    "marginal_cost",
    "cold_fees",
    "break_even_per_hour",
    "idle_warming_kwh",
    "idle_warming_cost",
)


def summary(
    week: WeekData,
    *,
    currency: str,
    method_version: str,
    version: str,
    outputs: Sequence[str],
) -> str:
    """Text of ``summary.json``; null where a figure is not computable."""
    now = week.edition
    body: dict[str, Any] = {
        "schema_version": SCHEMA_VERSION,
        "method_version": method_version,
        "generator": f"coldminutes {version}",
        "week": week.week_id,
        "vehicles": now["vehicles_n"],
        "stops": now["stops_n"],
        "rated": now["rated_n"],
        "needed_warming": now["needed_warming_n"],
        "warmed": now["warmed_n"],
        "part_warmed": now["part_warmed_n"],
        "not_warmed": now["not_warmed_n"],
        "already_warm": now["already_warm_n"],
        "warmed_unneeded": now["warmed_unneeded_n"],
        "low_charge_hold": now["low_charge_hold_n"],
        "unknown": now["unknown_n"],
        **{
            key: now[key]
            for key in (
                "hit_rate",
                "hit_rate_low",
                "hit_rate_high",
                "start_rate",
                "start_rate_low",
                "start_rate_high",
                "lost_min",
                "lost_cold_arrival_min",
                "lost_warm_arrival_min",
                "lost_unknown_arrival_min",
                "lost_at_most_min",
                "site_limit_min",
                "warming_kwh",
                "warming_cost",
                *_BY_CAUSE,
            )
        },
        "worth": {
            "minutes": now["net_saved_min"],
            "valued_minutes": now["valued_min"],
            "cash": now["worth_cash"],
            "time": now["worth_time"],
        },
        "change": _change(week.change),
        "split_stops": now["split_stops_n"],
        "bills": _bills(week.bills),
        "judged": judged_summary(week.judged),
        "currency": currency,
        "range_given_up_km": now["range_given_up_km"],
        "stops_by_grade": {grade: now[f"stops_{grade.lower()}_n"] for grade in "ABCDE"},
        "assumed_rate": now["assumed_rate"],
        "unassigned_driver_rate": now["unassigned_driver_rate"],
        "previous_weeks": [
            {
                "week": row["week_id"],
                "stops": row["stops_n"],
                "needed_warming": row["needed_warming_n"],
                "hit_rate": row["hit_rate"],
                "hit_rate_low": row["hit_rate_low"],
                "hit_rate_high": row["hit_rate_high"],
                "start_rate": row["start_rate"],
                "lost_min": row["lost_min"],
                "lost_cold_arrival_min": row["lost_cold_arrival_min"],
                "lost_cold_min": row["lost_cold_min"],
                "avoidable_min": row["avoidable_min"],
                "warming_kwh": row["warming_kwh"],
                "warming_cost": row["warming_cost"],
            }
            for row in week.earlier
        ],
        **issue_summary(week),
        "outputs": list(outputs),
    }
    return json.dumps(_tidy(body), ensure_ascii=False, indent=2, allow_nan=False) + "\n"


def _change(change: Row | None) -> dict[str, Any] | None:
    """Why the cold minutes changed; the three parts add up to now less before."""
    if change is None:
        return None
    return {
        "before_min": change["cold_before_min"],
        "now_min": change["cold_now_min"],
        "weather_min": change["weather_min"],
        "mix_min": change["mix_min"],
        "behaviour_min": change["behaviour_min"],
        "usual_low_min": change["usual_low_min"],
        "usual_high_min": change["usual_high_min"],
        "weeks_before": change["weeks_before_n"],
    }


def _bills(bills: Row | None) -> dict[str, Any] | None:
    """Counts and sums of the bills, counts by their bare name; null in a week without any."""
    return bills and {key.removesuffix("_n"): value for key, value in bills.items()}


def _tidy(value: Any, key: str = "") -> Any:
    if isinstance(value, dict):
        return {name: _tidy(inner, name) for name, inner in value.items()}
    if isinstance(value, list):
        return [_tidy(inner, key) for inner in value]
    return rounded(value, key) if isinstance(value, float) else value
