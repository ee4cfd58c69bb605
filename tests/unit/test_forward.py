"""The forward charge against sums done by hand."""

from __future__ import annotations

import time
from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import ArrayLike

from pipeline.forward import LONGEST_MIN, Charging, PlugHeater, charge_forward
from pipeline.thermal import ThermalModel

# Hardly warms by its own current, hardly cools: what a step does to it can be done by hand.
STILL = ThermalModel(500.0, 0.0, 0.0)
PACK = ThermalModel(500.0, 0.08, 15.0)


@dataclass(frozen=True)
class Flat:
    """100 kW warm at any charge; half of it, or a ceiling, below 20 degC."""

    cold_form: str | None = "factor"
    usable_kwh: float = 50.0
    warm: float = 100.0
    cold: float = 50.0

    def warm_kw(self, soc_pct: ArrayLike) -> np.ndarray:
        return np.where(np.isnan(soc_pct), np.nan, self.warm)

    def cold_kw(self, soc_pct: ArrayLike, cell_temp_degc: ArrayLike) -> np.ndarray:
        is_warm = np.asarray(cell_temp_degc) >= 20
        return np.where(
            is_warm, self.warm_kw(soc_pct), np.minimum(self.cold, self.warm_kw(soc_pct))
        )


@dataclass(frozen=True)
class Tapering(Flat):
    """100 kW up to 50 %, then falling to 50 kW at 100 %."""

    def warm_kw(self, soc_pct: ArrayLike) -> np.ndarray:
        return np.interp(soc_pct, [50, 100], [100, 50])


def minutes(model: Charging = Flat(), thermal: ThermalModel = STILL, **other: object) -> np.ndarray:
    given = {
        "soc_start_pct": 20.0,
        "energy_kwh": 10.0,
        "cell_temp_start_degc": 25.0,
        "ambient_degc": 0.0,
        "aux_kw": 0.0,
    } | other
    return charge_forward(model, thermal, **given)  # type: ignore[arg-type]


def test_energy_over_power() -> None:
    assert minutes() == pytest.approx([6.0])
    assert minutes(energy_kwh=[10.0, 20.0, 0.1]) == pytest.approx([6.0, 12.0, 0.06])
    assert minutes(cell_temp_start_degc=[25.0, 5.0]) == pytest.approx([6.0, 12.0])


def test_the_lowest_limit_holds() -> None:
    both = minutes(cell_temp_start_degc=[25.0, 5.0, 5.0], site_kw=[40.0, 40.0, 60.0])
    assert both == pytest.approx([15.0, 15.0, 12.0])
    assert minutes(site_kw=40.3, aux_kw=0.3) == pytest.approx([15.0])


def test_the_curve_follows_the_charge() -> None:
    # From 50 to 90 % of 50 kWh: dt = dE / (100 - 2 (E)), so 0.5 h x ln(100 / 60).
    assert minutes(Tapering(), soc_start_pct=50.0, energy_kwh=20.0, step_s=5.0) == pytest.approx(
        [30 * np.log(100 / 60)], rel=2e-3
    )
    # The same, told by where it ended; and a display that moved half as far.
    assert minutes(
        Tapering(), soc_start_pct=50.0, energy_kwh=20.0, soc_end_pct=90.0, step_s=5.0
    ) == pytest.approx([30 * np.log(100 / 60)], rel=2e-3)
    half = minutes(Tapering(), soc_start_pct=50.0, energy_kwh=20.0, soc_end_pct=70.0, step_s=5.0)
    assert half == pytest.approx([60 * np.log(100 / 80)], rel=2e-3)


def test_current_warms_the_pack_over_the_threshold() -> None:
    # 50 kW at 360 V are 138.9 A; 0.08 ohm of them 1543 W; 1 K of 500 kJ/K in 324 s.
    pack = ThermalModel(500.0, 0.08, 0.0)
    cold = minutes(Flat(), pack, cell_temp_start_degc=19.0, step_s=1.0)
    spent = 324 / 60
    assert cold == pytest.approx([spent + (10 - 50 * spent / 60) / 100 * 60], abs=0.02)


def test_the_heater_takes_its_power_from_the_charger_and_warms() -> None:
    heater = PlugHeater(6.0, below_degc=10.0, until_degc=12.0)
    # 500 kJ/K at 6 kW: 83.3 s a kelvin; below 10 it goes on to 12, from 11 it never starts.
    on, off = minutes(cell_temp_start_degc=[9.0, 11.0], site_kw=46.0, heater=heater, step_s=1.0)
    heating_min = 3 * 500 / 6 / 60
    assert off == pytest.approx(10 / 46 * 60, abs=0.01)
    assert on == pytest.approx(heating_min + (10 - 40 * heating_min / 60) / 46 * 60, abs=0.03)


def test_minutes_held_count() -> None:
    heater = PlugHeater(6.0, 10.0, 10.0, hold_below_degc=-5.0, hold_until_degc=-3.0)
    held, free = minutes(cell_temp_start_degc=[-6.0, -4.0], heater=heater, step_s=1.0)
    assert free == pytest.approx(12.0, abs=0.01)
    assert held == pytest.approx(12.0 + 3 * 500 / 6 / 60, abs=0.04)


def test_a_ceiling_does_not_scale_but_a_factor_does() -> None:
    old = {"curve_scale": [1.0, 0.9, 0.4], "cell_temp_start_degc": 5.0}
    assert minutes(Flat("ceiling"), **old) == pytest.approx([12.0, 12.0, 15.0])
    assert minutes(Flat("factor"), **old) == pytest.approx([12.0, 12.0 / 0.9, 30.0])
    assert minutes(Flat("ceiling"), curve_scale=0.9) == pytest.approx([6.0 / 0.9])


def test_what_never_ends_and_what_is_not_known() -> None:
    assert minutes(energy_kwh=[0.0, -1.0]).tolist() == [0.0, 0.0]
    assert np.isinf(minutes(site_kw=0.2, aux_kw=0.3))
    # A charger weaker than a heater that never gets its pack warm.
    leaky = ThermalModel(500.0, 0.0, 1000.0)
    assert np.isinf(
        minutes(
            Flat(),
            leaky,
            cell_temp_start_degc=5.0,
            site_kw=5.0,
            heater=PlugHeater(6.0, 10.0, 10.0),
        )
    )
    for name in ("soc_start_pct", "energy_kwh", "cell_temp_start_degc", "ambient_degc", "site_kw"):
        one_of_two = minutes(**{name: [np.nan, 30.0]})
        assert np.isnan(one_of_two[0]), name
        assert np.isfinite(one_of_two[1]), name
    assert np.isnan(minutes(Flat(usable_kwh=np.nan)))
    assert minutes(Flat(usable_kwh=np.nan), soc_end_pct=40.0) == pytest.approx([6.0])
    assert np.isnan(minutes(Flat(cold=np.nan), cell_temp_start_degc=5.0))
    assert LONGEST_MIN == 1440


def test_a_charge_longer_than_a_day_does_not_end() -> None:
    assert minutes(site_kw=0.5, energy_kwh=11.9) == pytest.approx([1428.0])
    assert np.isinf(minutes(site_kw=0.5, energy_kwh=12.1))


@pytest.mark.parametrize(
    "wrong",
    [(0.0, 5.0, 10.0), (5.0, 10.0, 5.0), (5.0, 5.0, 10.0, -5.0, -7.0)],
)
def test_no_heater_that_ends_before_it_begins(wrong: tuple[float, ...]) -> None:
    with pytest.raises(ValueError, match=r"positive|below"):
        PlugHeater(*wrong)


def test_the_step_hardly_matters() -> None:
    start = np.linspace(-10, 25, 40)
    heater = PlugHeater(5.0, 5.0, 10.0)
    fine, coarse = (
        minutes(Tapering(), PACK, cell_temp_start_degc=start, heater=heater, step_s=step,
                energy_kwh=25.0)
        for step in (2.0, 30.0)
    )  # fmt: skip
    assert np.abs(fine - coarse).max() < 0.35
    assert np.abs(fine - coarse).mean() < 0.1


def test_twenty_thousand_charges_in_a_second() -> None:
    rng = np.random.default_rng(2)
    n = 20_000
    began = time.process_time()
    result = minutes(
        Tapering(),
        PACK,
        soc_start_pct=rng.uniform(5, 60, n),
        energy_kwh=rng.uniform(5, 40, n),
        cell_temp_start_degc=rng.uniform(-15, 20, n),
        site_kw=rng.choice([50.0, 100.0, 150.0], n),
        heater=PlugHeater(5.0, 5.0, 10.0),
    )
    assert np.isfinite(result).all()
    assert time.process_time() - began < 1.0
