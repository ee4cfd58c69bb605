"""The last edition's actions in words, one line each: done, not done, cannot tell."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import Any

from pipeline.report.filters import name, number, rate
from pipeline.report.language import N_, _
from pipeline.report.weekdata import Row
from pipeline.report.words import FINDING_WORDS, words_of
from pipeline.weeks import weeks_before

_VERDICTS = {
    "done": N_("done"),
    "not_done": N_("not done"),
    "cannot_tell": N_("cannot tell"),
}
_COUNTED = {
    "vehicle_did_not_respond": N_("stops that asked for warming: it responded at {good} of {n}"),
    "vehicle_never_warmed": N_("stops where warming was expected: it began at {good} of {n}"),
    "site_destination_not_recognised": N_("stops with this site set: recognised at {good} of {n}"),
    "site_slow": N_("stops here: its limit cost little at {good} of {n}"),
    "site_held_back": N_("stops here: full power at {good} of {n}"),
    "most_minutes_vehicle": N_("stops where warming was expected: in time at {good} of {n}"),
    "most_minutes_site": N_("stops where warming was expected: in time at {good} of {n}"),
}
_STATES = {
    ("vehicle_unconfigured", "done"): N_("it is configured now"),
    ("vehicle_unconfigured", "not_done"): N_("it is still not configured"),
    ("vehicle_silent", "done"): N_("it sends data again"),
    ("vehicle_silent", "not_done"): N_("it still sends no data"),
}
_HEAD_MM, _LINE_MM, _BETWEEN_MM = 6.6, 3.45, 1.4
_LETTERS_TOLD, _LETTERS_WHO = 78, 36


def followups_section(rows: Sequence[Row], week_id: str) -> dict[str, Any] | None:
    """The block of the first page; None where the last edition asked for nothing.

    Parameters
    ----------
    rows
        Of ``weekly_followups``.
    week_id
        The edition's own week.
    """
    if not rows:
        return None
    listed = rows[0]["listed_week_id"]
    title = (
        _("From last week’s list")
        if listed == weeks_before(week_id, 1)[0]
        else _("From the list of {week}", week=listed)
    )
    told = [_row(row) for row in rows]
    lines_n = sum(
        max(
            len(textwrap.wrap(row["told"].replace("\u00a0", " "), _LETTERS_TOLD)),
            len(textwrap.wrap(f"{row['subject']} {row['label']}", _LETTERS_WHO)),
        )
        for row in told
    )
    height_mm = _HEAD_MM + _LINE_MM * lines_n + _BETWEEN_MM * len(told)
    return {"title": title, "rows": told, "height_mm": height_mm}


def _row(row: Row) -> dict[str, Any]:
    return {
        "subject": name(row["subject_name"], 44),
        "label": words_of(row["code"], FINDING_WORDS),
        "told": _told(row),
        "verdict": _(_VERDICTS[row["verdict"]]),
    }


def _told(row: Row) -> str:
    state = _STATES.get((row["code"], row["verdict"]))
    if state is not None:
        return _(state)
    if row["why"] == "gone":
        return _("it is no longer in the fleet")
    if row["why"] == "no_stop":
        return _("no fast-charge stop since")
    counted = _(_COUNTED[row["code"]], good=number(row["good_n"]), n=number(row["chances_n"]))
    if row["why"] == "few_stops":
        return _("{counted}; too few to tell", counted=counted)
    told = _(
        "{counted} ({low} to {high})",
        counted=counted,
        low=number(row["good_rate_low"] * 100),
        high=rate(row["good_rate_high"]),
    )
    if not row["chances_before_n"]:
        return told
    before = rate(row["good_before_n"] / row["chances_before_n"])
    return _("{told}, before {before}", told=told, before=before)
