"""What a finding of the week stands on and what to do about it, from the facts it carries."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.report.filters import kw, minutes, number
from pipeline.report.language import N_, NN_, _, ngettext
from pipeline.report.weekdata import Row
from pipeline.report.words import WHY_WORDS, joined, words_of

_ADVICE = {
    "vehicle_did_not_respond": N_(
        "Have the maker's workshop check whether battery warming is present, enabled and up to "
        "date on this vehicle; its manual says what it needs before it starts."
    ),
    "vehicle_never_warmed": N_(
        "Look at the reasons in the stop list first: most often no charging place was set, or "
        "it was set as an address. Set the charger in the vehicle before setting off."
    ),
    "most_minutes_vehicle": N_(
        "The stops are in the list, each with its reason: look at what they have in common."
    ),
    "site_destination_not_recognised": N_(
        "Save this site in the vehicles' navigation as a charging place, not as an address, "
        "and tell everyone who charges there."
    ),
    "most_minutes_site": N_(
        "Save this site in the vehicles as a charging place, and set it long enough before "
        "arrival: see When to begin."
    ),
    "site_slow": N_(
        "Here the charger, not the battery, set the pace. Where the route allows, prefer a "
        "faster site for long charges; warming brings little here."
    ),
    "site_held_back": N_(
        "Ask the site's operator whether its chargers share power, and plan long charges for "
        "quiet hours or another site. Neither battery nor driver can mend this."
    ),
    "vehicle_unconfigured": N_(
        "Add it to vehicles.toml with its model: until then outcomes rest on generic "
        "assumptions and minutes are not computed."
    ),
    "vehicle_silent": N_("Check its logger or export; nothing can be said about it."),
}

_BY_REASON = {
    "no_destination": NN_(
        "Set the charger in the vehicle before setting off, long enough before arrival: none was "
        "set at {n} stop.",
        "Set the charger in the vehicle before setting off, long enough before arrival: none was "
        "set at {n} stops.",
    ),
    "set_too_late": NN_(
        "Set the charger in the vehicle before setting off, long enough before arrival: it was set "
        "too late at {n} stop.",
        "Set the charger in the vehicle before setting off, long enough before arrival: it was set "
        "too late at {n} stops.",
    ),
    "began_late": NN_(
        "Set the charger in the vehicle before setting off, long enough before arrival: warming "
        "began too late at {n} stop.",
        "Set the charger in the vehicle before setting off, long enough before arrival: warming "
        "began too late at {n} stops.",
    ),
    "destination_not_recognised": NN_(
        "Pick the charger from the vehicle's own list of charging places, not as an address: it "
        "was not known as one at {n} stop.",
        "Pick the charger from the vehicle's own list of charging places, not as an address: it "
        "was not known as one at {n} stops.",
    ),
    "approach_too_short": NN_(
        "Charge after the longer drive, or warm on the cable before departure: the drive was too "
        "short at {n} stop.",
        "Charge after the longer drive, or warm on the cable before departure: the drive was too "
        "short at {n} stops.",
    ),
    "too_cold_for_the_time": NN_(
        "Begin on a warmer battery, on the cable or indoors: warming ran as long as it could at "
        "{n} stop.",
        "Begin on a warmer battery, on the cable or indoors: warming ran as long as it could at "
        "{n} stops.",
    ),
    "cut_off_low_charge": NN_(
        "Stop for charge a little earlier: low charge switched the warming off at {n} stop.",
        "Stop for charge a little earlier: low charge switched the warming off at {n} stops.",
    ),
}
"""By the most frequent reason of a vehicle's stops of the week."""


def advice_words(row: Row, at_sites: Mapping[str, str]) -> str:
    """What to do about a finding.

    Parameters
    ----------
    at_sites
        Where it is known when to set a site: the words for it, by the site's id.
    """
    code, reasons = row["code"], row["facts"]["reasons"] or []
    if code == "most_minutes_site" and row["subject_id"] in at_sites:
        said = at_sites[row["subject_id"]]
        return joined(
            _("Save it in the vehicles as a charging place."), f"{said[0].upper()}{said[1:]}."
        )
    if code == "most_minutes_vehicle" and reasons and reasons[0]["why"] in _BY_REASON:
        return ngettext(*_BY_REASON[reasons[0]["why"]], reasons[0]["reason_stops_n"])
    return _(_ADVICE[code])


def general_advice(code: str) -> str:
    """What to do about a kind of finding, where its facts are not at hand; empty if not known."""
    return _(_ADVICE[code]) if code in _ADVICE else ""


def evidence_words(row: Row) -> str:
    """What a finding stands on."""
    facts = row["facts"]
    said = _own_words(row, facts)
    if facts["held_min"] is None:
        return said
    held = _(
        "For {minutes} its chargers gave steadily less than their rating and than the vehicles "
        "could take, as chargers do that share power.",
        minutes=minutes(facts["held_min"]),
    )
    return joined(said, held)


def _own_words(row: Row, facts: Row) -> str:
    code = row["code"]
    if code == "vehicle_silent":
        return _("No data came from it this week.")
    if code == "vehicle_unconfigured":
        return _("It sends data, but no file of the fleet folder knows it.")
    if code == "vehicle_did_not_respond":
        return ngettext(
            "At {n} stop {in_weeks} a charging place was set in good time, with enough charge, and "
            "the battery was not warmed; nor was it at any other stop.",
            "At {n} stops {in_weeks} a charging place was set in good time, with enough charge, "
            "and the battery was not warmed; nor was it at any other stop.",
            facts["seen_n"],
            in_weeks=_in_weeks(facts["weeks_n"]),
        )
    if code == "vehicle_never_warmed":
        return ngettext(
            "It needed warming at {n} stop {in_weeks} and warmed at none ({reasons}).",
            "It needed warming at {n} stops {in_weeks} and warmed at none ({reasons}).",
            facts["seen_n"],
            in_weeks=_in_weeks(facts["weeks_n"]),
            reasons=_reason_words(facts["reasons"]),
        )
    if code == "site_destination_not_recognised":
        return ngettext(
            "At {n} stop {in_weeks} this site was set as a plain address, so the vehicle did not "
            "know that it would charge there.",
            "At {n} stops {in_weeks} this site was set as a plain address, so the vehicle did not "
            "know that it would charge there.",
            facts["seen_n"],
            in_weeks=_in_weeks(facts["weeks_n"]),
        )
    if code == "site_slow":
        return _limit_words(row, facts)
    return _minutes_words(facts) if code.startswith("most_minutes") else ""


def _limit_words(row: Row, facts: Row) -> str:
    told = {"limit": minutes(facts["limit_min"]), "cold": minutes(row["lost_cold_min"])}
    if facts["power_kw"] is None:
        return _(
            "Its limit took {limit} of what the vehicles could have charged in; cold took {cold} "
            "here.",
            **told,
        )
    return _(
        "Its limit of {power} took {limit} of what the vehicles could have charged in; cold took "
        "{cold} here.",
        power=kw(facts["power_kw"]),
        **told,
    )


def _minutes_words(facts: Row) -> str:
    said = ngettext(
        "{own} of the fleet's {all} avoidable cold minutes, over {n} stop.",
        "{own} of the fleet's {all} avoidable cold minutes, over {n} stops.",
        facts["avoidable_stops_n"],
        own=number(facts["own_min"]),
        all=number(facts["fleet_min"]),
    )
    if not facts["reasons"]:
        return said
    return joined(
        said, _("Stops that arrived cold: {reasons}.", reasons=_reason_words(facts["reasons"]))
    )


def _in_weeks(weeks_n: int) -> str:
    if weeks_n <= 1:
        return _("in this week")
    return ngettext("in {n} week", "in {n} weeks", weeks_n)


def _reason_words(reasons: Sequence[Mapping[str, Any]] | None) -> str:
    """``no destination set 4; destination set too late 1``."""
    return "; ".join(
        f"{words_of(row['why'], WHY_WORDS) or _('not known')} {number(row['reason_stops_n'])}"
        for row in reasons or []
    )
