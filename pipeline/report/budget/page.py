"""The budget's page: figures looked up, worded, drawn, and handed to its template."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import polars as pl

from pipeline.config import Fleet
from pipeline.report.budget.charts import (
    months_chart,
    number_chart,
    tornado,
)
from pipeline.report.budget.checks import backtest_section, course_section
from pipeline.report.budget.data import BudgetPaper
from pipeline.report.budget.decision import decision_words
from pipeline.report.budget.figures import Ends, Lookup, Shown, month_words
from pipeline.report.budget.ground import caution_lines, ground_rows, method_lines, weather_name
from pipeline.report.budget.scenarios import scenario_rows
from pipeline.report.budget.under_charts import widths_chart, winters_chart
from pipeline.report.budget.words import (
    DRIVER_WORDS,
    QUANTITY_WORDS,
    drives_words,
    known_words,
    months_short,
    opening,
    season_words,
    season_year,
    setting_words,
    weather_words,
)
from pipeline.report.filters import name, number
from pipeline.report.language import _, ngettext
from pipeline.report.sheets.paper import heading_name, sheet_html
from pipeline.units import degf_from_degc

_MONEY_WITHOUT_CENTS = 100.0
_MOST_UNITS = {"depot": 6, "vehicle": 14}
_IN_TABLE = ("cost", "warming_kwh", "cold_min")


def budget_html(
    paper: BudgetPaper,
    fleet: Fleet,
    *,
    instant: datetime,
    version: str,
    method_version: str,
) -> str:
    """The budget as one self-contained page, in the language spoken."""
    return sheet_html(
        "budget.html.j2",
        fleet,
        budget_context(paper, fleet),
        title=_("Winter budget, {season}", season=season_words(paper)),
        running=_(
            "{operator}: winter budget {season}, method {method}",
            operator=name(fleet.settings.operator, 50),
            season=season_words(paper),
            method=method_version,
        ),
        instant=instant,
        version=version,
        method_version=method_version,
    )


def budget_context(paper: BudgetPaper, fleet: Fleet) -> dict[str, Any]:
    """All that the template prints, ready-made."""
    look = Lookup(paper.budget.table)
    settings = fleet.settings
    cost = look.ends("as_today", "cost")
    shown = Shown(
        settings.currency,
        0 if cost[2] >= _MONEY_WITHOUT_CENTS else 2,
        settings.units.distance == "mi",
    )
    season_cost = paper.budget.draws("as_today", "cost").sum(axis=1)
    return {
        "season": season_words(paper),
        "operator_name": heading_name(settings.operator),
        "known": known_words(paper),
        "opening_lines": opening(paper, look, shown),
        "number": number_chart(season_cost, cost, shown),
        "cards": [
            _card(look, shown, quantity)
            for quantity in ("warming_kwh", "cold_min", "driver_min", "range_given_up_km")
        ],
        "drives": drives_words(paper.swings, shown, cost[1]),
        "scenarios": scenario_rows(paper, fleet, look, shown),
        "decisions": decision_words(paper, look, shown, settings),
        "months_chart": _months(paper, look, shown),
        "month_table": _month_rows(paper, look, shown),
        "tornado": _tornado(paper, shown),
        "weather_words": weather_words(paper, look, shown, settings),
        "weather_name": weather_name(paper),
        "winters": _winters(paper, fleet),
        "widths": _widths(paper, shown),
        "course": course_section(paper, shown, settings.target_hit_rate),
        "tested": backtest_section(paper),
        "ground": ground_rows(paper, fleet),
        "method_lines": method_lines(paper),
        "cautions": caution_lines(paper),
        "depots": _units(paper, look, shown, "depot"),
        "vehicles": _units(paper, look, shown, "vehicle"),
    }


def _card(look: Lookup, shown: Shown, quantity: str) -> dict[str, str]:
    ends = look.ends("as_today", quantity)
    return {
        "title": _(QUANTITY_WORDS[quantity]),
        "value": shown.bare(quantity, ends[1]),
        "unit": shown.unit(quantity),
        "interval": shown.interval(quantity, ends),
    }


def _months(paper: BudgetPaper, look: Lookup, shown: Shown) -> Any:
    months = paper.budget.season.month_ids
    panels = [
        (
            f"{_(QUANTITY_WORDS[quantity])} [{shown.unit(quantity)}]",
            quantity,
            [look.ends("as_today", quantity, month) for month in months],
        )
        for quantity in _IN_TABLE
    ]
    return months_chart(panels, months_short(months), shown)


def _month_rows(paper: BudgetPaper, look: Lookup, shown: Shown) -> dict[str, Any]:
    def cells(month: str | None) -> list[dict[str, str]]:
        found = []
        for quantity in ("stops_n", *_IN_TABLE, "driver_min"):
            ends = look.ends("as_today", quantity, *(() if month is None else (month,)))
            found.append(
                {"low": shown.bare(quantity, ends[0]), "middle": shown.bare(quantity, ends[1]),
                 "high": shown.bare(quantity, ends[2])}
            )  # fmt: skip
        return found

    heads = [
        f"{_(QUANTITY_WORDS[quantity])}" + (f" [{unit}]" if (unit := shown.unit(quantity)) else "")
        for quantity in ("stops_n", *_IN_TABLE, "driver_min")
    ]
    return {
        "heads": heads,
        "rows": [
            {"name": month_words(month), "cells": cells(month)}
            for month in paper.budget.season.month_ids
        ],
        "whole": cells(None),
    }


def _tornado(paper: BudgetPaper, shown: Shown) -> Any:
    panels = []
    for quantity in ("cost", "cold_min"):
        rows = paper.swings.filter(pl.col("quantity") == quantity)
        order = paper.swings.filter(pl.col("quantity") == "cost")["driver"].to_list()
        bars = []
        for driver in order:
            row = rows.row(by_predicate=pl.col("driver") == driver, named=True)
            words = setting_words(driver, row["low_setting_value"], row["high_setting_value"])
            name_words = _(DRIVER_WORDS[driver])
            bars.append((name_words, *words, row["low_value"], row["high_value"]))
        title = f"{_(QUANTITY_WORDS[quantity])} [{shown.unit(quantity)}]"
        panels.append((title, quantity, bars))
    return tornado(panels, shown)


def _winters(paper: BudgetPaper, fleet: Fleet) -> Any:
    seasons = paper.weather.season_degc
    if len(seasons) < 2:
        return None
    in_degf = fleet.settings.units.temperature == "degf"

    def display(degc: float) -> float:
        return degf_from_degc(degc) if in_degf else degc

    middle = sum(degc for _year, degc in seasons) / len(seasons)
    row = paper.swings.row(
        by_predicate=(pl.col("driver") == "winter") & (pl.col("quantity") == "cost"), named=True
    )
    ends = (middle + row["low_setting_value"], middle + row["high_setting_value"])
    unit = "°F" if in_degf else "°C"
    return winters_chart(
        [(season_year(year, paper), display(degc)) for year, degc in seasons],
        (display(ends[0]), display(ends[1])),
        tuple(f"{number(display(end), 1)}\u00a0{unit}" for end in ends),
        lambda value: f"{number(value, 1)}\u00a0{unit}",
    )


def _widths(paper: BudgetPaper, shown: Shown) -> dict[str, Any]:
    words = {
        "none": lambda days: _("before any data"),
        "weeks": lambda days: ngettext("after {n} day", "after {n} days", days),
        "now": lambda days: (
            _("with what is known") if not days else ngettext("with {n} day", "with {n} days", days)
        ),
    }
    rows: list[tuple[str, Ends]] = [
        (
            words[row["history"]](row["days_n"]),
            (row["p10_value"], row["p50_value"], row["p90_value"]),
        )
        for row in paper.widths.iter_rows(named=True)
    ]
    return {"drawing": widths_chart(rows, shown), "is_unseen": not paper.history.stops_n}


def _units(paper: BudgetPaper, look: Lookup, shown: Shown, kind: str) -> dict[str, Any] | None:
    rows = paper.budget.table.filter(
        (pl.col("unit_kind") == kind) & (pl.col("scenario") == "as_today")
        & (pl.col("quantity") == "cost") & (pl.col("month_id") == "season")
    ).sort("p50_value", "unit_id", descending=[True, False])  # fmt: skip
    ids = rows["unit_id"].to_list()
    # Vehicles nobody has seen differ by chance alone.
    if (kind == "depot" and len(ids) < 2) or not paper.history.stops_n:
        return None
    most = _MOST_UNITS[kind]
    return {
        "rows": [
            {
                "name": _unit_name(paper, kind, each),
                "cells": [
                    {
                        "middle": shown.bare(quantity, ends[1]),
                        "interval": shown.interval(quantity, ends),
                    }
                    for quantity in _IN_TABLE
                    if (ends := look.ends("as_today", quantity, unit_kind=kind, unit_id=each))
                ],
            }
            for each in ids[:most]
        ],
        "more": ngettext(
            "{n} more in tables/budget_units.csv.", "{n} more in tables/budget_units.csv.",
            len(ids) - most,
        ) if len(ids) > most else "",
    }  # fmt: skip


def _unit_name(paper: BudgetPaper, kind: str, unit_id: str) -> str:
    if kind == "vehicle":
        return name(paper.names.get(unit_id, unit_id), 40)
    return name(unit_id, 30) if unit_id else _("no depot named")
