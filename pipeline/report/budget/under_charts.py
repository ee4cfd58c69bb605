"""The charts beneath the number: past winters, what history does, the season against its budget."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from markupsafe import Markup

from pipeline.report.budget.charts import STRONG
from pipeline.report.budget.figures import Ends, Shown
from pipeline.report.drawing import bare, label, svg
from pipeline.report.language import _
from pipeline.report.palette import COLD, COLD_PALE, INK, NEUTRAL_EDGE, PART, RULE, SOFT

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_WIDTH_MM = 178.0


def winters_chart(
    seasons: Sequence[tuple[str, float]],
    ends: tuple[float, float],
    words: Sequence[str],
    show: Callable[[float], str],
) -> Markup:
    """Means of past seasons on a line of temperature, with what one winter in ten goes beyond.

    Parameters
    ----------
    seasons
        Name (``2020/21``) and mean of each, in the display unit.
    ends
        P10 and P90 of a drawn season.
    words
        The two ends.
    show
        A temperature in the display unit, with it.
    """
    width_mm, height_mm = 84.0, 25.0

    def draw(figure: Figure) -> None:
        axes = figure.add_axes((0.03, 0.0, 0.94, 1.0))
        bare(axes)
        values = [value for _name, value in seasons]
        low, high = min([*values, ends[0]]), max([*values, ends[1]])
        room = max(high - low, 1.0) * 0.14
        axes.set_xlim(low - room, high + room)
        axes.set_ylim(0, 1)
        axes.plot([low - room, high + room], [0.42, 0.42], color=RULE, linewidth=0.8)
        axes.plot(list(ends), [0.42, 0.42], color=COLD_PALE, linewidth=5, solid_capstyle="butt")
        for _name, value in seasons:
            axes.plot([value], [0.42], marker="|", color=COLD, markersize=9, markeredgewidth=1.2)
        ordered = sorted(seasons, key=lambda one: one[1])
        for (name, value), side in ((ordered[0], "left"), (ordered[-1], "right")) \
                if ordered else ():  # fmt: skip
            text = f"{name}: {show(value)}"
            label(axes, value, 0.82, text, ha=side, fontsize=6.8, color=INK,
                  dx_pt=-3.0 if side == "left" else 3.0)  # fmt: skip
        for value, text, side in ((ends[0], words[0], "left"), (ends[1], words[1], "right")):
            label(axes, value, 0.12, text, ha=side, fontsize=6.8, color=SOFT)

    listed = ", ".join(f"{name} {show(value)}" for name, value in seasons)
    title = _(
        "Mean outside temperature of past seasons: {seasons}. Eight drawn seasons in ten lie "
        "between {low} and {high}.",
        seasons=listed or "–",
        low=words[0],
        high=words[1],
    )
    return Markup(svg("budget winters", width_mm, height_mm, title, draw))


def widths_chart(rows: Sequence[tuple[str, Ends]], shown: Shown) -> Markup:
    """The season's cost with less and with more history: how the interval shrinks."""
    width_mm, pitch_mm, name_mm = 84.0, 7.4, 31.0
    height_mm = pitch_mm * len(rows) + 1.0

    def draw(figure: Figure) -> None:
        names = figure.add_axes((0, 0, name_mm / width_mm, 1))
        axes = figure.add_axes((name_mm / width_mm, 0, 1 - name_mm / width_mm, 1))
        top = max((ends[2] for _name, ends in rows), default=1.0) or 1.0
        for one, reach in ((names, 1.0), (axes, top * 1.02)):
            bare(one)
            one.set_xlim(0, reach)
            one.set_ylim(len(rows) - 0.5, -0.5)
        for index, (text, ends) in enumerate(rows):
            label(names, 0.0, index, text, ha="left", fontsize=7, color=INK)
            axes.plot([0, top], [index + 0.14] * 2, color=RULE, linewidth=0.4)
            axes.plot([ends[0], ends[2]], [index + 0.14] * 2, color=PART, linewidth=3.4,
                      solid_capstyle="butt")  # fmt: skip
            axes.plot([ends[1]], [index + 0.14], marker="o", color=COLD, markersize=4.4)
            words = f"{shown.bare('cost', ends[1])} ({shown.interval('cost', ends)})"
            is_right = ends[1] > top * 0.6
            label(axes, ends[2] if is_right else ends[0], index - 0.24, words,
                  ha="right" if is_right else "left", fontsize=6.4, color=SOFT)  # fmt: skip

    words = "; ".join(
        f"{text}: {shown.named('cost', ends[1])} ({shown.interval('cost', ends)})"
        for text, ends in rows
    )
    title = _("Cost of the season by how much is known, P50 and P10 to P90. {rows}.", rows=words)
    return Markup(svg("budget widths", width_mm, height_mm, title, draw))


def course_chart(rows: Sequence[tuple[str, str, float, Ends, Ends, Ends]], shown: Shown) -> Markup:
    """Actual against the budget of the same months, and the forecast against the season's.

    Parameters
    ----------
    rows
        Name, quantity, actual so far, budget so far, forecast and budget of the whole season.
    """
    pitch_mm, name_mm = 10.0, 42.0
    height_mm = pitch_mm * len(rows) + 6.0
    heads = (_("So far"), _("Whole season"))

    def draw(figure: Figure) -> None:
        tall = pitch_mm * len(rows) / height_mm
        left, gap = name_mm / _WIDTH_MM, 0.03
        width = (1 - left - gap) / 2
        names = figure.add_axes((0, 0, left, tall))
        bare(names)
        names.set_xlim(0, 1)
        names.set_ylim(len(rows) - 0.5, -0.5)
        for index, row in enumerate(rows):
            label(names, 0, index, row[0], ha="left", fontsize=7.5, color=INK)
        for at, head in enumerate(heads):
            x0 = left + at * (width + gap)
            axes = figure.add_axes((x0, 0, width, tall))
            bare(axes)
            axes.set_xlim(0, 1.30)
            axes.set_ylim(len(rows) - 0.5, -0.5)
            figure.text(
                x0,
                1 - 2.6 / height_mm,
                head,
                fontsize=7.5,
                fontweight=600,
                fontfamily="Minutes Sans",
                va="center",
            )
            for index, (_name, quantity, actual, so_far, forecast, season) in enumerate(rows):
                budget = so_far if at == 0 else season
                other: Ends = (actual, actual, actual) if at == 0 else forecast
                _against(axes, index, quantity, budget, other, shown)

    words = "; ".join(
        _(
            "{name}: {actual} so far against {budget} ({budget_interval}); season forecast "
            "{forecast} ({forecast_interval}) against {season} ({season_interval})",
            name=name,
            actual=shown.named(quantity, actual),
            budget=shown.bare(quantity, so_far[1]),
            budget_interval=shown.interval(quantity, so_far),
            forecast=shown.bare(quantity, forecast[1]),
            forecast_interval=shown.interval(quantity, forecast),
            season=shown.bare(quantity, season[1]),
            season_interval=shown.interval(quantity, season),
        )
        for name, quantity, actual, so_far, forecast, season in rows
    )
    title = _("Budget and actual. {rows}.", rows=words)
    return Markup(svg("budget course", _WIDTH_MM, height_mm, title, draw))


def _against(
    axes: Axes, index: int, quantity: str, budget: Ends, other: Ends, shown: Shown
) -> None:
    """One row: the budget's interval pale, what came or is expected dark, on a scale of its own."""
    top = max(budget[2], other[2]) or 1.0
    axes.plot([0, 1], [index, index], color=RULE, linewidth=0.4)
    axes.plot([budget[0] / top, budget[2] / top], [index - 0.10] * 2, color=COLD_PALE,
              linewidth=7.0, solid_capstyle="butt")  # fmt: skip
    axes.plot([budget[1] / top] * 2, [index - 0.28, index + 0.08], color=NEUTRAL_EDGE,
              linewidth=1.2)  # fmt: skip
    if other[2] > other[0]:
        axes.plot([other[0] / top, other[2] / top], [index - 0.10] * 2, color=COLD, linewidth=1.6,
                  solid_capstyle="butt")  # fmt: skip
    axes.plot([other[1] / top], [index - 0.10], marker="o", color=COLD, markersize=4.6)
    label(axes, 1.05, index - 0.10, shown.named(quantity, other[1]), ha="left", fontsize=7,
          color=COLD, **STRONG)  # fmt: skip
    words = f"{shown.bare(quantity, budget[1])} ({shown.interval(quantity, budget)})"
    label(axes, 0.0, index + 0.32, words, ha="left", fontsize=6.4, color=SOFT)
