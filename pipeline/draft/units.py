"""Units and signs: what the name says, what sizes say, and what other columns say."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from pipeline.draft.choose import Choice
from pipeline.draft.names import take_apart
from pipeline.draft.physics import (
    Track,
    charge_sign,
    drive_sign,
    implied_capacity,
)
from pipeline.draft.roads import road_units
from pipeline.draft.temperatures import temperature_units
from pipeline.units import CONVERSIONS

Array = npt.NDArray[np.float64]
CAPACITY_KWH = (8.0, 900.0)
"""Usable capacity of anything from a small car to a large lorry."""
ENOUGH_STEPS_N = 5


@dataclass
class Units:
    """Signal -> unit and sign in the export, as far as they are told."""

    unit: dict[str, str] = field(default_factory=dict)
    sign: dict[str, str] = field(default_factory=dict)


def hinted(choice: Choice, signal: str, ours: str) -> str | None:
    """The unit that the column's name says, where it is one of this quantity."""
    unit = take_apart(choice.columns[signal].name).unit
    return unit if unit in CONVERSIONS[ours] else None


def find_units(choice: Choice, road: Track | None) -> Units:
    """Units and signs of all chosen columns; evidence and doubts go to `choice`."""
    units = Units()
    for name in ("soc_pct", "soc_start_pct", "soc_end_pct"):
        if name in choice.columns:
            units.unit[name] = _charge_unit(choice, name)
    if road is not None:
        _flow(choice, road, units)
    temperature_units(choice, units.unit)
    if road is not None:
        road_units(choice, road, units.unit, _kwh_flow(choice, units))
    _sized(choice, units)
    return units


def _charge_unit(choice: Choice, name: str) -> str:
    known = choice.columns[name].known
    hint = hinted(choice, name, "pct")
    unit = "fraction" if known.max() <= 1.0 else "percent"
    choice.say(name, "never above 1" if unit == "fraction" else "above 1, so per cent")
    if hint is not None and hint != unit:
        choice.doubt(name, f"its name says {hint}")
    if unit == "percent" and known.max() <= 5:
        choice.doubt(name, f"it never passes {known.max():g}")
    if unit == "fraction" and known.max() < 0.2:
        choice.doubt(name, "it never passes 0.2; per cents of a nearly empty battery look alike")
    return unit


def _flow(choice: Choice, road: Track, units: Units) -> None:
    """Power and current: size by energy for a rise in charge, sign by charge rising."""
    soc = choice.columns.get("soc_pct")
    soc_pct = None
    if soc is not None and soc.numbers is not None:
        soc_pct = soc.numbers * (100.0 if units.unit["soc_pct"] == "fraction" else 1.0)
    speed = choice.columns.get("speed_kmh")
    for name, ours in (("pack_power_kw", "kw"), ("pack_current_a", "a")):
        column = choice.columns.get(name)
        if column is None or column.numbers is None:
            continue
        if name == "pack_power_kw":
            units.unit[name] = _power_unit(choice, road, column.numbers, soc_pct)
        else:
            hint = hinted(choice, name, ours)
            big = float(np.percentile(np.abs(column.known), 99.5))
            units.unit[name] = hint or ("mA" if big > 3000 else "A")
            choice.say(name, f"most are below {big:.4g}, so {units.unit[name]}")
        units.sign[name] = _sign(
            choice, name, road, column.numbers, soc_pct, None if speed is None else speed.numbers
        )


def _power_unit(choice: Choice, road: Track, power: Array, soc_pct: Array | None) -> str:
    name = "pack_power_kw"
    hint = hinted(choice, name, "kw")
    big = float(np.nanpercentile(np.abs(power), 99.9))
    unit = None
    if soc_pct is not None:
        capacity, gained = implied_capacity(road, power, soc_pct)
        for candidate, scale in (("kW", 1.0), ("W", 1e3), ("MW", 1e-3)):
            low, high = CAPACITY_KWH
            if low <= capacity / scale <= high and 0.5 <= big / scale <= 3000:
                unit = candidate
                choice.say(
                    name,
                    f"energy over {gained:.0f} % of rising charge makes a battery of "
                    f"{capacity / scale:.0f} kWh if this is {unit}",
                )
    by_size = "W" if big > 1500 else "kW"
    if unit is None:
        unit = hint or by_size
        choice.say(name, f"the largest is {big:.4g}, so {unit}")
        if not hint and (150 < big < 3000 or big < 3):
            choice.doubt(name, "kW and W are both possible by size, and no charge is in the file")
    elif unit != by_size and not 300 < big < 3000:
        choice.doubt(name, f"by its size ({big:.4g} at most) it would be {by_size}")
    if hint is not None and hint != unit:
        choice.doubt(name, f"its name says {hint}")
    return unit


def _sign(
    choice: Choice,
    name: str,
    road: Track,
    flow: Array,
    soc_pct: Array | None,
    speed: Array | None,
) -> str:
    votes: list[str] = []
    if soc_pct is not None:
        share, steps_n = charge_sign(road, flow, soc_pct, speed)
        if steps_n >= ENOUGH_STEPS_N and (share >= 0.75 or share <= 0.25):
            votes.append("charge_positive" if share >= 0.75 else "discharge_positive")
            choice.say(
                name, f"positive in {share:.0%} of {steps_n} steps of rising charge at a standstill"
            )
    if speed is not None:
        share, rows_n = drive_sign(flow, speed)
        if rows_n >= 20 and (share >= 0.7 or share <= 0.3):
            votes.append("discharge_positive" if share >= 0.7 else "charge_positive")
            choice.say(name, f"positive in {share:.0%} of {rows_n} rows at speed")
    if not votes:
        choice.doubt(name, "nothing in the file tells the sign; charging is taken as positive")
        return "charge_positive"
    if len(set(votes)) > 1:
        choice.doubt(name, "charging and driving disagree about the sign")
    return votes[0]


def _kwh_flow(choice: Choice, units: Units) -> Array | None:
    """Power out of the pack in kW, or None."""
    column = choice.columns.get("pack_power_kw")
    if column is not None and column.numbers is not None:
        factor = CONVERSIONS["kw"][units.unit["pack_power_kw"]].factor
        sign = -1.0 if units.sign["pack_power_kw"] == "charge_positive" else 1.0
        return sign * factor * column.numbers
    current, volt = choice.columns.get("pack_current_a"), choice.columns.get("pack_voltage_v")
    if current is None or volt is None or current.numbers is None or volt.numbers is None:
        return None
    scale = (1e-3 if units.unit["pack_current_a"] == "mA" else 1.0) * (
        1e-6 if np.median(volt.known) > 1500 else 1e-3
    )
    sign = -1.0 if units.sign["pack_current_a"] == "charge_positive" else 1.0
    return sign * scale * current.numbers * volt.numbers


def _sized(choice: Choice, units: Units) -> None:
    """What is told by size alone: voltage, heater, energy of a charge, highest power."""
    for name, ours in (("latitude_deg", "deg"), ("longitude_deg", "deg")):
        if name in choice.columns:
            units.unit[name] = ours
    if "total_cost" in choice.columns:
        units.unit["total_cost"] = "currency"
    if "pack_voltage_v" in choice.columns:
        middle = float(np.median(choice.columns["pack_voltage_v"].known))
        _settle(choice, units, "pack_voltage_v", "v", "mV" if middle > 1500 else "V", middle)
    for name, border in (("heater_power_kw", 60.0), ("power_max_kw", 1500.0)):
        if name in choice.columns:
            big = float(choice.columns[name].known.max())
            unit = "W" if big > border else "kW"
            if big == 0:
                unit = hinted(choice, name, "kw") or units.unit.get("pack_power_kw", "kW")
                choice.say(name, "always 0")
                if hinted(choice, name, "kw") is None:
                    choice.doubt(name, f"always 0, so {unit} is taken from the pack's power")
            _settle(choice, units, name, "kw", unit, big)
    heater = choice.columns.get("heater_power_kw")
    words = take_apart(heater.name).words if heater is not None else ()
    parts = ("batt", "akku", "cell", "pack", "bms", "hv")
    if heater is not None and not any(word.startswith(parts) for word in words):
        choice.doubt(
            "heater_power_kw", "does it heat the battery? A cabin heater must not be mapped"
        )
    if "meter_energy_kwh" in choice.columns:
        _energy(choice, units)


def _energy(choice: Choice, units: Units) -> None:
    name = "meter_energy_kwh"
    energy = choice.columns[name].numbers
    ends = (choice.columns.get("soc_start_pct"), choice.columns.get("soc_end_pct"))
    start, end = (None if column is None else column.numbers for column in ends)
    middle = float(np.median(choice.columns[name].known))
    unit = "Wh" if middle > 400 else "kWh"
    if energy is not None and start is not None and end is not None:
        scale = 100.0 if units.unit["soc_start_pct"] == "fraction" else 1.0
        gained = (end - start) * scale
        with np.errstate(invalid="ignore"):
            ok = (gained > 5) & np.isfinite(energy)
        capacity = float(np.median(energy[ok] / gained[ok] * 100)) if ok.any() else np.nan
        for candidate, factor in (("kWh", 1.0), ("Wh", 1e-3)):
            if CAPACITY_KWH[0] <= capacity * factor <= CAPACITY_KWH[1]:
                unit = candidate
                choice.say(
                    name,
                    f"energy over charge gained makes batteries of {capacity * factor:.0f} kWh "
                    f"in the median if this is {unit}",
                )
    _settle(choice, units, name, "kwh", unit, middle)


def _settle(choice: Choice, units: Units, name: str, ours: str, by_size: str, size: float) -> None:
    """The unit by size unless the name says another; where they differ, a doubt."""
    hint = hinted(choice, name, ours)
    units.unit[name] = by_size
    if hint is None:
        choice.say(name, f"around {size:.4g}, so {by_size}")
    elif hint != by_size:
        small = {"W": "kW", "Wh": "kWh"}
        if small.get(hint) == by_size and size == 0:
            units.unit[name] = hint
        else:
            units.unit[name] = by_size
            choice.doubt(name, f"its name says {hint}, its size ({size:.4g}) says {by_size}")
    else:
        choice.say(name, f"its name says {hint}")
