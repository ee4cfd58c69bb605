"""The thermal model and the forward charge against sources outside, and against the simulator.

Each check names its source; the simulator's pack has two nodes and a resistance that rises in the
cold, and shares no formula with the program.
"""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from conftest import Simulated
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from pipeline.charging import SOC_MID_PCT, ChargeModel
from pipeline.config import load_fleet
from pipeline.edition import warehouse_of
from pipeline.fleet_tables import write_fleet_tables
from pipeline.forward import charge_forward
from pipeline.learning.habits import learn_habits
from pipeline.learning.thermal_fit import fit_thermal, stretches_of
from pipeline.thermal import ThermalModel, default_model, drive_heat_limit

USABLE_KWH = {"plover-60": 60.0, "bittern-77": 77.0}


def lumped(tau_s: float) -> ThermalModel:
    """A body of 1 kJ/K with this time constant."""
    return ThermalModel(1.0, 0.0, 1000 / tau_s)


@pytest.mark.parametrize("heat_kw", [0.0, 5.2])
@pytest.mark.parametrize("start_degc", [-10.0, 11.0])
def test_closed_form_against_an_integrator(start_degc: float, heat_kw: float) -> None:
    """Source: scipy.integrate.solve_ivp on the equation as the method writes it."""
    model, i2, out = ThermalModel(650.0, 0.09, 24.0), 2500.0, -6.0

    def slope_kelvin_per_s(_: float, t: np.ndarray) -> np.ndarray:
        watts = 1000 * heat_kw + 0.09 * i2 + 24.0 * (out - t)
        return watts / 650e3

    times_min = np.array([0.0, 1.0, 24.5, 180.0, 1200.0])
    exact = solve_ivp(
        slope_kelvin_per_s, (0, 72_000), [start_degc], t_eval=60 * times_min, rtol=1e-10, atol=1e-10
    ).y[0]
    assert model.after(start_degc, out, times_min, heat_kw, i2) == pytest.approx(exact, abs=1e-6)
    if heat_kw:
        assert model.minutes_to(exact[2], start_degc, out, heat_kw, i2) == pytest.approx(24.5)


def test_thermocouple_of_a_heat_transfer_book() -> None:
    """Cengel, Heat and Mass Transfer, example 4-1: diameter 1 mm, 8500 kg/m3, 320 J/(kg K),
    210 W/(m2 K): b = 0.462 /s, 99 % of the step after 10 s."""
    tau_s = 8500 * 0.001 / 6 * 320 / 210
    assert 1 / tau_s == pytest.approx(0.462, abs=0.002)
    bead = lumped(tau_s)
    assert bead.minutes_to(99.0, 0.0, 100.0) * 60 == pytest.approx(10, abs=0.1)


def test_solder_bead_of_another() -> None:
    """Lienhard and Lienhard, A Heat Transfer Textbook, chapter 1: a bead of 1 mm with 0.18
    kJ/(kg K) has T = 1.116 s (250 W/(m2 K) and 9300 kg/m3 from memory); 1/e of the step is left
    after it."""
    tau_s = 9300 * 0.001 / 6 * 180 / 250
    assert tau_s == pytest.approx(1.116, abs=0.0005)
    after = lumped(tau_s).after(20.0, 200.0, 1.116 / 60)
    assert after == pytest.approx(200 - 180 * np.exp(-1), abs=0.05)


def test_pack_scale_vector() -> None:
    """Own arithmetic on the textbook formula: 400 kJ/K, 10 W/K, 5 kW, start and outside -10
    degC: 20 degC in 41.250 min and 3.4375 kWh, 3.3333 without losses, 0.75 K/min at first."""
    pack = ThermalModel(400.0, 0.0, 10.0)
    needed = float(pack.minutes_to(20.0, -10.0, -10.0, 5.0))
    assert needed == pytest.approx(41.250, abs=0.001)
    assert needed * 5 / 60 == pytest.approx(3.4375, abs=0.0001)
    tight = ThermalModel(400.0, 0.0, 0.0)
    assert tight.minutes_to(20.0, -10.0, -10.0, 5.0) * 5 / 60 == pytest.approx(3.3333, abs=1e-4)
    assert pack.drift_kelvin_per_min(-10.0, -10.0, 5.0, 0.0) == pytest.approx(0.75)


def test_overnight_cooling_vector() -> None:
    """Own arithmetic: tau 10 h, 25 degC in air of -10 degC: 21.7, 13.5, 5.7 and 0.5 degC."""
    pack = ThermalModel(360.0, 0.0, 10.0)
    assert pack.tau_h == pytest.approx(10)
    night = pack.after(25.0, -10.0, np.array([60, 240, 480, 720]))
    assert night == pytest.approx([21.7, 13.5, 5.7, 0.5], abs=0.06)


def test_default_heat_is_that_of_cells_and_case() -> None:
    """Cell specific heat of 700 J/(kg K) in two open battery models, 1000 at most from memory;
    at 150 Wh/kg of pack 4.7 to 6.7 kJ/K per kWh, below 12 in any case. The default is per kWh of
    heater energy: at a heater efficiency of 0.86 (common practice, no source) what reaches the
    pack."""
    model = default_model(60.0)
    reaching = model.heat_kj_per_kelvin / 60 * 0.86
    assert 4.7 <= reaching <= 1.1 * 6.7
    assert 3 < reaching < 12
    assert 3 <= model.tau_h <= 24


@pytest.mark.parametrize("heater_kw", [5.2, 5.4])
@pytest.mark.parametrize(
    ("start_degc", "fact_min"), [(11.0, 24.5), (4.0, 30.0), (5.5, 30.0), (7.0, 30.0)]
)
def test_one_default_meets_both_facts_of_the_trade(
    start_degc: float, fact_min: float, heater_kw: float
) -> None:
    """Common practice, no source: from 11 to 21 degC in about 24.5 min at 5.2 to 5.4 kW, from 4
    to 7 degC in about 30 min, on the pack of 77 kWh that the trade's other figures speak of,
    driving (50 A on average squares), 0 degC outside. Within 20 %."""
    model = default_model(77.0, heater_kw)
    assert model.tau_h >= 3
    minutes = model.minutes_to(21.0, start_degc, 0.0, heater_kw, 2500.0)
    assert minutes == pytest.approx(fact_min, rel=0.20)


def test_one_kelvin_in_two_minutes() -> None:
    """A public charging network's guide (grey literature): one compact vehicle's heater raises
    its pack by about 1 degC in 2 min. A 24 to 40 kWh pack with the default and 3 to 5 kW."""
    for usable_kwh, heater_kw in ((24.0, 3.0), (40.0, 4.0), (60.0, 5.0)):
        rate = default_model(usable_kwh).drift_kelvin_per_min(5.0, 0.0, heater_kw, 0.0)
        assert 0.4 < rate < 1.0


def reached_pct(model: ChargeModel, pack_degc: float, out_degc: float, minutes: float) -> float:
    """Charge after so many minutes from 20 % on a charger of 50 kW."""
    soc_pct = np.linspace(20.5, 99, 300)
    thermal = default_model(model.usable_kwh)
    took = charge_forward(
        model, thermal, 20.0, (soc_pct - 20) / 100 * model.usable_kwh, pack_degc, out_degc, 50.0
    )
    return float(np.interp(minutes, took, soc_pct))


def test_published_charge_after_half_an_hour_in_the_cold() -> None:
    """Motoaki, Yi, Salisbury, Energy Policy 2018: some 500 charges of compact taxis with a
    passive pack of 24 kWh on 50 kW: 80 % after 30 min at 25 degC outside, at 0 degC 36 % less
    (0.64 x 80 = 51 %, or 44 % if points are meant; not stated in what was read).

    A preset of this test, never a default: curve level to half charge, scaled to the 80 %; cold
    factor of an activation energy of 0.38 eV (from memory 0.3 to 0.6 for charge transfer). The
    paper has outside temperatures only; a taxi's pack lies 0 to 10 K above them.
    """
    knots_degc = np.arange(-20.0, 26.0, 2.5)
    factor = np.exp(-0.38 / 8.617e-5 * (1 / (knots_degc + 273.15) - 1 / 298.15))

    def preset(scale: float) -> ChargeModel:
        curve = np.interp(SOC_MID_PCT, [50, 80, 90, 100], [46, 18, 9, 2]) * scale
        return ChargeModel(np.minimum(curve, 46), 22.0, 25.0, "factor", knots_degc, factor)

    scale = brentq(lambda x: reached_pct(preset(x), 25.0, 25.0, 30) - 80, 0.4, 3.0, xtol=1e-3)
    taxi = preset(scale)
    assert reached_pct(taxi, 25.0, 25.0, 30) == pytest.approx(80, abs=0.1)
    cold = [reached_pct(taxi, above, 0.0, 30) for above in np.linspace(0, 10, 11)]
    assert 44 <= np.mean(cold) <= 51
    assert 36 <= min(cold) <= max(cold) <= 60


@pytest.fixture(scope="module")
def seen(simulated: Simulated) -> dict[str, pl.DataFrame]:
    """What the program keeps of the simulated fleet for the thermal fit and the habits."""
    fleet = load_fleet(simulated.folder)
    with warehouse_of(fleet) as con:
        write_fleet_tables(con, fleet)
        settings = con.sql(
            "select vehicle_id, model_id, heater_power_kw from vehicle_settings"
        ).pl()
        tables = {
            name: con.sql(f"select * from {name}").pl()
            for name in ("thermal_stretches", "approach_spells", "stops")
        }
    return {
        name: table.drop("model_id", strict=False).join(settings, on="vehicle_id")
        for name, table in tables.items()
    }


def learned(seen: dict[str, pl.DataFrame], model_id: str) -> ThermalModel:
    rows = seen["thermal_stretches"].filter(pl.col("model_id") == model_id)
    heater_kw = float(rows["heater_power_kw"][0])
    model = fit_thermal(stretches_of(rows), USABLE_KWH[model_id], heater_kw)
    assert isinstance(model, ThermalModel), model
    return model


@pytest.mark.parametrize("model_id", USABLE_KWH)
def test_minutes_to_warm_of_a_simulated_fleet(seen: dict[str, pl.DataFrame], model_id: str) -> None:
    model = learned(seen, model_id)
    stops = seen["stops"].select("vehicle_id", "plug_in_at", "ambient_degc", "warming_current2_a2s")
    spells = (
        seen["approach_spells"]
        .filter(pl.col("model_id") == model_id, pl.col("spell_no") == 1)
        .join(stops, on=["vehicle_id", "plug_in_at"])
        .filter(pl.col("cell_temp_end_degc") >= 20.5)
        .filter(pl.col("cell_temp_end_degc") - pl.col("cell_temp_start_degc") > 3)
    )
    assert spells.height >= 15
    seconds = 60 * (spells["spell_min"] + spells["before_plug_in_min"])
    predicted = model.minutes_to(
        spells["cell_temp_end_degc"].to_numpy(),
        spells["cell_temp_start_degc"].to_numpy(),
        spells["ambient_degc"].to_numpy(),
        model.heater_power_kw,
        (spells["warming_current2_a2s"] / seconds).to_numpy(),
    )
    error = predicted / spells["spell_min"].to_numpy() - 1
    assert np.median(np.abs(error)) < 0.06
    assert np.quantile(np.abs(error), 0.9) < 0.15


@pytest.mark.parametrize("model_id", USABLE_KWH)
def test_arrival_without_warming_of_a_simulated_fleet(
    seen: dict[str, pl.DataFrame], simulated: Simulated, model_id: str
) -> None:
    model = learned(seen, model_id)
    truth = simulated.truth.select(
        "vehicle_id",
        pl.col("plug_in_utc").dt.replace_time_zone("UTC").alias("true_at"),
        pl.col("unwarmed_cell_temp_min_degc").alias("true_degc"),
    ).drop_nulls()
    spells = seen["approach_spells"].filter(pl.col("spell_no") == 1)
    stops = (
        seen["stops"]
        .filter(pl.col("model_id") == model_id, pl.col("warming_kwh") >= 0.5)
        .join(spells.select("vehicle_id", "plug_in_at", "cell_temp_start_degc"),
              on=["vehicle_id", "plug_in_at"])
        .join(truth, on="vehicle_id")
        .filter((pl.col("plug_in_at") - pl.col("true_at")).dt.total_seconds().abs() < 90)
        .drop_nulls(["warming_current2_a2s", "cell_temp_start_degc"])
    )  # fmt: skip
    assert stops.height >= 40
    minutes = stops["warming_before_min"].to_numpy()
    predicted = model.after(
        stops["cell_temp_start_degc"].to_numpy(),
        stops["ambient_degc"].to_numpy(),
        minutes,
        0.0,
        stops["warming_current2_a2s"].to_numpy() / (60 * minutes),
    )
    error = predicted - stops["true_degc"].to_numpy()
    assert abs(error.mean()) < 0.3
    assert np.median(np.abs(error)) < 0.3
    assert np.quantile(np.abs(error), 0.9) < 0.9


@pytest.mark.parametrize("model_id", USABLE_KWH)
def test_drive_heat_limit_of_a_simulated_fleet(
    seen: dict[str, pl.DataFrame], model_id: str
) -> None:
    """Grade B on vehicles whose heater is known: seldom a rise of driving beyond the limit, never
    by 2 K; nearly all that warmed beyond it."""
    model = learned(seen, model_id)
    stops = seen["stops"].filter(
        pl.col("model_id") == model_id, pl.col("lead_min") >= 5, pl.col("outcome") != "unknown"
    ).drop_nulls(["lead_current2_a2s", "lead_cell_temp_min_degc"])  # fmt: skip
    rise = stops["arrival_cell_temp_min_degc"] - stops["lead_cell_temp_min_degc"]
    limit = drive_heat_limit(
        model,
        stops["lead_current2_a2s"].to_numpy(),
        stops["lead_min"].to_numpy() / 60,
        stops["lead_cell_temp_min_degc"].to_numpy(),
        stops["ambient_degc"].to_numpy(),
    )
    excess = rise.to_numpy() - limit
    driven = excess[(stops["warming_kwh"] < 0.01).to_numpy()]
    assert len(driven) >= 40
    assert np.mean(driven > 0) <= 0.10
    assert driven.max() < 2
    warmed = excess[(stops["warming_kwh"] >= 1.0).to_numpy()]
    assert np.mean(warmed > 2) > 0.9


def test_habits_of_a_simulated_fleet(seen: dict[str, pl.DataFrame]) -> None:
    """The simulator's vehicles end 1 K above the threshold and refuse below 20 %."""
    told = {"heater_power_kw": 5.4, "warming_end_degc": 21.0, "warming_cutoff_soc_pct": 20.0}
    spells = seen["approach_spells"].filter(pl.col("model_id") == "bittern-77")
    found = {row["quantity"]: row for row in learn_habits(spells, told)}
    assert found["heater_power_kw"]["learned"] == pytest.approx(5.4, abs=0.05)
    assert found["warming_end_degc"]["learned"] == pytest.approx(22.0, abs=0.3)
    assert found["warming_cutoff_soc_pct"]["learned"] == pytest.approx(20.0, abs=0.6)
    assert not any(row["is_different"] for row in found.values())
