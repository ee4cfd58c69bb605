"""The box for the workshop: what was asked of a vehicle, what was to be expected, what it did.

What to check is common practice, no source: it names what to look at and leaves how to the maker's
manual.
"""

from __future__ import annotations

from typing import Any

from pipeline.config import Fleet
from pipeline.report.filters import NONE, date_words, kw, minutes, name, number, quantity_filters
from pipeline.report.language import _, ngettext
from pipeline.report.sheets.vehicle_data import Vehicles
from pipeline.report.weekdata import Row
from pipeline.report.words import isolated

MOST_STOPS = 4
FEW_STOPS = 2
"""Where the page has room for no more."""
_LEAST_PEERS_N = 5


def workshop_box(
    vehicles: Vehicles, vehicle: Row, fleet: Fleet, most_stops: int = MOST_STOPS
) -> Row | None:
    """The box with so many stops; None where the vehicle has answered, or was hardly asked.

    It stands where the week's findings say that the vehicle did not respond, so that one stop,
    which may have many reasons, sends nobody to a workshop.
    """
    vehicle_id = vehicle["vehicle_id"]
    found = any(
        row["kind"] == "vehicle"
        and row["subject_id"] == vehicle_id
        and row["code"] == "vehicle_did_not_respond"
        for row in vehicles.week.attention
    )
    stops = vehicles.unanswered.get(vehicle_id, [])
    if not found or not stops:
        return None
    shown = stops[:most_stops]
    more_n = len(stops) - len(shown)
    return {
        "vehicle": isolated(name(vehicle["vehicle_name"], 34)),
        "vehicle_id": name(vehicle_id, 24),
        "model": name(vehicle["model_name"], 26) if vehicle["model_name"] else NONE,
        "asked": _asked_words(vehicles, vehicle, stops),
        "expected": _expected_words(vehicles, vehicle, stops[0], fleet),
        "stops": [_stop_row(row, fleet) for row in shown],
        "more": ngettext(
            "and {n} more such stop, in tables/stops.csv of its week",
            "and {n} more such stops, in tables/stops.csv of their weeks",
            more_n,
        )
        if more_n > 0
        else "",
        "doubt": _doubt_words(stops),
        "checks": _checks(vehicles, vehicle, stops[0]),
    }


def _asked_words(vehicles: Vehicles, vehicle: Row, stops: list[Row]) -> str:
    peer = vehicles.peers.get(vehicle["vehicle_id"])
    said = ngettext(
        "At {n} stop of the last {weeks} weeks a charging place was set in good time, with charge "
        "to warm and a cold battery, and no warming followed.",
        "At {n} stops of the last {weeks} weeks a charging place was set in good time, with charge "
        "to warm and a cold battery, and no warming followed.",
        len(stops),
        weeks=number(len(vehicles.week_ids)),
    )
    if peer is not None and peer["answered_n"] > 0:
        said += " " + ngettext(
            "At {n} other it did warm.", "At {n} others it did warm.", peer["answered_n"]
        )
    return said


def _expected_words(vehicles: Vehicles, vehicle: Row, stop: Row, fleet: Fleet) -> str:
    """What this model does when asked, as the fleet's own data show it."""
    temperature = quantity_filters(fleet.settings)["temperature"]
    others = [
        row
        for row in vehicles.peers.values()
        if row["model_id"] == vehicle["model_id"]
        and row["vehicle_id"] != vehicle["vehicle_id"]
        and vehicle["model_id"] is not None
    ]
    asked_n = sum(row["asked_n"] for row in others)
    answered_n = sum(row["answered_n"] for row in others)
    power = _habit(vehicles, vehicle, "heater_power_kw")
    end = _habit(vehicles, vehicle, "warming_end_degc")
    said = _(
        "With a charging place set, above {cutoff} % charge and below {warm} in the coldest cell, "
        "the battery heater starts by itself within {least}",
        least=minutes(stop["min_lead_min"]),
        cutoff=number(stop["warming_cutoff_soc_pct"]),
        warm=temperature(stop["warm_threshold_degc"]),
    )
    if power is not None:
        said += _(", takes about {power}", power=f"{number(power, 1)}\u00a0kW")
    if end is not None:
        said += _(" and runs until about {end}", end=temperature(end))
    said += "."
    if asked_n >= _LEAST_PEERS_N:
        said += " " + _(
            "Other vehicles of this model began to warm at {answered} of {asked} such stops.",
            answered=number(answered_n),
            asked=number(asked_n),
        )
    return said


def _habit(vehicles: Vehicles, vehicle: Row, quantity: str) -> float | None:
    row = vehicles.habits.get((vehicle["model_id"], quantity))
    if row is None:
        return None
    value = row["learned_value"] if row["learned_value"] is not None else row["configured_value"]
    return None if value is None else float(value)


def _stop_row(row: Row, fleet: Fleet) -> dict[str, Any]:
    shown = quantity_filters(fleet.settings)
    degrees = shown["degrees"]
    plug_in = row["plug_in_local"]
    return {
        "stop_id": name(row["stop_id"], 40),
        "when": date_words(row["plug_in_date"]) + (f" {plug_in:%H:%M}" if plug_in else ""),
        "site": name(row["site_name"], 24),
        "set_before": number(row["destination_set_before_min"]),
        "soc": _to(number(row["chance_soc_pct"]), number(row["soc_start_pct"])),
        "cells": _to(
            degrees(row["chance_cell_temp_min_degc"]), degrees(row["arrival_cell_temp_min_degc"])
        ),
        "outside": degrees(row["ambient_degc"]),
        "heater": _heater_words(row),
        "at_plug": number(row["plug_heating_kwh"], 1),
    }


def _to(first: str, last: str) -> str:
    return _("{first} to {last}", first=first, last=last)


def _heater_words(row: Row) -> str:
    if row["heater_samples_n"]:
        if row["heater_max_kw"] == 0:
            return kw(0)
        return _("at most {power}", power=f"{number(row['heater_max_kw'], 1)}\u00a0kW")
    if row["conditioning_samples_n"]:
        return _("state on") if row["has_conditioning"] else _("state off")
    return _("not exported")


def _doubt_words(stops: list[Row]) -> str:
    """What else may have looked like a vehicle that does not respond."""
    if any((row["plug_heating_kwh"] or 0) > 0 for row in stops):
        return _(
            "At the plug the same heater was seen to run: heater and its signal work, what did not "
            "happen is the start on the way."
        )
    if all(not row["heater_samples_n"] and not row["conditioning_samples_n"] for row in stops):
        return _(
            "No heater signal is exported: that it stayed off is told from the cells, which did "
            "not rise more than driving warms them."
        )
    return _(
        "The heater was never seen to run, at the plug neither: see first whether its signal "
        "reaches the export at all."
    )


def _checks(vehicles: Vehicles, vehicle: Row, stop: Row) -> list[str]:
    power = _habit(vehicles, vehicle, "heater_power_kw")
    return [
        _(
            "Is battery warming on the way to a charger fitted to this vehicle, enabled, and not "
            "held off by a mode or setting? The maker's manual names what it needs."
        ),
        _(
            "Software of the vehicle, its navigation and its battery control: note the versions "
            "(no export carries them) and compare with the maker's current release."
        ),
        _(
            "Stored fault codes of battery heater, coolant pump and valves, cell temperature "
            "sensors and navigation link, read with the maker's tool."
        ),
        _(
            "Try it, parked: battery below its threshold, charge above {cutoff} %, set a charging "
            "place from the vehicle's own list. Does the heater start within {least}?",
            cutoff=number(stop["warming_cutoff_soc_pct"]),
            least=minutes(stop["min_lead_min"]),
        ),
        _(
            "Only by people qualified for high voltage: the maker's guided test of the heater. "
            "Does it take about {power}?",
            power=f"{number(power, 1)}\u00a0kW" if power is not None else _("its rated power"),
        ),
    ]
