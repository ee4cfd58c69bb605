"""What to do on Monday: the one piece of advice that would save most, and whom to look at first."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence

from pipeline.report.filters import number
from pipeline.report.language import NN_, _, ngettext
from pipeline.report.words import FINDING_WORDS, Row, isolated, joined, words_of

_ADVICE = {
    "no_destination": NN_(
        "Set the charger as the destination before setting off: at {n} stop, with {minutes} of the "
        "{all} avoidable minutes, none was set.",
        "Set the charger as the destination before setting off: at {n} stops, with {minutes} of "
        "the {all} avoidable minutes, none was set.",
    ),
    "set_too_late": NN_(
        "Set the charger as the destination before setting off: at {n} stop, with {minutes} of the "
        "{all} avoidable minutes, it was set too late.",
        "Set the charger as the destination before setting off: at {n} stops, with {minutes} of "
        "the {all} avoidable minutes, it was set too late.",
    ),
    "began_late": NN_(
        "Set the charger as the destination before setting off: at {n} stop, with {minutes} of the "
        "{all} avoidable minutes, warming began too late.",
        "Set the charger as the destination before setting off: at {n} stops, with {minutes} of "
        "the {all} avoidable minutes, warming began too late.",
    ),
    "destination_not_recognised": NN_(
        "Pick the charger from the vehicle's own list of charging places: at {n} stop, with "
        "{minutes} of the {all} avoidable minutes, the destination was not known as one.",
        "Pick the charger from the vehicle's own list of charging places: at {n} stops, with "
        "{minutes} of the {all} avoidable minutes, the destination was not known as one.",
    ),
    "approach_too_short": NN_(
        "Charge after the longer drive, or warm on the cable before departure: at {n} stop, with "
        "{minutes} of the {all} avoidable minutes, the drive was too short.",
        "Charge after the longer drive, or warm on the cable before departure: at {n} stops, with "
        "{minutes} of the {all} avoidable minutes, the drive was too short.",
    ),
    "vehicle_did_not_respond": NN_(
        "Have the vehicles that did not respond checked: at {n} stop, with {minutes} of the {all} "
        "avoidable minutes, a charging place was set in time and no warming began.",
        "Have the vehicles that did not respond checked: at {n} stops, with {minutes} of the {all} "
        "avoidable minutes, a charging place was set in time and no warming began.",
    ),
    "too_cold_for_the_time": NN_(
        "Begin on a warmer battery (on the cable, or indoors): at {n} stop, with {minutes} of the "
        "{all} avoidable minutes, warming ran as long as it could and the battery was still cold.",
        "Begin on a warmer battery (on the cable, or indoors): at {n} stops, with {minutes} of the "
        "{all} avoidable minutes, warming ran as long as it could and the battery was still cold.",
    ),
    "cut_off_low_charge": NN_(
        "Stop for charge a little earlier: at {n} stop, with {minutes} of the {all} avoidable "
        "minutes, low charge switched the warming off.",
        "Stop for charge a little earlier: at {n} stops, with {minutes} of the {all} avoidable "
        "minutes, low charge switched the warming off.",
    ),
    "ended_early": NN_(
        "Ask why warming ended before arrival: at {n} stop, with {minutes} of the {all} avoidable "
        "minutes, it did; a destination cleared on the way is the usual thing to look for.",
        "Ask why warming ended before arrival: at {n} stops, with {minutes} of the {all} avoidable "
        "minutes, it did; a destination cleared on the way is the usual thing to look for.",
    ),
}


def advice(edition: Row, stops: Sequence[Row], attention: Sequence[Row]) -> str:
    """By the reason that cost most avoidable minutes; nothing that warming could not have saved."""
    by_why: dict[str, list[float]] = defaultdict(list)
    for stop in stops:
        if stop["avoidable_min"] and stop["why"] in _ADVICE:
            by_why[stop["why"]].append(stop["avoidable_min"])
    parts = []
    if by_why:
        # Equal sums are settled by name, so that equal data give equal words.
        why, found = min(by_why.items(), key=lambda pair: (-math.fsum(pair[1]), pair[0]))
        parts.append(
            ngettext(
                *_ADVICE[why],
                len(found),
                minutes=number(math.fsum(found)),
                all=number(edition["avoidable_min"]),
            )
        )
    if attention:
        first = attention[0]
        parts.append(
            _(
                "Look first at {name} ({finding}).",
                name=isolated(first["subject_name"]),
                finding=words_of(first["code"], FINDING_WORDS),
            )
        )
    return joined(*parts) or _("Nothing stands out that a single action would mend.")
