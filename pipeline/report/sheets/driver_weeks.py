"""The driver sheet's chart: every square a stop, week by week."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

from markupsafe import Markup

from pipeline.report.filters import number
from pipeline.report.language import N_, _, spoken
from pipeline.report.palette import INK, NEUTRAL_EDGE, OUTCOME_MARKS, RULE, SOFT, Mark
from pipeline.weeks import monday_of

Row = Mapping[str, Any]

COUNTED = ("went_well", "sooner", "missed")
"""Verdicts that count, in the order in which they are stacked."""

VERDICT_MARKS: dict[str, Mark] = {
    "went_well": OUTCOME_MARKS["warmed"],
    "sooner": OUTCOME_MARKS["part_warmed"],
    "missed": OUTCOME_MARKS["not_warmed"],
    "explained": Mark(RULE, RULE, "", INK),
}
VERDICT_WORDS = {
    "went_well": N_("warmed, or begun in time"),
    "sooner": N_("begun, but late or ended early"),
    "missed": N_("could have been warmed"),
    "explained": N_("does not count"),
}

_WIDTH_MM = 178.0
_ACROSS = 4
_MOST_UP = 4
_PITCH_MM = 3.2
_TILE_MM = 2.6
_SMALL_MM = 1.5
_LABEL_MM = 4.2
_WEEK_MOST_MM = 24.0
_FONT = 'font-family="Minutes Sans, Minutes Fallback"'


def weeks_chart(stops: Sequence[Row], weeks: Sequence[str]) -> dict[str, Any]:
    """The drawing, and its key: the verdicts that occur, each with its mark and count.

    Squares of a week are stacked four across, those that count first; above the chart's height a
    week says how many more it has.
    """
    order = [*COUNTED, "explained"]
    by_week = {
        week_id: sorted(
            (row["verdict"] for row in stops if row["week_id"] == week_id), key=order.index
        )
        for week_id in weeks
    }
    most = _ACROSS * _MOST_UP
    up = max(1, *(-(-min(len(found), most) // _ACROSS) for found in by_week.values()))
    has_more = any(len(found) > most for found in by_week.values())
    top_mm = _LABEL_MM if has_more else 0.4
    base_mm = top_mm + up * _PITCH_MM
    step_mm = min(_WEEK_MOST_MM, _WIDTH_MM / len(weeks))
    parts = []
    for at, (week_id, found) in enumerate(by_week.items()):
        left_mm = at * step_mm
        for place, verdict in enumerate(found[:most]):
            parts.append(
                _square(
                    verdict,
                    left_mm + (place % _ACROSS) * _PITCH_MM,
                    base_mm - (place // _ACROSS + 1) * _PITCH_MM,
                )
            )
        parts.append(_rule(left_mm, base_mm + 0.3, _ACROSS * _PITCH_MM))
        parts.append(_label(left_mm, base_mm + 3.4, spoken().day(monday_of(week_id))))
        if len(found) > most:
            parts.append(_label(left_mm, 2.6, f"+{number(len(found) - most)}"))
    height_mm = base_mm + _LABEL_MM
    said = "; ".join(_week_words(week_id, found) for week_id, found in by_week.items())
    title = _("Stops by week, every square one stop. {weeks}.", weeks=said)
    counts = [(code, sum(row["verdict"] == code for row in stops)) for code in order]
    return {
        "drawing": Markup(
            f'<svg class="chart" role="img" width="{_WIDTH_MM}mm" height="{height_mm:.1f}mm" '
            f'viewBox="0 0 {_WIDTH_MM} {height_mm:.1f}"><title>{escape(title)}</title>'
            f"{''.join(parts)}</svg>"
        ),
        "key": [
            {"mark": _key_mark(code), "words": _(VERDICT_WORDS[code]), "n": n}
            for code, n in counts
            if n
        ],
    }


def _square(verdict: str, x_mm: float, y_mm: float) -> str:
    mark = VERDICT_MARKS[verdict]
    size = _SMALL_MM if verdict == "explained" else _TILE_MM
    inset = (_PITCH_MM - size) / 2
    return (
        f'<rect x="{x_mm + inset:.2f}" y="{y_mm + inset:.2f}" width="{size}" height="{size}" '
        f'fill="{mark.fill}" stroke="{mark.edge}" stroke-width="0.25"/>'
    )


def _key_mark(verdict: str) -> Markup:
    return Markup(
        f'<svg class="tile" width="{_PITCH_MM}mm" height="{_PITCH_MM}mm" aria-hidden="true" '
        f'viewBox="0 0 {_PITCH_MM} {_PITCH_MM}">{_square(verdict, 0, 0)}</svg>'
    )


def _rule(x_mm: float, y_mm: float, width_mm: float) -> str:
    return (
        f'<rect x="{x_mm:.2f}" y="{y_mm:.2f}" width="{width_mm:.2f}" height="0.18" '
        f'fill="{NEUTRAL_EDGE}"/>'
    )


def _label(x_mm: float, y_mm: float, text: str) -> str:
    return (
        f'<text x="{x_mm:.2f}" y="{y_mm:.2f}" font-size="2.4" fill="{SOFT}" {_FONT}>'
        f"{escape(text)}</text>"
    )


def _week_words(week_id: str, found: Sequence[str]) -> str:
    day = spoken().day(monday_of(week_id))
    if not found:
        return _("week of {day}: no stop", day=day)
    counts = ", ".join(
        f"{number(found.count(code))} {_(VERDICT_WORDS[code])}"
        for code in [*COUNTED, "explained"]
        if code in found
    )
    return _("week of {day}: {counts}", day=day, counts=counts)
