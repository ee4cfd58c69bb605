"""The section *who or what*: 13 weeks put down to habits, vehicles, places, and what is left open.

It names nobody that the stage before did not allow, and orders nothing by a figure.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from pipeline.config import Fleet
from pipeline.judgement.causes import CAUSES
from pipeline.report.causes import adding_up
from pipeline.report.filters import NONE, minutes, number, one_line
from pipeline.report.judged_charts import control_plot, funnel_plot, is_outside
from pipeline.report.judged_words import (
    CAUSE_WORDS,
    control_words,
    effect_words,
    finding_row,
    nothing_stands,
    people_words,
    waiting_words,
)
from pipeline.report.language import N_, NN_, _, ngettext, spoken
from pipeline.report.rows import range_bar, with_label
from pipeline.report.weekdata import WeekData
from pipeline.report.words import isolated, joined

Row = Mapping[str, Any]
Show = Callable[..., str]

SEASON_WEEKS_N = 13
_MOST_ROWS = 10
_ROWS_OF_MANY = 7
"""Where a kind has more groups than fit anyway, so that findings and events have room below."""
_MOST_FINDINGS = 3
_MOST_EVENTS = 2

_KINDS = {"vehicle": N_("Vehicles"), "site": N_("Sites"), "driver": N_("Drivers")}
_BASES = {
    "expected": N_("where warming was possible and worth it"),
    "needed": N_("all that needed warming"),
}
_MENDED = {
    "driver": NN_(
        "the habit that costs most (a sum; nobody is named)",
        "the {n} habits that cost most (a sum; nobody is named)",
    ),
    "vehicle": NN_("vehicle: {names}", "vehicles: {names}"),
    "site": NN_("site: {names}", "sites: {names}"),
}


def judged_section(week: WeekData, fleet: Fleet, filters: Mapping[str, Show]) -> Row | None:
    """Everything the section prints; None where nothing was judged, or no stop had to be warmed."""
    judged, scope = week.judged, week.judged.scope
    if scope is None or not scope["stops_n"]:
        return None
    rates = _rates(judged.rates)
    if not (rates or judged.findings or any(row["stops_n"] for row in judged.causes)):
        return None
    findings = [finding_row(row) for row in sorted(judged.findings, key=_place)]
    points = [row for row in judged.control if row["kind"] == "fleet"]
    events = list(enumerate(judged.effects[-_MOST_EVENTS:], 1))
    return {
        "head": joined(_head(scope), people_words(scope, fleet.settings.privacy)),
        "stops_n": scope["stops_n"],
        "rates": rates,
        "rates_note": _hard_frost(rates),
        "causes": _causes(judged.causes, scope["weeks_n"]),
        "groups": [
            group
            for kind in _KINDS
            if (group := _group(kind, judged.rates, judged.funnel)) is not None
        ],
        "what_if": [_mended(row, filters) for row in judged.what_if if row["subjects_n"]],
        "season_weeks_n": SEASON_WEEKS_N,
        "control": control_plot(points, [(at, row["event_date"]) for at, row in events])
        if points
        else None,
        "control_words": control_words(points, scope)
        if points
        else _("Too few weeks for a control chart: it needs some before those that it watches."),
        "effects": [f"{number(at)}. {effect_words(row)}" for at, row in events],
        "findings": findings[:_MOST_FINDINGS],
        "findings_more_n": max(0, len(findings) - _MOST_FINDINGS),
        "nothing": "" if findings else nothing_stands(),
        "waiting": waiting_words(scope["waiting_n"]),
        "has_people": scope["people_level"] != "nothing",
    }


def _place(row: Row) -> tuple[bool, int]:
    """What stands before what cannot be told; vehicles and sites before people."""
    return row["code"] in ("vehicle_or_driver", "driver_or_vehicle"), list(_KINDS).index(
        row["kind"]
    )


def _head(scope: Row) -> str:
    return ngettext(
        "The {n} week to {day}. For coaching and repair, not for ranking: whoever is named stands "
        "in the order of names.",
        "The {n} weeks to {day}. For coaching and repair, not for ranking: whoever is named stands "
        "in the order of names.",
        scope["weeks_n"],
        day=spoken().long_day(scope["last_date"]),
    )


def _rates(rates: Sequence[Row]) -> list[Row]:
    """The fleet's start rate and hit rate on both bases."""
    found = {(row["basis"], row["rate_name"]): row for row in rates if row["grouped_by"] == "fleet"}
    lines: list[Row] = []
    for basis, words in _BASES.items():
        start, hit = (found.get((basis, each)) for each in ("start_rate", "hit_rate"))
        if start is None or hit is None:
            continue
        lines.append(
            {
                "words": _(words),
                "stops_n": start["trials_n"],
                "start_rate": start["raw_rate"],
                "start_bar": _bar(start, "raw_rate"),
                "hit_rate": hit["raw_rate"],
                "hit_bar": _bar(hit, "raw_rate"),
            }
        )
    return lines


def _hard_frost(rates: Sequence[Row]) -> str:
    """Why fewer arrive in time where it counts most; empty where that is not so."""
    hits = [row["hit_rate"] for row in rates]
    if len(hits) < len(_BASES) or None in hits or hits[0] >= hits[1]:
        return ""
    return _(
        "Fewer are warmed in time where it is worth most: the colder the battery, the less often "
        "the drive leaves time to finish. What began and did not finish still saved minutes."
    )


def _bar(row: Row, middle: str) -> dict[str, float] | None:
    ends = {"r_low": row["shrunk_rate_low"], "r_high": row["shrunk_rate_high"]}
    return range_bar({"r": row[middle], **ends}, "r", None)


def _causes(causes: Sequence[Row], weeks_n: int) -> list[Row]:
    """Minutes a week by cause, with a bar; whole numbers that add up."""
    order = [*CAUSES, "not_set_in_time"]
    rows = sorted(causes, key=lambda row: order.index(row["cause"]))
    avoidable = [row["avoidable_min"] / weeks_n for row in rows]
    shown = adding_up(avoidable)
    longest = max([1e-9, *avoidable])
    return [
        {
            "words": _(CAUSE_WORDS[row["cause"]]),
            "avoidable_min": figure,
            "width": round(max(0.0, minutes_) / longest * 100, 2),
            "unavoidable_min": row["unavoidable_min"] / weeks_n,
            "stops_n": row["stops_n"],
        }
        for row, minutes_, figure in zip(rows, avoidable, shown, strict=True)
    ]


def _group(kind: str, rates: Sequence[Row], funnel: Sequence[Row]) -> Row | None:
    """Funnel plot and shrunk start rates of one kind; None where it has no stop that counts."""
    own = [row for row in rates if row["grouped_by"] == kind and row["rate_name"] == "start_rate"]
    points = [row for row in funnel if row["grouped_by"] == kind]
    if not own:
        return None
    outside = {row["group_id"] for row in points if is_outside(row)}
    # Of many those with most stops are printed, and of vehicles and sites first those outside;
    # never of people, who are not picked by a figure. All in the order of their names.
    picked = outside if kind != "driver" else set()
    busiest = sorted(own, key=lambda row: (row["group_id"] not in picked, -row["trials_n"]))
    most = _MOST_ROWS if len(own) <= _MOST_ROWS else _ROWS_OF_MANY
    chosen = {row["group_id"] for row in busiest[:most]}
    return {
        "title": _(_KINDS[kind]),
        "funnel": funnel_plot(points, kind) if points else None,
        "rows": [
            {
                "name": with_label({"driver_label": row["group_name"]})["driver_label"]
                if kind == "driver"
                else row["group_name"],
                "counts": _(
                    "{some} of {all}", some=number(row["hits_n"]), all=number(row["trials_n"])
                ),
                "shrunk_rate": row["shrunk_rate"],
                "bar": _bar(row, "shrunk_rate"),
                # Whoever is a person is marked by a finding that was approved, not by a plot.
                "is_outside": kind != "driver" and row["group_id"] in outside,
            }
            for row in own
            if row["group_id"] in chosen
        ],
        "more_n": max(0, len(own) - most),
    }


def _mended(row: Row, filters: Mapping[str, Show]) -> Row:
    """One line of the what-if: minutes and money a week, with intervals."""
    names = ", ".join(isolated(one_line(each)) for each in row["subject_names"] or [])
    return {
        "words": ngettext(*_MENDED[row["grouped_by"]], row["subjects_n"], names=names),
        "minutes": _with_interval(row, "saved_min", number),
        "season": minutes(row["saved_min"] * SEASON_WEEKS_N),
        "cash": _with_interval(row, "saved_cash", filters["amount"]),
        "time": _with_interval(row, "saved_worth_time", filters["amount"]),
    }


def _with_interval(row: Row, key: str, show: Show) -> str:
    """``22 (12 to 33)``; an en dash where it is not known."""
    stem, _dot, unit = key.rpartition("_")
    if row[key] is None:
        return NONE
    return _(
        "{value} ({low} to {high})",
        value=show(row[key]),
        low=show(row[f"{stem}_low_{unit}"]),
        high=show(row[f"{stem}_high_{unit}"]),
    )
