"""The charts of the budget: the number, its months, its drivers, its winters, its course."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from markupsafe import Markup

from pipeline.budget.summary import F32
from pipeline.report.budget.figures import Ends, Shown
from pipeline.report.drawing import bare, label, svg
from pipeline.report.language import _
from pipeline.report.palette import (
    COLD,
    COLD_PALE,
    INK,
    PAPER,
    PART,
    RULE,
    SOFT,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_WIDTH_MM = 178.0
STRONG: dict[str, Any] = {"fontweight": 600, "fontfamily": "Minutes Sans"}
"""Of the one family that has the weight."""
_BINS_N = 48


def number_chart(season: F32, ends: Ends, shown: Shown) -> Markup:
    """Every simulated winter's cost as a histogram; the middle eight in ten are dark.

    Winters dearer than nearly all are counted into the last bar.
    """
    height_mm = 27.0
    top = max(float(np.quantile(season, 0.985)), ends[2] * 1.08, 1e-9)

    def draw(figure: Figure) -> None:
        axes = figure.add_axes((0.01, 0.40, 0.98, 0.58))
        bare(axes)
        counts, edges = np.histogram(np.minimum(season, top), bins=_BINS_N, range=(0.0, top))
        axes.set_xlim(0, top)
        axes.set_ylim(0, max(counts.max(), 1) * 1.02)
        middles = (edges[1:] + edges[:-1]) / 2
        colours = [PART if ends[0] <= at <= ends[2] else COLD_PALE for at in middles]
        axes.bar(middles, counts, width=0.86 * top / _BINS_N, color=colours, linewidth=0)
        axes.plot([0, top], [0, 0], color=INK, linewidth=0.6, clip_on=False)
        under = figure.add_axes((0.01, 0.0, 0.98, 0.38))
        bare(under)
        under.set_xlim(0, top)
        under.set_ylim(0, 1)
        under.plot([ends[0], ends[2]], [0.86, 0.86], color=COLD, linewidth=2.4,
                   solid_capstyle="butt")  # fmt: skip
        under.plot([ends[1]], [0.86], marker="o", color=COLD, markersize=6, clip_on=False)
        # The middle on a line of its own: ends may stand close to it, or to the edge.
        text = f"P50  {shown.named('cost', ends[1])}"
        side = "left" if ends[1] < 0.08 * top else "center"
        label(under, 0.0 if side == "left" else ends[1], 0.50, text, ha=side, fontsize=8.5,
              color=COLD, **STRONG)  # fmt: skip
        low = _("P10  {cost}: one winter in ten is cheaper", cost=shown.named("cost", ends[0]))
        high = _("P90  {cost}: one in ten is dearer", cost=shown.named("cost", ends[2]))
        is_left = ends[0] < 0.36 * top
        label(under, 0.0 if is_left else ends[0], 0.12, low, ha="left" if is_left else "right",
              fontsize=7.2, color=INK)  # fmt: skip
        is_right = ends[2] > 0.76 * top
        label(under, top if is_right else max(ends[2], 0.40 * top), 0.12, high,
              ha="right" if is_right else "left", fontsize=7.2, color=INK)  # fmt: skip

    title = _(
        "Cost of the season over all simulated winters: P10 {low}, P50 {middle}, P90 {high}.",
        low=shown.named("cost", ends[0]),
        middle=shown.named("cost", ends[1]),
        high=shown.named("cost", ends[2]),
    )
    return Markup(svg("budget number", _WIDTH_MM, height_mm, title, draw))


def months_chart(
    panels: Sequence[tuple[str, str, Sequence[Ends]]], months: Sequence[str], shown: Shown
) -> Markup:
    """Small multiples: one panel per quantity (its name and key), months from left to right."""
    from matplotlib.ticker import MaxNLocator

    height_mm = 46.0

    def draw(figure: Figure) -> None:
        gap = 0.03
        width = (1 - gap * (len(panels) - 1)) / len(panels)
        for at, (title, quantity, ends) in enumerate(panels):
            axes = figure.add_axes((at * (width + gap), 0.11, width, 0.73))
            bare(axes)
            top = max((end[2] for end in ends), default=0.0) or 1.0
            axes.set_xlim(-1.0, len(months) - 0.4)
            axes.set_ylim(0, top * 1.08)
            axes.plot([-1.0, len(months) - 0.4], [0, 0], color=INK, linewidth=0.6, clip_on=False)
            for tick in MaxNLocator(3).tick_values(0, top)[1:]:
                if tick > top * 1.02:
                    continue
                axes.plot([-1.0, len(months) - 0.4], [tick, tick], color=RULE, linewidth=0.4,
                          zorder=0)  # fmt: skip
                axes.text(-1.0, tick, shown.bare(quantity, tick), ha="left", va="bottom",
                          fontsize=6.0, color=SOFT)  # fmt: skip
            for k, (low, middle, high) in enumerate(ends):
                axes.bar(k, high - low, bottom=low, width=0.5, color=COLD_PALE, edgecolor=PART,
                         linewidth=0.5)  # fmt: skip
                axes.plot([k - 0.25, k + 0.25], [middle, middle], color=COLD, linewidth=1.8,
                          solid_capstyle="butt")  # fmt: skip
                axes.text(k, -top * 0.035, months[k], ha="center", va="top", fontsize=6.4,
                          color=SOFT)  # fmt: skip
            figure.text(
                at * (width + gap),
                0.93,
                title,
                fontsize=7.5,
                fontweight=600,
                fontfamily="Minutes Sans",
                color=INK,
            )

    words = "; ".join(
        f"{title}: "
        + ", ".join(
            f"{month} {shown.bare(quantity, end[1])} ({shown.interval(quantity, end)})"
            for month, end in zip(months, ends, strict=True)
        )
        for title, quantity, ends in panels
    )
    text = _("Months of the season, P50 and in brackets P10 to P90. {panels}.", panels=words)
    return Markup(svg("budget months", _WIDTH_MM, height_mm, text, draw))


Swing = tuple[str, str, str, float, float]
"""Driver, words of its low and high setting, and the change that each brings."""


def tornado(panels: Sequence[tuple[str, str, Sequence[Swing]]], shown: Shown) -> Markup:
    """Drivers from the widest down, one panel per quantity, on the same rows.

    The low setting is light, the high one dark; what each is stands at its bar.
    """
    rows = panels[0][2]
    pitch_mm, name_mm = 8.2, 34.0
    height_mm = 6.0 + pitch_mm * len(rows)

    def draw(figure: Figure) -> None:
        left = name_mm / _WIDTH_MM
        gap = 0.02
        width = (1 - left - gap * (len(panels) - 1)) / len(panels)
        tall = pitch_mm * len(rows) / height_mm
        names = figure.add_axes((0.0, 0.0, left, tall))
        bare(names)
        names.set_xlim(0, 1)
        names.set_ylim(len(rows) - 0.5, -0.5)
        for index, row in enumerate(rows):
            label(names, 0.0, index - 0.17, row[0], ha="left", fontsize=7.5, color=INK)
            label(names, 0.0, index + 0.22, f"{row[1]} / {row[2]}", ha="left", fontsize=6.2,
                  color=SOFT)  # fmt: skip
        for at, (title, quantity, bars) in enumerate(panels):
            x0 = left + at * (width + gap)
            axes = figure.add_axes((x0, 0.0, width, tall))
            _swing_bars(axes, bars, quantity, shown)
            figure.text(x0 + width / 2, 1 - 2.6 / height_mm, title, fontsize=7.5, **STRONG,
                        color=INK, ha="center", va="center")  # fmt: skip

    words = "; ".join(
        f"{title}: "
        + ", ".join(
            f"{name} {low_words} {shown.bare(quantity, low, signed=True)}, "
            f"{high_words} {shown.bare(quantity, high, signed=True)}"
            for name, low_words, high_words, low, high in bars
        )
        for title, quantity, bars in panels
    )
    text = _("What moves the season, the widest driver first. {panels}.", panels=words)
    return Markup(svg("budget drivers", _WIDTH_MM, height_mm, text, draw))


def _swing_bars(axes: Axes, bars: Sequence[Swing], quantity: str, shown: Shown) -> None:
    bare(axes)
    reach = max((max(abs(bar[3]), abs(bar[4])) for bar in bars), default=0.0) or 1.0
    axes.set_xlim(-reach * 1.42, reach * 1.42)
    axes.set_ylim(len(bars) - 0.5, -0.5)
    for index, (_name, _low_words, _high_words, low, high) in enumerate(bars):
        for value, colour, edge in ((low, PAPER, COLD), (high, PART, COLD)):
            axes.barh(index, value, height=0.5, color=colour, edgecolor=edge, linewidth=0.6)
        taken: set[bool] = set()
        for value in sorted((low, high), key=abs, reverse=True):
            is_right = value > 0
            if is_right in taken or abs(value) < reach * 0.004:
                continue
            taken.add(is_right)
            label(axes, value, index, shown.bare(quantity, value, signed=True),
                  dx_pt=3.0 if is_right else -3.0, ha="left" if is_right else "right")  # fmt: skip
    axes.plot([0, 0], [-0.5, len(bars) - 0.5], color=INK, linewidth=0.6)
