"""The figures of a vehicle sheet: three cards, the week in numbers, the words on the fleet."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from pipeline.config import Fleet
from pipeline.report.filters import count, kwh, minutes, number, quantity_filters, rate
from pipeline.report.language import _, ngettext
from pipeline.report.sheets.vehicle_charts import week_bars, week_rates
from pipeline.report.sheets.vehicle_data import Vehicles, earlier_range
from pipeline.report.weekdata import Row
from pipeline.report.words import FEW_STOPS, between


@dataclass(frozen=True)
class Card:
    """One figure of the week, ready to print."""

    label: str
    value: str
    unit: str
    detail: str
    chart: Markup


def week_cards(vehicles: Vehicles, vehicle: Row, fleet: Fleet, chart_mm: float) -> list[Card]:
    """Cold minutes, hit rate and energy for warming, each over the weeks shown.

    ``chart_mm`` is the height of each chart.
    """
    weeks = vehicles.weeks[vehicle["vehicle_id"]]
    week_ids = vehicles.week_ids
    cold, energy = vehicle["lost_cold_min"], vehicle["warming_kwh"]

    def values(key: str) -> list[float | None]:
        return [None if row is None else row[key] for row in weeks]

    def usual(key: str) -> tuple[float, float, int] | None:
        return earlier_range(weeks, key)

    target = fleet.settings.target_hit_rate
    return [
        Card(
            _("Cold minutes"),
            number(cold),
            "" if cold is None else _("min"),
            _cold_words(vehicle),
            week_bars("cold", _("Cold minutes"), week_ids, values("lost_cold_min"),
                      usual("lost_cold_min"), chart_mm),
        ),
        Card(
            _("Warming hit rate"),
            number(None if vehicle["hit_rate"] is None else vehicle["hit_rate"] * 100),
            "" if vehicle["hit_rate"] is None else "%",
            _rate_words(vehicle, target),
            week_rates("rate", _("Warming hit rate"), week_ids, weeks, target, chart_mm),
        ),
        Card(
            _("Energy for warming"),
            number(energy, 1),
            "" if energy is None else "kWh",
            _energy_words(vehicle, fleet),
            week_bars("energy", _("Energy for warming, kWh"), week_ids, values("warming_kwh"),
                      usual("warming_kwh"), chart_mm, 1),
        ),
    ]  # fmt: skip


def has_band(vehicles: Vehicles, vehicle_id: str) -> bool:
    """Whether any card shows a band of earlier weeks, which needs at least two of them."""
    found = (
        earlier_range(vehicles.weeks[vehicle_id], key) for key in ("lost_cold_min", "warming_kwh")
    )
    return any(each is not None and each[2] > 1 for each in found)


def _cold_words(vehicle: Row) -> str:
    if vehicle["lost_cold_min"] is None:
        if vehicle["lost_at_most_min"] is not None:
            return _(
                "not known; at most {n} from any cause", n=minutes(vehicle["lost_at_most_min"])
            )
        return _("not known from this week's data") if vehicle["stops_n"] else _("no stop")
    said = between(vehicle["lost_cold_low_min"], vehicle["lost_cold_high_min"])
    if vehicle["avoidable_min"] is not None:
        told = _("{n} of them avoidable", n=minutes(vehicle["avoidable_min"]))
        said = f"{said}; {told}" if said else told
    return said


def _rate_words(vehicle: Row, target: float | None) -> str:
    needed_n = vehicle["needed_warming_n"]
    if not needed_n:
        return _("no stop needed warming") if vehicle["rated_n"] else _("no stop is rated")
    said = ngettext(
        "{hits} of {n} stop that needed it; 95 % interval {low} to {high}",
        "{hits} of {n} stops that needed it; 95 % interval {low} to {high}",
        needed_n,
        hits=number(vehicle["warmed_n"]),
        low=number(vehicle["hit_rate_low"] * 100),
        high=rate(vehicle["hit_rate_high"]),
    )
    if needed_n < FEW_STOPS:
        said += _("; too few to judge by")
    if target is not None:
        said += _("; dashed is the target, {target}", target=rate(target))
    return said


def _energy_words(vehicle: Row, fleet: Fleet) -> str:
    shown = quantity_filters(fleet.settings)
    if vehicle["warming_kwh"] is None:
        return _("no heater was measured") if vehicle["stops_n"] else _("no stop")
    said = (
        _("cost {cost}", cost=shown["money"](vehicle["warming_cost"]))
        if vehicle["warming_cost"] is not None
        else _("cost not known")
    )
    if vehicle["range_given_up_km"] is not None:
        said += _(
            "; {range} of range given up", range=shown["distance"](vehicle["range_given_up_km"])
        )
    return said


def number_rows(vehicles: Vehicles, vehicle: Row) -> list[Row]:
    """The week in numbers, each beside the lowest and highest of the earlier weeks shown."""
    figures: list[tuple[str, str, Callable[[Any], str]]] = [
        (_("Fast-charge stops"), "stops_n", count),
        (_("Stops that needed warming"), "needed_warming_n", count),
        (_("Idle at the plug"), "idle_min", minutes),
        (_("Lost to the charger's own limit"), "lost_site_min", minutes),
        (_("Held back by the site"), "held_back_min", minutes),
        (_("Unexplained, held back taken in"), "lost_unexplained_min", minutes),
        (_("Energy charged at these stops"), "energy_kwh", lambda each: kwh(each, 0)),
        (_("Saved by warming, net"), "net_saved_min", minutes),
    ]
    weeks = vehicles.weeks[vehicle["vehicle_id"]]
    rows = []
    for label, key, show in figures:
        found = earlier_range(weeks, key)
        rows.append(
            {
                "label": label,
                "now": show(vehicle[key]),
                "earlier": "–" if found is None else _range_words(found, show),
            }
        )
    return rows


def _range_words(found: tuple[float, float, int], show: Callable[[Any], str]) -> str:
    low, high = show(found[0]), show(found[1])
    return low if low == high else f"{low.split(chr(160))[0]} – {high}"


def fleet_words(vehicles: Vehicles, vehicle_id: str) -> str:
    """Whether a difference to the fleet may be claimed: only where the intervals lie apart."""
    own, whole = vehicles.pooled.get(vehicle_id), vehicles.pooled.get(None)
    if own is None or not own["rated_n"]:
        return _("No stop of these weeks could be rated, so there is nothing to compare.")
    if whole is None or own["hit_rate"] is None or whole["hit_rate"] is None:
        return _("No stop of these weeks needed warming, so there is no rate to compare.")
    if own["hit_rate_high"] < whole["hit_rate_low"]:
        return _("Over these weeks its rate lies below the fleet's; the intervals do not meet.")
    if own["hit_rate_low"] > whole["hit_rate_high"]:
        return _("Over these weeks its rate lies above the fleet's; the intervals do not meet.")
    return _(
        "The intervals overlap: from these weeks alone a difference to the fleet is not certain."
    )
