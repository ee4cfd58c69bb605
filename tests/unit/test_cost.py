"""What a charge costs, what the energy in a pack had cost, and what minutes cost."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from time import perf_counter
from typing import Any

import numpy as np
import polars as pl
import pytest
from cost_frames import EFFICIENCY, FLEET_PRICE, ZONE, charge, frame, local, priced

from pipeline.cost import marginal_price, minute_fees, session_costs
from pipeline.inventory import held_price, pack_inventory
from pipeline.tariff_config import TariffElement
from pipeline.tariffs import FleetPrice

MONDAY_NOON = local("2026-01-12 12:00")
DAY_AND_NIGHT = (
    TariffElement(energy_per_kwh=0.20, from_time=time(22), to_time=time(6)),
    TariffElement(energy_per_kwh=0.40),
)


def inventory(*rows: dict[str, Any], fleet_price: FleetPrice = FLEET_PRICE) -> list[dict[str, Any]]:
    """Ledger of charges whose whole sum was invoiced."""
    costs = session_costs(frame(*rows), {}, ZONE, fleet_price, EFFICIENCY)
    return pack_inventory(costs, fleet_price).to_dicts()


def test_an_invoice_goes_before_a_tariff_and_both_before_the_fleet_price() -> None:
    tariff = (TariffElement(energy_per_kwh=0.50),)
    invoiced, listed, other, nowhere = priced(
        charge(MONDAY_NOON, invoiced_cost=7.44),
        charge(MONDAY_NOON),
        charge(MONDAY_NOON, site_id="elsewhere"),
        charge(MONDAY_NOON, site_id=None),
        tariff=tariff,
    )
    assert (invoiced["cost_source"], invoiced["total_cost"]) == ("invoice", 7.44)
    assert invoiced["price_per_kwh"] == pytest.approx(7.44 / 18.6)
    assert invoiced["energy_cost"] is None, "an invoiced sum is not split"
    assert (listed["cost_source"], listed["total_cost"]) == ("tariff", pytest.approx(10.0))
    assert listed["price_per_kwh"] == pytest.approx(0.50 / 0.93)
    for row in (other, nowhere):
        assert row["cost_source"] == "fleet_price"
        assert row["total_cost"] == pytest.approx(0.40 * 18.6)
        assert row["price_per_kwh"] == pytest.approx(0.40)
        assert row["time_cost"] is None and row["flat_cost"] is None


def test_a_price_that_nobody_set_is_assumed() -> None:
    row = priced(charge(MONDAY_NOON), fleet_price=FleetPrice(0.4, is_assumed=True))[0]
    assert row["cost_source"] == "assumed"


def test_an_invoice_of_nothing_is_a_price_of_nothing() -> None:
    row = priced(charge(MONDAY_NOON, invoiced_cost=0.0))[0]
    assert (row["cost_source"], row["price_per_kwh"]) == ("invoice", 0.0)


def test_energy_and_minutes_are_split_at_the_switch() -> None:
    """21:48 to 22:18, 30 kWh: 12 of 30 min by day, 18 by night."""
    tariff = (*DAY_AND_NIGHT, TariffElement(per_minute=0.10, from_time=time(22)))
    row = priced(charge(local("2026-01-12 21:48"), meter_kwh=30.0), tariff=tariff)[0]
    assert row["energy_cost"] == pytest.approx(12 * 0.40 + 18 * 0.20)
    assert row["time_cost"] == pytest.approx(18 * 0.10)
    assert row["total_cost"] == pytest.approx(12 * 0.40 + 18 * 0.20 + 1.80)


def test_a_switch_is_to_the_second_and_its_end_is_exclusive() -> None:
    tariff = (TariffElement(flat=1.0, to_time=time(17)), TariffElement(flat=2.0))
    rows = priced(
        charge(local("2026-01-12 16:59:59")), charge(local("2026-01-12 17:00")), tariff=tariff
    )
    assert [row["flat_cost"] for row in rows] == [1.0, 2.0]
    minutes = (TariffElement(per_minute=1.0, from_time=time(12, 0, 30)),)
    assert priced(charge(MONDAY_NOON), tariff=minutes)[0]["time_cost"] == pytest.approx(29.5)


def test_first_element_of_each_component_counts_apart() -> None:
    """The night element names energy only: minutes and the sum come from the next."""
    tariff = (*DAY_AND_NIGHT[:1], TariffElement(energy_per_kwh=0.4, per_minute=0.02, flat=0.5))
    row = priced(charge(local("2026-01-12 23:00")), tariff=tariff)[0]
    assert row["energy_cost"] == pytest.approx(20 * 0.20)
    assert (row["time_cost"], row["flat_cost"]) == (pytest.approx(0.60), 0.5)


def test_no_element_that_holds_costs_nothing() -> None:
    tariff = (TariffElement(energy_per_kwh=0.40, days=("sat",)),)
    row = priced(charge(MONDAY_NOON), tariff=tariff)[0]
    assert (row["cost_source"], row["total_cost"]) == ("tariff", 0.0)


@pytest.mark.parametrize(
    ("at", "price"),
    [
        ("2026-01-31 23:30", 0.0),
        ("2026-02-01 00:00", 1.0),
        ("2026-02-28 23:29", 1.0),
        ("2026-03-01 00:00", 0.0),
    ],
)
def test_dates_are_local_and_the_last_is_exclusive(at: str, price: float) -> None:
    tariff = (
        TariffElement(per_minute=1.0, valid_from=date(2026, 2, 1), valid_to=date(2026, 3, 1)),
    )
    assert priced(charge(local(at)), tariff=tariff)[0]["time_cost"] == pytest.approx(30 * price)


def test_days_are_those_of_each_moment() -> None:
    """Sunday 23:45 to Monday 00:15, price on Mondays only."""
    tariff = (TariffElement(per_minute=1.0, days=("mon",)),)
    row = priced(charge(local("2026-01-11 23:45")), tariff=tariff)[0]
    assert row["time_cost"] == pytest.approx(15.0)


def test_night_price_in_the_night_the_clocks_go_forward() -> None:
    """2026-03-29: 02:00 becomes 03:00, so 22 to 6 lasts seven hours and 1 to 3 one."""
    row = charge(local("2026-03-28 21:00"), stay_min=10 * 60)
    night = (TariffElement(per_minute=1.0, from_time=time(22), to_time=time(6)),)
    assert priced(row, tariff=night)[0]["time_cost"] == pytest.approx(7 * 60)
    small = (TariffElement(per_minute=1.0, from_time=time(1), to_time=time(3)),)
    assert priced(row, tariff=small)[0]["time_cost"] == pytest.approx(60)
    # A switch at a local time that the night skips takes effect with the jump.
    skipped = (TariffElement(per_minute=1.0, from_time=time(2, 30), to_time=time(4)),)
    assert priced(row, tariff=skipped)[0]["time_cost"] == pytest.approx(60)


def test_night_price_in_the_night_the_clocks_go_back() -> None:
    """2026-10-25: 03:00 becomes 02:00, so what holds from 2 to 3 holds twice."""
    row = charge(local("2026-10-24 21:00"), stay_min=11 * 60)
    night = (TariffElement(per_minute=1.0, from_time=time(22), to_time=time(6)),)
    assert priced(row, tariff=night)[0]["time_cost"] == pytest.approx(9 * 60)
    twice = (TariffElement(per_minute=1.0, from_time=time(2, 30), to_time=time(3)),)
    assert priced(row, tariff=twice)[0]["time_cost"] == pytest.approx(60)


def test_a_clock_that_moves_half_an_hour() -> None:
    """Lord Howe, 2026-10-04: 02:00 becomes 02:30."""
    zone = "Australia/Lord_Howe"
    row = charge(local("2026-10-04 01:00", zone), stay_min=180)
    tariff = (TariffElement(per_minute=1.0, from_time=time(1, 30), to_time=time(3)),)
    assert priced(row, tariff=tariff, zone=zone)[0]["time_cost"] == pytest.approx(60)


def test_idle_minutes_after_their_grace() -> None:
    tariff = (TariffElement(per_minute=0.05, idle_per_minute=0.10, grace_min=10),)
    long_stay, short_stay = priced(
        charge(MONDAY_NOON, stay_min=65, charging_min=30.0),
        charge(MONDAY_NOON, stay_min=38, charging_min=30.0),
        tariff=tariff,
    )
    assert long_stay["time_cost"] == pytest.approx(1.50)
    assert long_stay["idle_cost"] == pytest.approx(25 * 0.10)
    assert short_stay["idle_cost"] == pytest.approx(0.0, abs=1e-12)


def test_grace_runs_from_the_end_of_the_charge_also_across_a_switch() -> None:
    """Idle from 12:30 to 13:30; from 13:00 on it costs, but not in the first 45 idle minutes."""
    tariff = (TariffElement(idle_per_minute=1.0, grace_min=45, from_time=time(13)),)
    row = priced(charge(MONDAY_NOON, stay_min=90, charging_min=30.0), tariff=tariff)[0]
    assert row["idle_cost"] == pytest.approx(15.0)


@pytest.mark.parametrize(
    ("other", "energy_cost"),
    [
        # AC at 11 kW from 21:00 takes 18.6 kWh in 101 min: 60 by day, 41.45 by night.
        ({"mode": "ac", "power_max_kw": 11.0}, None),
        ({"mode": "dc"}, 20 * (1 * 0.40 + 7 * 0.20) / 8),
        ({"mode": "ac", "power_max_kw": None}, 20 * (1 * 0.40 + 7 * 0.20) / 8),
    ],
)
def test_unknown_charging_minutes(other: dict[str, Any], energy_cost: float | None) -> None:
    row = charge(local("2026-01-12 21:00"), stay_min=480, charging_min=None, **other)
    if energy_cost is None:
        whole_min = 18.6 / 11 * 60
        energy_cost = 20 * (60 * 0.40 + (whole_min - 60) * 0.20) / whole_min
    assert priced(row, tariff=DAY_AND_NIGHT)[0]["energy_cost"] == pytest.approx(energy_cost)


def test_energy_that_nobody_metered_is_the_rise_of_charge() -> None:
    row = priced(charge(MONDAY_NOON, meter_kwh=None), tariff=DAY_AND_NIGHT)[0]
    assert row["priced_kwh"] == pytest.approx(18.0)
    assert row["energy_cost"] == pytest.approx(18.0 / 0.93 * 0.40)


def test_unknown_energy_leaves_the_cost_unknown_unless_only_minutes_are_paid() -> None:
    blind = charge(MONDAY_NOON, meter_kwh=None, soc_end_pct=None)
    row = priced(blind, tariff=DAY_AND_NIGHT)[0]
    assert (row["total_cost"], row["price_per_kwh"]) == (None, None)
    row = priced(blind, tariff=(TariffElement(per_minute=0.1),))[0]
    assert (row["total_cost"], row["price_per_kwh"]) == (pytest.approx(3.0), None)


def test_a_charge_of_nothing_has_a_cost_and_no_price() -> None:
    row = priced(charge(MONDAY_NOON, energy_kwh=0.0), tariff=(TariffElement(flat=0.5),))[0]
    assert (row["total_cost"], row["price_per_kwh"]) == (0.5, None)


def test_rows_keep_their_order_and_an_empty_frame_its_columns() -> None:
    rows = [charge(MONDAY_NOON - timedelta(hours=k), site_id=s) for k, s in enumerate("bab")]
    got = session_costs(frame(*rows), {"a": DAY_AND_NIGHT}, ZONE, FLEET_PRICE, EFFICIENCY)
    assert got["site_id"].to_list() == ["b", "a", "b"]
    assert got["cost_source"].to_list() == ["fleet_price", "tariff", "fleet_price"]
    empty = session_costs(frame(), {"a": DAY_AND_NIGHT}, ZONE, FLEET_PRICE, EFFICIENCY)
    assert empty.columns == got.columns
    assert pack_inventory(empty, FLEET_PRICE).is_empty()


def test_inventory_by_hand() -> None:
    """60 kWh: first charge at 30 % finds 18 kWh at 0.40 and brings 18 for 3.60, so 0.30; 12 kWh
    of that are left at the next, which brings 24 for 14.40: (12 x 0.30 + 14.40) / 36 = 0.50."""
    first, second = inventory(
        charge(MONDAY_NOON, energy_kwh=18.0, invoiced_cost=3.60),
        charge(
            MONDAY_NOON + timedelta(hours=6), energy_kwh=24.0, invoiced_cost=14.40,
            soc_start_pct=20.0,
        ),
    )  # fmt: skip
    assert (first["held_kwh"], first["price_before_per_kwh"]) == (18.0, 0.40)
    assert (first["price_why"], first["is_price_assumed"]) == ("first_charge", True)
    assert first["price_after_per_kwh"] == pytest.approx(0.30)
    assert first["assumed_after_rate"] == pytest.approx(0.5)
    assert (second["held_kwh"], second["price_why"]) == (pytest.approx(12.0), None)
    assert second["price_before_per_kwh"] == pytest.approx(0.30)
    assert second["price_after_per_kwh"] == pytest.approx(0.50)
    assert second["assumed_after_rate"] == pytest.approx(0.5 * 12 / 36)


def test_time_and_flat_parts_are_in_the_price() -> None:
    tariff = (TariffElement(energy_per_kwh=0.3, per_minute=0.1, flat=1.0, idle_per_minute=0.2),)
    costs = session_costs(
        frame(charge(MONDAY_NOON, stay_min=40, charging_min=30.0, soc_start_pct=0.0)),
        {"fast": tariff}, ZONE, FLEET_PRICE, EFFICIENCY,
    )  # fmt: skip
    ledger = pack_inventory(costs, FLEET_PRICE).to_dicts()[0]
    assert ledger["price_after_per_kwh"] == pytest.approx((6 + 3 + 1 + 2) / 18.6)


def test_each_vehicle_has_its_own_pack() -> None:
    ledger = inventory(
        charge(MONDAY_NOON, vehicle_id="a", invoiced_cost=30.0),
        charge(MONDAY_NOON + timedelta(hours=1), vehicle_id="b"),
        charge(MONDAY_NOON + timedelta(hours=2), vehicle_id="a"),
    )
    assert ledger[1]["price_before_per_kwh"] == 0.40
    assert ledger[1]["price_why"] == "first_charge"
    assert ledger[2]["price_before_per_kwh"] > 0.8


@pytest.mark.parametrize(
    ("gap", "why"),
    [
        ({"soc_start_pct": None}, "no_state_of_charge"),
        ({"usable_kwh": None}, "no_capacity"),
        ({"energy_kwh": None, "soc_end_pct": None, "invoiced_cost": None}, "no_cost"),
    ],
)
def test_what_cannot_be_mixed_falls_back_to_the_fleet_price(gap: dict[str, Any], why: str) -> None:
    """The price before is still that of the earlier charges; after, the mixture is unknown."""
    dear = {"invoiced_cost": 40.0, "soc_start_pct": 1.0, "soc_end_pct": 32.0}
    _, middle, last = inventory(
        charge(MONDAY_NOON, **dear),
        charge(MONDAY_NOON + timedelta(hours=6), **(dear | gap)),
        charge(MONDAY_NOON + timedelta(hours=12), **dear),
    )
    assert middle["price_why"] == why
    assert middle["price_before_per_kwh"] > 1.5
    assert not middle["is_price_assumed"]
    assert middle["price_after_per_kwh"] == FLEET_PRICE.per_kwh
    assert last["price_before_per_kwh"] == FLEET_PRICE.per_kwh
    assert last["is_price_assumed"] is True


def test_energy_charged_unseen_comes_at_the_fleet_price() -> None:
    """Left at 60 %, found at 80: a quarter of the 48 kWh is new, at 0.40 and assumed."""
    _, second = inventory(
        charge(MONDAY_NOON, soc_start_pct=0.0, energy_kwh=36.0, invoiced_cost=36.0),
        charge(MONDAY_NOON + timedelta(days=2), soc_start_pct=80.0, soc_end_pct=90.0),
    )
    assert (second["unseen_kwh"], second["price_why"]) == (pytest.approx(12.0), "unseen_charge")
    assert second["price_before_per_kwh"] == pytest.approx(0.75 * 1.0 + 0.25 * 0.40)
    assert second["assumed_before_rate"] == pytest.approx(0.25)


def test_assumed_prices_stay_marked_until_they_are_used_up() -> None:
    rows = [
        charge(
            MONDAY_NOON + timedelta(days=k), soc_start_pct=20.0, soc_end_pct=80.0,
            energy_kwh=36.0, invoiced_cost=None if k < 2 else 9.0,
        )
        for k in range(5)
    ]  # fmt: skip
    nobody = inventory(*rows, fleet_price=FleetPrice(0.4, is_assumed=True))
    assert [row["is_price_assumed"] for row in nobody] == [True, True, True, False, False]
    assert nobody[3]["assumed_before_rate"] == pytest.approx(0.25)
    told = inventory(*rows)
    assert [row["is_price_assumed"] for row in told] == [True, False, False, False, False]


def test_price_of_warming_that_no_charge_followed() -> None:
    costs = session_costs(
        frame(
            charge(MONDAY_NOON, soc_start_pct=0.0, energy_kwh=18.0, invoiced_cost=18.0),
            charge(MONDAY_NOON, vehicle_id="v2", invoiced_cost=1.0),
        ),
        {}, ZONE, FLEET_PRICE, EFFICIENCY,
    )  # fmt: skip
    ledger = pack_inventory(costs, FLEET_PRICE)
    at = [MONDAY_NOON + timedelta(minutes=m) for m in (300, -5, 0)]
    moments = pl.DataFrame({"vehicle_id": ["v1", "v1", "v1"], "warming_began_at": at})
    moments = moments.with_columns(pl.col("warming_began_at").dt.convert_time_zone("UTC"))
    got = held_price(ledger, moments, "warming_began_at", FLEET_PRICE)
    assert got["held_price_per_kwh"].to_list() == pytest.approx([1.0, 0.40, 0.40])
    assert got["is_price_assumed"].to_list() == [False, True, True]


def test_marginal_price_is_the_energy_price_at_the_moment_through_the_charger() -> None:
    stops = frame(
        charge(MONDAY_NOON), charge(local("2026-01-12 23:00")), charge(MONDAY_NOON, site_id="x")
    )
    tariff = (*DAY_AND_NIGHT, TariffElement(flat=5.0, per_minute=1.0))
    got = marginal_price(stops, {"fast": tariff}, ZONE, FLEET_PRICE, EFFICIENCY)
    assert got["marginal_price_per_kwh"].to_list() == pytest.approx([0.40 / 0.93, 0.20 / 0.93, 0.4])
    assert got["price_source"].to_list() == ["tariff", "tariff", "fleet_price"]


def test_minute_fees_follow_the_rate_at_the_end_of_the_charge() -> None:
    """Plugged in at 21:40; the last minutes lie across 22:00, where the rate falls."""
    tariff = (
        TariffElement(per_minute=0.30, from_time=time(6), to_time=time(22)),
        TariffElement(per_minute=0.10),
    )
    stops = frame(*[charge(local("2026-01-12 21:40"))] * 4, charge(MONDAY_NOON, site_id="x"))
    fees = minute_fees(
        stops,
        np.array([15.0, 25.0, 30.0, np.nan, 15.0]),
        np.array([30.0, 30.0, 15.0, 30.0, 30.0]),
        {"fast": tariff},
        ZONE,
    )
    expected = [5 * 0.3 + 10 * 0.1, 5 * 0.1, -(5 * 0.3 + 10 * 0.1), np.nan, np.nan]
    np.testing.assert_allclose(fees, expected, atol=1e-9)


def test_minutes_saved_by_who_stays_on_become_idle_ones() -> None:
    tariff = (TariffElement(per_minute=0.30, idle_per_minute=0.20, grace_min=10),)
    stops = frame(*[charge(MONDAY_NOON)] * 3)
    fees = minute_fees(
        stops, np.array([24.0] * 3), np.array([30.0] * 3), {"fast": tariff}, ZONE,
        stays_until_min=np.array([np.nan, 60.0, 36.0]),
    )  # fmt: skip
    # Left at once: 6 min saved. Stayed 30 more: 6 idle minutes are paid. Stayed 6: 2 beyond grace.
    np.testing.assert_allclose(fees, [1.8, 1.8 - 6 * 0.2, 1.8 - 2 * 0.2], atol=1e-9)


def test_many_charges_are_quick() -> None:
    """52,000 charges at 20 sites over a year: about 0.3 s here, bound at ten times that."""
    rng = np.random.default_rng(5)
    n = 52_000
    start = datetime(2025, 10, 1)
    plug_in = pl.Series(rng.integers(0, 364 * 1440, n)) * 60_000_000
    base = pl.lit(start).dt.replace_time_zone("UTC")
    soc = rng.uniform(5, 60, n)
    stay_min = rng.integers(20, 600, n).astype(float)
    charges = pl.select(
        vehicle_id=pl.Series([f"v{k}" for k in rng.integers(0, 100, n)]),
        plug_in_at=base + plug_in.cast(pl.Duration("us")),
        plug_out_at=base + (plug_in + pl.Series(stay_min * 6e7).cast(pl.Int64)).cast(
            pl.Duration("us")
        ),
        site_id=pl.Series([f"s{k}" for k in rng.integers(0, 20, n)]),
        mode=pl.lit("dc"),
        soc_start_pct=pl.Series(soc),
        soc_end_pct=pl.Series(soc + 30),
        energy_kwh=pl.lit(18.0),
        power_max_kw=pl.lit(50.0),
        usable_kwh=pl.lit(60.0),
        charging_min=pl.Series(stay_min / 2),
        invoiced_cost=pl.lit(None, pl.Float64),
    )  # fmt: skip
    begun = perf_counter()
    costs = session_costs(
        charges, {f"s{k}": DAY_AND_NIGHT for k in range(20)}, ZONE, FLEET_PRICE, EFFICIENCY
    )
    ledger = pack_inventory(costs, FLEET_PRICE)
    assert perf_counter() - begun < 3.0
    assert len(ledger) == n
    assert ledger["price_after_per_kwh"].is_between(0.1, 0.6).all()
