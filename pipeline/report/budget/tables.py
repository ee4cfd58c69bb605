"""The budget for machines: tables and ``budget.json``, never translated."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from pipeline.budget.summary import SEASON_ID
from pipeline.config import Fleet
from pipeline.report.budget.data import BudgetPaper
from pipeline.report.budget.figures import UNITS
from pipeline.report.filters import one_line
from pipeline.report.tables import csv_text

SCHEMA_VERSION = 1

_ENDS = ("p10_value", "p50_value", "p90_value", "mean_value")


def budget_tables(paper: BudgetPaper) -> dict[str, pl.DataFrame]:
    """Every table by its name under ``tables/``; figures carry their unit in a column of its own.

    ``budget_months``: the fleet by scenario, month and quantity, the season as month ``season``.
    ``budget_units``: the same of depots and vehicles. ``budget_differences``: scenarios less
    ``as_today``, winter by winter. ``budget_drivers``, ``budget_assumptions``, and where asked for
    ``budget_course``, ``budget_variance``, ``budget_backtest`` and ``budget_scores``.
    """
    table = paper.budget.table
    found = {
        "budget_months": _with_unit(table.filter(pl.col("unit_kind") == "fleet")).drop(
            "unit_kind", "unit_id"
        ),
        "budget_units": _with_unit(table.filter(pl.col("unit_kind") != "fleet")),
        "budget_differences": _with_unit(paper.budget.differences).drop("unit_kind", "unit_id"),
        "budget_scenarios": paper.budget.scenarios,
        "budget_drivers": _with_unit(paper.swings),
        "budget_assumptions": paper.learned.assumptions,
    }
    if paper.course is not None:
        found["budget_course"] = _with_unit(paper.course.on_course)
        if paper.course.variance is not None:
            found["budget_variance"] = _with_unit(paper.course.variance)
    if paper.tested is not None and not paper.tested.months.is_empty():
        found["budget_backtest"] = _with_unit(paper.tested.months)
        found["budget_scores"] = paper.tested.scores
    return found


def _with_unit(rows: pl.DataFrame) -> pl.DataFrame:
    unit = pl.col("quantity").replace_strict(UNITS, return_dtype=pl.String)
    at = rows.columns.index("quantity") + 1
    return rows.select(*rows.columns[:at], unit.alias("unit"), *rows.columns[at:])


def csv_of(rows: pl.DataFrame) -> str:
    """RFC 4180 text; cells that a spreadsheet would run are disarmed."""
    return csv_text(rows.to_dicts(), {column: column for column in rows.columns})


def budget_json(
    paper: BudgetPaper,
    fleet: Fleet,
    *,
    version: str,
    method_version: str,
    outputs: Sequence[str],
) -> str:
    """Text of ``budget.json``; null where a figure is not computable."""
    budget, season = paper.budget, paper.budget.season
    course, tested = paper.course, paper.tested
    body: dict[str, Any] = {
        "schema_version": SCHEMA_VERSION,
        "method_version": method_version,
        "generator": f"coldminutes {version}",
        "operator": one_line(fleet.settings.operator),
        "currency": fleet.settings.currency,
        "time_zone": fleet.settings.time_zone,
        "season": {
            "id": paper.season_id,
            "first_day": season.first_day.isoformat(),
            "last_day": season.edges[-1].isoformat(),
            "months": season.month_ids,
        },
        "as_of": paper.as_of.isoformat(),
        "winters": paper.winters_n,
        "seed": paper.seed,
        "is_kept": paper.is_kept,
        "history": {
            "first_day": _day(paper.history.first_day),
            "last_day": _day(paper.history.last_day),
            "vehicles_with_data": paper.history.vehicles_n,
            "stops": paper.history.stops_n,
            "vehicles": paper.learned.given.vehicles.height,
            "vehicles_without_model": list(paper.history.no_model),
        },
        "weather": {
            "source": paper.weather.name or None,
            "is_own": paper.weather.is_own,
            "is_daily": paper.weather.is_daily,
            "first_day": _day(paper.weather.first_day),
            "last_day": _day(paper.weather.last_day),
            "shift_kelvin": budget.shift_kelvin,
            "shift_seasons": budget.shift_seasons_n,
        },
        "scenarios": budget.scenarios.to_dicts(),
        "fleet": _nested(budget.table.filter(pl.col("unit_kind") == "fleet")),
        "differences": _nested(budget.differences),
        "drivers": paper.swings.to_dicts(),
        "history_widths": paper.widths.to_dicts(),
        "assumptions": paper.learned.assumptions.to_dicts(),
        "course": None
        if course is None
        else {
            "scenario": course.scenario,
            "months": list(course.months),
            "months_not_covered": list(course.months_unseen),
            "least_covered_rate": course.least_covered_rate,
            "is_issued": course.is_issued,
            "issued_as_of": course.issued_as_of.isoformat(),
            "vehicles": list(course.compared),
            "vehicles_left_out": list(course.left_out),
            "stops_unknown": course.unknown_n,
            "quantities": course.on_course.to_dicts(),
            "variance": None if course.variance is None else course.variance.to_dicts(),
        },
        "why_no_course": paper.why_no_course or None,
        "backtest": None
        if tested is None
        else {"months": tested.months.to_dicts(), "scores": tested.scores.to_dicts()},
        "units": UNITS,
        "outputs": list(outputs),
    }
    return json.dumps(_tidy(body), ensure_ascii=False, indent=2, allow_nan=False) + "\n"


def _nested(rows: pl.DataFrame) -> dict[str, dict[str, dict[str, dict[str, float]]]]:
    """Scenario, month (the season last), quantity: P10, P50, P90 and mean."""
    found: dict[str, dict[str, dict[str, dict[str, float]]]] = {}
    for row in rows.iter_rows(named=True):
        month = found.setdefault(row["scenario"], {}).setdefault(row["month_id"], {})
        month[row["quantity"]] = {end.removesuffix("_value"): row[end] for end in _ENDS}
    for months in found.values():
        months[SEASON_ID] = months.pop(SEASON_ID)
    return found


def _day(value: Any) -> str | None:
    return None if value is None else value.isoformat()


def _tidy(value: Any) -> Any:
    """Rounded, and without what JSON cannot hold."""
    if isinstance(value, Mapping):
        return {key: _tidy(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_tidy(inner) for inner in value]
    if isinstance(value, float):
        return round(value, 4) + 0.0 if math.isfinite(value) else None
    return value
