"""The page of the group report, from the figures of its fleets."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from pipeline.group.figures import Group, Member
from pipeline.group.words import (
    label_of,
    missing_words,
    money_words,
    notes,
    opening,
    sort_key,
    total_of,
)
from pipeline.report.filters import count, minutes, number, quantity_filters, rate
from pipeline.report.language import _, ngettext
from pipeline.report.rows import finding, range_bar
from pipeline.report.sheets.paper import sheet_html
from pipeline.report.weekdata import Row, week_words

MOST_FLEETS = 40
MOST_FINDINGS = 6
MOST_MISSING = 30
_BAR = 98.0


def group_html(
    group: Group, *, speaker: Member, instant: datetime, version: str, method_version: str
) -> str:
    """The document in the language spoken; `speaker` lends it colours, logo and templates."""
    members = list(group.members)
    longest = max((m.figures["lost_cold_min"] or 0.0 for m in members), default=0.0)
    found = attention_rows(group)
    context: dict[str, Any] = {
        "week_words": week_words(group.week_id),
        "week_id": group.week_id,
        "operator": ngettext("{n} fleet", "{n} fleets", len(members)),
        "fleets_n": len(members) + len(group.missing),
        "members_n": len(members),
        "opening": opening(group),
        "money": money_words(group),
        "rows": [_row(member, longest) for member in members[:MOST_FLEETS]],
        "rows_more_n": max(0, len(members) - MOST_FLEETS),
        "total": _total(group),
        "findings": [_told(row) for row in found[:MOST_FINDINGS]],
        "findings_more_n": max(0, len(found) - MOST_FINDINGS),
        "missing": [
            {"label": label_of(each), "words": missing_words(each)}
            for each in group.missing[:MOST_MISSING]
        ],
        "missing_more_n": max(0, len(group.missing) - MOST_MISSING),
        "notes": notes(group),
        "method": method_version,
    }
    return sheet_html(
        "group.html.j2",
        speaker.fleet,
        context,
        title=_("Group report, {week}", week=group.week_id),
        running=_(
            "Cold Minutes, group report, {week}, method {method}",
            week=group.week_id,
            method=method_version,
        ),
        instant=instant,
        version=version,
        method_version=method_version,
    )


def attention_rows(group: Group) -> list[dict[str, Any]]:
    """Findings of all fleets, what is worth most first."""
    rows = [
        {**row, "fleet_label": label_of(member), "facts": row["facts"]}
        for member in group.members
        for row in member.attention
    ]
    return sorted(rows, key=sort_key)


def _row(member: Member, longest_min: float) -> Row:
    figures, settings = member.figures, member.fleet.settings
    cold, avoidable = figures["lost_cold_min"], figures["avoidable_min"]
    return {
        "label": label_of(member),
        "vehicles": _vehicles(figures),
        "stops": count(figures["stops_n"]),
        "needed": count(figures["needed_warming_n"]),
        "hit_bar": range_bar(figures, "hit_rate", settings.target_hit_rate),
        "hit": rate(figures["hit_rate"]),
        "hit_range": _range(
            _in_hundredths(figures["hit_rate_low"]), _in_hundredths(figures["hit_rate_high"])
        ),
        "cold": number(cold),
        "cold_range": _range(figures["lost_cold_low_min"], figures["lost_cold_high_min"]),
        "avoidable": number(avoidable),
        "cold_bar": _cold_bar(cold, avoidable, longest_min),
        "a_stop": number(
            None
            if cold is None or not figures["split_stops_n"]
            else cold / figures["split_stops_n"],
            1,
        ),
        "energy": number(figures["warming_kwh"], 1),
        "cost": quantity_filters(settings)["money"](figures["warming_cost"]),
    }


def _in_hundredths(share: float | None) -> float | None:
    return None if share is None else share * 100


def _range(low: float | None, high: float | None) -> str:
    if low is None or high is None:
        return ""
    return _("{low} to {high}", low=number(low), high=number(high))


def _vehicles(figures: dict[str, Any]) -> str:
    if not figures["silent_n"]:
        return ngettext("{n} vehicle", "{n} vehicles", figures["vehicles_n"])
    return ngettext(
        "{n} vehicle, {silent} silent",
        "{n} vehicles, {silent} silent",
        figures["vehicles_n"],
        silent=number(figures["silent_n"]),
    )


def _cold_bar(cold: float | None, avoidable: float | None, longest_min: float) -> Row | None:
    """Cold minutes on one scale for all fleets, the avoidable ones first."""
    if cold is None or cold <= 0 or longest_min <= 0:
        return None
    whole = round(_BAR * cold / longest_min, 2)
    first = round(_BAR * min(max(avoidable or 0.0, 0.0), cold) / longest_min, 2)
    return {"whole": whole, "avoidable": first}


def _total(group: Group) -> Row:
    members = group.members
    needed = total_of(members, "needed_warming_n")
    warmed = total_of(members, "warmed_n")
    return {
        "stops": count(total_of(members, "stops_n")),
        "needed": count(needed),
        "hit": rate(warmed / needed if needed and warmed is not None else None),
        "cold": number(total_of(members, "lost_cold_min")),
        "avoidable": number(total_of(members, "avoidable_min")),
        "energy": number(total_of(members, "warming_kwh"), 1),
    }


def _told(row: dict[str, Any]) -> Row:
    """A finding in words, with the fleet it is about."""
    told = finding(row, {})
    worth = told["worth"]
    if worth is not None:
        shown = _("{minutes} a week", minutes=worth["minutes"])
    elif told["avoidable_min"] is not None:
        shown = _("{minutes} avoidable", minutes=minutes(told["avoidable_min"]))
    else:
        shown = ""
    return {
        **told,
        "fleet": row["fleet_label"],
        "shown": shown,
        "interval": worth["interval"] if worth is not None else "",
    }
