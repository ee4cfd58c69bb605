"""Sentences of the opening on what cold and the chargers took, as far as the evidence goes."""

from __future__ import annotations

from pipeline.report.causes import cold_shown
from pipeline.report.filters import minutes, number
from pipeline.report.language import NN_, _, ngettext
from pipeline.report.words import Row, between, joined


def other_causes(edition: Row) -> str:
    """What the chargers took, where it is worth a sentence."""
    site = float(edition["lost_site_min"] or 0)
    held = float(edition["held_back_min"] or 0)
    if max(site, held) < 5:
        lost = float(edition["lost_warm_arrival_min"] or 0)
        if lost < 5:
            return ""
        return _("The {minutes} lost there have other causes.", minutes=minutes(lost))
    if held < 5:
        return _("The chargers took time: their own limits {minutes}.", minutes=minutes(site))
    if site < 5:
        return _("The chargers took time: power shared or cut {minutes}.", minutes=minutes(held))
    return _(
        "The chargers took time: their own limits {site} and power shared or cut {held}.",
        site=minutes(site),
        held=minutes(held),
    )


def cold_sentences(edition: Row, cold_n: int, known_n: int) -> list[str]:
    """What arrived cold, what cold took beside the chargers, and how much could be avoided."""
    cold = edition["lost_cold_min"]
    if cold is None:
        return [_unsplit_sentence(edition, cold_n, known_n)]
    if cold < 1:
        said = _of_known(
            known_n,
            cold_n,
            _(
                "The one stop with a known battery temperature arrived cold, but cold cost it no "
                "charging time: cold was not the problem this week."
            ),
            NN_(
                "{cold} of the {n} stop with a known battery temperature arrived cold, but cold "
                "cost them no charging time: cold was not the problem this week.",
                "{cold} of the {n} stops with a known battery temperature arrived cold, but cold "
                "cost them no charging time: cold was not the problem this week.",
            ),
        )
        return [said, other_causes(edition)]
    site = float(edition["lost_site_min"] or 0)
    held = float(edition["held_back_min"] or 0)
    if max(site, held) > cold:
        return [_chargers_first(edition, site, held), _avoidable_sentence(edition)]
    arrived = _of_known(
        known_n,
        cold_n,
        _("The one stop with a known battery temperature arrived cold."),
        NN_(
            "{cold} of the {n} stop with a known battery temperature arrived cold.",
            "{cold} of the {n} stops with a known battery temperature arrived cold.",
        ),
    )
    interval = between(edition["lost_cold_low_min"], edition["lost_cold_high_min"])
    took = (
        _(
            "Cold took {minutes} of charging time ({interval}).",
            minutes=minutes(cold),
            interval=interval,
        )
        if interval
        else _("Cold took {minutes} of charging time.", minutes=minutes(cold))
    )
    return [arrived, took, _avoidable_sentence(edition)]


def _of_known(
    known_n: int, cold_n: int, the_one: str, of_all: tuple[str, str], **values: str
) -> str:
    """Of stops with a known battery temperature; ``the_one`` is said where there is no other."""
    if known_n == 1:
        return the_one
    return ngettext(*of_all, known_n, cold=number(cold_n), **values)


def _chargers_first(edition: Row, site: float, held: float) -> str:
    cold = minutes(edition["lost_cold_min"])
    interval = between(edition["lost_cold_low_min"], edition["lost_cold_high_min"])
    if site >= held:
        if interval:
            return _(
                "The chargers' own limits took {site}, more than cold: cold took {cold} of "
                "charging time ({interval}).",
                site=minutes(site),
                cold=cold,
                interval=interval,
            )
        return _(
            "The chargers' own limits took {site}, more than cold: cold took {cold} of charging "
            "time.",
            site=minutes(site),
            cold=cold,
        )
    if interval:
        return _(
            "Chargers that gave less than their rating took {held}, more than cold: cold took "
            "{cold} of charging time ({interval}).",
            held=minutes(held),
            cold=cold,
            interval=interval,
        )
    return _(
        "Chargers that gave less than their rating took {held}, more than cold: cold took {cold} "
        "of charging time.",
        held=minutes(held),
        cold=cold,
    )


def _unsplit_sentence(edition: Row, cold_n: int, known_n: int) -> str:
    lost = edition["lost_cold_arrival_min"]
    if lost is None:
        return _of_known(
            known_n,
            cold_n,
            _(
                "The one stop with a known battery temperature arrived cold; the minutes lost "
                "there cannot be computed."
            ),
            NN_(
                "{cold} of the {n} stop with a known battery temperature arrived cold; the minutes "
                "lost there cannot be computed.",
                "{cold} of the {n} stops with a known battery temperature arrived cold; the "
                "minutes lost there cannot be computed.",
            ),
        )
    return _of_known(
        known_n,
        cold_n,
        _(
            "The one stop with a known battery temperature arrived cold and took {minutes} longer "
            "there than warm batteries would have; how much of it was the cold cannot be told.",
            minutes=minutes(lost),
        ),
        NN_(
            "{cold} of the {n} stop with a known battery temperature arrived cold and took "
            "{minutes} longer there than warm batteries would have; how much of it was the cold "
            "cannot be told.",
            "{cold} of the {n} stops with a known battery temperature arrived cold and took "
            "{minutes} longer there than warm batteries would have; how much of it was the cold "
            "cannot be told.",
        ),
        minutes=minutes(lost),
    )


def _avoidable_sentence(edition: Row) -> str:
    avoidable, unavoidable = edition["avoidable_min"], edition["unavoidable_min"]
    if avoidable is None or unavoidable is None:
        return _("How much of it could have been avoided is not known.")
    shown = cold_shown(edition)
    could, could_not = shown["avoidable"], shown["unavoidable"]
    rest = _("For the rest it cannot be told.") if shown["unjudged"] else ""
    if could < 1:
        if rest:
            return joined(_("Warming could have avoided none of it that was judged."), rest)
        return _("Warming could have avoided none of it.")
    if could_not < 1 and not rest:
        return _("Warming could have avoided all of it.")
    said = _(
        "Warming could have avoided {avoidable}; {unavoidable} could not have been avoided.",
        avoidable=minutes(could),
        unavoidable=minutes(could_not),
    )
    return joined(said, rest)
