"""The look-up table against the physics it stands for, stop by stop."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from pipeline.budget.physics import default_facts
from pipeline.budget.starts import SHARES
from pipeline.budget.tables import BIN_DEGC, BINS_N, FIGURES, ModelFacts, stop_table
from pipeline.budget.templates import FIGURES as OF_STOP
from pipeline.charging import ChargeModel
from pipeline.forward import PlugHeater, charge_forward
from pipeline.thermal import ThermalModel
from pipeline.worth import Approach, Charge, worth_of_warming

KNOTS = np.array([-15.0, 0.0, 10.0, 21.0])
FACTS = ModelFacts(
    charge=ChargeModel(
        np.linspace(120.0, 25.0, 100), 60.0, 21.0, "factor", KNOTS, np.array([0.15, 0.4, 0.7, 1.0])
    ),
    thermal=ThermalModel(500.0, 0.07, 14.0, heater_power_kw=5.2),
    plug_heater=None,
)
OFFSET = 6.0


def templates(*stops: dict[str, float], model_id: str = "m") -> pl.DataFrame:
    usual = dict.fromkeys(OF_STOP, 0.0) | {
        "site_power_kw": 90.0, "soc_start_pct": 25.0, "energy_kwh": 22.0, "lead_min": 30.0,
        "able_min": 30.0, "approach_min": 45.0, "drive_i2_a2": 1500.0, "price_per_kwh": 0.5,
    }  # fmt: skip
    return pl.DataFrame([usual | stop for stop in stops]).select(
        pl.int_range(pl.len(), dtype=pl.UInt32).alias("template_no"),
        pl.lit(model_id).alias("model_id"), *OF_STOP,
    )  # fmt: skip


def at(table: np.ndarray, template: int, level: int, degc: float, figure: str) -> float:
    row = (template * len(SHARES) + level) * BINS_N + int(np.searchsorted(BIN_DEGC, degc))
    return float(table[row, FIGURES.index(figure)])


@pytest.fixture(scope="module")
def table() -> np.ndarray:
    return stop_table(
        {"m": FACTS},
        templates({}, {"able_min": 0.0}, {"idle_min": 600.0}, {"fee_per_min": 0.1},
                  {"able_min": 4.0}, {"site_power_kw": 35.0}),
        OFFSET,
    )  # fmt: skip


@pytest.mark.parametrize("unwarmed", [-12.0, -3.0, 8.0, 16.0])
def test_warming_is_that_of_the_worth_of_warming(table: np.ndarray, unwarmed: float) -> None:
    """`pipeline.worth` starts from the begin of the lead window; the table from the arrival."""
    thermal, i2 = FACTS.thermal, 1500.0
    outside = unwarmed - OFFSET
    begins = np.linspace(-40, 30, 14001)
    ends = thermal.after(begins, outside, 30.0, 0.0, i2)
    began = float(np.interp(unwarmed, ends, begins))
    one = np.array([1.0])
    worth = worth_of_warming(
        FACTS.charge, thermal,
        Approach(30 * one, began * one, i2 * one, outside * one, unwarmed * one, unwarmed * one,
                 0 * one),
        Charge(25 * one, 61.67 * one, 22 * one, 90 * one, one), 21.0, None,
    )  # fmt: skip
    assert at(table, 0, 4, unwarmed, "warming_kwh") == pytest.approx(
        worth.missed_kwh[0], rel=0.01, abs=0.02
    )
    saved = at(table, 0, 0, unwarmed, "driver_min") - at(table, 0, 4, unwarmed, "driver_min")
    assert saved == pytest.approx(worth.net_missed_min[0], rel=0.06, abs=0.3)


@pytest.mark.parametrize(("template", "site_kw"), [(0, 90.0), (5, 35.0)])
@pytest.mark.parametrize("degc", [-10.0, 0.0, 9.5])
def test_cold_minutes_are_shapleys_over_cold_and_site(
    table: np.ndarray, degc: float, template: int, site_kw: float
) -> None:
    def minutes(cell: float, site: float) -> float:
        return float(
            charge_forward(FACTS.charge, FACTS.thermal, 25.0, 22.0, cell, cell - OFFSET, site)[0]
        )

    cold, both = minutes(degc, np.inf), minutes(degc, site_kw)
    none, site = minutes(30.0, np.inf), minutes(30.0, site_kw)
    expected = ((cold - none) + (both - site)) / 2
    assert expected > 2
    assert at(table, template, 0, degc, "cold_min") == pytest.approx(expected, rel=0.03)
    # Between knots of 1.5 K a kink is drawn straight: a tenth of a minute or two.
    driver_min = at(table, template, 0, degc, "driver_min")
    assert driver_min == pytest.approx(both - site, rel=0.03, abs=0.2)


def test_outcomes_by_temperature(table: np.ndarray) -> None:
    # Warm within the tolerance of half a kelvin.
    assert at(table, 0, 0, 20.0, "needed_n") == 1
    assert at(table, 0, 0, 20.5, "needed_n") == 0
    assert at(table, 0, 4, 14.0, "warmed_n") == 1
    # Half an hour is not enough from -12 °C, a quarter of it not from 14 °C.
    assert at(table, 0, 4, -12.0, "warmed_n") == 0
    assert at(table, 0, 1, 10.0, "warmed_n") == 0
    assert at(table, 0, 0, 14.0, "warmed_n") == 0
    assert at(table, 0, 0, 30.0, "cold_min") == 0
    assert at(table, 0, 4, 35.0, "warming_kwh") == 0


def test_more_warming_means_fewer_cold_minutes(table: np.ndarray) -> None:
    shaped = table[:-1].reshape(-1, len(SHARES), BINS_N, len(FIGURES))
    cold, kwh = (shaped[0, ..., FIGURES.index(name)] for name in ("cold_min", "warming_kwh"))
    assert (np.diff(cold, axis=0) <= 1e-4).all()
    assert (np.diff(kwh, axis=0) >= -1e-4).all()
    assert (np.diff(cold[0]) <= 1e-4).all()


def test_no_charge_or_no_time_to_warm_with(table: np.ndarray) -> None:
    for template in (1, 4):
        assert at(table, template, 4, 0.0, "warming_kwh") == 0
        assert at(table, template, 4, 0.0, "cold_min") == at(table, 0, 0, 0.0, "cold_min")


def test_who_stays_on_loses_no_time(table: np.ndarray) -> None:
    assert at(table, 2, 0, -5.0, "driver_min") == 0
    assert at(table, 2, 0, -5.0, "cold_min") == at(table, 0, 0, -5.0, "cold_min")


def test_money(table: np.ndarray) -> None:
    kwh = at(table, 0, 4, 0.0, "warming_kwh")
    assert at(table, 0, 4, 0.0, "warming_cost") == pytest.approx(0.5 * kwh, rel=1e-6)
    minutes = at(table, 3, 0, 0.0, "cold_min")
    assert at(table, 3, 0, 0.0, "cold_fees") == pytest.approx(0.1 * minutes, rel=1e-5)


def test_earlier_warming_gains_time_where_the_drive_allows() -> None:
    stops = templates({"approach_min": 45.0}, {"approach_min": 30.0}, {"able_min": 0.0})
    today = stop_table({"m": FACTS}, stops, OFFSET)
    early = stop_table({"m": FACTS}, stops, OFFSET, earlier_min=30.0)
    gained = [
        at(early, k, 4, -10.0, "warming_kwh") / max(at(today, k, 4, -10.0, "warming_kwh"), 1e-9)
        for k in (0, 1)
    ]
    # 15 more minutes of 30, and none.
    assert gained == pytest.approx([1.5, 1.0], rel=0.01)
    assert at(early, 2, 4, -10.0, "warming_kwh") == 0


def test_another_model_takes_what_it_has_room_for() -> None:
    small = default_facts(20.0)
    stops = templates({"soc_start_pct": 50.0, "energy_kwh": 30.0})
    table = stop_table({"m": FACTS, "small": small}, stops, OFFSET, model_id="small")
    expected = charge_forward(small.charge, small.thermal, 50.0, 10.0, 0.0, -OFFSET, 90.0)[0]
    warm = charge_forward(small.charge, small.thermal, 50.0, 10.0, 30.0, 30 - OFFSET, 90.0)[0]
    assert at(table, 0, 0, 0.0, "driver_min") == pytest.approx(expected - warm, rel=0.03)


def test_a_pack_that_the_charger_must_heat_first() -> None:
    held = ModelFacts(
        FACTS.charge, FACTS.thermal, PlugHeater(5.0, 10.0, 12.0, hold_below_degc=-5.0,
                                               hold_until_degc=-5.0),
    )  # fmt: skip
    table = stop_table({"m": held}, templates({}), OFFSET)
    plain = stop_table({"m": FACTS}, templates({}), OFFSET)
    # From -14 °C some 9 K of heating before the first kWh goes in.
    assert at(table, 0, 0, -14.0, "cold_min") > 10
    assert at(table, 0, 0, -1.0, "cold_min") < at(plain, 0, 0, -1.0, "cold_min") + 0.5
    assert np.isfinite(table).all()


def test_a_scenario_without_a_stop_adds_nothing(table: np.ndarray) -> None:
    assert not table[-1].any()
    assert table[:-1, FIGURES.index("stops_n")].all()
