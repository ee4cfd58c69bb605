"""Drawings of *who or what*: funnel plots, and the control chart of the fleet."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np
from markupsafe import Markup

from pipeline.judgement.funnel import LIMITS, rate_limit
from pipeline.report.drawing import bare, label, svg
from pipeline.report.filters import number, rate
from pipeline.report.language import _, ngettext
from pipeline.report.palette import COLD, INK, NEUTRAL_EDGE, PAPER, RULE, SOFT, WARM, WARM_EDGE
from pipeline.weeks import monday_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Row = Mapping[str, Any]

_FUNNEL_MM = (56.0, 38.0)
_CHART_MM = (92.0, 33.0)
_MOST_RATIO = 2.0
_LINES = {"95": (NEUTRAL_EDGE, "-"), "998": (NEUTRAL_EDGE, (0, (2, 1.4)))}


def is_outside(row: Row) -> bool:
    """Does the group lie outside the limits that hold for its kind?

    People differ, and only who differs more than people do stands out; a vehicle or a site is held
    to what chance allows.
    """
    key = "position" if row["grouped_by"] == "driver" else "chance_position"
    return bool(row[key] != "inside")


def funnel_plot(rows: Sequence[Row], kind: str) -> Markup:
    """Starts over those to be expected, by stops that count; limits for a group like the mean.

    Points outside their own limits are filled. No name stands in it.
    """
    trials = np.array([row["stops_n"] for row in rows], dtype=float)
    expected = np.array([row["expected_started_n"] for row in rows], dtype=float)
    mean = float(expected.sum() / trials.sum())
    tau2 = float(rows[0]["tau2_value"]) if kind == "driver" else 0.0
    last = float(trials.max()) * 1.06 + 1
    across = np.arange(1.0, max(np.ceil(last), 2.0) + 0.5, max(1.0, round(last / 120)))
    wider = np.sqrt(1 + tau2 * across * mean / max(1 - mean, 1e-9))
    ratios = [min(float(row["ratio_value"]), _MOST_RATIO) for row in rows]

    def draw(figure: Figure) -> None:
        width_mm, height_mm = _FUNNEL_MM
        axes = figure.add_axes((6.5 / width_mm, 6.5 / height_mm, 1 - 7.5 / width_mm, 0.81))
        bare(axes)
        axes.set_xlim(0, last)
        axes.set_ylim(0, max(1.6, *ratios) * 1.05)
        axes.plot([0, last], [1, 1], color=INK, linewidth=0.6)
        for name, confidence in LIMITS.items():
            colour, line = _LINES[name]
            for share in ((1 - confidence) / 2, (1 + confidence) / 2):
                limit = rate_limit(mean, across, share) / mean
                ends = np.maximum(1 + (limit - 1) * wider, 0.0)
                axes.plot(across, ends, color=colour, linewidth=0.6, linestyle=line)
        for row, ratio in zip(rows, ratios, strict=True):
            axes.plot(
                [row["stops_n"]],
                [ratio],
                marker="o",
                markersize=3.4,
                markerfacecolor=COLD if is_outside(row) else PAPER,
                markeredgecolor=COLD,
                markeredgewidth=0.7,
                linestyle="none",
                clip_on=False,
            )
        _ticks(axes, last)

    outside_n = sum(is_outside(row) for row in rows)
    title = ngettext(
        "Funnel plot: {n} group by stops that count and by starts over those to be expected, "
        "{outside} outside its limits.",
        "Funnel plot: {n} groups by stops that count and by starts over those to be expected, "
        "{outside} outside their limits.",
        len(rows),
        outside=number(outside_n),
    )
    return Markup(svg(f"funnel {kind}", *_FUNNEL_MM, title, draw))


def _ticks(axes: Axes, last: float) -> None:
    """A few figures along both sides, without a frame."""
    for at in (0.0, 1.0):
        label(axes, 0, at, number(at), dx_pt=-4.0, ha="right", fontsize=6.5, color=SOFT)
    step = next(
        each for each in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 10**9) if each * 5 >= last
    )
    for at in range(step, int(last) + 1, step):
        axes.annotate(
            number(at), (at, 0), xytext=(0, -8), textcoords="offset points", ha="center",
            fontsize=6.5, color=SOFT,
        )  # fmt: skip
    axes.plot([0, last], [0, 0], color=RULE, linewidth=0.6, clip_on=False)


def control_plot(points: Sequence[Row], events: Sequence[tuple[int, date]]) -> Markup:
    """The fleet's two sums by week: better upwards, worse downwards, each in shares of its limit.

    Parameters
    ----------
    events
        Number and day of each event to mark; those before the chart's first week are left out.
    """
    first = monday_of(points[0]["week_id"])

    def week_at(day: date) -> float:
        return (day - first).days / 7

    at = [week_at(monday_of(row["week_id"])) + 0.5 for row in points]
    better = [row["better_value"] / row["better_limit_value"] for row in points]
    worse = [-row["worse_value"] / row["worse_limit_value"] for row in points]
    last = max(at) + 0.5

    def draw(figure: Figure) -> None:
        width_mm, height_mm = _CHART_MM
        axes = figure.add_axes((11.0 / width_mm, 5.0 / height_mm, 1 - 12.0 / width_mm, 0.74))
        bare(axes)
        axes.set_xlim(0, last)
        reach = max(1.15, *better, *(-each for each in worse))
        axes.set_ylim(-reach * 1.06, reach * 1.06)
        for height, words in ((1.0, _("better")), (-1.0, _("worse"))):
            axes.plot([0, last], [height] * 2, color=NEUTRAL_EDGE, linewidth=0.6,
                      linestyle=(0, (2, 1.4)))  # fmt: skip
            label(axes, 0, height, words, dx_pt=-4.0, ha="right", fontsize=6.5, color=SOFT)
        axes.plot([0, last], [0, 0], color=INK, linewidth=0.6)
        for values, colour, edge in ((better, WARM, WARM_EDGE), (worse, COLD, COLD)):
            axes.plot(at, values, color=edge, linewidth=0.9)
            axes.plot(
                at,
                values,
                linestyle="none",
                marker="o",
                markersize=2.6,
                markerfacecolor=colour,
                markeredgecolor=edge,
                markeredgewidth=0.5,
            )
        every = max(1, round(len(points) / 9))
        for row, x in list(zip(points, at, strict=True))[::every]:
            axes.annotate(
                row["week_id"][5:], (x, -reach * 1.06), xytext=(0, -7), ha="center",
                textcoords="offset points", fontsize=6.5, color=SOFT,
            )  # fmt: skip
        for event_no, day in events:
            x = week_at(day)
            if 0 <= x <= last:
                axes.plot([x, x], [-reach, reach], color=INK, linewidth=0.7)
                axes.annotate(
                    number(event_no), (x, reach), xytext=(0, 2), ha="center", fontweight=600,
                    fontfamily="Minutes Sans", textcoords="offset points", fontsize=6.5, color=INK,
                    annotation_clip=False,
                )  # fmt: skip

    end = points[-1]
    title = _(
        "Control chart of the fleet over {n} weeks: the sum for the better stands at {better} of "
        "its limit, that for the worse at {worse}.",
        n=number(len(points)),
        better=rate(end["better_value"] / end["better_limit_value"]),
        worse=rate(end["worse_value"] / end["worse_limit_value"]),
    )
    return Markup(svg("control", *_CHART_MM, title, draw))
