"""The time course of one stop: small panels stacked on one time axis, every line labelled."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import numpy as np
from markupsafe import Markup

from pipeline.config import Fleet
from pipeline.report.drawing import svg
from pipeline.report.fleet_bar import spread
from pipeline.report.language import _
from pipeline.report.palette import INK, RULE, SOFT
from pipeline.report.sheets.stop_data import StopData
from pipeline.report.sheets.stop_marks import Label, Panel
from pipeline.report.sheets.stop_panels import (
    heater_panel,
    power_panel,
    soc_panel,
    temperature_panel,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH_MM = 178.0
_LEFT_MM = 14.0
_RIGHT_MM = 36.0
_EVENTS_MM = 8.5
_AXIS_MM = 5.5
_GAP_MM = 4.6
_MOST_EVENTS = 4
_LETTER_MM = 1.12
_AT_PLUG_MIN = 1.0
"""A destination that goes as the cable comes is no news."""
_LEFT_SHARE = 0.3
"""Lines of the charge are named before plug-in where the way takes this share of the axis."""
_LABEL_MM = 2.7
_MOST_STRETCH = 1.15
_STEPS_MIN = (5, 10, 15, 20, 30, 60, 120)


def course_chart(data: StopData, fleet: Fleet, room_mm: float = 112.0) -> Markup | None:
    """All panels of one stop in ``room_mm`` of height; None where there are no samples to draw.

    A rental's axis counts minutes from plug-in; others carry the clock of the fleet's zone.
    """
    if data.course.is_empty():
        return None
    panels = [
        panel
        for panel in (
            temperature_panel(data, fleet),
            power_panel(data),
            heater_panel(data),
            soc_panel(data),
        )
        if panel is not None
    ]
    at = data.course["from_plug_in_min"].to_numpy()
    low, high = float(min(at[0], 0.0)), float(max(at[-1], 1.0))
    fixed_mm = _EVENTS_MM + _GAP_MM * (len(panels) - 1) + _AXIS_MM
    stretch = (room_mm - fixed_mm) / sum(panel.height_mm for panel in panels)
    heights_mm = [panel.height_mm * min(stretch, _MOST_STRETCH) for panel in panels]
    height_mm = fixed_mm + sum(heights_mm)

    def draw(figure: Figure) -> None:
        top_mm = height_mm
        events = _axes(figure, top_mm - _EVENTS_MM, _EVENTS_MM, height_mm)
        events.set_xlim(low, high)
        events.set_ylim(0, 1)
        _draw_events(events, data, low, high)
        top_mm -= _EVENTS_MM
        for number, panel in enumerate(panels):
            tall_mm = heights_mm[number]
            top_mm -= tall_mm + (_GAP_MM if number else 0.0)
            axes = _axes(figure, top_mm, tall_mm, height_mm)
            axes.set_xlim(low, high)
            axes.set_ylim(*panel.range)
            axes.set_yticks(panel.ticks)
            axes.axvline(0, color=INK, linewidth=0.7)
            for from_min, to_min in data.breaks_min:
                axes.axvspan(from_min, to_min, facecolor="none", edgecolor=RULE, hatch="////")
            panel.draw(axes)
            axes.text(
                0.0, 1.0, panel.title, transform=axes.transAxes, fontsize=7, color=INK,
                va="bottom", fontweight=600, fontfamily="Minutes Sans",
            )  # fmt: skip
            is_left = panel.is_charge_only and -low > _LEFT_SHARE * (high - low)
            _side_labels(axes, panel, tall_mm, -low / (high - low) if is_left else None)
        _time_axis(axes, data, fleet.zone, low, high)

    words = " ".join(panel.words for panel in panels)
    title = _("Time course of stop {stop_id}, minutes from plug-in.", stop_id=data.stop["stop_id"])
    return Markup(svg("course", WIDTH_MM, height_mm, f"{title} {words}", draw))


def _axes(figure: Figure, bottom_mm: float, tall_mm: float, height_mm: float) -> Axes:
    axes = figure.add_axes(
        (
            _LEFT_MM / WIDTH_MM,
            bottom_mm / height_mm,
            (WIDTH_MM - _LEFT_MM - _RIGHT_MM) / WIDTH_MM,
            tall_mm / height_mm,
        )
    )
    axes.set_facecolor("none")
    for side in ("top", "right", "left", "bottom"):
        axes.spines[side].set_visible(False)
    axes.set_xticks([])
    axes.set_yticks([])
    axes.tick_params(length=0, pad=2, labelsize=6.5, colors=SOFT)
    return axes


def _side_labels(axes: Axes, panel: Panel, tall_mm: float, left_of: float | None) -> None:
    """Names of lines at their right ends, or left of their beginnings at this share of the axis.

    They are moved apart where they would touch.
    """
    low, high = panel.range
    scale = tall_mm / max(high - low, 1e-9)
    is_left = left_of is not None

    def height(each: Label) -> float:
        value = each.first if is_left and each.first is not None else each.value
        return (min(max(value, low), high) - low) * scale

    labels = sorted(panel.labels, key=height)
    middles = [height(each) for each in labels]
    spots = spread(middles, [_LABEL_MM] * len(labels), tall_mm + 1.5, gap=0.2)
    for each, middle, spot in zip(labels, middles, spots, strict=True):
        axes.annotate(
            each.text,
            (1.0 if left_of is None else left_of, middle / tall_mm),
            xytext=(-7.0 if is_left else 7.0, (spot - middle) * 72 / 25.4),
            xycoords="axes fraction",
            textcoords="offset points",
            ha="right" if is_left else "left",
            va="center_baseline",
            fontsize=7,
            color=each.colour,
            annotation_clip=False,
            arrowprops={
                "arrowstyle": "-", "color": each.colour, "linewidth": 0.4, "shrinkA": 0,
                "shrinkB": 0.5,
            },
        )  # fmt: skip


def _draw_events(axes: Axes, data: StopData, low: float, high: float) -> None:
    """What was set in the vehicle, and plugging in, on one line above the panels."""
    happened = [
        (row["from_plug_in_min"], _event_words(row))
        for row in data.events
        if low <= row["from_plug_in_min"] < 0
        and not (row["action"] == "cleared" and row["from_plug_in_min"] > -_AT_PLUG_MIN)
    ][-_MOST_EVENTS:]
    happened.append((0.0, _("plugged in")))
    scale = (WIDTH_MM - _LEFT_MM - _RIGHT_MM) / (high - low)
    middles = [(at - low) * scale for at, _words in happened]
    widths = [_LETTER_MM * len(words) for _at, words in happened]
    spots = spread(middles, widths, (high - low) * scale + _RIGHT_MM, gap=2.0)
    for (at, words), spot in zip(happened, spots, strict=True):
        x = low + spot / scale
        axes.plot([x, at, at], [0.52, 0.3, -0.4], color=INK, linewidth=0.6, clip_on=False)
        axes.text(x, 0.56, words, ha="center", va="bottom", fontsize=7, color=INK)


def _event_words(row: dict[str, Any]) -> str:
    if row["action"] == "cleared":
        return _("destination cleared")
    return _("charging place set") if row["is_charging_place"] else _("other place set")


def _time_axis(axes: Axes, data: StopData, zone: ZoneInfo, low: float, high: float) -> None:
    """Round clock times, or for a rental round minutes from plug-in."""
    step = next((each for each in _STEPS_MIN if (high - low) / each <= 11), _STEPS_MIN[-1])
    shift = 0.0
    local = data.stop["plug_in_at"].astimezone(zone)
    if not data.is_rental:
        shift = local.minute + local.second / 60 + 60 * local.hour
    first = int(np.ceil((low + shift) / step)) * step
    at = np.arange(first, high + shift + 1e-6, step) - shift
    if data.is_rental:
        names = [f"{each:+.0f}".replace("-", "\u2212") if each else "0" for each in at]
        unit = _("min from plug-in")
    else:
        names = [_clock(data, zone, float(each)) for each in at]
        unit = _("local time")
    axes.spines["bottom"].set_visible(True)
    axes.spines["bottom"].set_color(INK)
    axes.set_xticks(list(at), names)
    axes.tick_params(axis="x", length=2, width=0.5, pad=2, color=INK)
    axes.annotate(
        unit, (1.0, 0.0), xytext=(14, -9), xycoords="axes fraction", textcoords="offset points",
        fontsize=6.5, color=SOFT, annotation_clip=False,
    )  # fmt: skip


def _clock(data: StopData, zone: ZoneInfo, minute: float) -> str:
    instant = data.stop["plug_in_at"] + timedelta(seconds=round(minute * 60))
    return f"{instant.astimezone(zone):%H:%M}"
