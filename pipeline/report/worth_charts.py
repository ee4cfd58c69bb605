"""What warming was worth, by vehicle; and why the week's cold minutes changed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from markupsafe import Markup

from pipeline.report.causes import Row, adding_up
from pipeline.report.drawing import bare, label, marked, svg
from pipeline.report.filters import minutes, name, number
from pipeline.report.language import _, ngettext
from pipeline.report.palette import COLD, INK, NEUTRAL_EDGE, PAPER, RULE, SOFT, WORTH_MARKS, Mark

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MOST_ROWS = 16
_BARS_MM = 78.0
_GAP_MM = 4.0
_PITCH_MM = 4.3
_CHANGE_MM = (86.0, 34.0)


@dataclass(frozen=True)
class WorthChart:
    """Bars of minutes saved and missed; names and money stand beside it as text of the page."""

    drawing: Markup
    rows: tuple[Row, ...]
    pitch_mm: float
    more_n: int
    split_mm: float


def worth_chart(fleet: Row, vehicles: Sequence[Row]) -> WorthChart | None:
    """Net minutes saved by warming against those missed where warming was expected.

    The first row is the whole fleet on a scale of its own. None where no stop has either figure.
    """
    if fleet["net_saved_min"] is None and fleet["net_missed_min"] is None:
        return None
    judged = [
        row
        for row in vehicles
        if row["net_saved_min"] is not None or row["net_missed_min"] is not None
    ]
    judged.sort(
        key=lambda row: (
            -(row["net_missed_min"] or 0.0),
            -(row["net_saved_min"] or 0.0),
            str(row["vehicle_name"]),
        )
    )
    rows = [{**fleet, "vehicle_name": _("Whole fleet")}, *judged[:MOST_ROWS]]

    def draw(figure: Figure) -> None:
        half = (_BARS_MM - _GAP_MM) / 2
        for at, code in enumerate(("saved", "missed")):
            left = at * (half + _GAP_MM) / _BARS_MM
            axes = figure.add_axes((left, 0.0, half / _BARS_MM, 1.0))
            _signed_bars(axes, [row[f"net_{code}_min"] for row in rows], WORTH_MARKS[code], half)

    words = "; ".join(
        _(
            "{vehicle}: {saved} saved, {missed} missed",
            vehicle=name(row["vehicle_name"], 40),
            saved=minutes(row["net_saved_min"]),
            missed=minutes(row["net_missed_min"]),
        )
        for row in rows
    )
    title = _(
        "Net minutes saved by warming and missed where it was expected. {vehicles}.",
        vehicles=words,
    )
    return WorthChart(
        drawing=Markup(svg("worth", _BARS_MM, _PITCH_MM * len(rows), title, draw)),
        rows=tuple(rows),
        pitch_mm=_PITCH_MM,
        more_n=len(judged) - len(rows) + 1,
        split_mm=(_BARS_MM + _GAP_MM) / 2,
    )


def _signed_bars(axes: Axes, values: Sequence[float | None], mark: Mark, width_mm: float) -> None:
    bare(axes)
    # The fleet's own bar would flatten all others: it fills its row, they share a scale.
    reach = [(_reach(values[:1])), *([_reach(values[1:])] * (len(values) - 1))]
    left_mm = 7.0 if any(low < 0 for low, _ in reach) else 0.0
    room_mm = width_mm - 9.0 - left_mm
    zero = left_mm + max(-low / (high - low) for low, high in reach) * room_mm
    for index, (value, (low, high)) in enumerate(zip(values, reach, strict=True)):
        axes.plot([zero, zero], [index - 0.5, index + 0.5], color=INK, linewidth=0.6)
        if value is None:
            label(axes, zero + 1.0, index, "–", color=SOFT)
            continue
        scale = min(
            (width_mm - 9.0 - zero) / max(high, 1e-9),
            (zero - left_mm) / -low if low < 0 else float("inf"),
        )
        end = zero + value * scale
        height = 0.34 if index == 0 else 0.26
        up = (index - height, index + height)
        for artist in marked(mark, (zero, end), up, 10.0):
            axes.add_artist(artist)
        label(
            axes,
            end + (-1.0 if value < 0 else 1.0),
            index,
            number(value),
            ha="right" if value < 0 else "left",
            fontsize=7,
            fontfamily="Minutes Sans",
            fontweight=600 if index == 0 else 400,
            color=INK,
        )
    axes.set_xlim(-0.3, width_mm)
    axes.set_ylim(len(values) - 0.5, -0.5)


def _reach(values: Sequence[float | None]) -> tuple[float, float]:
    known = [each for each in values if each is not None]
    return min([0.0, *known]), max([1.0, *known])


@dataclass(frozen=True)
class ChangeParts:
    """The change in whole minutes that add up: before + weather + mix + behaviour = now."""

    before: int
    weather: int
    mix: int
    behaviour: int
    now: int


def change_parts(change: Row) -> ChangeParts:
    """Figures of ``weekly_change`` for print."""
    before, now = round(change["cold_before_min"]), round(change["cold_now_min"])
    weather, mix, behaviour = adding_up(
        [change["weather_min"], change["mix_min"], change["behaviour_min"]], now - before
    )
    return ChangeParts(before, weather, mix, behaviour, now)


def change_chart(change: Row) -> Markup:
    """Steps from the weeks before to this week, and the usual range around what was before."""
    parts = change_parts(change)
    steps = (
        (_("weather"), parts.weather),
        (_("mix"), parts.mix),
        (_("behaviour"), parts.behaviour),
    )
    low_range, high_range = change["usual_low_min"], change["usual_high_min"]
    has_range = low_range is not None and high_range is not None
    n = change["weeks_before_n"]
    labels = [
        ngettext("week before", "{n} weeks before, each", n),
        *(word for word, _value in steps),
        _("this week"),
    ]
    width_mm, height_mm = _CHANGE_MM

    def draw(figure: Figure) -> None:
        axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
        bare(axes)
        ends = [parts.before]
        for _word, value in steps:
            ends.append(ends[-1] + value)
        reach = [0, *ends, *((low_range, high_range) if has_range else ())]
        low, high = min(reach), max(reach)
        names_mm = 29.0
        scale = (width_mm - names_mm - 10.0) / max(high - low, 1e-9)

        def x(value: float) -> float:
            return float(names_mm + (value - low) * scale)

        axes.set_xlim(0, width_mm)
        axes.set_ylim(5.3, -0.6)
        if has_range:
            axes.axvspan(x(low_range), x(high_range), color=RULE, alpha=0.55, linewidth=0)
            label(
                axes,
                x((low_range + high_range) / 2),
                4.95,
                _("usual range"),
                ha="center",
                fontsize=6.5,
                color=SOFT,
            )
        whole = Mark(COLD, COLD, "", PAPER)
        gain, loss = Mark(PAPER, NEUTRAL_EDGE, "", INK), Mark(NEUTRAL_EDGE, NEUTRAL_EDGE, "", PAPER)
        bars = [(0, parts.before, whole, number(parts.before))]
        at = parts.before
        for _word, value in steps:
            bars.append((at, value, loss if value >= 0 else gain, number(value, signed=True)))
            at += value
        bars.append((0, parts.now, whole, number(parts.now)))
        for index, (start, value, mark, text) in enumerate(bars):
            across = (x(start), x(start + value))
            for artist in marked(mark, across, (index - 0.27, index + 0.27), 10.0):
                axes.add_artist(artist)
            label(axes, max(across) + 1.2, index, text, fontsize=7, color=INK)
            label(axes, 0.0, index, labels[index], fontsize=7, color=SOFT)
            if index < len(bars) - 1:
                joint = x(start + value)
                axes.plot([joint, joint], [index + 0.27, index + 0.73], color=SOFT, linewidth=0.5)
        axes.plot([x(0), x(0)], [-0.5, 4.5], color=INK, linewidth=0.6)

    said = ", ".join(f"{word} {number(value, signed=True)}" for word, value in steps)
    title = _(
        "Cold minutes a week: {before} before, {steps}, {now} this week.",
        before=number(parts.before),
        steps=said,
        now=number(parts.now),
    )
    if has_range:
        title += " " + _(
            "Usual range {low} to {high}.", low=number(low_range), high=minutes(high_range)
        )
    return Markup(svg("change", width_mm, height_mm, title, draw))
