"""The chart of page 1: outcomes and minutes lost by vehicle, side by side on the same rows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from pipeline.report.drawing import bare, marked, svg
from pipeline.report.filters import minutes, name, number
from pipeline.report.palette import INK, LOST_MARKS, OUTCOME_MARKS, PAPER, SOFT, Mark
from pipeline.report.words import OUTCOME_WORDS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Row = Mapping[str, Any]

MOST_ROWS = 25
_WIDTH_MM = 178.0
_SPLIT_MM = 108.0
_KEY_MM = 8.0
_LEAST_PITCH_MM = 3.1
_MOST_PITCH_MM = 5.4
_NAME_LETTERS = 27
_LOST_LABELS = {
    "cold": ("lost, arrived cold", "lost_cold_arrival_min"),
    "warm": ("lost, arrived warm", "lost_warm_arrival_min"),
    "unknown": ("lost, not known", "lost_unknown_arrival_min"),
    "at_most": ("at most, from summaries", "lost_at_most_min"),
}


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
    """Outcomes (counts) and minutes lost, one row per vehicle with stops.

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
        _lost_panel(lost, rows, _WIDTH_MM - _SPLIT_MM)

    words = "; ".join(_in_words(row) for row in rows)
    return VehiclesChart(
        key=Markup(svg("key", _WIDTH_MM, _KEY_MM, "Key to the marks of the chart.", _key(rows))),
        drawing=Markup(
            svg(
                "vehicles",
                width_mm,
                pitch_mm * len(rows),
                f"Outcomes and minutes lost by vehicle. {words}.",
                draw,
            )
        ),
        names=names,
        name_mm=name_mm,
        pitch_mm=pitch_mm,
    )


def _in_words(row: Row) -> str:
    counts = ", ".join(
        f"{row[f'{code}_n']} {OUTCOME_WORDS[code]}" for code in OUTCOME_MARKS if row[f"{code}_n"]
    )
    return f"{name(row['vehicle_name'], 40)}: {counts}, {minutes(row['lost_min'])} lost"


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
            for artist in marked(mark, across, (index - 0.31, index + 0.31), 70.0 * n / longest):
                axes.add_artist(artist)
            if n >= longest * 0.045:
                axes.text(
                    at + n / 2,
                    index,
                    number(n),
                    ha="center",
                    va="center_baseline",
                    fontsize=7,
                    color=mark.text,
                    bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.8}
                    if mark.lines
                    else None,
                )
            at += n


def _lost_panel(axes: Axes, rows: Sequence[Row], width_mm: float) -> None:
    bare(axes)
    stacks = [_stacked(row) for row in rows]
    ends = [at + width for bars in stacks for _, at, width in bars]
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
        for part, at, width in bars:
            bar(middle, at, width, 0.38 if at_most is not None else 0.5, LOST_MARKS[part])
        label = number(row["lost_min"])
        if at_most is not None:
            bar(index + 0.26, 0.0, at_most, 0.22, LOST_MARKS["at_most"])
            bound = f"at most {number(at_most)}"
            label = bound if row["lost_min"] is None else f"{label}  ({bound})"
        axes.annotate(
            label,
            (max([0.0, at_most or 0.0, *(at + width for _, at, width in bars)]), index),
            xytext=(3, 0),
            textcoords="offset points",
            va="center_baseline",
            fontsize=7,
        )
    axes.plot([0, 0], [-0.5, len(rows) - 0.5], color=INK, linewidth=0.6)


def _stacked(row: Row) -> list[tuple[str, float, float]]:
    """Part, start and signed width: gains to the left of 0, losses to the right."""
    bars = []
    plus = minus = 0.0
    for part in ("cold", "warm", "unknown"):
        value = row[f"lost_{part}_arrival_min"]
        if value is None:
            continue
        bars.append((part, plus if value >= 0 else minus, value))
        plus, minus = plus + max(value, 0.0), minus + min(value, 0.0)
    return bars


def _key(rows: Sequence[Row]) -> Any:
    """Marks and their words, in two lines above the panels."""

    def draw(figure: Figure) -> None:
        def entries(at: float, line: int, marks: Sequence[tuple[Mark, str]]) -> None:
            y = 1 - (1.8 + 3.6 * line) / _KEY_MM
            for mark, text in marks:
                across = (at / _WIDTH_MM, (at + 3.0) / _WIDTH_MM)
                up = (y - 1.0 / _KEY_MM, y + 1.0 / _KEY_MM)
                for artist in marked(mark, across, up, 3.0):
                    figure.add_artist(artist)
                figure.text(
                    (at + 4.0) / _WIDTH_MM,
                    y,
                    text,
                    va="center_baseline",
                    fontsize=7,
                    color=SOFT,
                )
                at += 8.0 + 1.12 * len(text)

        outcomes = [(mark, OUTCOME_WORDS[code]) for code, mark in OUTCOME_MARKS.items()]
        entries(0.2, 0, outcomes[:4])
        entries(0.2, 1, outcomes[4:])
        lost = [
            (LOST_MARKS[code], label)
            for code, (label, column) in _LOST_LABELS.items()
            if code in ("cold", "warm") or any(row[column] is not None for row in rows)
        ]
        entries(_SPLIT_MM, 0, lost[:2])
        entries(_SPLIT_MM, 1, lost[2:])

    return draw
