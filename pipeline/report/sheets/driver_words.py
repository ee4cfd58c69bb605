"""What a driver sheet says: what went well, what would have helped, what does not count."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from pipeline.report.filters import kw, name
from pipeline.report.language import N_, _, ngettext, spoken
from pipeline.report.sheets.driver_weeks import COUNTED
from pipeline.report.words import isolated

Row = Mapping[str, Any]
Show = Callable[..., str]

_MOST_TIPS = 2
_MOST_EXAMPLES = 2
_MOST_PLACES = (4, 3)
_MOST_REASONS = (7, 5)
"""Rows that have room in English, and in languages that take more letters."""
_WORTH_SAYING_MIN = 0.5
"""Below it a figure prints as 0 minutes."""

REASON_WORDS = {
    "already_warm": N_("battery warm anyway"),
    "not_needed": N_("battery warm anyway"),
    "warmed_little_gain": N_("warmed; there was little to gain there"),
    "saves_too_little": N_("warming would have saved too little there"),
    "costs_more": N_("warming would have cost more than it saved"),
    "low_charge": N_("charge too low: the vehicle does not warm the battery then"),
    "cut_off_low_charge": N_("begun, then stopped by the vehicle at low charge"),
    "approach_too_short": N_("the drive was too short"),
    "vehicle_cannot_warm": N_("this vehicle cannot warm its battery"),
    "vehicle_did_not_respond": N_("charger set in time, but the vehicle did not respond"),
    "destination_not_recognised": N_(
        "destination set, but the vehicle does not know it as a charger"
    ),
    "no_evidence": N_("why is not known"),
    "unknown": N_("too little data to tell"),
}
"""Why a stop does not count; the words take no side."""

_TIP_OF = {
    "no_destination": "set_it",
    "set_too_late": "set_sooner",
    "began_late": "set_sooner",
    "ended_early": "leave_it",
}
_TIP_WORDS = {
    "set_it": N_("Set the charger as your destination before you set off"),
    "set_sooner": N_("Set the charger sooner, at best before you set off"),
    "leave_it": N_("Leave the charger set until you arrive"),
}


def opening_words(
    began_n: int, counted_n: int, saved_min: float | None, missed_min: float | None, minutes: Show
) -> str:
    """The sentences at the top."""
    if counted_n == 0:
        return _(
            "At none of your stops could warming the battery on the way have saved minutes worth "
            "having, as far as the data tell. There is nothing to do differently."
        )
    said = ngettext(
        "At {n} stop warming the battery on the way could save minutes worth having.",
        "At {n} stops warming the battery on the way could save minutes worth having.",
        counted_n,
    )
    if began_n == 0:
        said += " " + ngettext("It did not begin there.", "It began at none of them.", counted_n)
    elif began_n == counted_n:
        said += " " + ngettext("It began there.", "It began at all of them.", counted_n)
    else:
        said += " " + ngettext("It began at {n} of them.", "It began at {n} of them.", began_n)
    has_saved = saved_min is not None and saved_min >= _WORTH_SAYING_MIN
    if has_saved:
        said += " " + _("All your warming saved about {time}.", time=minutes(saved_min))
    if missed_min is not None and missed_min >= _WORTH_SAYING_MIN:
        more = N_("About {time} more were there to be had.")
        some = N_("About {time} were there to be had.")
        said += " " + _(more if has_saved else some, time=minutes(missed_min))
    return said


def well_words(stops: Sequence[Row], minutes: Show) -> list[str]:
    """What went well, one sentence each; empty where nothing did."""
    said = []
    good = [row for row in stops if row["verdict"] == "went_well"]
    if good:
        sentence = ngettext(
            "{n} stop warmed, or begun in time with the frost too strong for the drive: "
            "about {time} saved.",
            "{n} stops warmed, or begun in time with the frost too strong for the drive: "
            "about {time} saved.",
            len(good),
            time=minutes(_sum(good, "net_saved_min")),
        )
        said.append(f"{sentence} {_most_at(good)}".strip())
    late = [row for row in stops if row["verdict"] == "sooner"]
    if late and (_sum(late, "net_saved_min") or 0.0) >= _WORTH_SAYING_MIN:
        said.append(
            ngettext(
                "{n} stop begun late or ended early, and still about {time} saved.",
                "{n} stops begun late or ended early, and still about {time} saved.",
                len(late),
                time=minutes(_sum(late, "net_saved_min")),
            )
        )
    others_min = _sum([row for row in stops if row["verdict"] == "explained"], "net_saved_min")
    if others_min is not None and others_min >= _WORTH_SAYING_MIN:
        said.append(
            _("Warming at stops that do not count saved about {time}.", time=minutes(others_min))
        )
    asked = [
        row
        for row in stops
        if row["reason"] in ("vehicle_did_not_respond", "destination_not_recognised")
    ]
    if asked:
        said.append(
            ngettext(
                "{n} stop where you had set the destination and the vehicle did not warm: not up "
                "to you.",
                "{n} stops where you had set the destination and the vehicle did not warm: not up "
                "to you.",
                len(asked),
            )
        )
    return said


def _most_at(rows: Sequence[Row]) -> str:
    places = Counter(row["site_name"] for row in rows if row["site_name"])
    if len(places) < 2:
        return ""
    place, n = max(places.items(), key=lambda each: (each[1], each[0]))
    if n < 2:
        return ""
    return _("Most often at {place} ({n}).", place=isolated(place), n=n)


def tips(stops: Sequence[Row], minutes: Show, local_time: Show | None) -> list[Row]:
    """The two changes worth most minutes, over stops that count; each with what it stands on.

    Parameters
    ----------
    local_time
        Prints the time of a stop; None where no time may be told.
    """
    groups: dict[str, list[Row]] = {}
    for row in stops:
        if row["verdict"] in ("sooner", "missed"):
            groups.setdefault(_TIP_OF[row["reason"]], []).append(row)
    worth = {code: _sum(rows, "net_missed_min") or 0.0 for code, rows in groups.items()}
    order = sorted(groups, key=lambda code: (-worth[code], code))
    return [
        {
            "title": _(_TIP_WORDS[code]),
            "time": minutes(worth[code]),
            "text": _tip_text(code, groups[code]),
            "examples": _examples(groups[code], local_time),
        }
        for code in order[:_MOST_TIPS]
        if worth[code] >= _WORTH_SAYING_MIN
    ]


def _tip_text(code: str, rows: Sequence[Row]) -> str:
    n = len(rows)
    if code == "set_it":
        said = ngettext(
            "At {n} stop no destination was set, so the vehicle could not know that it should warm "
            "the battery.",
            "At {n} stops no destination was set, so the vehicle could not know that it should "
            "warm the battery.",
            n,
        )
    elif code == "set_sooner":
        said = ngettext(
            "At {n} stop the charger was set, or warming began, with less time left than the "
            "battery needed.",
            "At {n} stops the charger was set, or warming began, with less time left than the "
            "battery needed.",
            n,
        )
    else:
        said = ngettext(
            "At {n} stop warming ended before you arrived.",
            "At {n} stops warming ended before you arrived.",
            n,
        )
    places = Counter(row["site_name"] for row in rows if row["site_name"])
    most = sorted(places.items(), key=lambda each: (-each[1], each[0]))[:2]
    if not most:
        return said
    listed = ", ".join(f"{isolated(place)} ({count})" for place, count in most)
    return f"{said} " + _("Where: {places}.", places=listed)


def _examples(rows: Sequence[Row], local_time: Show | None) -> str:
    """The latest stops of a tip, so that a driver can remember them."""
    if local_time is None:
        return ""
    latest = sorted(rows, key=lambda row: row["plug_in_local"], reverse=True)[:_MOST_EXAMPLES]
    return _("Last: {times}.", times=", ".join(local_time(row["plug_in_local"]) for row in latest))


def explained_rows(stops: Sequence[Row]) -> list[Row]:
    """Why the other stops do not count, most frequent first; they add up to all that do not."""
    reasons = Counter(
        _(REASON_WORDS.get(row["reason"], REASON_WORDS["unknown"]))
        for row in stops
        if row["verdict"] not in COUNTED
    )
    order = sorted(reasons.items(), key=lambda each: (-each[1], each[0]))
    most = _room(_MOST_REASONS)
    shown, rest = order[:most], order[most:]
    if len(rest) > 1:
        shown = [*shown, (_("other reasons"), sum(n for _words, n in rest))]
    else:
        shown += rest
    return [{"words": words, "n": n} for words, n in shown]


def place_rows(
    stops: Sequence[Row], advised: Sequence[Row], filters: Mapping[str, Show]
) -> dict[str, Any]:
    """When to set the stop, at the places and in the vehicle models this driver knows.

    ``advised`` are the rows of ``weekly_site_advice``: the same figures as in the fleet report.
    """
    known = Counter((row["site_id"], row["model_id"]) for row in stops)
    rows = [row for row in advised if (row["site_id"], row["model_id"]) in known]
    rows.sort(
        key=lambda row: (
            row["verdict"] != "begin",
            -known[row["site_id"], row["model_id"]],
            str(row["site_name"]),
            str(row["model_id"]),
        )
    )
    most = _room(_MOST_PLACES)
    shown = [_place(row, filters) for row in rows[:most]]
    return {
        "rows": shown,
        "more_n": max(0, len(rows) - most),
        "has_long": any(row["is_long"] for row in shown),
    }


def _room(most: tuple[int, int]) -> int:
    return most[0] if spoken().code == "en" else most[1]


def _place(row: Row, filters: Mapping[str, Show]) -> Row:
    minutes, begin_min, drive_min = filters["minutes"], row["begin_min"], row["approach_min"]
    is_long = drive_min is not None and begin_min is not None and begin_min > drive_min
    if row["verdict"] == "begin":
        when = minutes(begin_min)
        words = ""
        if is_long:
            words = _("more than the usual {time}", time=minutes(drive_min))
    else:
        when = filters["minutes"](None)
        words = {
            "not_worth_it": _("warming is not worth it here"),
            "never_warm": _("too cold for the heater; arrive warm another way"),
            "already_warm": _("arrives warm without it"),
        }.get(row["verdict"], _("cannot be told yet"))
    if row["is_extrapolated"]:
        words += ("; " if words else "") + _("an extrapolation")
    if row["is_fleet_median"]:
        words += ("; " if words else "") + _("few stops here yet")
    return {
        "place": name(row["site_name"] or row["site_id"], 30),
        "power": kw(row["site_power_kw"]),
        "model": name(row["model_name"] or row["model_id"], 32),
        "when": when,
        "saves": minutes(row["net_saved_min"] if row["verdict"] == "begin" else None),
        "words": words,
        "is_long": is_long,
    }


def _sum(rows: Sequence[Row], key: str) -> float | None:
    known = [row[key] for row in rows if row[key] is not None]
    return sum(known) if known else None
