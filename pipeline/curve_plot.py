"""The learned curves and cold limits as one SVG document."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import polars as pl

from pipeline.curve_view import seen_knots
from pipeline.fits import StoredFit
from pipeline.report.drawing import svg
from pipeline.report.palette import COLD, INK, RULE, SOFT, WARM_EDGE

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH_MM = 180.0
ROW_MM = 62.0
FEW_SESSIONS_N = 5


def curves_svg(fits: Sequence[StoredFit]) -> str:
    """One row per model: the warm curve on the left, the cold limit on the right.

    What was learned is thick (or a dot), what follows from it thin, what is configured dashed.
    """

    def draw(figure: Figure) -> None:
        panels = figure.subplots(len(fits), 2, squeeze=False)
        for (left, right), fit in zip(panels, fits, strict=True):
            _warm_panel(left, fit)
            _cold_panel(right, fit)
        figure.subplots_adjust(
            left=0.08, right=0.98, wspace=0.22, hspace=0.5, bottom=0.2 / len(fits),
            top=1 - 0.14 / len(fits),
        )  # fmt: skip

    names = ", ".join(fit.model_name for fit in fits)
    text = svg("curves", WIDTH_MM, ROW_MM * max(len(fits), 1), f"Learned curves: {names}", draw)
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{text}\n'


def _warm_panel(axes: Axes, fit: StoredFit) -> None:
    _plain(axes, f"{fit.model_name}: power of a warm pack, kW", "state of charge, %")
    axes.set_xlim(0, 100)
    if fit.curve.is_empty():
        _say(axes, "no warm curve")
        return
    soc = fit.curve["soc_bin"] + 0.5
    power = fit.curve["reference_kw"]
    learned = fit.curve.with_columns(
        power=pl.when(pl.col("curve_source") == "learned").then("reference_kw")
    )["power"]
    shown = fit.curve.drop_nulls("configured_kw")
    if len(shown):
        axes.plot(
            shown["soc_bin"] + 0.5, shown["configured_kw"], color=SOFT, linewidth=0.8, dashes=(3, 2)
        )
    axes.plot(soc, power, color=WARM_EDGE, linewidth=0.7)
    axes.plot(soc, learned.fill_null(float("nan")), color=WARM_EDGE, linewidth=2.0)
    axes.set_ylim(0, None)
    _note(axes, 0.03, "left", "thick: learned; dashed: configured")


def _cold_panel(axes: Axes, fit: StoredFit) -> None:
    unit = "share of curve" if fit.counts["cold_form"] == "factor" else "kW per kWh"
    _plain(axes, f"{fit.model_name}: cold limit, {unit}", "coldest cell, °C")
    if fit.counts["cold_form"] is None:
        _say(axes, "no cold limit known")
        return
    knots = seen_knots(fit)
    axes.plot(knots["cell_temp_degc"], knots["cold_value"], color=COLD, linewidth=0.7)
    many = knots.filter(pl.col("sessions_n") >= FEW_SESSIONS_N)
    axes.plot(many["cell_temp_degc"], many["cold_value"], "o", color=COLD, markersize=2.5)
    axes.axvline(fit.counts["full_power_degc"], color=RULE, linewidth=0.8)
    axes.set_ylim(0, None)
    _note(axes, 0.97, "right", f"full power from {fit.counts['full_power_degc']:.0f} °C")


def _plain(axes: Axes, title: str, across: str) -> None:
    axes.set_facecolor("none")
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    axes.set_title(title, loc="left", color=INK, fontsize=8)
    axes.set_xlabel(across, color=SOFT)


def _note(axes: Axes, across: float, side: str, text: str) -> None:
    axes.annotate(text, (across, 0.06), xycoords="axes fraction", color=SOFT, ha=side)


def _say(axes: Axes, text: str) -> None:
    axes.annotate(text, (0.5, 0.5), xycoords="axes fraction", color=SOFT, ha="center")
