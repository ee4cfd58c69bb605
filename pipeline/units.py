"""Units at the boundary: what an export may use, and how it becomes our unit.

``ours = value * factor + offset``. Conversion happens here on the way in and in the report's
filters on the way out, nowhere between.

References
----------
NIST Special Publication 811 (2008), appendix B: factors for degF, mile, Btu and kWh.
"""

from __future__ import annotations

from typing import NamedTuple

KM_PER_MILE = 1.609344
"""Exact (NIST SP 811, B.8)."""


class Conversion(NamedTuple):
    """``ours = value * factor + offset``."""

    factor: float
    offset: float = 0.0


CONVERSIONS: dict[str, dict[str, Conversion]] = {
    "pct": {"percent": Conversion(1.0), "fraction": Conversion(100.0)},
    "kw": {"kW": Conversion(1.0), "W": Conversion(1e-3), "MW": Conversion(1e3)},
    "a": {"A": Conversion(1.0), "mA": Conversion(1e-3)},
    "v": {"V": Conversion(1.0), "mV": Conversion(1e-3)},
    "kwh": {
        "kWh": Conversion(1.0),
        "Wh": Conversion(1e-3),
        "MWh": Conversion(1e3),
        "MJ": Conversion(1 / 3.6),
    },
    "degc": {
        "degC": Conversion(1.0),
        "degF": Conversion(5 / 9, -32 * 5 / 9),
        "K": Conversion(1.0, -273.15),
        "degC+40": Conversion(1.0, -40.0),
    },
    "kmh": {"km/h": Conversion(1.0), "mph": Conversion(KM_PER_MILE), "m/s": Conversion(3.6)},
    "km": {"km": Conversion(1.0), "mi": Conversion(KM_PER_MILE), "m": Conversion(1e-3)},
    "deg": {"deg": Conversion(1.0)},
    "min": {"min": Conversion(1.0), "h": Conversion(60.0), "s": Conversion(1 / 60)},
    "currency": {"currency": Conversion(1.0)},
}


def check_unit(signal: str, ours: str | None, given: str | None) -> None:
    """Refuse a unit that the signal cannot have; the message lists those it can.

    Raises
    ------
    ValueError
        With the units allowed.
    """
    if given is None:
        return
    allowed = CONVERSIONS.get(ours or "", {})
    if given not in allowed:
        wanted = ", ".join(allowed) if allowed else "no unit at all"
        raise ValueError(f"{signal}: unit '{given}' does not fit; expected {wanted}")


def conversion(ours: str, given: str | None) -> Conversion:
    """Conversion from a unit of the export (our own where None) to ours.

    >>> conversion("degc", "degF")
    Conversion(factor=0.5555555555555556, offset=-17.77777777777778)
    """
    return Conversion(1.0) if given is None else CONVERSIONS[ours][given]


def degf_from_degc(value_degc: float) -> float:
    """Temperature for print in degrees Fahrenheit."""
    return value_degc * 1.8 + 32.0


def degf_from_kelvin_difference(value_kelvin: float) -> float:
    """A *difference* for print: no offset of 32."""
    return value_kelvin * 1.8


def miles_from_km(value_km: float) -> float:
    """Distance for print in miles."""
    return value_km / KM_PER_MILE
