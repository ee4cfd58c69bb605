"""Small plots of what was learned: the warm curve and the cold limit of one vehicle model."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import groupby
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from pipeline.report.drawing import svg
from pipeline.report.filters import number
from pipeline.report.language import _
from pipeline.report.palette import COLD, INK, NEUTRAL_EDGE, PAPER, RULE, SOFT
from pipeline.report.weekdata import Row

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_WIDTH_MM = 45.0
_HEIGHT_MM = 38.0
_LEAST_SHOWN_DEGC = -25.0
_MOST_SHOWN_DEGC = 40.0


def curve_plot(identity: str, model_name: str, curves: Sequence[Row]) -> Markup:
    """Power of a warm pack over charge: learned solid, not learned dotted, configured grey.

    The strip below shows how many charges stand behind each bin.
    """
    configured = [(row["soc_bin"] + 0.5, row["configured_kw"]) for row in curves]
    known = [pair for pair in configured if pair[1] is not None]
    learned = [row for row in curves if row["curve_source"] == "learned"]
    most_n = max(row["sessions_n"] for row in curves)

    def draw(figure: Figure) -> None:
        axes = figure.add_axes((0.13, 0.34, 0.79, 0.54))
        counts = figure.add_axes((0.13, 0.11, 0.79, 0.14))
        _quiet(axes)
        _quiet(counts)
        high = max(
            max(row["reference_kw"] for row in curves), max((y for _x, y in known), default=0.0)
        )
        axes.set_xlim(0, 100)
        axes.set_ylim(0, high * 1.12)
        axes.set_xticks([])
        axes.set_yticks(_ticks(high), _tick_words(_ticks(high)))
        if known:
            axes.plot(
                [x for x, _ in known],
                [y for _x, y in known],
                color=NEUTRAL_EDGE,
                linewidth=0.9,
                linestyle=(0, (3, 1.5)),
            )
        # A stretch is joined to the bin before it, so that the line has no holes.
        for source, run in groupby(enumerate(curves), key=lambda pair: pair[1]["curve_source"]):
            numbers = [at for at, _row in run]
            own = curves[max(numbers[0] - 1, 0) : numbers[-1] + 1]
            axes.plot(
                [row["soc_bin"] + 0.5 for row in own],
                [row["reference_kw"] for row in own],
                color=COLD,
                linewidth=1.6 if source == "learned" else 1.0,
                linestyle="-" if source == "learned" else (0, (1, 1.2)),
            )
        axes.text(0.0, 1.0, "kW", transform=axes.transAxes, fontsize=6.5, color=SOFT, va="bottom")
        axes.text(
            0.04, 0.2, _("learned, thick"), transform=axes.transAxes, fontsize=6.5, color=COLD,
            va="bottom",
        )  # fmt: skip
        if known:
            axes.text(
                0.04, 0.04, _("configured, dashed"), transform=axes.transAxes, fontsize=6.5,
                color=NEUTRAL_EDGE, va="bottom",
            )  # fmt: skip
        counts.set_xlim(0, 100)
        counts.set_ylim(0, max(most_n, 1) * 1.05)
        counts.fill_between(
            [row["soc_bin"] + 0.5 for row in curves],
            [row["sessions_n"] for row in curves],
            step="mid",
            facecolor=RULE,
            edgecolor="none",
        )
        counts.set_xticks([0, 20, 40, 60, 80, 100], ["0", "20", "40", "60", "80", "100 %"])
        counts.set_yticks([0, most_n] if most_n else [0])

    low, top = min(row["soc_bin"] for row in curves), max(row["reference_kw"] for row in curves)
    title = _(
        "Warm curve of {model}: power over charge from {low} %, at most {top} kW; {learned} of "
        "{bins} bins learned; below, charges per bin, at most {most}.",
        model=model_name,
        low=number(low),
        top=number(top),
        learned=number(len(learned)),
        bins=number(len(curves)),
        most=number(most_n),
    )
    return Markup(svg(identity, _WIDTH_MM, _HEIGHT_MM, title, draw))


def cold_plot(
    identity: str,
    model_name: str,
    limits: Sequence[Row],
    degrees: Callable[[Any], str],
    temperature: Callable[[Any], str],
) -> Markup:
    """What a cold pack takes, by its coldest cell; dotted where no charge was seen."""
    seen = [row["cell_temp_degc"] for row in limits if row["sessions_n"]]
    low = max(_LEAST_SHOWN_DEGC, min(seen) - 4.0) if seen else -20.0
    high = min(_MOST_SHOWN_DEGC, max(seen) + 4.0) if seen else 30.0
    shown = [row for row in limits if low <= row["cell_temp_degc"] <= high] or list(limits)
    is_factor = limits[0]["cold_form"] == "factor"
    factor = 100.0 if is_factor else 1.0
    most_n = max(row["sessions_n"] for row in shown)

    def draw(figure: Figure) -> None:
        axes = figure.add_axes((0.13, 0.34, 0.79, 0.54))
        counts = figure.add_axes((0.13, 0.11, 0.79, 0.14))
        _quiet(axes)
        _quiet(counts)
        x = [row["cell_temp_degc"] for row in shown]
        y = [row["cold_value"] * factor for row in shown]
        top = max([*y, 1e-9])
        for each in (axes, counts):
            each.set_xlim(x[0] - 1, x[-1] + 1)
        axes.set_ylim(0, top * 1.15)
        axes.set_xticks([])
        axes.set_yticks(_ticks(top), _tick_words(_ticks(top)))
        axes.plot(x, y, color=COLD, linewidth=0.9, linestyle=(0, (1, 1.2)))
        is_learned = [row["cold_source"] == "learned" for row in shown]
        axes.plot(
            [each for each, is_own in zip(x, is_learned, strict=True) if is_own],
            [each for each, is_own in zip(y, is_learned, strict=True) if is_own],
            color=COLD,
            linewidth=1.4,
            marker="o",
            markersize=2.6,
            markerfacecolor=PAPER,
            markeredgewidth=0.8,
        )
        axes.text(
            0.0,
            1.0,
            _("% of warm curve") if is_factor else _("kW per kWh of capacity"),
            transform=axes.transAxes,
            fontsize=6.5,
            color=SOFT,
            va="bottom",
        )
        counts.set_ylim(0, max(most_n, 1) * 1.05)
        counts.bar(x, [row["sessions_n"] for row in shown], width=1.6, facecolor=RULE)
        ticks = [each for each in range(-40, 61, 10) if x[0] - 1 <= each <= x[-1] + 1]
        last = len(ticks) - 1
        counts.set_xticks(
            ticks,
            [temperature(each) if at == last else degrees(each) for at, each in enumerate(ticks)],
        )
        counts.set_yticks([0, most_n] if most_n else [0])

    told = ", ".join(
        f"{temperature(row['cell_temp_degc'])}: "
        + (f"{number(row['cold_value'] * 100)} %" if is_factor else number(row["cold_value"], 2))
        for row in shown[::3]
    )
    words = {"model": model_name, "limits": told, "most": number(most_n)}
    title = (
        _(
            "Cold limit of {model}, share of the warm curve by coldest cell. {limits}. Below, "
            "charges behind each temperature, at most {most}.",
            **words,
        )
        if is_factor
        else _(
            "Cold limit of {model}, kW per kWh by coldest cell. {limits}. Below, charges behind "
            "each temperature, at most {most}.",
            **words,
        )
    )
    return Markup(svg(identity, _WIDTH_MM, _HEIGHT_MM, title, draw))


def _quiet(axes: Axes) -> None:
    axes.set_facecolor("none")
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    axes.spines["bottom"].set_color(INK)
    axes.tick_params(length=0, pad=1.5, labelsize=6.5, colors=SOFT)


def _ticks(high: float) -> list[float]:
    """0, and two or three round steps up to ``high``."""
    if high <= 0:
        return [0.0]
    step = next(
        size * power
        for power in (0.01, 0.1, 1.0, 10.0, 100.0, 1000.0)
        for size in (1.0, 2.0, 5.0)
        if high / (size * power) <= 3.5
    )
    return [step * at for at in range(int(high / step) + 1)]


def _tick_words(ticks: Sequence[float]) -> list[str]:
    """All with as many decimals as the first step asks for."""
    step = ticks[1] if len(ticks) > 1 else 1.0
    digits = next((each for each in range(3) if round(step, each) == step), 3)
    return [number(tick, digits) for tick in ticks]
