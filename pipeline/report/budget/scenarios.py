"""Scenarios side by side: one row each, with what they change against today."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pipeline.config import Fleet
from pipeline.report.budget.data import BudgetPaper
from pipeline.report.budget.figures import Ends, Lookup, Shown
from pipeline.report.budget.words import scenario_detail, scenario_words
from pipeline.report.filters import NONE, rate
from pipeline.report.language import _


def scenario_rows(
    paper: BudgetPaper, fleet: Fleet, look: Lookup, shown: Shown
) -> list[dict[str, Any]]:
    """Rows of the table, in the order of the budget."""
    settings = fleet.settings
    apart = Lookup(paper.budget.differences)
    own = {scenario.name: scenario for scenario in paper.scenarios}
    names = paper.budget.scenarios["scenario"].to_list()
    top = max(look.ends(each, "cost")[2] for each in names) or 1.0
    told = {row["scenario"]: row for row in paper.budget.scenarios.iter_rows(named=True)}
    rows = []
    for each in names:
        cost = look.ends(each, "cost")
        money: Ends | None = None if each == "as_today" else apart.ends(each, "cost")
        time: Ends | None = None if each == "as_today" else apart.ends(each, "driver_min")
        rows.append(
            {
                "name": scenario_words(each, settings.target_hit_rate),
                "detail": _detail(own.get(each), told[each], settings.currency),
                "bar": _bar(cost, top),
                "cost": shown.bare("cost", cost[1]),
                "cost_interval": shown.interval("cost", cost),
                **_pair(look, shown, each, "warming_kwh"),
                **_pair(look, shown, each, "cold_min"),
                **_pair(look, shown, each, "driver_min"),
                "money": NONE if money is None else shown.bare("cost", money[1], signed=True),
                "money_interval": "" if money is None
                else shown.interval("cost", money, signed=True),
                "time": NONE if time is None else shown.bare("driver_min", time[1], signed=True),
                "time_interval": "" if time is None
                else shown.interval("driver_min", time, signed=True),
            }
        )  # fmt: skip
    return rows


def _detail(own: Any, told: Mapping[str, Any], currency: str) -> str:
    if own is not None:
        return scenario_detail(own, currency)
    attainable, goal = told["attainable_hit_rate"], told["target_hit_rate"]
    if goal is not None and attainable is not None and goal > attainable:
        return _("{rate} is all that the time there is allows", rate=rate(attainable))
    return ""


def _pair(look: Lookup, shown: Shown, scenario: str, quantity: str) -> dict[str, str]:
    ends = look.ends(scenario, quantity)
    return {
        quantity: shown.bare(quantity, ends[1]),
        f"{quantity}_interval": shown.interval(quantity, ends),
    }


def _bar(ends: Ends, top: float) -> dict[str, str]:
    """Places of an interval on a drawing of a hundred parts, as text for its attributes."""
    low, middle, high = (96.0 * end / top + 2.0 for end in ends)
    return {
        "low": f"{low:.2f}",
        "width": f"{max(high - low, 0.6):.2f}",
        "middle": f"{middle:.2f}",
    }
