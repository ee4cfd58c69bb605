"""The charts of a vehicle sheet: weeks as small multiples, hit rate against the fleet."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

from markupsafe import Markup

from pipeline.report.drawing import bare, label, svg
from pipeline.report.filters import NONE, number, rate
from pipeline.report.language import _
from pipeline.report.palette import COLD, INK, PAPER, RULE, SOFT, TINT, WARM_EDGE
from pipeline.report.weekdata import Row

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_WIDTH_MM = 56.0
_FOOT_MM = 3.0
_WHOLE_MM = 86.0
_NAMES_MM = 29.0
_COUNTS_MM = 28.0
_ROW_MM = 4.6
_LEAST_SLOTS_N = 5
_SCALE_MM = 4.6


def week_bars(
    identity: str,
    name: str,
    week_ids: Sequence[str],
    values: Sequence[float | None],
    usual: tuple[float, float, int] | None,
    height_mm: float,
    digits: int = 0,
) -> Markup:
    """One bar per week, the edition's dark, before a band from the lowest to the highest earlier.

    A week without the figure carries a dash.
    """

    def draw(figure: Figure) -> None:
        axes = _small_axes(figure, week_ids, height_mm)
        known = [value for value in values if value is not None]
        low, high = min([0.0, *known]), max([1e-9, *known])
        axes.set_ylim(low, low + (high - low) * 1.3)
        if usual is not None and usual[2] > 1:
            axes.axhspan(usual[0], usual[1], facecolor=TINT, edgecolor=RULE, linewidth=0.4)
        axes.axhline(0, color=RULE, linewidth=0.6)
        for at, value in enumerate(values):
            is_now = at == len(values) - 1
            if value is None:
                _no_value(axes, at)
                continue
            axes.bar(
                at, value, width=0.6, facecolor=COLD if is_now else PAPER, edgecolor=COLD,
                linewidth=0.6,
            )  # fmt: skip
            axes.annotate(
                number(value, digits), (at, max(value, 0.0)), xytext=(0, 1.5),
                textcoords="offset points", ha="center", fontsize=6.5,
                color=INK if is_now else SOFT,
            )  # fmt: skip

    told = ", ".join(
        f"{week}: {number(value, 1)}" for week, value in zip(week_ids, values, strict=True)
    )
    title = _("{name}, by week. {told}.", name=name, told=told)
    return Markup(svg(f"weeks-{identity}", _WIDTH_MM, height_mm, title, draw))


def week_rates(
    identity: str,
    name: str,
    week_ids: Sequence[str],
    rows: Sequence[Row | None],
    target: float | None,
    height_mm: float,
) -> Markup:
    """Hit rate per week with its interval, on a scale of 0 to 100 %; dashed is the target."""

    def draw(figure: Figure) -> None:
        axes = _small_axes(figure, week_ids, height_mm)
        axes.set_ylim(-0.08, 1.12)
        for at in (0.0, 1.0):
            axes.axhline(at, color=RULE, linewidth=0.5)
        if target is not None:
            axes.axhline(target, color=WARM_EDGE, linewidth=0.7, linestyle=(0, (3, 2)))
        for at, row in enumerate(rows):
            if row is None or row["hit_rate"] is None:
                _no_value(axes, at)
                continue
            is_now = at == len(rows) - 1
            _interval(axes, at, row, is_now=is_now)
            axes.annotate(
                number(row["hit_rate"] * 100), (at, row["hit_rate"]), xytext=(3.5, 0),
                textcoords="offset points", va="center_baseline", fontsize=6.5,
                color=INK if is_now else SOFT,
            )  # fmt: skip

    told = ", ".join(
        f"{week}: {_rate_words(row)}" for week, row in zip(week_ids, rows, strict=True)
    )
    title = _("{name}, by week with 95 % interval. {told}.", name=name, told=told)
    return Markup(svg(f"weeks-{identity}", _WIDTH_MM, height_mm, title, draw))


class Compared(NamedTuple):
    """One line of the comparison: whose rate, its row, whether it is the vehicle's own."""

    name: str
    row: Row | None
    is_own: bool


def against_fleet(lines: Sequence[Compared], target: float | None) -> Markup:
    """Hit rates with their intervals on one scale, counts beside them; dashed is the target."""
    height_mm = _ROW_MM * len(lines) + _SCALE_MM

    def draw(figure: Figure) -> None:
        axes = figure.add_axes(
            (
                _NAMES_MM / _WHOLE_MM,
                _SCALE_MM / height_mm,
                (_WHOLE_MM - _NAMES_MM - _COUNTS_MM) / _WHOLE_MM,
                1 - _SCALE_MM / height_mm,
            )
        )
        bare(axes)
        axes.set_xlim(-0.02, 1.02)
        axes.set_ylim(len(lines) - 0.5, -0.5)
        axes.set_xticks([0, 0.5, 1], ["0", "50", "100 %"], fontsize=6.5)
        axes.tick_params(length=0, pad=1.5)
        for at in (0.0, 0.5, 1.0):
            axes.plot([at, at], [-0.5, len(lines) - 0.5], color=RULE, linewidth=0.5)
        if target is not None:
            axes.plot([target] * 2, [-0.5, len(lines) - 0.5], color=WARM_EDGE, linewidth=0.7,
                      linestyle=(0, (3, 2)))  # fmt: skip
        for at, line in enumerate(lines):
            weight = {"fontweight": 600, "fontfamily": "Minutes Sans"} if line.is_own else {}
            row = line.row
            label(axes, -0.02, at, line.name, dx_pt=-_NAMES_MM * 72 / 25.4, annotation_clip=False,
                  ha="left", **weight)  # fmt: skip
            if row is None or row["hit_rate"] is None:
                is_rated = row is not None and row["rated_n"]
                words = _("no stop needed it") if is_rated else _("no stop is rated")
                label(axes, 1.02, at, words, dx_pt=6, color=SOFT)
                continue
            _interval(axes, at, row, is_now=line.is_own, is_level=True)
            label(axes, 1.02, at, _count_words(row), dx_pt=6, color=INK if line.is_own else SOFT)

    told = "; ".join(f"{line.name}: {_rate_words(line.row)}" for line in lines)
    title = _("Warming hit rate with 95 % interval. {told}.", told=told)
    return Markup(svg("against-fleet", _WHOLE_MM, height_mm, title, draw))


def _count_words(row: Row) -> str:
    return _(
        "{rate}, {hits} of {n} stops",
        rate=rate(row["hit_rate"]),
        hits=number(row["warmed_n"]),
        n=number(row["needed_warming_n"]),
    )


def _rate_words(row: Row | None) -> str:
    if row is None or row["hit_rate"] is None:
        return NONE
    return _(
        "{rate}, interval {low} to {high}",
        rate=rate(row["hit_rate"]),
        low=rate(row["hit_rate_low"]),
        high=rate(row["hit_rate_high"]),
    )


def _interval(axes: Axes, at: float, row: Row, *, is_now: bool, is_level: bool = False) -> None:
    ends, level = [row["hit_rate_low"], row["hit_rate_high"]], [at, at]
    xs, ys = (ends, level) if is_level else (level, ends)
    point = ([row["hit_rate"]], [at]) if is_level else ([at], [row["hit_rate"]])
    axes.plot(xs, ys, color=COLD, linewidth=2.2 if is_now else 1.0, solid_capstyle="butt")
    axes.plot(
        *point, color=COLD, marker="o", markersize=4.6 if is_now else 3.6,
        markerfacecolor=COLD if is_now else PAPER, markeredgecolor=COLD, markeredgewidth=0.8,
        clip_on=False,
    )  # fmt: skip


def _small_axes(figure: Figure, week_ids: Sequence[str], height_mm: float) -> Axes:
    foot = _FOOT_MM / height_mm
    axes = figure.add_axes((0.0, foot, 1.0, 0.98 - foot))
    bare(axes)
    axes.set_xlim(-0.5, max(len(week_ids), _LEAST_SLOTS_N) - 0.1)
    axes.set_xticks(range(len(week_ids)), [each[-3:] for each in week_ids], fontsize=6.5)
    axes.tick_params(length=0, pad=1.5)
    return axes


def _no_value(axes: Axes, at: int) -> None:
    axes.text(at, 0.02, NONE, ha="center", va="bottom", fontsize=6.5, color=SOFT,
              transform=axes.get_xaxis_transform())  # fmt: skip
