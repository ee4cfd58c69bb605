"""Speed and distance: km or miles, by hours x speed against the counter, positions and energy."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pipeline.draft.choose import Choice
from pipeline.draft.names import take_apart
from pipeline.draft.physics import STEP_S, Track, distance_ratio, path_km
from pipeline.units import CONVERSIONS

Array = npt.NDArray[np.float64]
SPEED, ODOMETER = "speed_kmh", "odometer_km"
TOLERANCE = 0.12
FASTEST_KMH = 150.0
THRIFTY_KWH_PER_KM, THIRSTY_KWH_PER_KM = 0.10, 0.42
"""Consumption below or above which the vehicle would be odd; lorries are left to a doubt."""


def road_units(choice: Choice, road: Track, unit: dict[str, str], drawn_kw: Array | None) -> None:
    """Decide the units of speed and odometer together."""
    speeds = list(CONVERSIONS["kmh"]) if SPEED in choice.columns else []
    counters = list(CONVERSIONS["km"]) if ODOMETER in choice.columns else []
    if not speeds and not counters:
        return
    pairs = {
        (s, o): 1.0 for s in (speeds or [""]) for o in (counters or [""]) if _by_size(choice, s, o)
    }
    pairs = _by_ratio(choice, road, pairs)
    pairs = _by_path(choice, road, pairs)
    _settle(choice, unit, pairs, road, drawn_kw)


def _by_size(choice: Choice, speed_unit: str, counter_unit: str) -> bool:
    if speed_unit:
        top = float(np.percentile(choice.columns[SPEED].known, 99.9))
        kmh = top * CONVERSIONS["kmh"][speed_unit].factor
        if kmh > FASTEST_KMH and speed_unit != "km/h":
            return False
    if counter_unit:
        known = choice.columns[ODOMETER].known
        km = float(np.median(known[known > 0])) if (known > 0).any() else 0.0
        km *= CONVERSIONS["km"][counter_unit].factor
        if km > 1.5e6 or (counter_unit == "m" and km < 5):
            return False
    return True


def _by_ratio(
    choice: Choice, road: Track, pairs: dict[tuple[str, str], float]
) -> dict[tuple[str, str], float]:
    if SPEED not in choice.columns or ODOMETER not in choice.columns:
        return pairs
    speed, counter = choice.columns[SPEED].numbers, choice.columns[ODOMETER].numbers
    if speed is None or counter is None:
        return pairs
    ratio, steps_n = distance_ratio(road, speed, np.where(counter == 0, np.nan, counter))
    if steps_n < 20:
        return pairs
    kept = {}
    for s, o in pairs:
        wanted = CONVERSIONS["kmh"][s].factor / CONVERSIONS["km"][o].factor
        if abs(np.log(ratio / wanted)) < TOLERANCE:
            kept[(s, o)] = 1.0
    if not kept:
        for name in (SPEED, ODOMETER):
            choice.doubt(
                name, f"the counter moves by {ratio:.3g} of speed x time, which no units explain"
            )
        return pairs
    told = " or ".join(f"{o} with {s}" for s, o in kept)
    for name in (SPEED, ODOMETER):
        choice.say(name, f"the counter moves by {ratio:.3g} of speed x hours: {told}")
    return kept


def _by_path(
    choice: Choice, road: Track, pairs: dict[tuple[str, str], float]
) -> dict[tuple[str, str], float]:
    """A road is never shorter than the line between two positions on it."""
    if len(pairs) < 2 or "latitude_deg" not in choice.columns:
        return pairs
    latitude, longitude = (choice.columns.get(n) for n in ("latitude_deg", "longitude_deg"))
    if latitude is None or longitude is None:
        return pairs
    if latitude.numbers is None or longitude.numbers is None:
        return pairs
    counter = _counter(choice, road)
    if counter is None:
        return pairs
    name, counted = counter
    line_km, counted_n = path_km(road, latitude.numbers, longitude.numbers, counted)
    if line_km < 20 or not counted_n > 0:
        return pairs
    share = line_km / counted_n
    kept = {}
    for s, o in pairs:
        factor = CONVERSIONS["km"][o].factor if name == ODOMETER else CONVERSIONS["kmh"][s].factor
        if 0.3 <= share / factor <= 1.04:
            kept[(s, o)] = 1.0
    if len(kept) == 1:
        for signal in (SPEED, ODOMETER):
            if signal in choice.columns:
                choice.say(
                    signal, f"{line_km:.0f} km between positions over {counted_n:.0f} counted"
                )
        return kept
    return pairs


def _counter(choice: Choice, road: Track) -> tuple[str, Array] | None:
    odometer = choice.columns.get(ODOMETER)
    if odometer is not None and odometer.numbers is not None:
        return ODOMETER, np.where(odometer.numbers == 0, np.nan, odometer.numbers)
    speed = choice.columns.get(SPEED)
    if speed is None or speed.numbers is None:
        return None
    hours = np.where(road.step_s <= STEP_S, road.step_s, 0.0) / 3600.0
    run = np.cumsum(np.nan_to_num(road.of(speed.numbers)) * hours)
    back = np.empty_like(run)
    back[road.order] = np.concatenate([[0.0], run[:-1]])
    return SPEED, back


def _consumption(choice: Choice, road: Track, drawn_kw: Array | None) -> tuple[str, float] | None:
    """Energy drawn for each unit counted, and what counted; the weakest witness of units."""
    counter = _counter(choice, road)
    if drawn_kw is None or counter is None or SPEED not in choice.columns:
        return None
    name, counted = counter
    speed = choice.columns[SPEED].numbers
    if speed is None:
        return None
    along = np.append(np.diff(road.of(counted)), np.nan)
    with np.errstate(invalid="ignore"):
        ok = (road.step_s <= STEP_S) & (road.of(speed) > 3) & (along >= 0)
        ok &= np.isfinite(road.of(drawn_kw))
    kwh = float((road.of(drawn_kw) * road.step_s / 3600.0)[ok].sum())
    distance = float(along[ok].sum())
    return (name, kwh / distance) if kwh >= 5 and distance > 0 else None


def _is_usual(pair: tuple[str, str], found: tuple[str, float]) -> bool:
    """Would the vehicle use a usual amount of energy per km in these units?"""
    name, per = found
    by_speed = name == SPEED
    factor = CONVERSIONS["kmh"][pair[0]].factor if by_speed else CONVERSIONS["km"][pair[1]].factor
    return THRIFTY_KWH_PER_KM <= per / factor <= THIRSTY_KWH_PER_KM


def _settle(
    choice: Choice,
    unit: dict[str, str],
    pairs: dict[tuple[str, str], float],
    road: Track,
    drawn_kw: Array | None,
) -> None:
    """Names choose among what the data allow; what is then still open is a doubt."""
    hints = {
        name: take_apart(choice.columns[name].name).unit
        for name in (SPEED, ODOMETER)
        if name in choice.columns
    }
    quantity = {SPEED: "kmh", ODOMETER: "km"}
    hints = {n: h for n, h in hints.items() if h in CONVERSIONS[quantity[n]]}
    fitting = [
        pair
        for pair in pairs
        if hints.get(SPEED, pair[0]) == pair[0] and hints.get(ODOMETER, pair[1]) == pair[1]
    ]
    for name, hint in hints.items():
        choice.say(name, f"its name says {hint}")
    if not fitting:
        fitting = list(pairs)
        for name, hint in hints.items():
            choice.doubt(name, f"its name says {hint}, which the data contradict")
    found = _consumption(choice, road, drawn_kw)
    usual = [pair for pair in fitting if found is not None and _is_usual(pair, found)]
    if found is not None:
        for name in (SPEED, ODOMETER):
            if name in choice.columns and not usual:
                choice.doubt(
                    name, f"{found[1]:.2g} kWh for each unit counted is odd in any unit left"
                )
            elif name in choice.columns and len(usual) < len(fitting):
                choice.say(name, f"{found[1]:.2g} kWh for each unit counted")
                choice.doubt(name, "only consumption speaks for this unit of distance")
    fitting = usual or fitting
    for at, name in enumerate((SPEED, ODOMETER)):
        if name not in choice.columns:
            continue
        open_units = list(dict.fromkeys(pair[at] for pair in fitting))
        unit[name] = open_units[0]
        if len(open_units) > 1:
            others = " or ".join(open_units[1:])
            choice.doubt(name, f"{open_units[0]} is taken, but {others} is as likely by the data")
