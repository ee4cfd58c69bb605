"""The reasoning of a stop sheet: what happened, and why it is judged so."""

from __future__ import annotations

from pipeline.config import Fleet
from pipeline.report.filters import NBSP, kwh, minutes, number, quantity_filters
from pipeline.report.language import N_, _
from pipeline.report.sheets.stop_data import StopData
from pipeline.report.weekdata import Row
from pipeline.report.words import OUTCOME_WORDS, WHY_WORDS, words_of

RULES = {
    "already_warm": N_("No warming on the way, and the coldest cell was warm at plug-in."),
    "warmed": N_(
        "Warming on the way, warm at plug-in, and it would have arrived cold without the warming."
    ),
    "warmed_unneeded": N_("Warming on the way, but it would have arrived warm without it."),
    "part_warmed": N_("Warming on the way, and the coldest cell was still cold at plug-in."),
    "not_warmed": N_("No warming on the way, and the coldest cell was cold at plug-in."),
    "low_charge_hold": N_(
        "No warming, cold at plug-in, a charging place was set, and the charge was at or below the "
        "vehicle's cut-off from then until plug-in."
    ),
    "unknown": N_("The evidence does not carry an outcome."),
}

_GRADES = {
    "A": N_("cell temperatures, heater, power and charge"),
    "B": N_("cell temperatures, no battery heater signal: warming is told from the rise"),
    "C": N_("power and charge, no temperatures: minutes are known, their cause is not"),
    "D": N_("a summary only: an upper bound, no minutes by cause"),
    "E": N_("start, end and energy only: no minutes are claimed"),
}


def grade_words(grade: str) -> str:
    """What a grade of evidence stands on."""
    return _(_GRADES[grade])


def headline(data: StopData, fleet: Fleet) -> str:
    """One or two sentences: the outcome with its reason, and what the minutes went to."""
    stop = data.stop
    temperature = quantity_filters(fleet.settings)["temperature"]
    outcome = words_of(stop["outcome"], OUTCOME_WORDS)
    why = words_of(stop["why"], WHY_WORDS)
    if stop["outcome"] == "unknown":
        outcome = _("whether it was warmed is not known")
    said = f"{outcome[:1].upper()}{outcome[1:]}" + (f": {why}. " if why else ". ")
    if stop["arrival_cell_temp_min_degc"] is not None:
        said += _(
            "The coldest cell arrived at {degrees}. ",
            degrees=temperature(stop["arrival_cell_temp_min_degc"]),
        )
    return said + _minutes_words(stop)


def _minutes_words(stop: Row) -> str:
    active, cold, site = stop["active_min"], stop["lost_cold_min"], stop["lost_site_min"] or 0.0
    if cold is None:
        if stop["lost_at_most_min"] is not None:
            return _(
                "At most {minutes} were lost, from any cause.",
                minutes=minutes(stop["lost_at_most_min"]),
            )
        why = words_of(stop["split_why_null"] or stop["lost_why_null"], WHY_WORDS)
        return _("What the cold took is not known: {why}.", why=why or _("no evidence"))
    if round(cold) <= 0:
        said = _("The cold took no minute of the charge")
    else:
        said = _(
            "The cold took {cold} of the {active} of charging",
            cold=minutes(cold),
            active=minutes(active),
        )
    if round(site) > 0:
        return said + _("; the charger's own limit took {site}.", site=minutes(site))
    return f"{said}."


def reasoning(data: StopData, fleet: Fleet) -> list[str]:
    """Sentence by sentence from what was recorded to the outcome, each with its figures."""
    stop = data.stop
    said = [_(RULES[stop["outcome"]]) + " " + _warm_words(stop, fleet)]
    if stop["is_cell_temp_doubted"]:
        said.append(
            _("This week's cell temperatures failed a test of plausibility and were not used.")
        )
    if stop["is_reported_only"]:
        said.append(_("Only a summary of this charge is known, so nothing is said of the way."))
        said.append(_summary_words(stop))
        return [*said, *_minute_sentences(stop)]
    said.append(_destination_words(data))
    said.append(_warming_words(stop))
    if stop["outcome"] in ("part_warmed", "not_warmed") and stop["needed_min"] is not None:
        said.append(_needed_words(stop, fleet))
    return [*said, *_minute_sentences(stop)]


def _summary_words(stop: Row) -> str:
    return _(
        "{energy} in a stay of {stay}, from {low} to {high} % charge.",
        energy=kwh(stop["energy_kwh"]),
        stay=minutes(stop["stay_min"]),
        low=number(stop["soc_start_pct"]),
        high=number(stop["soc_end_pct"]),
    )


def _warm_words(stop: Row, fleet: Fleet) -> str:
    temperature = quantity_filters(fleet.settings)["temperature"]
    return _(
        "Warm begins at {warm} in the coldest cell; the vehicle is taken not to warm at or below "
        "{cutoff} % charge.",
        warm=_tenth(stop["warm_from_degc"], fleet) or temperature(stop["warm_threshold_degc"]),
        cutoff=number(stop["warming_cutoff_soc_pct"]),
    )


def _tenth(value: float | None, fleet: Fleet) -> str:
    """A temperature with one decimal: the threshold less its tolerance has one."""
    if value is None:
        return ""
    in_degf = fleet.settings.units.temperature == "degf"
    shown = value * 1.8 + 32 if in_degf else value
    return f"{number(shown, 1)}{NBSP}{'°F' if in_degf else '°C'}"


def _destination_words(data: StopData) -> str:
    stop = data.stop
    before_min = stop["destination_set_before_min"]
    if before_min is not None and stop["is_charging_place"]:
        said = _("A charging place was set {n} before plug-in", n=minutes(before_min))
        if stop["chance_min"] is not None:
            said += _(
                "; for {n} of the time left there was charge enough to warm (it takes {least} "
                "to answer).",
                n=minutes(stop["chance_min"]),
                least=minutes(stop["min_lead_min"]),
            )
            return said
        return f"{said}."
    if before_min is not None:
        return _(
            "A destination was set {n} before plug-in, but not as a charging place.",
            n=minutes(before_min),
        )
    if data.events and data.events[-1]["action"] == "cleared":
        # What counts is what is set at plug-in; what was set before explains what the vehicle did.
        places = [row for row in data.events[:-1] if row["action"] != "cleared"]
        cleared = minutes(-data.events[-1]["from_plug_in_min"])
        if not places:
            return _("The destination was cleared {n} before plug-in.", n=cleared)
        what = _("A charging place") if places[-1]["is_charging_place"] else _("Another place")
        return _(
            "{what} was set {set} before plug-in and cleared {n} before it.",
            what=what,
            set=minutes(-places[-1]["from_plug_in_min"]),
            n=cleared,
        )
    if stop["why"] == "no_destination":
        return _("No destination was set when it was plugged in.")
    return _("No destination is known for this drive.")


def _warming_words(stop: Row) -> str:
    approach = minutes(stop["approach_min"])
    if stop["evidence_grade"] == "C":
        return _("Whether it warmed on the way ({approach}) cannot be told.", approach=approach)
    if stop["warming_min"]:
        said = _(
            "The battery heater ran for {n} of the {approach} on the way",
            n=minutes(stop["warming_min"]),
            approach=approach,
        )
        if stop["warming_kwh"] is not None:
            said += f", {kwh(stop['warming_kwh'])}"
            if stop["is_warming_kwh_estimated"]:
                said += _(" (estimated from the model's heater)")
        return f"{said}."
    if stop["evidence_grade"] == "B":
        return _(
            "No heater is exported; the rise of the cells over the last {lead} decided.",
            lead=minutes(stop["lead_min"]),
        )
    return _("No warming was seen in {approach} on the way.", approach=approach)


def _needed_words(stop: Row, fleet: Fleet) -> str:
    temperature = quantity_filters(fleet.settings)["temperature"]
    said = _("Warming would have needed {n} to get there", n=minutes(stop["needed_min"]))
    if stop["reachable_degc"] is not None:
        said += _(
            "; in the {lead} there were it could have led to {degrees}",
            lead=minutes(stop["lead_min"]),
            degrees=temperature(stop["reachable_degc"]),
        )
    return f"{said}."


def _minute_sentences(stop: Row) -> list[str]:
    said = []
    if stop["lost_min"] is not None:
        said.append(
            _(
                "It took charge for {active} min; a warm battery at this charger would have "
                "taken {reference} min.",
                active=number(stop["active_min"], 1),
                reference=number(stop["reference_min"], 1),
            )
        )
    if stop["missing_min"] and stop["missing_min"] >= 0.5:
        said.append(_("{n} at the plug are without samples.", n=minutes(stop["missing_min"])))
    return said
