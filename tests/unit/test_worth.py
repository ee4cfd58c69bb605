"""What warming was worth: minutes, and what of them counts."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.charging import SOC_MID_PCT, ChargeModel
from pipeline.thermal import ThermalModel
from pipeline.worth import (
    Approach,
    Charge,
    break_even_per_hour,
    valued_minutes,
    worth_of_warming,
)

MODEL = ChargeModel(
    reference_kw=np.interp(SOC_MID_PCT, [0, 50, 100], [120, 100, 20]),
    usable_kwh=60.0,
    full_power_degc=21.0,
    cold_form="factor",
    cold_degc=np.array([-10.0, 21.0]),
    cold_value=np.array([0.2, 1.0]),
)
# A heavy pack without losses or resistance: temperatures stay where warming leads them.
THERMAL = ThermalModel(
    heat_kj_per_kelvin=600.0, resistance_ohm=0.0, loss_w_per_kelvin=0.0, heater_power_kw=5.0
)


def worth(
    arrived: float = 5.0,
    unwarmed: float = 5.0,
    warming_kwh: float = 0.0,
    site_kw: float = 150.0,
    lead_min: float = 30.0,
    lead_start: float = 5.0,
):  # type: ignore[no-untyped-def]
    def one(value: float) -> np.ndarray:
        return np.array([value])

    return worth_of_warming(
        MODEL,
        THERMAL,
        Approach(
            lead_min=one(lead_min),
            lead_start_degc=one(lead_start),
            lead_i2_a2=one(0.0),
            ambient_degc=one(-5.0),
            arrived_degc=one(arrived),
            unwarmed_degc=one(unwarmed),
            warming_kwh=one(warming_kwh),
        ),
        Charge(
            soc_start_pct=one(20.0),
            soc_end_pct=one(70.0),
            energy_kwh=one(30.0),
            site_kw=one(site_kw),
            curve_scale=one(1.0),
        ),
        21.0,
        None,
    )


def test_a_missed_stop_by_hand() -> None:
    """From 5 to 21 degC takes 16 K x 600 kJ / 5 kW = 32 min; 30 min lead to 20 degC for 2.5 kWh."""
    got = worth()
    assert got.needed_min[0] == pytest.approx(32)
    assert got.reachable_degc[0] == pytest.approx(20)
    assert got.missed_kwh[0] == pytest.approx(2.5)
    assert got.net_saved_min[0] == 0
    assert got.net_missed_min[0] > 3
    assert got.gross_missed_min[0] > got.net_missed_min[0], "putting 2.5 kWh back takes minutes"


def test_a_warmed_stop_saved_what_it_would_have_missed() -> None:
    """Warmed over the whole lead window; the other side of the same comparison, save that the
    pack was then really emptier by the warming energy."""
    missed = worth()
    saved = worth(arrived=20.0, unwarmed=5.0, warming_kwh=2.5)
    assert saved.net_missed_min[0] == pytest.approx(0, abs=0.3)
    assert saved.net_saved_min[0] == pytest.approx(missed.net_missed_min[0], abs=1.2)
    assert saved.refill_min[0] == pytest.approx(saved.gross_saved_min[0] - saved.net_saved_min[0])
    assert saved.refill_min[0] > 0


def test_on_a_slow_site_warming_costs_more_minutes_than_it_saves() -> None:
    got = worth(site_kw=22.0)
    assert got.gross_missed_min[0] == pytest.approx(0, abs=0.1)
    assert got.net_missed_min[0] < -4, "2.5 kWh at 22 kW are 6.8 min"


def test_no_time_and_no_need_miss_nothing() -> None:
    assert worth(lead_min=0.0).net_missed_min[0] == 0
    warm = worth(arrived=22.0, unwarmed=22.0, lead_start=22.0)
    assert warm.net_missed_min[0] == 0
    assert warm.needed_min[0] == 0


def test_what_is_not_known_is_not_a_number() -> None:
    got = worth(site_kw=float("nan"))
    assert np.isnan(got.net_missed_min[0])
    assert np.isnan(worth(arrived=float("nan")).net_missed_min[0])


def test_minutes_spent_anyway_are_worth_nothing() -> None:
    def valued(net: float, idle: float, pause: float, is_done: bool) -> float:
        return float(
            valued_minutes(np.array([net]), np.array([idle]), np.array([pause]), is_done)[0]
        )

    assert valued(6, 0, 0, True) == 6
    assert valued(6, 1.5, 0, True) == 6, "plugging in and out"
    assert valued(6, 5, 0, True) == 3, "three idle minutes would have gone first"
    assert valued(6, 20, 0, True) == 0
    assert valued(6, 0, 45, True) == 0, "a break"
    assert valued(6, 20, 0, False) == 0, "stood on after its charge"
    assert valued(6, 5, 0, False) == 0, "even if not for long: it waited for something else"
    assert valued(6, 0, 2, False) == 4
    assert valued(-2, 20, 45, True) == -2, "a loss stays a loss"


def test_break_even() -> None:
    got = break_even_per_hour(np.array([6.0, 6.0, 0.0, -1.0]), np.array([1.2, -0.5, 1.0, 1.0]))
    assert got[0] == pytest.approx(12.0)
    assert got[1] == 0
    assert np.isnan(got[2:]).all()
