"""Units of temperature columns. An export writes all its temperatures alike unless names differ."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pipeline.draft.choose import Choice
from pipeline.draft.names import take_apart
from pipeline.units import CONVERSIONS

Array = npt.NDArray[np.float64]
NAMES = ("cell_temp_min_degc", "cell_temp_max_degc", "ambient_degc")
USUAL = ("degC", "degF", "K")
CELL_DEGC = (-40.0, 66.0)
AMBIENT_DEGC = (-48.0, 52.0)
NEVER_WARMER_DEGC = 6.0
"""A pack in use for days is at some time warmer than this: its own losses and charges heat it."""
OFFSET_KELVIN = 25.0


def temperature_units(choice: Choice, unit: dict[str, str]) -> None:
    """Decide the unit of each temperature column, all of them together."""
    present = [name for name in NAMES if name in choice.columns]
    if not present:
        return
    possible = {name: _possible(name, choice.columns[name].known) for name in present}
    hints = {name: _hint(choice, name) for name in present}
    settled: dict[str, str] = {}
    for name in present:
        hint, fits = hints[name], possible[name]
        if hint is not None:
            settled[name] = hint
            choice.say(name, f"its name says {hint}")
            if hint not in fits:
                better = next(iter(fits), None)
                settled[name] = better or hint
                choice.doubt(name, f"its numbers do not look like {hint}")
        elif len(fits) == 1:
            settled[name] = next(iter(fits))
            choice.say(name, f"as {settled[name]} {fits[settled[name]]}; any other unit is absurd")
    shared = set(settled.values())
    for name in present:
        if name in settled:
            continue
        fits = possible[name]
        alike = [u for u in shared if u in fits]
        if len(alike) == 1:
            settled[name] = alike[0]
            choice.say(name, f"{alike[0]}, as the other temperatures of the file")
        else:
            settled[name] = _guess(choice, name, fits)
    cell = next((name for name in present if name != "ambient_degc"), None)
    if cell is not None and "ambient_degc" in settled and settled[cell] == "degC":
        _offset(choice, settled, cell)
    unit.update(settled)


def _hint(choice: Choice, name: str) -> str | None:
    unit = take_apart(choice.columns[name].name).unit
    return unit if unit in USUAL else None


def _possible(name: str, known: Array) -> dict[str, str]:
    """Units in which the numbers are possible, each with the range it makes."""
    low, high = np.percentile(known, [0.5, 99.5])
    least, most = AMBIENT_DEGC if name == "ambient_degc" else CELL_DEGC
    fits = {}
    for unit in USUAL:
        factor, offset = CONVERSIONS["degc"][unit]
        a, b = low * factor + offset, high * factor + offset
        if a < least or b > most:
            continue
        if name != "ambient_degc" and unit == "degF" and b < NEVER_WARMER_DEGC:
            continue
        fits[unit] = f"{a:.0f} to {b:.0f} °C"
    return fits


def _guess(choice: Choice, name: str, fits: dict[str, str]) -> str:
    """Both °C and °F are possible and nothing else tells."""
    known = choice.columns[name].known
    low, high = np.percentile(known, [0.5, 99.5])
    if not fits:
        choice.doubt(name, f"{low:.4g} to {high:.4g} is no temperature in any unit known here")
        return "degC"
    unit = "degF" if "degF" in fits and low >= 30 and high <= 110 else next(iter(fits))
    others = " or ".join(u for u in fits if u != unit)
    choice.doubt(name, f"{low:.4g} to {high:.4g} may be {unit} as well as {others}")
    return unit


def _offset(choice: Choice, settled: dict[str, str], cell: str) -> None:
    """Raw bytes carry +40: then even the coldest moment lies far above the air outside."""
    cells, air = choice.columns[cell].numbers, choice.columns["ambient_degc"].numbers
    if cells is None or air is None or settled["ambient_degc"] != "degC":
        return
    above = cells - air
    above = above[np.isfinite(above)]
    if len(above) and np.percentile(above, 1) > OFFSET_KELVIN:
        for name in NAMES[:2]:
            if name in settled:
                choice.doubt(
                    name,
                    f"never less than {np.percentile(above, 1):.0f} K above the air outside: "
                    "raw bytes with an offset (unit degC+40)?",
                )
