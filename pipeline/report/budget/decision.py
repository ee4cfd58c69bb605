"""What whoever signs a budget is asked to decide."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.config import FleetSettings
from pipeline.report.budget.data import BudgetPaper
from pipeline.report.budget.figures import Ends, Lookup, Shown
from pipeline.report.budget.words import scenario_words, season_words
from pipeline.report.filters import number, rate
from pipeline.report.language import _


def decision_words(
    paper: BudgetPaper, look: Lookup, shown: Shown, settings: FleetSettings
) -> list[str]:
    """What whoever signs is asked: the sum, the reserve, and whether to change how it is done."""
    cost = look.ends("as_today", "cost")
    said = [
        _(
            "Set {middle} aside for {season}, and keep {reserve} more within reach: with both, "
            "nine winters of ten are covered.",
            middle=shown.named("cost", cost[1]),
            reserve=shown.named("cost", cost[2] - cost[1]),
            season=season_words(paper),
        )
    ]
    row = _target_row(paper)
    hits = _hit_rate(look)
    is_met = row is not None and hits is not None and hits >= row["target_hit_rate"]
    other = "everyone" if row is None or is_met else "target"
    if row is not None and is_met:
        said.append(
            _(
                "The target of {target} is met as things are: {rate} would arrive warm.",
                target=rate(row["target_hit_rate"]),
                rate=rate(hits),
            )
        )
    apart = Lookup(paper.budget.differences)
    money, time = apart.ends(other, "cost"), apart.ends(other, "driver_min")
    words = scenario_words(other, settings.target_hit_rate)
    sentence = _(
        "Decide whether to ask for more warming. “{scenario}” would change the cost by {money} "
        "{currency} ({money_interval}) and drivers' time by {time} h ({time_interval}) against "
        "today.",
        scenario=words,
        money=shown.bare("cost", money[1], signed=True),
        currency=shown.currency,
        money_interval=shown.interval("cost", money, signed=True),
        time=shown.bare("driver_min", time[1], signed=True),
        time_interval=shown.interval("driver_min", time, signed=True),
    )
    said.append(sentence)
    attainable = None if row is None else row["attainable_hit_rate"]
    if row is not None and attainable is not None and attainable < row["target_hit_rate"]:
        said.append(
            _(
                "The target cannot be met by warming more: if everyone began as early as the "
                "drives allow, {rate} would arrive warm.",
                rate=rate(attainable),
            )
        )
    said.append(_worth_words(money, time, shown, settings))
    return [line for line in said if line]


def _target_row(paper: BudgetPaper) -> dict[str, Any] | None:
    rows = paper.budget.scenarios.filter(pl.col("target_hit_rate").is_not_null())
    mine = rows.filter(pl.col("scenario") == "target")
    return None if mine.is_empty() else mine.row(0, named=True)


def _hit_rate(look: Lookup) -> float | None:
    """Share of stops that need warming and arrive warm, as today."""
    needed = look.mean("as_today", "needed_n")
    return look.mean("as_today", "warmed_n") / needed if needed > 0 else None


def _worth_words(money: Ends, time: Ends, shown: Shown, settings: FleetSettings) -> str:
    saved_h, extra = -time[1] / 60, money[1]
    if saved_h <= 0:
        return _("More warming would not save drivers' time here: nothing speaks for it.")
    if extra <= 0:
        return _("It saves time and costs no more: nothing speaks against it.")
    per_hour = extra / saved_h
    price = f"{number(per_hour, 2)}\u00a0{shown.currency}"
    value = settings.driver_value_per_hour
    if not value:
        return _("An hour saved costs {price}: weigh it against what an hour is worth to you.",
                 price=price)  # fmt: skip
    worth = f"{number(value, 2)}\u00a0{shown.currency}"
    if per_hour <= value:
        return _("An hour saved costs {price}, less than the {worth} it is worth to you.",
                 price=price, worth=worth)  # fmt: skip
    return _("An hour saved costs {price}, more than the {worth} it is worth to you.",
             price=price, worth=worth)  # fmt: skip
