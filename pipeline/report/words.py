"""What the report says in words: the opening, comparisons, outcomes and reasons.

The opening never claims more than the evidence. Minutes lost are the excess over the time a
warm pack would have taken at that charger; they are not split by cause here, so the words are
'lost at stops that arrived cold', never 'caused by cold'.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
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
}

FINDING_WORDS = {
    "vehicle_did_not_respond": "did not respond",
    "vehicle_never_warmed": "never warmed",
    "vehicle_unconfigured": "not configured",
    "vehicle_silent": "sent no data",
    "site_destination_not_recognised": "not recognised as a charging place",
    "site_slow": "its rating costs more than cold",
    "most_minutes_vehicle": "most minutes lost",
    "most_minutes_site": "most minutes lost here",
}

_SET_IT = "Set the charger as the destination before setting off"
_ADVICE = {
    "no_destination": f"{_SET_IT}: at {{n}} of the {{m}} missed stops none was set.",
    "set_too_late": f"{_SET_IT}: at {{n}} of the {{m}} missed stops it was set too late.",
    "began_late": f"{_SET_IT}: at {{n}} of the {{m}} missed stops warming began too late.",
    "destination_not_recognised": (
        "Pick the charger from the vehicle's own list of charging places: at {n} of the {m} "
        "missed stops the destination was not known as one."
    ),
    "approach_too_short": (
        "Charge after the longer drive, or warm on the cable before departure: at {n} of the "
        "{m} missed stops the drive was too short."
    ),
    "vehicle_did_not_respond": (
        "Have the vehicles that did not respond checked: a charging place was set in time at "
        "{n} of the {m} missed stops, and no warming began."
    ),
    "too_cold_for_the_time": (
        "Begin on a warmer battery (on the cable, or indoors): at {n} of the {m} missed stops "
        "warming ran as long as it could and the battery was still cold."
    ),
    "cut_off_low_charge": (
        "Stop for charge a little earlier: at {n} of the {m} missed stops low charge switched "
        "the warming off."
    ),
    "ended_early": (
        "Ask why warming ended before arrival at {n} of the {m} missed stops; a destination "
        "cleared on the way is the usual thing to look for."
    ),
}


@dataclass(frozen=True)
class Opening:
    """The first words of the report: what happened, and what to do."""

    what: str
    action: str


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


def opening(
    edition: Row, stops: Sequence[Row], attention: Sequence[Row], *, silent_n: int
) -> Opening:
    """One or two sentences on what happened, one or two on what to do."""
    stops_n = int(edition["stops_n"])
    warm_n = sum(int(edition[key]) for key in ("already_warm_n", "warmed_n", "warmed_unneeded_n"))
    cold_n = int(edition["cold_arrival_n"])
    if stops_n == 0:
        return _nothing(silent_n, int(edition["vehicles_n"]))
    if warm_n + cold_n == 0:
        return _unknown(edition)
    few = (
        f" Only {counted(int(edition['rated_n']), 'stop')} could be rated, too few to judge by."
        if int(edition["rated_n"]) < FEW_STOPS
        else ""
    )
    if cold_n == 0:
        return _all_warm(edition, warm_n, few)
    return Opening(
        _cold_sentence(edition, cold_n, cold_n + warm_n) + _warming_sentence(edition) + few,
        _advice(edition, stops, attention),
    )


def _nothing(silent_n: int, vehicles_n: int) -> Opening:
    if silent_n == 0:
        return Opening(
            "No fast-charge stop was found this week, so there is nothing to say about cold.",
            "There is nothing to act on.",
        )
    return Opening(
        "No fast-charge stop was found this week, and "
        f"{silent_n} of {counted(vehicles_n, 'vehicle')} sent no data.",
        "Check the exports of the silent vehicles, then run this week again.",
    )


def _unknown(edition: Row) -> Opening:
    what = (
        f"For none of the {counted(int(edition['stops_n']), 'fast-charge stop')} can be said "
        "whether the battery arrived cold: its temperature on arrival is not known."
        if int(edition["stops_n"]) > 1
        else "There was one fast-charge stop; whether its battery arrived cold is not known."
    )
    if int(edition["lost_stops_n"]) and edition["lost_min"] is not None:
        lost = float(edition["lost_min"])
        what += (
            f" Charging took {minutes(lost)} more than a warm battery would have needed; "
            "the cause is not known."
            if lost >= 1
            else " Charging took no longer than a warm battery would have needed."
        )
    elif edition["lost_at_most_min"] is not None:
        what += (
            f" The stays leave room for at most {minutes(edition['lost_at_most_min'])} lost, "
            "from any cause."
        )
    return Opening(
        what,
        "Ask for the coldest cell's temperature in the exports; the coverage table names the "
        "first missing signal of each vehicle.",
    )


def _all_warm(edition: Row, warm_n: int, few: str) -> Opening:
    what = (
        f"Cold was not the problem this week: all {counted(warm_n, 'stop')} with a known "
        "battery temperature arrived warm."
        if warm_n > 1
        else "Cold was not the problem this week: the one stop with a known battery "
        "temperature arrived warm."
    )
    lost = float(edition["lost_warm_arrival_min"] or 0)
    site = float(edition["site_limit_min"] or 0)
    if lost >= 5:
        what += f" The {minutes(lost)} lost there have other causes."
    elif site >= 5:
        what += f" The chargers' own ratings added {minutes(site)}."
    action = "Keep the warming habits as they are."
    if int(edition["warmed_unneeded_n"]):
        n = int(edition["warmed_unneeded_n"])
        action += f" {counted(n, 'stop was', 'stops were')} warmed without need."
    return Opening(what + few, action)


def _cold_sentence(edition: Row, cold_n: int, known_n: int) -> str:
    lost = edition["lost_cold_arrival_min"]
    of_all = f"{cold_n} of the {known_n} stops with a known battery temperature"
    if known_n == 1:
        of_all = "The one stop with a known battery temperature"
    if lost is None:
        return f"{of_all} arrived cold; the minutes lost there cannot be computed."
    lost, warm, site = (
        float(value or 0)
        for value in (lost, edition["lost_warm_arrival_min"], edition["site_limit_min"])
    )
    if lost < 1:
        return (
            f"{of_all} arrived cold, but together they charged no slower than warm batteries "
            "would have: cold was not the problem this week."
        )
    at_cold = f"{minutes(lost)} at the {counted(cold_n, 'stop')} that arrived cold"
    if warm > lost:
        return (
            f"Cold was not the main problem: {minutes(warm)} were lost at stops that arrived "
            f"warm, {at_cold}."
        )
    if site > lost:
        return (
            f"Slow chargers cost more than cold arrivals: their ratings added {minutes(site)}, "
            f"against {minutes(lost)} lost at the {counted(cold_n, 'stop')} that arrived cold."
        )
    return f"{of_all} arrived cold and lost {minutes(lost)} of charging time."


def _warming_sentence(edition: Row) -> str:
    needed, warmed = int(edition["needed_warming_n"]), int(edition["warmed_n"])
    part, never = int(edition["part_warmed_n"]), int(edition["not_warmed_n"])
    if needed == 0:
        return ""
    if needed == 1:
        rest = "it was not finished" if part else "it never began"
        return " The one stop that needed warming " + (
            "got it in time." if warmed else f"did not get it in time: {rest}."
        )
    if warmed == needed:
        return f" All {counted(needed, 'stop')} that needed warming got it in time."
    ending = [
        text
        for n, text in (
            (part, f"at {part} it was not finished"),
            (never, f"at {never} it never began"),
        )
        if n
    ]
    return (
        f" Of {counted(needed, 'stop')} that needed warming, {warmed or 'none'} got it in time; "
        f"{' and '.join(ending)}."
    )


def _advice(edition: Row, stops: Sequence[Row], attention: Sequence[Row]) -> str:
    missed = [stop for stop in stops if stop["outcome"] in ("part_warmed", "not_warmed")]
    reasons = Counter(stop["why"] for stop in missed if stop["why"] in _ADVICE)
    parts = []
    if reasons:
        # Equal counts are settled by name, so that equal data give equal words.
        why, n = min(reasons.items(), key=lambda pair: (-pair[1], pair[0]))
        parts.append(_ADVICE[why].format(n=n, m=len(missed)))
    if attention:
        first = attention[0]
        label = words_of(first["code"], FINDING_WORDS)
        parts.append(f"Look first at {isolated(first['subject_name'])} ({label}).")
    return " ".join(parts) or "Nothing stands out that a single action would mend."


def change(before: float | None, weeks_n: int, show: Callable[[Any], str], unit: str = "") -> str:
    """Comparison line under a headline figure."""
    if weeks_n == 0:
        return "no earlier week to compare with"
    span = "previous week" if weeks_n == 1 else f"previous {weeks_n} weeks"
    if before is None:
        return f"{span}: not known"
    return f"{span}: {show(before)}{unit if weeks_n > 1 else ''}"
