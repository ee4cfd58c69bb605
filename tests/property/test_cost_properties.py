"""Laws of cost: money is neither made nor lost, and no order or cut changes a sum."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
import pytest
from cost_frames import EFFICIENCY, FLEET_PRICE, ZONE, charge, frame, priced
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.cost import minute_fees, recorded_breaks, session_costs
from pipeline.inventory import pack_inventory
from pipeline.tariff_config import WEEKDAYS, TariffElement

# Around both changes of the clocks of 2026 in the north and the south, and a plain week.
STARTS = (
    datetime(2026, 3, 28, 12, tzinfo=UTC),
    datetime(2026, 10, 24, 12, tzinfo=UTC),
    datetime(2026, 10, 3, 9, tzinfo=UTC),
    datetime(2026, 4, 4, 9, tzinfo=UTC),
    datetime(2026, 1, 16, 12, tzinfo=UTC),
)
ZONES = ("Europe/Stockholm", "Australia/Lord_Howe", "America/St_Johns", "Asia/Kolkata", "UTC")
price = st.integers(0, 100).map(lambda cents: cents / 100)
clock = st.builds(time, st.integers(0, 23), st.integers(0, 59))


@st.composite
def elements(draw: st.DrawFn) -> TariffElement:
    """One element with any of the four prices and any restrictions."""
    names = ("energy_per_kwh", "per_minute", "idle_per_minute", "flat")
    wanted = draw(st.sets(st.sampled_from(names), min_size=1))
    values: dict[str, Any] = {name: draw(price) for name in sorted(wanted)}
    if "idle_per_minute" in values and draw(st.booleans()):
        values["grace_min"] = draw(st.integers(0, 120))
    if draw(st.booleans()):
        ends = draw(st.lists(clock, min_size=2, max_size=2, unique=True))
        values |= {"from_time": ends[0], "to_time": ends[1]}
    if draw(st.booleans()):
        values["days"] = tuple(sorted(draw(st.sets(st.sampled_from(WEEKDAYS), min_size=1))))
    if draw(st.integers(0, 3)) == 0:
        values["valid_from"] = draw(st.dates(date(2026, 1, 10), date(2026, 10, 27)))
    return TariffElement(**values)


tariffs = st.lists(elements(), min_size=1, max_size=4).map(tuple)


def rate(
    tariff: tuple[TariffElement, ...], component: str, instant: datetime, idle_min: float
) -> float:
    """Price of a component at one moment, by the words of the standard."""
    for element in tariff:
        if getattr(element, component) is None:
            continue
        at = instant.time()
        begin, end = element.from_time, element.to_time
        if begin is not None and end is not None:
            is_inside = begin <= at < end if begin < end else at >= begin or at < end
            if not is_inside:
                continue
        if element.days is not None and WEEKDAYS[instant.weekday()] not in element.days:
            continue
        if element.valid_from is not None and instant.date() < element.valid_from:
            continue
        if component == "idle_per_minute" and idle_min < element.grace_min:
            return 0.0
        return float(getattr(element, component))
    return 0.0


@settings(max_examples=150, deadline=None)
@given(
    tariff=tariffs,
    zone=st.sampled_from(ZONES),
    start=st.sampled_from(STARTS),
    begin_min=st.integers(0, 1500),
    charging_min=st.integers(0, 400),
    idle_min=st.integers(0, 400),
)
def test_costs_are_those_of_counting_minute_by_minute(
    tariff: tuple[TariffElement, ...],
    zone: str,
    start: datetime,
    begin_min: int,
    charging_min: int,
    idle_min: int,
) -> None:
    plug_in = start + timedelta(minutes=begin_min)
    row = priced(
        charge(plug_in, stay_min=charging_min + idle_min, charging_min=float(charging_min)),
        tariff=tariff,
        zone=zone,
    )[0]
    info = ZoneInfo(zone)
    middles = [
        (plug_in + timedelta(minutes=k + 0.5)).astimezone(info)
        for k in range(charging_min + idle_min)
    ]
    active, idle = middles[:charging_min], middles[charging_min:]
    by_minute = sum(rate(tariff, "per_minute", at, 0) for at in active)
    assert row["time_cost"] == pytest.approx(by_minute, abs=1e-6)
    by_minute = sum(rate(tariff, "idle_per_minute", at, k + 0.5) for k, at in enumerate(idle))
    assert row["idle_cost"] == pytest.approx(by_minute, abs=1e-6)
    at_once = plug_in.astimezone(info)
    assert row["flat_cost"] == rate(tariff, "flat", at_once, 0)
    prices = [rate(tariff, "energy_per_kwh", at, 0) for at in active or [at_once]]
    assert row["energy_cost"] == pytest.approx(20 * float(np.mean(prices)), abs=1e-6)


@settings(max_examples=60, deadline=None)
@given(
    tariff=tariffs,
    start=st.sampled_from(STARTS),
    begin_min=st.integers(0, 1500),
    first_min=st.integers(1, 300),
    second_min=st.integers(1, 300),
)
def test_a_charge_cut_in_two_costs_the_same(
    tariff: tuple[TariffElement, ...],
    start: datetime,
    begin_min: int,
    first_min: int,
    second_min: int,
) -> None:
    """At any instant, hence at that of a switch too; the sum per session is paid twice."""
    plug_in = start + timedelta(minutes=begin_min)
    whole_min = first_min + second_min
    whole, first, second = priced(
        charge(plug_in, whole_min, meter_kwh=20.0),
        charge(plug_in, first_min, meter_kwh=20.0 * first_min / whole_min),
        charge(
            plug_in + timedelta(minutes=first_min),
            second_min,
            meter_kwh=20.0 * second_min / whole_min,
        ),
        tariff=tariff,
    )
    for part in ("energy_cost", "time_cost"):
        assert first[part] + second[part] == pytest.approx(whole[part], abs=1e-6)


@settings(max_examples=60, deadline=None)
@given(
    tariff=tariffs,
    start=st.sampled_from(STARTS),
    cuts=st.lists(st.floats(-60, 400), min_size=3, max_size=3),
)
def test_minute_fees_add_up_and_turn_their_sign(
    tariff: tuple[TariffElement, ...], start: datetime, cuts: list[float]
) -> None:
    a, b, c = cuts
    stops = frame(*[charge(start)] * 4)
    ab, bc, ac, ba = minute_fees(
        stops, np.array([a, b, a, b]), np.array([b, c, c, a]), {"fast": tariff}, ZONE
    )
    assert ab + bc == pytest.approx(ac, abs=1e-6)
    assert ab == pytest.approx(-ba, abs=1e-9)


@st.composite
def histories(draw: st.DrawFn) -> list[dict[str, Any]]:
    """Charges of up to three vehicles: what the pack holds follows from the charges before."""
    rows = []
    for vehicle in range(draw(st.integers(1, 3))):
        soc, at = draw(st.floats(10, 60)), datetime(2026, 1, 1, tzinfo=UTC)
        for _ in range(draw(st.integers(1, 8))):
            added = draw(st.floats(0.0, (100 - soc) * 0.6))
            rows.append(
                charge(
                    at,
                    vehicle_id=f"v{vehicle}",
                    soc_start_pct=soc,
                    soc_end_pct=soc + added / 0.6,
                    energy_kwh=added,
                    invoiced_cost=draw(st.floats(0, 40)),
                )
            )
            soc = draw(st.floats(1, soc + added / 0.6))
            at += timedelta(hours=draw(st.integers(1, 60)))
    return draw(st.permutations(rows))


@settings(max_examples=100, deadline=None)
@given(rows=histories())
def test_what_was_spent_is_held_or_consumed(rows: list[dict[str, Any]]) -> None:
    """Summed by hand from the ledger's prices, per vehicle: nothing is lost between charges."""
    costs = session_costs(frame(*rows), {}, ZONE, FLEET_PRICE, EFFICIENCY)
    ledger = costs.hstack(pack_inventory(costs, FLEET_PRICE).drop("vehicle_id", "plug_in_at")).sort(
        "vehicle_id", "plug_in_at"
    )
    for _, own in ledger.group_by("vehicle_id", maintain_order=True):
        history = own.to_dicts()
        spent = history[0]["held_kwh"] * FLEET_PRICE.per_kwh
        consumed, held, held_kwh = 0.0, spent, history[0]["held_kwh"]
        for row in history:
            consumed += (held_kwh - row["held_kwh"]) * row["price_before_per_kwh"]
            spent += row["total_cost"]
            held_kwh = row["held_kwh"] + row["priced_kwh"]
            held = held_kwh * row["price_after_per_kwh"]
            assert held + consumed == pytest.approx(spent, abs=1e-6)
        prices = [FLEET_PRICE.per_kwh, *own["price_per_kwh"].to_list()]
        if None not in prices:
            averages = own["price_after_per_kwh"].to_list()
            assert min(prices) - 1e-9 <= min(averages) <= max(averages) <= max(prices) + 1e-9
        assert own["assumed_after_rate"].is_between(0, 1 + 1e-12).all()


@settings(max_examples=60, deadline=None)
@given(rows=histories(), seed=st.integers(0, 100))
def test_the_order_of_the_rows_does_not_matter(rows: list[dict[str, Any]], seed: int) -> None:
    charges = frame(*rows)
    shuffled = charges.sample(fraction=1.0, shuffle=True, seed=seed)

    def ledger(given: pl.DataFrame) -> pl.DataFrame:
        costs = session_costs(given, {}, ZONE, FLEET_PRICE, EFFICIENCY)
        found = pack_inventory(costs, FLEET_PRICE)
        assert found["plug_in_at"].to_list() == given["plug_in_at"].to_list()
        return found.sort("vehicle_id", "plug_in_at")

    assert ledger(charges).equals(ledger(shuffled))


@settings(max_examples=80, deadline=None)
@given(
    spans=st.lists(
        st.tuples(st.integers(-60, 90), st.integers(0, 90), st.sampled_from(["ann", "bob", None])),
        max_size=6,
    ),
    driver=st.sampled_from(["ann", None]),
)
def test_break_minutes_are_those_of_counting_them(
    spans: list[tuple[int, int, str | None]], driver: str | None
) -> None:
    at = datetime(2026, 1, 12, 12, tzinfo=UTC)
    stops = frame(charge(at, stay_min=45)).with_columns(driver_id=pl.lit(driver, pl.String))
    instant = pl.Datetime("us", "UTC")
    breaks = pl.DataFrame(
        [
            ("v1", at + timedelta(minutes=a), at + timedelta(minutes=a + n), who, "break")
            for a, n, who in spans
        ],
        schema={
            "vehicle_id": pl.String, "from_at": instant, "to_at": instant,
            "driver_id": pl.String, "use": pl.String,
        },
        orient="row",
    )  # fmt: skip
    counted = sum(
        any(
            a <= minute < a + n and (who is None or driver is None or who == driver)
            for a, n, who in spans
        )
        for minute in range(45)
    )
    assert recorded_breaks(stops, breaks)[0] == pytest.approx(counted)
