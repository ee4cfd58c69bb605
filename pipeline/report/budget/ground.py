"""What a budget rests on, in words: what was measured, what is assumed, what it cannot tell."""

from __future__ import annotations

from typing import Any

import numpy as np

from pipeline.budget import priors
from pipeline.budget.starts import SHARES
from pipeline.config import Fleet
from pipeline.report.budget.data import BudgetPaper
from pipeline.report.filters import name, number, rate
from pipeline.report.language import N_, _, listed, ngettext, spoken

_LONGEST_LIST = 8


def ground_rows(paper: BudgetPaper, fleet: Fleet) -> list[dict[str, Any]]:
    """One row per part: what it is, how much of it was seen, how far data outweigh the assumption.

    ``kind`` is ``measured``, ``mixed`` or ``assumed``.
    """
    learned = paper.learned
    seen = dict(learned.assumptions.select("part", "seen_n").iter_rows())
    starts_n, arrivals_n = seen["start_rate"], seen["arrival_temperature"]
    rows = [
        _row(_("How often vehicles charge fast"), seen["stops_per_month"],
             ngettext("{n} vehicle-day", "{n} vehicle-days", int(seen["stops_per_month"])),
             _("assumed: {n} a day", n=number(priors.STOPS_PER_DAY, 2)),
             is_thin=seen["stops_per_month"] < 28 * learned.given.vehicles.height),
        _row(_("What stops are like: energy, site, approach, price"), seen["typical_stops"],
             ngettext("{n} stop", "{n} stops", int(seen["typical_stops"])),
             _("assumed: usual stops"), is_thin=seen["typical_stops"] < 50),
        _row(_("How cold packs arrive un-warmed"), arrivals_n,
             ngettext("{n} arrival", "{n} arrivals", int(arrivals_n)),
             _("assumed: outside temperature and length of the drive"), is_thin=arrivals_n < 30),
        _row(_("How often warming is begun where it is needed"), starts_n,
             _("{n} stops weigh as {effective}, beside an assumption that weighs {prior}",
               n=number(starts_n), effective=number(max(learned.starts.effective_n
                                                        - priors.START_WEIGHT, 0), 1),
               prior=number(priors.START_WEIGHT)),
             _("assumed: {rate}", rate=rate(priors.START_RATE)),
             is_thin=learned.starts.effective_n < 10 * priors.START_WEIGHT),
        _row(_("Outside temperature"), seen["weather_days"],
             _("{n} days of {source}", n=number(seen["weather_days"]), source=weather_name(paper)),
             "", is_thin=paper.budget.shift_seasons_n == 0),
        _row(_("Its level against the vehicles' own sensors"), seen["station_offset"],
             _("{n} stops: {kelvin} K", n=number(seen["station_offset"]),
               kelvin=number(learned.station_offset_kelvin, 1, signed=True)),
             _("assumed: none") if not paper.weather.is_daily
             else _("assumed: none; days cannot be compared with hours"), is_thin=False),
        _row(_("Cold minutes: the report's against the simulation's"),
             paper.budget.cold_scale_stops_n,
             _("{n} stops: factor {scale}", n=number(paper.budget.cold_scale_stops_n),
               scale=number(paper.budget.cold_scale, 2)),
             _("assumed: factor 1"), is_thin=paper.budget.cold_scale_stops_n < 30),
    ]  # fmt: skip
    for model_id, facts in sorted(learned.given.models.items()):
        model = fleet.models.get(model_id)
        is_heat = facts.heat_spread < priors.HEAT_SPREAD_DEFAULT
        is_cold = facts.cold_spread <= priors.COLD_SPREAD_LEARNED
        kind = "measured" if is_heat and is_cold else "mixed" if is_heat or is_cold else "assumed"
        cold = rate(float(np.expm1(facts.cold_spread)))
        rows.append(
            {
                "part": _("Physics of {model}",
                          model=name((model.name if model else "") or model_id, 34)),
                "kind": kind,
                "words": _("energy to ± {heat}, cold minutes to ± {cold}",
                           heat=rate(facts.heat_spread), cold=cold),
            }
        )  # fmt: skip
    if "energy_price_per_kwh" in fleet.settings.model_fields_set:
        rows.append(_stated(_("Price of energy"), _("as configured and by the sites' tariffs")))
    else:
        rows.append({"part": _("Price of energy"), "kind": "assumed",
                     "words": _("nobody set it: {price} a kWh where no tariff is known",
                                price=number(fleet.settings.energy_price_per_kwh, 2))})  # fmt: skip
    for row in rows:
        row["kind_words"] = _(_KIND_WORDS[row["kind"]])
    return rows


_KIND_WORDS = {
    "measured": N_("measured"),
    "mixed": N_("part assumed"),
    "assumed": N_("assumed"),
    "stated": N_("stated"),
}


def _row(part: str, seen_n: float, seen: str, assumed: str, *, is_thin: bool) -> dict[str, Any]:
    if not seen_n:
        return {"part": part, "kind": "assumed", "words": assumed}
    return {"part": part, "kind": "mixed" if is_thin else "measured", "words": seen}


def _stated(part: str, words: str) -> dict[str, Any]:
    return {"part": part, "kind": "stated", "words": words}


def weather_name(paper: BudgetPaper) -> str:
    """The series as the page names it, with its days."""
    source = paper.weather
    span = _("{first} to {last}", first=spoken().long_day(source.first_day),
             last=spoken().long_day(source.last_day))  # fmt: skip
    if source.is_own:
        return _("the fleet's own sensors on the road, {span}", span=span)
    return _("{file}, {span}", file=name(source.name, 40), span=span)


def method_lines(paper: BudgetPaper) -> list[str]:
    """How the figures came about."""
    levels = listed([rate(share) for share in SHARES[1:]])
    return [
        _("Every winter is drawn stop by stop: {n} winters, the same ones for every scenario, so "
          "that differences between scenarios are sharper than their intervals.",
          n=number(paper.winters_n)),
        _("Stops of a month follow a negative binomial with the fleet's own scatter; vehicles lean "
          "on their depot, depots on the fleet, until they have shown more."),
        _("Outside temperature is drawn from the series in blocks of 14 days, each within 15 "
          "calendar days of its place, plus one shift for the whole season of ± {kelvin} K "
          "(standard deviation).", kelvin=number(paper.budget.shift_kelvin, 1)),
        _("How cold a pack arrives follows from outside temperature and the length of the drive; "
          "warming, the slower charge and its cost follow from the same physics as the weekly "
          "report."),
        _("Who begins to warm lets it run for {levels} of the time there is, as often as was seen.",
          levels=levels),
        _("P10, P50 and P90: one winter in ten is below the first, half below the second, nine in "
          "ten below the third."),
        _("Cost is cash: energy for warming, and fees by the minute for cold minutes. Drivers' "
          "time is not in it; it counts only minutes that were not spent anyway."),
    ]  # fmt: skip


def caution_lines(paper: BudgetPaper) -> list[str]:
    """What the figures do not say."""
    said = [
        _("The fleet, its sites and its work are taken to go on as they are; a scenario says what "
          "else."),
        _("Intervals hold what the fleet's history and the past winters show. A tariff reform or "
          "new vehicles are not in them."),
    ]  # fmt: skip
    history = paper.history
    unseen = _unseen_months(paper)
    if unseen and history.stops_n:
        said.append(
            ngettext(
                "{n} of the season's {all} months was never seen of this fleet: how much work it "
                "brings is assumed from the others.",
                "{n} of the season's {all} months were never seen of this fleet: how much work "
                "they bring is assumed from the others.",
                unseen,
                all=number(paper.budget.season.months_n),
            )
        )
    if history.no_model:
        shown = listed([name(each, 24) for each in history.no_model[:_LONGEST_LIST]])
        more = len(history.no_model) - _LONGEST_LIST
        if more > 0:
            shown = ngettext("{names} and {n} more", "{names} and {n} more", more, names=shown)
        said.append(_("Not in the budget, for want of a model: {names}.", names=shown))
    if history.assumed_range_n:
        said.append(
            ngettext(
                "Range given up of {n} vehicle stands on an assumed {km} km a kWh.",
                "Range given up of {n} vehicles stands on an assumed {km} km a kWh.",
                history.assumed_range_n,
                km=number(priors.KM_PER_KWH, 1),
            )
        )
    if paper.weather.is_daily:
        said.append(_("The series gives days, not hours: the swing of a day is not drawn."))
    if paper.weather.is_own:
        said.append(_("The temperatures are those met on the road, at the hours of driving."))
    if history.last_day is not None and history.last_day >= paper.budget.season.first_day:
        said.append(_("The season had begun when this was made."))
    said.append(
        _("This budget is kept: the season will be held against it.")
        if paper.is_kept
        else _("Another budget of this season was issued before and stays the one that counts.")
    )
    return said


def _unseen_months(paper: BudgetPaper) -> int:
    """Months of the season whose calendar month no vehicle has shown."""
    seen = {month.month for month in paper.learned.given.exposure["month_date"].to_list()}
    return sum(int(month) not in seen for month in paper.budget.season.calendar_months)
