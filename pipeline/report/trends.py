"""The small charts under the headline figures: up to five weeks, the edition's week last."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from pipeline.report.drawing import bare, svg
from pipeline.report.filters import number, rate
from pipeline.report.language import _
from pipeline.report.palette import COLD, INK, PAPER, RULE, SOFT, WARM_EDGE

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_WIDTH_MM = 41.0
_HEIGHT_MM = 17.0


def trend_bars(label: str, weeks: Sequence[tuple[str, float | None]]) -> str:
    """Bars of a sum per week; the edition's week is dark."""
    values = [value for _week, value in weeks]

    def draw(figure: Figure) -> None:
        axes = _small_axes(figure, weeks)
        known = [value for value in values if value is not None]
        low, high = min([0.0, *known]), max([1e-9, *known])
        axes.set_ylim(low, low + (high - low) * 1.3)
        axes.axhline(0, color=RULE, linewidth=0.6)
        for index, value in enumerate(values):
            if value is None:
                _no_value(axes, index)
                continue
            is_now = index == len(values) - 1
            axes.bar(
                index,
                value,
                width=0.6,
                facecolor=COLD if is_now else PAPER,
                edgecolor=COLD,
                linewidth=0.6,
            )
            axes.annotate(
                number(value, 0 if high >= 10 else 1),
                (index, max(value, 0.0)),
                xytext=(0, 1.5),
                textcoords="offset points",
                ha="center",
                fontsize=6.5,
                color=INK if is_now else SOFT,
            )

    words = ", ".join(f"{week}: {number(value, 1)}" for week, value in weeks)
    title = _("{figure}, by week. {weeks}.", figure=label, weeks=words)
    return svg(f"trend-{label}", _WIDTH_MM, _HEIGHT_MM, title, draw)


def trend_rates(
    label: str,
    weeks: Sequence[tuple[str, float | None, float | None, float | None]],
    target: float | None,
) -> str:
    """Points with intervals on a scale of 0 to 100 %; a dashed line is the target."""

    def draw(figure: Figure) -> None:
        axes = _small_axes(figure, weeks)
        axes.set_ylim(-0.06, 1.1)
        for at in (0.0, 1.0):
            axes.axhline(at, color=RULE, linewidth=0.5)
        if target is not None:
            axes.axhline(target, color=WARM_EDGE, linewidth=0.7, linestyle=(0, (3, 2)))
        for index, (_week, value, low, high) in enumerate(weeks):
            if value is None or low is None or high is None:
                _no_value(axes, index)
                continue
            is_now = index == len(weeks) - 1
            axes.plot(
                [index, index],
                [low, high],
                color=COLD,
                linewidth=2.2 if is_now else 1.0,
                solid_capstyle="butt",
            )
            axes.plot(
                [index],
                [value],
                color=COLD,
                marker="o",
                markersize=4.6 if is_now else 3.4,
                markerfacecolor=COLD if is_now else PAPER,
                markeredgecolor=COLD,
                markeredgewidth=0.8,
            )
            axes.annotate(
                number(value * 100),
                (index, value),
                xytext=(4, 0),
                textcoords="offset points",
                va="center_baseline",
                fontsize=6.5,
                color=INK if is_now else SOFT,
            )

    words = ", ".join(
        _(
            "{week}: {value} ({low} to {high})",
            week=week,
            value=rate(value),
            low=rate(low),
            high=rate(high),
        )
        for week, value, low, high in weeks
    )
    title = _("{figure}, by week with interval. {weeks}.", figure=label, weeks=words)
    return svg(f"trend-{label}", _WIDTH_MM, _HEIGHT_MM, title, draw)


def _small_axes(figure: Figure, weeks: Sequence[tuple[Any, ...]]) -> Axes:
    axes = figure.add_axes((0.0, 0.19, 1.0, 0.79))
    bare(axes)
    axes.set_xlim(-0.5, max(len(weeks), 5) - 0.25)
    axes.set_xticks(range(len(weeks)), [str(week[0])[-3:] for week in weeks], fontsize=6.5)
    axes.tick_params(length=0, pad=1.5)
    return axes


def _no_value(axes: Axes, index: int) -> None:
    axes.text(
        index,
        0.02,
        "–",
        ha="center",
        va="bottom",
        fontsize=6.5,
        color=SOFT,
        transform=axes.get_xaxis_transform(),
    )
