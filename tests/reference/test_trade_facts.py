"""Facts of the trade, asked of the program. Common practice, no source, unless one is named.

Warming draws 4.5 to 5.5 kW, so half an hour takes about 2.5 kWh; at 4.8 km per kWh that is about
12 km; at 0.35 to 0.45 a kWh, 2.5 to 3 kWh cost about 0.9 to 1.35; on a pack of 77 kWh it is 2 to
3 % of charge. A pack whose coldest cell is at 11 °C reaches 21 °C in about 24.5 min at 5.2 to
5.4 kW, from 4 to 7 °C in about 30 min. Warming that begins 15 min before arrival does not finish.
Most vehicles begin it some 30 min before the stop and switch it off at 20 % charge.
"""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import polars as pl
import pytest
from conftest import Simulated
from fleets import FLEET_TOML, MODELS_TOML, MONDAY, drive_and_charge, drop, one_stop, write_fleet

from pipeline.config import FleetSettings, VehicleModel

PLUG_IN = MONDAY + timedelta(hours=2)


def half_an_hour(folder: Path, price: float, heater_kw: float) -> dict[str, float]:
    fleet = write_fleet(
        folder,
        FLEET_TOML.replace("0.40", str(price)),
        models=MODELS_TOML.replace("usable_kwh = 60", "usable_kwh = 77"),
    )
    frame = drive_and_charge(
        plug_in=PLUG_IN, heater=(-30, 0), heater_kw=heater_kw, cell_arrival_degc=21,
        usable_kwh=77,
    )  # fmt: skip
    # No odometer, so that the range follows from the model's 4.8 km per kWh.
    drop(fleet, frame.with_columns(odo=pl.lit(None, pl.Float64)))
    return one_stop(fleet)


@pytest.mark.parametrize("heater_kw", [4.5, 5.0, 5.5])
@pytest.mark.parametrize("price", [0.35, 0.45])
def test_half_an_hour_of_warming(tmp_path: Path, price: float, heater_kw: float) -> None:
    stop = half_an_hour(tmp_path / "fleet", price, heater_kw)
    assert stop["warming_min"] == pytest.approx(30, abs=0.4)
    assert stop["warming_kwh"] == pytest.approx(2.5, rel=0.12)
    assert stop["range_given_up_km"] == pytest.approx(12, rel=0.12)
    assert 2 < stop["charge_given_up_pct"] < 4
    assert 0.75 < stop["warming_cost"] < 1.35
    if heater_kw == 5.0:
        assert stop["range_given_up_km"] == pytest.approx(12, abs=0.3)
        assert stop["warming_cost"] == pytest.approx(2.5 * price, rel=0.02)


def test_defaults_are_those_of_the_trade() -> None:
    model = VehicleModel()
    assert 4.5 <= model.heater_power_kw <= 5.5
    assert model.warming_cutoff_soc_pct == 20
    assert model.warm_threshold_degc == 21
    assert FleetSettings(operator="T", time_zone="UTC").lead_window_min == 30


def test_simulated_packs_warm_as_packs_do(simulated: Simulated) -> None:
    """Of the simulator: what it says a warmed approach took, against the trade's times."""
    warmed = simulated.truth.filter(
        (pl.col("outcome") == "warmed") & pl.col("unwarmed_cell_temp_min_degc").is_between(8, 13)
    )
    assert warmed.height >= 5
    assert 15 < warmed["warming_min"].median() < 34


def test_warming_that_begins_late_does_not_finish(simulated: Simulated) -> None:
    late = simulated.stops.filter(
        pl.col("warming_began_at").is_not_null()
        & ((pl.col("plug_in_at") - pl.col("warming_began_at")).dt.total_minutes() <= 15)
        & (pl.col("unwarmed_cell_temp_min_degc") < 12)
    )
    assert late.height >= 10
    assert (late["outcome"] != "warmed").all()
    assert late.filter(pl.col("warming_kwh") >= 0.1)["outcome"].unique().to_list() == [
        "part_warmed"
    ]


def test_warming_stops_at_the_cut_off(simulated: Simulated) -> None:
    held = simulated.stops.filter(pl.col("why") == "cut_off_low_charge")
    assert held.height > 0
    assert held["soc_start_pct"].max() <= 21
