"""What the section on who or what says: findings, causes, events, limits of it all."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.judgement.findings import METHOD_RULE
from pipeline.report.filters import date_words, name, number, one_line, rate
from pipeline.report.language import N_, NN_, _, ngettext, spoken
from pipeline.report.rows import with_label
from pipeline.report.words import isolated, joined

Row = Mapping[str, Any]

MOST_STOP_IDS = 3

CAUSE_WORDS = {
    "driver_habit": N_("driver habit: not set, or not in time"),
    "not_set_in_time": N_("destination not set, or not in time"),
    "vehicle_fault": N_("vehicle fault, or function missing"),
    "place_not_recognised": N_("place not recognised, or an address set"),
    "journey_too_short": N_("journey too short to warm"),
    "low_charge": N_("held by low charge"),
    "cannot_tell": N_("cannot be told"),
}

FINDING_LABELS = {
    "vehicle_never_responds": N_("never responds"),
    "vehicle_or_driver": N_("vehicle or driver, cannot be told"),
    "place_not_recognised": N_("place not recognised"),
    "driver_never_starts": N_("never starts warming"),
    "driver_or_vehicle": N_("driver or vehicle, cannot be told"),
    "driver_starts_less": N_("begins less often than before"),
    "driver_starts_more": N_("begins more often than before"),
}

_NONE_STARTED = NN_(
    "Warming did not begin at the {n} stop that counts; of others in the same place {expected} "
    "starts were to be expected.",
    "Warming began at none of {n} stops that count; of others in the same place {expected} starts "
    "were to be expected.",
)
_EVIDENCE = {
    "vehicle_never_responds": _NONE_STARTED,
    "vehicle_or_driver": _NONE_STARTED,
    "driver_never_starts": _NONE_STARTED,
    "driver_or_vehicle": _NONE_STARTED,
    "place_not_recognised": NN_(
        "Vehicles were asked to warm at {n} stop and knew the place at {started}; elsewhere they "
        "would have at {expected}.",
        "Vehicles were asked to warm at {n} stops and knew the place at {started}; elsewhere they "
        "would have at {expected}.",
    ),
    "driver_starts_less": NN_(
        "The control chart left its limit over {n} stop, weather, vehicles and places allowed for.",
        "The control chart left its limit over {n} stops, weather, vehicles and places allowed "
        "for.",
    ),
}
_EVIDENCE["driver_starts_more"] = _EVIDENCE["driver_starts_less"]

_NO_EFFECT = {
    "too_few_stops": N_("too few stops on one side of it to say what changed"),
    "too_few_drivers": N_("too few drivers with stops on both sides to say what changed"),
    "too_few_people": N_("not put into figures: fewer than five people were part of it"),
}

_PEOPLE = {
    "off": N_("Nothing is said about people: driver analysis is off."),
    "few": N_("Nothing is said about people: fewer than five drivers had a stop."),
    "totals": N_("About people there are sums only: driver analysis is at the level of totals."),
}


def finding_row(row: Row) -> Row:
    """A finding in words, with the first of its stops."""
    stop_ids = [one_line(each) for each in row["stop_ids"] or []]
    shown = ", ".join(stop_ids[:MOST_STOP_IDS])
    if len(stop_ids) > MOST_STOP_IDS:
        more_n = len(stop_ids) - MOST_STOP_IDS
        shown = ngettext("{stops} and {n} more", "{stops} and {n} more", more_n, stops=shown)
    subject = row["subject_name"]
    if row["kind"] == "driver":
        subject = with_label({"driver_label": subject})["driver_label"]
    return {
        "subject": name(subject, 44),
        "label": _(FINDING_LABELS[row["code"]]),
        "evidence": ngettext(
            *_EVIDENCE[row["code"]],
            row["stops_n"],
            expected=number(row["expected_started_n"], 1),
            started=number(row["started_n"]),
        ),
        "stop_ids": shown,
    }


def nothing_stands() -> str:
    """Where there is no finding."""
    return _(
        "Nothing stands against chance. That takes a vehicle or a driver {n} stops without a start "
        "and the same a month before, or a site that is known clearly less often than others; "
        "fewer stops never name anybody.",
        n=number(_least_stops()),
    )


def _least_stops() -> int:
    """Stops without a start from which on a finding can stand."""
    share, stops_n = 1.0, 0
    while share > METHOD_RULE.habit_error_rate:
        share, stops_n = share * (1 - METHOD_RULE.habit_rate), stops_n + 1
    return max(stops_n, METHOD_RULE.least_stops_n)


def people_words(scope: Row, privacy: Any) -> str:
    """How far people are spoken of here, and why no further."""
    if scope["people_why_not"] == "record":
        return _(
            "About people there are sums only, until [privacy] of fleet.toml records {keys}.",
            keys=", ".join(scope["missing_record"]),
        )
    if scope["people_why_not"]:
        return _(_PEOPLE[scope["people_why_not"]])
    return _(
        "Recorded purpose: {purpose}. Agreed on {day}.",
        purpose=name(privacy.purpose, 120).rstrip("."),
        day=spoken().long_day(privacy.agreed_on),
    )


def waiting_words(waiting_n: int) -> str:
    """Findings about people that nobody has approved; empty where there is none."""
    if not waiting_n:
        return ""
    return ngettext(
        "{n} finding about a person waits for approval: coldminutes approve.",
        "{n} findings about people wait for approval: coldminutes approve.",
        waiting_n,
    )


def effect_words(row: Row) -> str:
    """What changed with an event, and how sure that is."""
    said = _("{day}, {event}", day=date_words(row["event_date"]), event=isolated(row["event_name"]))
    if row["vehicles_n"] or row["sites_n"]:
        parts = [
            ngettext("{n} vehicle", "{n} vehicles", row["vehicles_n"]) if row["vehicles_n"] else "",
            ngettext("{n} site", "{n} sites", row["sites_n"]) if row["sites_n"] else "",
        ]
        said += f" ({', '.join(part for part in parts if part)})"
    if row["why_null"] is not None:
        return f"{said}: {_(_NO_EFFECT[row['why_null']])}."
    low, high = row["change_rate_low"], row["change_rate_high"]
    figures = _(
        "warming began at {before} of {before_n} stops before, {after} of {after_n} after; "
        "weather, vehicles and places being equal {change} points ({low} to {high})",
        before=rate(row["before_rate"]),
        before_n=number(row["before_n"]),
        after=rate(row["after_rate"]),
        after_n=number(row["after_n"]),
        change=number(row["change_rate"] * 100, signed=True),
        low=number(low * 100, signed=True),
        high=number(high * 100, signed=True),
    )
    sure = "" if low > 0 or high < 0 else _("That may be chance.")
    return joined(f"{said}: {figures}.", sure)


def control_words(points: Sequence[Row], scope: Row) -> str:
    """What the fleet's control chart shows."""
    signal = points[-1]["signal"]
    if signal == "worse":
        said = _("The fleet begins warming less often than in the weeks before.")
    elif signal == "better":
        said = _("The fleet begins warming more often than in the weeks before.")
    else:
        said = _("No change of the fleet’s habit stands against chance.")
    return joined(
        said,
        _(
            "Watched since {day}, weather, vehicles, drivers and places allowed for. A sum that "
            "reaches its dashed line is a change; in 26 weeks without one at most one chart in "
            "twenty does.",
            day=spoken().long_day(scope["watched_from_date"]),
        ),
    )
