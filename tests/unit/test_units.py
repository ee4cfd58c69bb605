"""Unit conversions against published factors.

References
----------
A. Thompson and B. N. Taylor, NIST Special Publication 811 (2008), appendix B.8 and B.9: degree
Fahrenheit (t/degC = (t/degF - 32)/1.8), mile (1.609 344 E+03 m), mile per hour (1.609 344 E+00
km/h), kilowatt hour (3.6 E+06 J), watt hour (3.6 E+03 J), kelvin (t/degC = T/K - 273.15).
"""

from __future__ import annotations

import pytest

from pipeline.columns import SIGNALS_BY_KIND
from pipeline.units import (
    CONVERSIONS,
    check_unit,
    conversion,
    degf_from_degc,
    degf_from_kelvin_difference,
    miles_from_km,
)

PUBLISHED = [
    ("degc", "degF", 212.0, 100.0),
    ("degc", "degF", -40.0, -40.0),
    ("degc", "degF", 32.0, 0.0),
    ("degc", "K", 273.15, 0.0),
    ("degc", "degC+40", 65.0, 25.0),
    ("km", "mi", 1.0, 1.609344),
    ("km", "m", 1609.344, 1.609344),
    ("kmh", "mph", 1.0, 1.609344),
    ("kmh", "m/s", 1.0, 3.6),
    ("kwh", "MJ", 3.6, 1.0),
    ("kwh", "Wh", 1000.0, 1.0),
    ("kw", "W", 5400.0, 5.4),
    ("pct", "fraction", 0.8, 80.0),
    ("a", "mA", 125_000.0, 125.0),
    ("v", "mV", 400_000.0, 400.0),
]


@pytest.mark.parametrize(("ours", "unit", "value", "expected"), PUBLISHED)
def test_published_factors(ours: str, unit: str, value: float, expected: float) -> None:
    factor, offset = conversion(ours, unit)
    assert value * factor + offset == pytest.approx(expected, abs=1e-9)


def test_our_own_units_change_nothing() -> None:
    for ours in CONVERSIONS:
        assert conversion(ours, None) == (1.0, 0.0)


def test_print_and_intake_undo_each_other() -> None:
    factor, offset = conversion("degc", "degF")
    for value_degc in (-40.0, 0.0, 21.0, 60.0):
        assert degf_from_degc(value_degc) * factor + offset == pytest.approx(value_degc)
    assert miles_from_km(1.609344) == pytest.approx(1.0)
    assert degf_from_kelvin_difference(10.0) == pytest.approx(18.0)


def test_a_unit_of_another_quantity_is_refused_with_those_that_fit() -> None:
    with pytest.raises(ValueError, match=r"soc_pct: unit 'kW' does not fit; expected percent"):
        check_unit("soc_pct", "pct", "kW")
    with pytest.raises(ValueError, match="no unit at all"):
        check_unit("site_id", None, "kW")


def test_every_unit_of_ours_has_a_table() -> None:
    units = {s.unit for table in SIGNALS_BY_KIND.values() for s in table.values() if s.unit}
    assert units <= set(CONVERSIONS)
