"""The report's words for codes, counts, intervals and comparisons; see also `opening`."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from pipeline.report.filters import minutes, name, number, one_line
from pipeline.report.language import N_, _, ngettext

Row = Mapping[str, Any]

FEW_STOPS = 5

OUTCOME_WORDS = {
    "not_warmed": N_("not warmed"),
    "part_warmed": N_("partly warmed"),
    "warmed": N_("warmed in time"),
    "already_warm": N_("already warm"),
    "warmed_unneeded": N_("warmed, not needed"),
    "low_charge_hold": N_("held back, low charge"),
    "unknown": N_("not known"),
}

WHY_WORDS = {
    "began_late": N_("warming began late"),
    "too_cold_for_the_time": N_("too cold, too little time"),
    "cut_off_low_charge": N_("cut off at low charge"),
    "ended_early": N_("warming ended early"),
    "no_destination": N_("no destination set"),
    "destination_not_recognised": N_("destination not recognised"),
    "set_too_late": N_("destination set too late"),
    "approach_too_short": N_("drive too short"),
    "vehicle_did_not_respond": N_("vehicle did not respond"),
    "vehicle_cannot_warm": N_("vehicle cannot warm"),
    "no_evidence": N_("no evidence why"),
    "no_power": N_("no power recorded"),
    "no_soc": N_("no state of charge"),
    "no_cell_temperature": N_("no cell temperature"),
    "approach_not_covered": N_("gap on the way"),
    "rise_not_distinct": N_("warming not distinct"),
    "no_temperature_at_start": N_("no temperature at start"),
    "summary_only": N_("summary only"),
    "no_model": N_("no model"),
    "no_warm_curve": N_("no warm curve"),
    "no_active_minutes": N_("no active minutes"),
    "minutes_not_known": N_("minutes not known"),
    "site_limit_unknown": N_("charger's limit not known"),
    "cold_limit_unknown": N_("cold limit not known"),
}

EXPECTED_WORDS = {
    "not_needed": N_("not needed"),
    "vehicle_cannot_warm": N_("vehicle cannot warm"),
    "low_charge": N_("charge too low"),
    "approach_too_short": N_("drive too short"),
    "saves_too_little": N_("saves too little"),
    "costs_more": N_("costs more"),
    "evidence": N_("cannot be told"),
}
"""Why warming was not to be expected at a stop."""

LEVEL_WORDS = {
    "off": N_("off"),
    "totals": N_("totals"),
    "pseudonyms": N_("pseudonyms"),
    "names": N_("names"),
}
"""Levels of driver analysis."""

MAIN_CAUSE_WORDS = {
    "cold": N_("cold"),
    "site": N_("its limit"),
    "held_back": N_("held back"),
    "unexplained": N_("unexplained"),
    "unsplit": N_("not known"),
}

FINDING_WORDS = {
    "vehicle_did_not_respond": N_("did not respond"),
    "vehicle_never_warmed": N_("never warmed"),
    "vehicle_unconfigured": N_("not configured"),
    "vehicle_silent": N_("sent no data"),
    "site_destination_not_recognised": N_("not recognised as a charging place"),
    "site_slow": N_("its limit costs more than cold"),
    "site_held_back": N_("gave less than its rating"),
    "most_minutes_vehicle": N_("most avoidable minutes"),
    "most_minutes_site": N_("most avoidable minutes here"),
}


def words_of(code: str | None, known: Mapping[str, str]) -> str:
    """Words for a code, in the language spoken; an unknown code prints as its own words."""
    if code is None:
        return ""
    return _(known[code]) if code in known else code.replace("_", " ")


def in_print(text: str | None) -> str:
    """English words that an earlier stage put into a table, on one line in the language spoken."""
    clean = one_line(text)
    return _(clean).replace("_", " ") if clean else ""


def joined(*sentences: str) -> str:
    """Sentences one after the other; empty ones fall out."""
    return " ".join(sentence for sentence in sentences if sentence)


def isolated(text: str) -> str:
    """A name for use inside a sentence: right-to-left letters must not turn the rest around."""
    clean = name(text, 40)
    is_plain = all(ord(letter) < 0x590 for letter in clean)
    return clean if is_plain else f"\u2068{clean}\u2069"


def between(low: float | None, high: float | None) -> str:
    """The measurement interval in words; empty where there is none.

    It says how well the week's minutes were measured, and nothing about what is usual: the usual
    range of a change has words of its own.

    Examples
    --------
    >>> between(171.2, 181.6).replace("\u00a0", " ")
    'between 171 and 182 min, as far as the measurement goes'
    """
    if low is None or high is None:
        return ""
    return _(
        "between {low} and {high}, as far as the measurement goes",
        low=number(low),
        high=minutes(high),
    )


def change(
    before: float | None, weeks_n: int, show: Callable[[Any], str], *, is_a_week: bool = False
) -> str:
    """Comparison line under a headline figure; ``is_a_week`` says so of a mean over weeks."""
    if weeks_n == 0:
        return _("no earlier week to compare with")
    if before is None:
        return ngettext("previous week: not known", "previous {n} weeks: not known", weeks_n)
    if weeks_n == 1:
        return _("previous week: {value}", value=show(before))
    if is_a_week:
        return ngettext(
            "previous {n} week: {value} a week",
            "previous {n} weeks: {value} a week",
            weeks_n,
            value=show(before),
        )
    return ngettext(
        "previous {n} week: {value}", "previous {n} weeks: {value}", weeks_n, value=show(before)
    )
