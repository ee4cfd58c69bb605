"""The opening of the report: what happened, and what to do on Monday.

It never claims more than the evidence: 'cold took' is said of minutes split by cause only, and
where they could not be split the words are 'lost at stops that arrived cold'.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.report.causes import cold_shown
from pipeline.report.filters import minutes, number
from pipeline.report.words import (
    FEW_STOPS,
    FINDING_WORDS,
    Row,
    between,
    counted,
    isolated,
    words_of,
)

_SET_IT = "Set the charger as the destination before setting off"
_ADVICE = {
    "no_destination": f"{_SET_IT}: {{at}} none was set.",
    "set_too_late": f"{_SET_IT}: {{at}} it was set too late.",
    "began_late": f"{_SET_IT}: {{at}} warming began too late.",
    "destination_not_recognised": (
        "Pick the charger from the vehicle's own list of charging places: {at} the destination "
        "was not known as one."
    ),
    "approach_too_short": (
        "Charge after the longer drive, or warm on the cable before departure: {at} the drive "
        "was too short."
    ),
    "vehicle_did_not_respond": (
        "Have the vehicles that did not respond checked: {at} a charging place was set in time "
        "and no warming began."
    ),
    "too_cold_for_the_time": (
        "Begin on a warmer battery (on the cable, or indoors): {at} warming ran as long as it "
        "could and the battery was still cold."
    ),
    "cut_off_low_charge": (
        "Stop for charge a little earlier: {at} low charge switched the warming off."
    ),
    "ended_early": (
        "Ask why warming ended before arrival: {at} it did; a destination cleared on the way is "
        "the usual thing to look for."
    ),
}


@dataclass(frozen=True)
class Opening:
    """The first words of the report: what happened, and what to do."""

    what: str
    action: str


def opening(
    edition: Row, stops: Sequence[Row], attention: Sequence[Row], *, silent_n: int
) -> Opening:
    """One to three sentences on what happened, one or two on what to do."""
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
    what += _other_causes(edition)
    action = "Keep the warming habits as they are."
    if int(edition["warmed_unneeded_n"]):
        n = int(edition["warmed_unneeded_n"])
        action += f" {counted(n, 'stop was', 'stops were')} warmed without need."
    return Opening(what + few, action)


def _other_causes(edition: Row) -> str:
    """What the chargers took, where it is worth a sentence."""
    site = float(edition["lost_site_min"] or 0)
    held = float(edition["held_back_min"] or 0)
    if max(site, held) < 5:
        lost = float(edition["lost_warm_arrival_min"] or 0)
        return f" The {minutes(lost)} lost there have other causes." if lost >= 5 else ""
    told = [
        text
        for value, text in (
            (site, f"their own limits {minutes(site)}"),
            (held, f"power shared or cut {minutes(held)}"),
        )
        if value >= 5
    ]
    return f" The chargers took time: {' and '.join(told)}."


def _cold_sentence(edition: Row, cold_n: int, known_n: int) -> str:
    of_all = f"{cold_n} of the {known_n} stops with a known battery temperature"
    if known_n == 1:
        of_all = "The one stop with a known battery temperature"
    cold = edition["lost_cold_min"]
    if cold is None:
        return _unsplit_sentence(edition, of_all)
    if cold < 1:
        return (
            f"{of_all} arrived cold, but cold cost them no charging time: cold was not the "
            "problem this week." + _other_causes(edition)
        )
    site = float(edition["lost_site_min"] or 0)
    held = float(edition["held_back_min"] or 0)
    took = f"{minutes(cold)} of charging time{_interval(edition)}"
    if max(site, held) > cold:
        more = (
            f"The chargers' own limits took {minutes(site)}"
            if site >= held
            else f"Chargers that gave less than their rating took {minutes(held)}"
        )
        return f"{more}, more than cold: cold took {took}.{_avoidable_sentence(edition)}"
    return f"{of_all} arrived cold. Cold took {took}.{_avoidable_sentence(edition)}"


def _unsplit_sentence(edition: Row, of_all: str) -> str:
    lost = edition["lost_cold_arrival_min"]
    if lost is None:
        return f"{of_all} arrived cold; the minutes lost there cannot be computed."
    return (
        f"{of_all} arrived cold and took {minutes(lost)} longer there than warm batteries would "
        "have; how much of it was the cold cannot be told."
    )


def _interval(edition: Row) -> str:
    said = between(edition["lost_cold_low_min"], edition["lost_cold_high_min"])
    return f" ({said})" if said else ""


def _avoidable_sentence(edition: Row) -> str:
    avoidable, unavoidable = edition["avoidable_min"], edition["unavoidable_min"]
    if avoidable is None or unavoidable is None:
        return " How much of it could have been avoided is not known."
    shown = cold_shown(edition)
    could, could_not = shown["avoidable"], shown["unavoidable"]
    rest = " For the rest it cannot be told." if shown["unjudged"] else ""
    if could < 1:
        return f" Warming could have avoided none of it{' that was judged' if rest else ''}.{rest}"
    if could_not < 1 and not rest:
        return " Warming could have avoided all of it."
    return (
        f" Warming could have avoided {minutes(could)}; "
        f"{minutes(could_not)} could not have been avoided.{rest}"
    )


def _warming_sentence(edition: Row) -> str:
    needed, warmed = int(edition["needed_warming_n"]), int(edition["warmed_n"])
    part = int(edition["part_warmed_n"])
    if needed == 0:
        return ""
    if needed == 1:
        rest = "it was not finished" if part else "it never began"
        return " The one stop that needed warming " + (
            "got it in time." if warmed else f"did not get it in time: {rest}."
        )
    if warmed == needed:
        return f" All {counted(needed, 'stop')} that needed warming got it in time."
    return f" Of {counted(needed, 'stop')} that needed warming, {warmed or 'none'} got it in time."


def _advice(edition: Row, stops: Sequence[Row], attention: Sequence[Row]) -> str:
    """By the reason that cost most avoidable minutes; nothing that warming could not have saved."""
    by_why: dict[str, list[float]] = defaultdict(list)
    for stop in stops:
        if stop["avoidable_min"] and stop["why"] in _ADVICE:
            by_why[stop["why"]].append(stop["avoidable_min"])
    parts = []
    if by_why:
        # Equal sums are settled by name, so that equal data give equal words.
        why, found = min(by_why.items(), key=lambda pair: (-math.fsum(pair[1]), pair[0]))
        of_all = number(edition["avoidable_min"])
        at = (
            f"at {counted(len(found), 'stop')}, with {number(math.fsum(found))} of the {of_all} "
            "avoidable minutes,"
        )
        parts.append(_ADVICE[why].format(at=at))
    if attention:
        first = attention[0]
        label = words_of(first["code"], FINDING_WORDS)
        parts.append(f"Look first at {isolated(first['subject_name'])} ({label}).")
    return " ".join(parts) or "Nothing stands out that a single action would mend."
