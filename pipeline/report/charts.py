"""The chart of page 1: outcomes and minutes by cause per vehicle, side by side on the same rows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

from markupsafe import Markup

from pipeline.report.causes import CAUSE_WORDS, Part, parts_of, whole_of
from pipeline.report.drawing import bare, label, marked, svg
from pipeline.report.filters import minutes, name, number
from pipeline.report.language import _
from pipeline.report.palette import CAUSE_MARKS, INK, OUTCOME_MARKS, PAPER, SOFT, Mark
from pipeline.report.words import OUTCOME_WORDS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Row = Mapping[str, Any]

MOST_ROWS = 25
_WIDTH_MM = 178.0
_SPLIT_MM = 108.0
_KEY_MM = 6.0
_KEY_LINE_MM = 4.0
_LEAST_PITCH_MM = 3.1
_MOST_PITCH_MM = 5.4
_NAME_LETTERS = 27


@dataclass(frozen=True)
class VehiclesChart:
    """The chart and the names beside it.

    Names are set by the page, not in the drawing: the page's text engine shapes every script,
    and a name never changes the drawing.
    """

    key: Markup
    drawing: Markup
    names: tuple[str, ...]
    name_mm: float
    pitch_mm: float


def rows_that_fit(room_mm: float) -> int:
    """How many vehicles the chart shows in this height."""
    return max(4, min(MOST_ROWS, int((room_mm - _KEY_MM - 3.0) / _LEAST_PITCH_MM)))


def vehicles_chart(vehicles: Sequence[Row], room_mm: float = 92.0) -> VehiclesChart:
    """Outcomes (counts) and minutes by cause, one row per vehicle with stops.

    The rows are set closer where ``room_mm``, the height left on the page, asks for it.
    """
    rows = [row for row in vehicles if row["stops_n"]][: rows_that_fit(room_mm)]
    names = tuple(name(row["vehicle_name"], _NAME_LETTERS) for row in rows)
    pitch_mm = (room_mm - _KEY_MM - 3.0) / max(len(rows), 1)
    pitch_mm = round(max(_LEAST_PITCH_MM, min(_MOST_PITCH_MM, pitch_mm)), 2)
    name_mm = round(min(42.0, max(18.0, 4.0 + 1.5 * max(len(each) for each in names))), 1)
    width_mm = _WIDTH_MM - name_mm

    def draw(figure: Figure) -> None:
        split = (_SPLIT_MM - name_mm) / width_mm
        gap = 10.0 / width_mm
        _outcome_panel(figure.add_axes((0.0, 0.0, split - gap, 1.0)), rows)
        lost = figure.add_axes((split, 0.0, 1 - split, 1.0))
        _cause_panel(lost, rows, _WIDTH_MM - _SPLIT_MM)

    words = "; ".join(_in_words(row) for row in rows)
    entries = _key_entries(rows)
    key_mm = _KEY_LINE_MM * (1 + max(entry.line for entry in entries))
    return VehiclesChart(
        key=Markup(
            svg(
                "key", _WIDTH_MM, key_mm, _("Key to the marks of the chart."), _key(entries, key_mm)
            )
        ),
        drawing=Markup(
            svg(
                "vehicles",
                width_mm,
                pitch_mm * len(rows),
                _("Outcomes and minutes by cause, per vehicle. {vehicles}.", vehicles=words),
                draw,
            )
        ),
        names=names,
        name_mm=name_mm,
        pitch_mm=pitch_mm,
    )


def _in_words(row: Row) -> str:
    counts = ", ".join(
        f"{number(row[f'{code}_n'])} {_(OUTCOME_WORDS[code])}"
        for code in OUTCOME_MARKS
        if row[f"{code}_n"]
    )
    causes = ", ".join(
        f"{minutes(part.minutes)} {_(CAUSE_WORDS[part.code])}" for part in parts_of(row)
    )
    causes = causes or _("no minutes by cause")
    return f"{name(row['vehicle_name'], 40)}: {counts}; {causes}"


def _outcome_panel(axes: Axes, rows: Sequence[Row]) -> None:
    bare(axes)
    longest = max(row["stops_n"] for row in rows)
    axes.set_xlim(-longest * 0.004, longest * 1.004)
    axes.set_ylim(len(rows) - 0.5, -0.5)
    for index, row in enumerate(rows):
        at = 0
        for code, mark in OUTCOME_MARKS.items():
            n = row[f"{code}_n"]
            if not n:
                continue
            across = (float(at), float(at + n))
            # One stop is as wide as another; 70 mm is near enough for the inner lines.
            for artist in marked(mark, across, (index - 0.36, index + 0.36), 70.0 * n / longest):
                axes.add_artist(artist)
            if n >= longest * 0.045:
                label(
                    axes,
                    at + n / 2,
                    index,
                    number(n),
                    ha="center",
                    color=mark.text,
                    bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.3}
                    if mark.lines
                    else None,
                )
            at += n


def _cause_panel(axes: Axes, rows: Sequence[Row], width_mm: float) -> None:
    bare(axes)
    stacks = [stacked(parts_of(row)) for row in rows]
    ends = [at + width for bars in stacks for _code, at, width in bars]
    low = min([0.0, *ends])
    high = max([1.0, *ends, *(row["lost_at_most_min"] or 0.0 for row in rows)])
    has_bounds = any(row["lost_at_most_min"] is not None for row in rows)
    span = (high - low) * (1.36 if has_bounds else 1.16)
    axes.set_xlim(low - span * 0.004, low + span)
    axes.set_ylim(len(rows) - 0.5, -0.5)

    def bar(middle: float, at: float, width: float, height: float, mark: Mark) -> None:
        up = (middle - height / 2, middle + height / 2)
        for artist in marked(mark, (at, at + width), up, abs(width) * width_mm / span):
            axes.add_artist(artist)

    for index, (row, bars) in enumerate(zip(rows, stacks, strict=True)):
        at_most = row["lost_at_most_min"]
        middle = index - 0.12 if at_most is not None else float(index)
        for code, at, width in bars:
            bar(middle, at, width, 0.38 if at_most is not None else 0.6, CAUSE_MARKS[code])
        whole = whole_of(row)
        text = number(whole)
        if at_most is not None:
            bar(index + 0.26, 0.0, at_most, 0.22, CAUSE_MARKS["at_most"])
            bound = _("at most {minutes}", minutes=number(at_most))
            text = bound if whole is None else f"{text}  ({bound})"
        end = max([0.0, at_most or 0.0, *(at + width for _code, at, width in bars)])
        label(axes, end, index, text, dx_pt=3.0)
    axes.plot([0, 0], [-0.5, len(rows) - 0.5], color=INK, linewidth=0.6)


def stacked(parts: Sequence[Part]) -> list[tuple[str, float, float]]:
    """Code, start and signed width: gains to the left of 0, losses to the right."""
    bars = []
    plus = minus = 0.0
    for code, value in parts:
        bars.append((code, plus if value >= 0 else minus, value))
        plus, minus = plus + max(value, 0.0), minus + min(value, 0.0)
    return bars


class _Entry(NamedTuple):
    mark: Mark
    text: str
    at_mm: float
    line: int


def _key_entries(rows: Sequence[Row]) -> list[_Entry]:
    """The marks that occur, with their words, set into lines.

    Those of the causes are named at the fleet's own bar, above this chart.
    """
    marks = [
        (mark, _(OUTCOME_WORDS[code]))
        for code, mark in OUTCOME_MARKS.items()
        if any(row[f"{code}_n"] for row in rows)
    ]
    if any(row["lost_at_most_min"] is not None for row in rows):
        marks.append((CAUSE_MARKS["at_most"], _("at most, from summaries")))
    entries: list[_Entry] = []
    at_mm, line = 0.2, 0
    for mark, text in marks:
        width_mm = 8.0 + 1.12 * len(text)
        if at_mm + width_mm > _WIDTH_MM:
            at_mm, line = 0.2, line + 1
        entries.append(_Entry(mark, text, at_mm, line))
        at_mm += width_mm
    return entries


def _key(entries: Sequence[_Entry], height_mm: float) -> Any:
    def draw(figure: Figure) -> None:
        for mark, text, at_mm, line in entries:
            y = 1 - (1.8 + _KEY_LINE_MM * line) / height_mm
            across = (at_mm / _WIDTH_MM, (at_mm + 3.0) / _WIDTH_MM)
            up = (y - 1.0 / height_mm, y + 1.0 / height_mm)
            for artist in marked(mark, across, up, 3.0):
                figure.add_artist(artist)
            figure.text(
                (at_mm + 4.0) / _WIDTH_MM, y, text, va="center_baseline", fontsize=7, color=SOFT
            )

    return draw
