"""What this edition says otherwise: than the one before it of its week, and since an upgrade."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from typing import Any

from pipeline.report.filters import one_line
from pipeline.report.language import N_, _, ngettext
from pipeline.report.weekdata import Row, WeekData

FIGURE_WORDS = {
    "stops_n": N_("fast-charge stops"),
    "rated_n": N_("of them rated"),
    "needed_warming_n": N_("stops that needed warming"),
    "warmed_n": N_("warmed in time"),
    "part_warmed_n": N_("warming not finished"),
    "not_warmed_n": N_("warming never began"),
    "already_warm_n": N_("warm already"),
    "unknown_n": N_("not known whether warmed"),
    "cold_arrival_n": N_("cold arrivals"),
    "silent_n": N_("vehicles without data"),
    "hit_rate": N_("warming hit rate"),
    "start_rate": N_("start rate"),
    "lost_min": N_("extra minutes"),
    "lost_cold_min": N_("cold minutes"),
    "lost_site_min": N_("minutes of the charger’s limit"),
    "lost_unexplained_min": N_("unexplained minutes"),
    "avoidable_min": N_("avoidable minutes"),
    "net_saved_min": N_("minutes that warming saved"),
    "warming_kwh": N_("energy for warming"),
    "warming_cost": N_("cost of warming"),
    "idle_warming_kwh": N_("energy that warmed for nothing"),
    "range_given_up_km": N_("range given up"),
    "worth_cash": N_("worth of warming in cash"),
}
_FILTERS = {
    "_n": "count",
    "_rate": "rate",
    "_min": "minutes",
    "_kwh": "kwh",
    "_cost": "money",
    "_cash": "money",
    "_km": "distance",
}
_WHY = {
    "late_data": N_("Data came in after the edition before, and its figures are no longer right."),
    "upgrade": N_("It is computed anew by another version of the program or of the method."),
    "configuration": N_("It is computed anew with other settings of the fleet."),
}
Filters = Mapping[str, Callable[..., str]]


def revised_section(week: WeekData, filters: Filters) -> dict[str, Any] | None:
    """Both blocks, each None where there is nothing to tell; None where neither has anything."""
    revised = _revised(week.issue, filters)
    moved = _moved(week, filters)
    return {"revised": revised, "moved": moved} if revised or moved else None


def issue_summary(week: WeekData) -> dict[str, Any]:
    """The same for ``summary.json``: numbers as they are."""
    issue, moved = week.issue, week.moved
    is_revised = issue is not None and issue["edition_no"] > 1
    return {
        "edition": issue
        and {
            "number": issue["edition_no"],
            "revised_because": issue["reason"] if is_revised else None,
            "changes": json.loads(issue["changes"]) if is_revised else [],
        },
        "moved": moved
        and {
            "because": moved["reason"],
            "week": moved["week_id"],
            "method_version_before": moved["before_method_version"],
            "method_version": moved["method_version"],
            "generator_before": f"coldminutes {moved['before_program_version']}",
            "data_came_in_since": moved["has_new_data"],
            "changes": json.loads(moved["changes"]),
        },
    }


def _revised(issue: Row | None, filters: Filters) -> dict[str, Any] | None:
    if issue is None or issue["edition_no"] == 1:
        return None
    rows = _rows(issue["changes"], filters)
    said = [
        _(
            "This is edition {n} of this week; it takes the place of the one before.",
            n=issue["edition_no"],
        )
    ]
    if issue["reason"] in _WHY:
        said.append(_(_WHY[issue["reason"]]))
    if not rows:
        said.append(_("No sum over the fleet changed, but the list of stops did."))
    return {"words": " ".join(said), "rows": rows}


def _moved(week: WeekData, filters: Filters) -> dict[str, Any] | None:
    moved, issue = week.moved, week.issue
    if moved is None:
        return None
    rows = _rows(moved["changes"], filters)
    is_upgrade = moved["reason"] == "upgrade"
    if not rows and not is_upgrade:
        return None
    is_same_week = moved["week_id"] == week.week_id
    if is_same_week and issue is not None and issue["reason"] in ("upgrade", "configuration"):
        return None  # told as the revision that it is
    if is_upgrade and moved["before_program_version"] == moved["program_version"]:
        said = _(
            "Since the last edition the method went from version {before} to {now}.",
            before=moved["before_method_version"],
            now=moved["method_version"],
        )
    elif is_upgrade:
        said = _(
            "Since the last edition the program went from version {before} to {now}, its method "
            "from {before_method} to {now_method}.",
            before=one_line(moved["before_program_version"]),
            now=one_line(moved["program_version"]),
            before_method=moved["before_method_version"],
            now_method=moved["method_version"],
        )
    else:
        said = _("Since the last edition the fleet’s settings were changed.")
    of_week = moved["week_id"]
    if rows:
        which = ngettext(
            "That alone moved {n} figure of {week}.",
            "That alone moved {n} figures of {week}.",
            len(rows),
            week=of_week,
        )
        if moved["has_new_data"]:
            which = ngettext(
                "{n} figure of {week} moved; files that came in since have a part in it.",
                "{n} figures of {week} moved; files that came in since have a part in it.",
                len(rows),
                week=of_week,
            )
    else:
        which = _("No figure of {week} moved.", week=of_week)
    again = _("Earlier weeks in this report are computed anew in the same way.")
    return {"words": f"{said} {which} {again}", "rows": rows}


def _rows(changes: str, filters: Filters) -> list[dict[str, str]]:
    rows = []
    for change in json.loads(changes):
        figure = change["figure"]
        printed = filters[next(name for end, name in _FILTERS.items() if figure.endswith(end))]
        rows.append(
            {
                "words": _(FIGURE_WORDS[figure]),
                "before": printed(change["before"]),
                "now": printed(change["now"]),
            }
        )
    return rows
