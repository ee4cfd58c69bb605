"""When to begin, checked against the models it is made of."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from pipeline.charging import ChargeModel, binned_curve
from pipeline.forward import charge_forward
from pipeline.leadtime import Case, OtherWays, lead_times, other_ways, site_advice
from pipeline.thermal import ThermalModel

CHARGING = ChargeModel(
    binned_curve([(0, 120), (50, 110), (80, 50), (100, 5)]),
    60.0,
    21.0,
    "factor",
    np.array([-10.0, 0.0, 10.0, 21.0]),
    np.array([0.1, 0.3, 0.6, 1.0]),
)
THERMAL = ThermalModel(600.0, 0.08, 20.0, heater_power_kw=5.0)
CASE = Case(CHARGING, THERMAL, 21.0, soc_start_pct=25.0, energy_kwh=24.0)
WAYS = OtherWays(depot_price_per_kwh=0.2, site_price_per_kwh=0.465)


def test_the_table_has_a_row_for_each_state() -> None:
    table = lead_times(CASE, [50.0, 150.0])
    assert table.height == 2 * 3 * 6
    assert table.select("site_power_kw", "outside_degc", "pack_degc").is_unique().all()
    assert set(table["verdict"]) == {"begin", "not_worth_it"}


def test_a_row_adds_up() -> None:
    row = lead_times(CASE, [150.0], [5.0], [-5.0]).row(0, named=True)
    needed = float(THERMAL.minutes_to(21.0, 5.0, -5.0, 5.0))
    assert row["needed_min"] == pytest.approx(needed)
    assert row["warming_kwh"] == pytest.approx(5.0 * needed / 60)
    assert row["begin_min"] == np.ceil(needed)
    unwarmed = THERMAL.after(5.0, -5.0, needed)
    args = (CHARGING, THERMAL)
    cold = charge_forward(*args, 25.0, 24.0, unwarmed, -5.0, 150.0)[0]
    warm = charge_forward(*args, 25.0, 24.0, 21.0, -5.0, 150.0)[0]
    spent = row["warming_kwh"]
    filled = charge_forward(*args, 25.0 - spent / 0.6, 24.0 + spent, 21.0, -5.0, 150.0)[0]
    assert row["charge_cold_min"] == pytest.approx(cold)
    assert row["charge_warm_min"] == pytest.approx(warm)
    assert row["refill_min"] == pytest.approx(filled - warm)
    assert row["net_saved_min"] == pytest.approx(cold - filled)
    assert row["verdict"] == "begin"


def test_a_slow_site_is_not_worth_it() -> None:
    slow = lead_times(CASE, [22.0], [10.0], [-5.0]).row(0, named=True)
    assert slow["net_saved_min"] < 0
    assert (slow["verdict"], slow["begin_min"]) == ("not_worth_it", None)


def test_worth_it_from_the_minutes_given() -> None:
    saved = lead_times(CASE, [150.0], [5.0], [-5.0])["net_saved_min"][0]
    for least, verdict in ((saved - 0.1, "begin"), (saved + 0.1, "not_worth_it")):
        case = replace(CASE, least_saved_min=least)
        assert lead_times(case, [150.0], [5.0], [-5.0])["verdict"].to_list() == [verdict]


def test_never_and_already_and_unknown() -> None:
    weak = replace(CASE, thermal=replace(THERMAL, heater_power_kw=0.5))
    table = lead_times(weak, [150.0], [10.0, 21.0, 25.0], [-5.0])
    assert table["verdict"].to_list() == ["never_warm", "already_warm", "already_warm"]
    assert table["needed_min"].to_list() == [None, 0.0, 0.0]
    assert table["warming_kwh"].to_list() == [None, 0.0, 0.0]
    assert table["net_saved_min"][0] is None
    assert lead_times(CASE, [np.nan], [5.0], [-5.0])["verdict"].to_list() == ["unknown"]


def test_driving_helps() -> None:
    driving = replace(CASE, drive_i2_a2=3000.0)
    alone = lead_times(CASE, [150.0], [5.0], [-5.0])["needed_min"][0]
    helped = lead_times(driving, [150.0], [5.0], [-5.0])["needed_min"][0]
    # 240 W beside 5 kW less what is lost.
    assert helped == pytest.approx(alone * (1 - 0.24 / 4.9), rel=0.01)


def test_each_site_has_its_line() -> None:
    sites = pl.DataFrame(
        {
            "site_id": ["slow", "fast", "unknown"],
            "site_power_kw": [22.0, 150.0, None],
            "outside_degc": [-4.0, -4.0, -4.0],
            "pack_degc": [5.0, 5.0, 5.0],
            "soc_start_pct": [30.0, 30.0, 30.0],
            "energy_kwh": [20.0, 20.0, 20.0],
        }
    )
    advice = site_advice(CASE, sites)
    assert advice["site_id"].to_list() == ["slow", "fast", "unknown"]
    assert advice["verdict"].to_list() == ["not_worth_it", "begin", "unknown"]
    fast = replace(CASE, soc_start_pct=30.0, energy_kwh=20.0)
    same = lead_times(fast, [150.0], [5.0], [-4.0])
    assert advice.row(1, named=True)["net_saved_min"] == pytest.approx(same["net_saved_min"][0])


def test_other_ways_beside_each_other() -> None:
    table = other_ways(CASE, 150.0, -5.0, 0.0, WAYS)
    ways = {row["way"]: row for row in table.to_dicts()}
    assert list(ways) == ["on_the_way", "on_cable", "indoors", "after_drive"]
    road, cable, hall, after = ways.values()
    assert road["heating_min"] == 30
    assert road["energy_kwh"] == pytest.approx(2.5)
    assert road["cost"] == pytest.approx(2.5 * 0.5)
    assert road["arrival_degc"] == pytest.approx(float(THERMAL.after(0.0, -5.0, 30, 5.0)))
    needed = float(THERMAL.minutes_to(22.0, 0.0, -5.0, 5.0))
    assert cable["heating_min"] == pytest.approx(needed)
    assert cable["cost"] == pytest.approx(5.0 * needed / 60 / 0.9 * 0.2)
    assert cable["arrival_degc"] == pytest.approx(float(THERMAL.after(22.0, -5.0, 30)))
    assert hall["arrival_degc"] == pytest.approx(float(THERMAL.after(10.0, -5.0, 30)))
    assert (hall["cost"], hall["energy_kwh"]) == (0.0, 0.0)
    assert after["arrival_degc"] == pytest.approx(float(THERMAL.after(0.0, -5.0, 30)))
    before = charge_forward(CHARGING, THERMAL, 25.0, 24.0, 0.0, -5.0, 150.0)[0]
    assert after["compared_with_min"] == pytest.approx(before)
    assert cable["compared_with_min"] == pytest.approx(after["charge_min"])
    for row in ways.values():
        assert row["saved_min"] == pytest.approx(row["compared_with_min"] - row["charge_min"])
    # Half an hour of driving without current only cools: charging before it would be quicker.
    assert after["saved_min"] < 0


def test_a_short_drive_is_outlasted_by_less_heat() -> None:
    ways = replace(WAYS, drive_min=5.0, heating_end_degc=25.0)
    cable = other_ways(CASE, 150.0, -5.0, 0.0, ways).row(1, named=True)
    assert cable["arrival_degc"] == pytest.approx(21.0)
    assert cable["heating_min"] < float(THERMAL.minutes_to(22.0, 0.0, -5.0, 5.0))


def test_warming_on_a_long_way_begins_late() -> None:
    ways = replace(WAYS, drive_min=90.0)
    road = other_ways(CASE, 150.0, -5.0, 5.0, ways).row(0, named=True)
    assert road["heating_min"] < 90
    # It begins later than the needed minutes reckoned from the start, so it starts a little colder.
    assert 19.5 < road["arrival_degc"] <= 21.0


def test_costs_need_prices() -> None:
    table = other_ways(CASE, 150.0, -5.0, 0.0, OtherWays())
    assert table["cost"].to_list() == [None, None, 0.0, 0.0]


def test_what_never_gets_warm_costs_nothing_known() -> None:
    weak = replace(CASE, thermal=replace(THERMAL, heater_power_kw=0.4))
    cable = other_ways(weak, 150.0, -5.0, 0.0, WAYS).row(1, named=True)
    assert [cable[name] for name in ("arrival_degc", "heating_min", "energy_kwh", "cost")] == [
        None
    ] * 4
