"""The report's words for codes, counts, intervals and comparisons; see also `opening`."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from pipeline.report.filters import minutes, name, number

Row = Mapping[str, Any]

FEW_STOPS = 5

OUTCOME_WORDS = {
    "not_warmed": "not warmed",
    "part_warmed": "partly warmed",
    "warmed": "warmed in time",
    "already_warm": "already warm",
    "warmed_unneeded": "warmed, not needed",
    "low_charge_hold": "held back, low charge",
    "unknown": "not known",
}

WHY_WORDS = {
    "began_late": "warming began late",
    "too_cold_for_the_time": "too cold, too little time",
    "cut_off_low_charge": "cut off at low charge",
    "ended_early": "warming ended early",
    "no_destination": "no destination set",
    "destination_not_recognised": "destination not recognised",
    "set_too_late": "destination set too late",
    "approach_too_short": "drive too short",
    "vehicle_did_not_respond": "vehicle did not respond",
    "vehicle_cannot_warm": "vehicle cannot warm",
    "no_evidence": "no evidence why",
    "no_power": "no power recorded",
    "no_soc": "no state of charge",
    "no_cell_temperature": "no cell temperature",
    "approach_not_covered": "gap on the way",
    "rise_not_distinct": "warming not distinct",
    "no_temperature_at_start": "no temperature at start",
    "summary_only": "summary only",
    "no_model": "no model",
    "no_warm_curve": "no warm curve",
    "no_active_minutes": "no active minutes",
    "minutes_not_known": "minutes not known",
    "site_limit_unknown": "charger's limit not known",
    "cold_limit_unknown": "cold limit not known",
}

EXPECTED_WORDS = {
    "not_needed": "not needed",
    "vehicle_cannot_warm": "vehicle cannot warm",
    "low_charge": "charge too low",
    "approach_too_short": "drive too short",
    "saves_too_little": "saves too little",
    "costs_more": "costs more",
    "evidence": "cannot be told",
}
"""Why warming was not to be expected at a stop."""

MAIN_CAUSE_WORDS = {
    "cold": "cold",
    "site": "its limit",
    "held_back": "held back",
    "unexplained": "unexplained",
    "unsplit": "not known",
}

FINDING_WORDS = {
    "vehicle_did_not_respond": "did not respond",
    "vehicle_never_warmed": "never warmed",
    "vehicle_unconfigured": "not configured",
    "vehicle_silent": "sent no data",
    "site_destination_not_recognised": "not recognised as a charging place",
    "site_slow": "its limit costs more than cold",
    "site_held_back": "gave less than its rating",
    "most_minutes_vehicle": "most avoidable minutes",
    "most_minutes_site": "most avoidable minutes here",
}


def words_of(code: str | None, known: Mapping[str, str]) -> str:
    """Words for a code; an unknown code prints as its own words."""
    return "" if code is None else known.get(code, code.replace("_", " "))


def counted(n: int, noun: str, many: str | None = None) -> str:
    """``1 stop``, ``2 stops``."""
    return f"{number(n)} {noun if n == 1 else (many or noun + 's')}"


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
    return f"between {number(low)} and {minutes(high)}, as far as the measurement goes"


def change(before: float | None, weeks_n: int, show: Callable[[Any], str], unit: str = "") -> str:
    """Comparison line under a headline figure."""
    if weeks_n == 0:
        return "no earlier week to compare with"
    span = "previous week" if weeks_n == 1 else f"previous {weeks_n} weeks"
    if before is None:
        return f"{span}: not known"
    return f"{span}: {show(before)}{unit if weeks_n > 1 else ''}"
