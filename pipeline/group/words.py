"""What the group report says in sentences. Fleets are never ranked, and money never added up."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import Any

from pipeline.group.figures import Group, Member, Missing
from pipeline.report.filters import minutes, name, number, rate
from pipeline.report.language import N_, _, listed, ngettext
from pipeline.report.words import joined, words_of
from pipeline.weeks import span_of

MISSING_WORDS = {
    "cannot_be_read": N_("its folder cannot be read"),
    "never_run": N_("it was never run"),
    "week_not_over": N_("the week is not over there yet"),
    "no_data": N_("it has no data of this week"),
    "held": N_("another run is at work on it"),
}
_LONGEST = 60


def total_of(members: Sequence[Member], figure: str) -> float | None:
    """Sum over the fleets that have the figure; None where none has."""
    values = [m.figures[figure] for m in members if m.figures[figure] is not None]
    return sum(values) if values else None


def opening(group: Group) -> str:
    """What happened in the week, over all fleets that have it."""
    members = group.members
    if not members:
        return _("None of the fleets named has data of this week.")
    needed_n = int(total_of(members, "needed_warming_n") or 0)
    warmed_n = int(total_of(members, "warmed_n") or 0)
    cold, avoidable = total_of(members, "lost_cold_min"), total_of(members, "avoidable_min")
    return joined(
        ngettext(
            "{n} fleet had {stops} fast-charge stops.",
            "{n} fleets had {stops} fast-charge stops between them.",
            len(members),
            stops=number(total_of(members, "stops_n")),
        ),
        ngettext(
            "Of {n} stop that needed warming, {warmed} got it in time ({rate}).",
            "Of {n} stops that needed warming, {warmed} got it in time ({rate}).",
            needed_n,
            warmed=number(warmed_n),
            rate=rate(warmed_n / needed_n),
        )
        if needed_n
        else _("None is known to have needed warming."),
        _(
            "Cold batteries took {cold}, of which {avoidable} were avoidable.",
            cold=minutes(cold),
            avoidable=minutes(avoidable),
        )
        if cold is not None and avoidable is not None
        else "",
    )


def money_words(group: Group) -> str:
    """Cost of warming by currency, one beside the other."""
    sums: defaultdict[str, float] = defaultdict(float)
    for member in group.members:
        if member.figures["warming_cost"] is not None:
            sums[member.fleet.settings.currency] += member.figures["warming_cost"]
    if not sums:
        return ""
    told = [f"{number(cost, 2)}\u00a0{currency}" for currency, cost in sorted(sums.items())]
    if len(told) == 1:
        return _("Energy of warming cost {cost}.", cost=told[0])
    return _(
        "Energy of warming cost {costs}; currencies are not converted and not added.",
        costs=listed(told),
    )


def missing_words(missing: Missing) -> str:
    """Why a fleet is not in the tables."""
    words = words_of(missing.why, MISSING_WORDS)
    if not missing.detail:
        return words
    if missing.why == "no_data":
        return _("{reason}; its newest is {week}", reason=words, week=missing.detail)
    return _("{reason} ({detail})", reason=words, detail=name(missing.detail, 160))


def notes(group: Group) -> list[str]:
    """What the figures stand on, and what they cannot tell."""
    members = group.members
    zones = sorted({member.fleet.settings.time_zone for member in members})
    begins = {span_of(group.week_id, member.fleet.zone) for member in members}
    told = [
        _(
            "Every figure is that of the fleet's own report: its own settings, curves and prices. "
            "The interval of a hit rate is the 95 % Wilson interval that allows for stops of one "
            "driver going together; that of cold minutes is the 90 % interval of the measurement."
        ),
        _(
            "The fleets stand in the order of the alphabet. Weather, routes, vehicles and chargers "
            "differ between them, so a lower rate is no proof of worse habits; where intervals "
            "overlap, chance alone may be the difference. Nothing here is about single people."
        ),
    ]
    if len(begins) > 1:
        told.append(
            _(
                "The week is cut at midnight of each fleet's own zone ({zones}), so the fleets' "
                "weeks do not begin at one instant.",
                zones=", ".join(name(zone, 40) for zone in zones),
            )
        )
    unrated = sum(member.figures["rated_n"] < member.figures["stops_n"] for member in members)
    if unrated:
        told.append(
            ngettext(
                "In {n} fleet some stops lack the signals to rate them; they count as stops only.",
                "In {n} fleets some stops lack the signals to rate them; they count as stops only.",
                unrated,
            )
        )
    return told


def label_of(member: Member | Missing) -> str:
    """A fleet's name as printed."""
    return name(member.label, _LONGEST)


def sort_key(row: dict[str, Any]) -> tuple[bool, float, str, str]:
    """What needs attention first: by what mending it saves a week, else by avoidable minutes."""
    worth = row["facts"].get("worth_min")
    shown = worth if worth is not None else row["avoidable_min"]
    return (shown is None, -(shown or 0.0), row["fleet_label"].casefold(), row["subject_id"] or "")
