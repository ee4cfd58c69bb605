"""The season against its budget, and earlier budgets against what came: words and tables."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.budget.variance import CAUSES
from pipeline.report.budget.data import BudgetPaper, CourseFound
from pipeline.report.budget.figures import Ends, Shown, month_words
from pipeline.report.budget.under_charts import course_chart
from pipeline.report.budget.words import (
    CAUSE_WORDS,
    QUANTITY_WORDS,
    WHY_NO_COURSE,
    scenario_words,
)
from pipeline.report.filters import name, number, rate
from pipeline.report.language import _, listed, ngettext, spoken

FOLLOWED = ("cost", "warming_kwh", "cold_min", "stops_n")
"""What is watched: of many quantities one would lie outside its 80 % by chance alone."""

_EXPLAINED = ("warming_cost", "warming_kwh", "cold_min")
_LONGEST_LIST = 8
WHOLE_RATE = 0.995
"""From here on a share prints as 100 %."""


def course_section(paper: BudgetPaper, shown: Shown, target: float | None) -> dict[str, Any] | None:
    """Budget against actual; None where nobody asked."""
    found = paper.course
    if found is None:
        if not paper.why_no_course:
            return None
        return {"words": [_(WHY_NO_COURSE[paper.why_no_course])], "is_empty": True}
    rows = {row["quantity"]: row for row in found.on_course.iter_rows(named=True)}
    followed = [quantity for quantity in FOLLOWED if quantity in rows]
    outside = [quantity for quantity in followed if rows[quantity]["is_outside"]]
    words = [
        _(
            "{months} of the season lie behind the data, held against the scenario “{scenario}”.",
            months=listed([month_words(month) for month in found.months]),
            scenario=scenario_words(found.scenario, target),
        )
        if found.is_issued
        else _(
            "No budget was kept before this season: {months} is held against one made from what "
            "was known on {day}.",
            months=listed([month_words(month) for month in found.months]),
            day=spoken().long_day(found.issued_as_of),
        )
    ]
    return {
        "is_empty": False,
        "words": words,
        "warning": _warning(outside),
        "chart": course_chart(
            [
                (_(QUANTITY_WORDS[quantity]), quantity, rows[quantity]["actual_value"],
                 _ends(rows[quantity], "budget"), _ends(rows[quantity], "forecast"),
                 _ends(rows[quantity], "season"))
                for quantity in followed
            ],
            shown,
        ),
        "variance": _variance(found, shown),
        "why_no_variance": _(
            "Why cannot be told: neither the series nor the fleet has every day's temperature."
        )
        if found.variance is None
        else "",
        "notes": _course_notes(paper, found),
    }  # fmt: skip


def _ends(row: dict[str, Any], what: str) -> Ends:
    return row[f"{what}_p10_value"], row[f"{what}_p50_value"], row[f"{what}_p90_value"]


def _warning(outside: list[str]) -> str:
    if not outside:
        return ""
    return _(
        "Off course, outside the 80 % interval of the budget: {quantities}. Look at the causes "
        "below, and budget the rest of the season anew.",
        quantities=listed([_(QUANTITY_WORDS[quantity]) for quantity in outside]),
    )


def _variance(found: CourseFound, shown: Shown) -> dict[str, Any] | None:
    if found.variance is None:
        return None
    parts = [f"{cause}_part_value" for cause in CAUSES]
    sums = (
        found.variance.group_by("quantity", maintain_order=True)
        .agg(pl.col("budget_value", "actual_value", "difference_value", *parts).sum())
    )  # fmt: skip
    rows = {row["quantity"]: row for row in sums.iter_rows(named=True)}
    return {
        "heads": [_(CAUSE_WORDS[cause]) for cause in CAUSES],
        "rows": [
            {
                "name": f"{_(QUANTITY_WORDS[quantity])} [{shown.unit(quantity)}]",
                "budget": shown.bare(quantity, rows[quantity]["budget_value"]),
                "actual": shown.bare(quantity, rows[quantity]["actual_value"]),
                **_adding_up(quantity, rows[quantity], shown),
            }
            for quantity in _EXPLAINED
            if quantity in rows
        ],
    }


def _adding_up(quantity: str, row: dict[str, Any], shown: Shown) -> dict[str, Any]:
    """The difference and its parts as printed: parts rounded so that they add up in print too."""
    step = 10.0 ** -(shown.money_digits if quantity == "warming_cost" else 0)
    whole = round(row["difference_value"] / step)
    exact = [row[f"{cause}_part_value"] / step for cause in CAUSES]
    floors = [int(value // 1) for value in exact]
    # Largest remainders (Hamilton's method of apportionment; from memory).
    order = sorted(range(len(exact)), key=lambda at: -(exact[at] - floors[at]))
    for at in order[: whole - sum(floors)]:
        floors[at] += 1
    return {
        "difference": shown.bare(quantity, whole * step, signed=True),
        "parts": [shown.bare(quantity, value * step, signed=True) for value in floors],
    }


def _course_notes(paper: BudgetPaper, found: CourseFound) -> list[str]:
    said = [
        _("The forecast is what came so far plus a budget of the months left, made from all that "
          "is known now.")
    ]  # fmt: skip
    if found.months_unseen:
        said.append(
            _("Not compared, since data cover too little of it: {months}. The forecast takes it as "
              "it was budgeted.",
              months=listed([month_words(month) for month in found.months_unseen]))
        )  # fmt: skip
    if found.least_covered_rate < WHOLE_RATE:
        said.append(
            _("Data cover {share} or more of each month compared; the budget's side is cut to the "
              "same share.",
              share=rate(found.least_covered_rate))
        )  # fmt: skip
    if found.left_out:
        names = [name(paper.names.get(each, each), 24) for each in found.left_out[:_LONGEST_LIST]]
        shown = listed(names)
        more = len(found.left_out) - _LONGEST_LIST
        if more > 0:
            shown = ngettext("{names} and {n} more", "{names} and {n} more", more, names=shown)
        said.append(
            _("Left out on both sides, since their exports do not tell the cold's cost: {names}.",
              names=shown)
        )  # fmt: skip
    if found.unknown_n:
        said.append(
            ngettext("{n} stop of the others has no known cold minutes and counts as none.",
                     "{n} stops of the others have no known cold minutes and count as none.",
                     found.unknown_n)
        )  # fmt: skip
    return said


def backtest_section(paper: BudgetPaper) -> dict[str, Any] | None:
    """The back-test's table; None where nobody asked."""
    tested = paper.tested
    if tested is None:
        return None
    if tested.scores.is_empty() or not int(tested.scores["months_n"].sum()):
        return {
            "rows": [],
            "words": _(
                "There is no whole month of history that an earlier one could have forecast: the "
                "budget could not be tested on this fleet yet."
            ),
        }
    rows = []
    for row in tested.scores.iter_rows(named=True):
        rows.append(
            {
                "name": _(QUANTITY_WORDS[row["quantity"]]),
                "inside": _("{n} of {all}", n=number(row["inside_n"]), all=number(row["months_n"])),
                "coverage": rate(row["coverage_rate"]),
                "compared": number(row["compared_n"]),
                "budget": rate(row["budget_error_rate"]),
                "last_year": rate(row["last_year_error_rate"]),
                "last_weeks": rate(row["last_weeks_error_rate"]),
            }
        )
    return {
        "rows": rows,
        "words": _(
            "Each month was forecast from what was known before it. An honest 80 % interval holds "
            "about eight months in ten. Errors are sums of absolute errors over the sum that came, "
            "on the months that all three could forecast."
        ),
    }
