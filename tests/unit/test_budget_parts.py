"""Arrivals, starts, templates and scenarios, each by itself."""

from __future__ import annotations

from datetime import date

import numpy as np
import polars as pl
import pytest

from pipeline.budget import priors
from pipeline.budget.arrival import draw_arrivals, fit_arrivals, station_offset
from pipeline.budget.given import ARRIVALS, STARTS, STOPS, empty
from pipeline.budget.physics import model_facts
from pipeline.budget.scenario import load_scenarios, parse_scenario, standard_scenarios
from pipeline.budget.simulate import levels_by_slot
from pipeline.budget.starts import SHARES, draw_starts, fit_starts
from pipeline.budget.tables import ModelFacts
from pipeline.budget.templates import HOUR_SLOTS_N, make_templates
from pipeline.charging import ChargeModel
from pipeline.problems import ColdMinutesError
from pipeline.thermal import ThermalModel

DAY = date(2026, 1, 5)


def arrivals(count: int, seed: int = 1, hall: float = 0.0, vehicles_n: int = 4) -> pl.DataFrame:
    rng = np.random.default_rng(seed)
    outside, approach = rng.normal(0, 7, count), rng.uniform(5, 90, count)
    vehicle = np.arange(count) % vehicles_n
    degc = 8 + 0.5 * outside + 4 * approach / 60 + rng.normal(0, 2, count)
    degc += np.where(vehicle == 0, hall, 0.0)
    return pl.DataFrame(
        {
            "vehicle_id": [f"v{k}" for k in vehicle], "local_day": [DAY] * count,
            "plug_in_hour": [12] * count, "evidence_grade": ["A"] * count,
            "outside_degc": outside, "approach_min": approach, "unwarmed_degc": degc,
            "unwarmed_cold_min": [None] * count,
        },
        schema=ARRIVALS,
    )  # fmt: skip


def test_the_regression_finds_what_was_put_in() -> None:
    model = fit_arrivals(arrivals(2000))
    assert model.mean == pytest.approx([8, 0.5, 4], abs=0.35)
    assert model.residual_kelvin == pytest.approx(2, rel=0.05)


def test_no_arrivals_give_the_prior_and_few_stay_near_it() -> None:
    none = fit_arrivals(empty(ARRIVALS))
    assert none.mean.tolist() == list(priors.ARRIVAL_MEAN)
    assert none.residual_kelvin == pytest.approx(priors.ARRIVAL_RESIDUAL_KELVIN)
    one = fit_arrivals(arrivals(1))
    assert one.mean == pytest.approx(priors.ARRIVAL_MEAN, abs=4)
    spreads = []
    for rows in (empty(ARRIVALS), arrivals(5), arrivals(100), arrivals(2000)):
        model = fit_arrivals(rows)
        draws = draw_arrivals(model, 3000, np.random.default_rng(2))
        spreads.append(float((draws.coefficients @ np.array([1, -10, 0.7])).std()))
    assert spreads[0] > 1.5 * spreads[1] > 2 * spreads[2] > 2 * spreads[3]


def test_outliers_do_not_pull() -> None:
    rows = arrivals(200)
    broken = rows.with_columns(
        unwarmed_degc=pl.when(pl.int_range(pl.len()) % 15 == 0)
        .then(60.0)
        .otherwise("unwarmed_degc")
    )
    clean, pulled = fit_arrivals(rows), fit_arrivals(broken)
    # Least squares would be pulled by 60 / 15, some 3.5 K.
    at = np.array([-5.0]), np.array([30.0])
    assert pulled.predict(*at) == pytest.approx(clean.predict(*at), abs=0.9)
    assert pulled.residual_kelvin < 5


def test_grades_below_b_teach_nothing() -> None:
    rows = arrivals(100).with_columns(evidence_grade=pl.lit("C"))
    assert fit_arrivals(rows).rows_n == 0


def test_a_vehicle_that_sleeps_in_a_hall_is_warmer() -> None:
    model = fit_arrivals(arrivals(800, hall=8.0))
    offsets = model.vehicle_kelvin
    assert offsets["v0"] - offsets["v1"] == pytest.approx(8, abs=0.8)
    few = fit_arrivals(arrivals(8, hall=8.0)).vehicle_kelvin
    assert few["v0"] - few["v1"] < 8


def test_two_vehicles_do_not_tell_the_fleets_level() -> None:
    """Thousands of stops of two vans that differ say little about a third."""
    model = fit_arrivals(arrivals(4000, hall=6.0, vehicles_n=2))
    draws = draw_arrivals(model, 3000, np.random.default_rng(3))
    level = draws.coefficients @ np.array([1.0, 0.0, 0.5])
    assert level.std() > 1.5
    many = fit_arrivals(arrivals(4000, vehicles_n=40))
    sure = draw_arrivals(many, 3000, np.random.default_rng(3))
    assert (sure.coefficients @ np.array([1.0, 0.0, 0.5])).std() < 0.3


def test_the_thermometer_of_vehicles_against_the_series() -> None:
    rows = arrivals(100)
    series = rows["outside_degc"].to_numpy() - 2.0
    offset, compared_n = station_offset(rows, series)
    assert compared_n == 100
    assert offset == pytest.approx(2 * 100 / 120)
    assert station_offset(rows, np.full(100, np.nan)) == (0.0, 0)


def starts(rates: dict[str, tuple[int, int]], share: float = 1.0) -> pl.DataFrame:
    rows = [
        (name, DAY, k < started, share if k < started else None)
        for name, (started, needed) in rates.items()
        for k in range(needed)
    ]
    return pl.DataFrame(rows, schema=STARTS, orient="row")


def test_rates_of_starting_are_pooled() -> None:
    busy = {f"v{k}": (int(8 + 4 * (k % 3)), 20) for k in range(12)}
    model = fit_starts(starts(busy | {"never": (0, 3)}))
    drawn = draw_starts(model, ["v0", "never", "new"], 4000, np.random.default_rng(1))
    middle = np.median(drawn, axis=0)
    # Three misses in a fleet that starts in six of ten do not make a driver who never does.
    assert 0.25 < middle[1] < middle[2]
    assert middle[2] == pytest.approx(0.6, abs=0.08)
    assert drawn[:, 2].std() > drawn[:, 0].std()


def test_nobody_seen_is_hardly_known() -> None:
    model = fit_starts(empty(STARTS))
    drawn = draw_starts(model, ["a"], 4000, np.random.default_rng(1))
    assert drawn.mean() == pytest.approx(priors.START_RATE, abs=0.03)
    low, high = np.quantile(drawn, (0.1, 0.9))
    assert low < 0.08 and high > 0.85


def test_a_fleet_that_always_or_never_starts() -> None:
    for rates, low, high in (({"a": (30, 30)}, 0.75, 1.0), ({"a": (0, 30)}, 0.0, 0.25)):
        drawn = draw_starts(fit_starts(starts(rates)), ["a"], 500, np.random.default_rng(1))
        assert np.isfinite(drawn).all()
        assert low <= np.median(drawn) <= high


def test_habits_move_however_well_they_are_known() -> None:
    model = fit_starts(starts({f"v{k}": (200, 400) for k in range(20)}))
    drawn = draw_starts(model, [f"v{k}" for k in range(20)], 3000, np.random.default_rng(1))
    logits = np.log(drawn.mean(axis=1) / (1 - drawn.mean(axis=1)))
    assert logits.std() == pytest.approx(priors.START_DRIFT_LOGIT, rel=0.15)


def test_how_early_drivers_begin() -> None:
    late = fit_starts(starts({"a": (200, 200)}, share=0.45)).share_weights
    assert late.argmax() == 1 and late[1] > 0.9
    slots = levels_by_slot(np.array([0.25, 0.0, 0.25, 0.5]))
    assert np.bincount(slots, minlength=5).tolist() == [0, 64, 0, 64, 128]
    assert slots[0] == len(SHARES) - 1 and (np.diff(slots) <= 0).all()


def stops(count: int, vehicle: str = "a", site: float | None = 150.0) -> pl.DataFrame:
    rng = np.random.default_rng(count)
    row = {
        "vehicle_id": [vehicle] * count, "model_id": ["m"] * count, "local_day": [DAY] * count,
        "plug_in_hour": rng.integers(6, 20, count).tolist(), "site_power_kw": [site] * count,
        "soc_start_pct": rng.uniform(10, 45, count).tolist(),
        "energy_kwh": rng.uniform(15, 40, count).tolist(),
        "lead_min": rng.uniform(5, 30, count).tolist(), "able_min": [None] * count,
        "approach_min": rng.uniform(5, 90, count).tolist(), "drive_i2_a2": [900.0] * count,
        "idle_min": [None] * count, "break_min": [0.0] * count, "price_per_kwh": [None] * count,
        "fee_per_min": [None] * count,
    }  # fmt: skip
    return pl.DataFrame(row, schema=STOPS)


def vehicles(*names: str) -> pl.DataFrame:
    return pl.DataFrame({"vehicle_id": list(names), "model_id": ["m"] * len(names)})


def test_templates_keep_the_means_of_the_stops() -> None:
    seen = stops(3000)
    made = make_templates(seen, vehicles("a"), {"m": 60.0}, 0.45)
    assert made.rows.height == 64
    drawn = made.rows[made.slots[0]]
    for name in ("soc_start_pct", "energy_kwh", "approach_min", "lead_min"):
        assert drawn[name].mean() == pytest.approx(seen[name].mean(), rel=0.01)
        # Means of groups spread less than stops do, but not by much.
        assert drawn[name].std() > 0.6 * seen[name].std()
    assert set(made.rows["price_per_kwh"].round(9)) == {0.45}
    assert made.rows["able_min"].to_list() == pytest.approx(made.rows["lead_min"].to_list())
    assert len(made.hours) == HOUR_SLOTS_N
    assert made.hours.mean() == pytest.approx(seen["plug_in_hour"].mean(), abs=0.1)


def test_stops_without_charge_to_warm_with_stay_apart() -> None:
    seen = stops(1000).with_columns(
        able_min=pl.when(pl.int_range(pl.len()) % 5 == 0).then(0.0).otherwise(20.0)
    )
    made = make_templates(seen, vehicles("a"), {"m": 60.0}, 0.4)
    assert set(made.rows["able_min"].to_list()) == {0.0, 20.0}
    unable = made.rows["able_min"].to_numpy()[made.slots[0]] == 0
    assert unable.mean() == pytest.approx(0.2, abs=0.01)
    assert made.rows.height <= 64


def test_a_vehicle_has_its_own_mix_when_it_has_stops() -> None:
    seen = pl.concat([stops(200, "a", 50.0), stops(220, "b", 300.0)])
    made = make_templates(seen, vehicles("a", "b", "new"), {"m": 60.0}, 0.4)
    power = made.rows["site_power_kw"].to_numpy()
    slow = [(power[slots] < 100).mean() for slots in made.slots]
    assert slow[0] > 0.85 and slow[1] < 0.15 and 0.4 < slow[2] < 0.6


def test_a_site_that_does_not_limit_and_one_stop_only() -> None:
    made = make_templates(stops(1, site=None), vehicles("a"), {"m": 60.0}, 0.4)
    assert made.rows["site_power_kw"].to_list() == [1e6]
    assert made.from_history == {"m": True}


def test_a_model_without_stops_gets_usual_ones() -> None:
    made = make_templates(stops(0), vehicles("a"), {"m": 60.0}, 0.4)
    assert made.from_history == {"m": False}
    assert made.rows.height >= 6
    assert made.rows["energy_kwh"].max() <= 60
    assert made.hours.min() >= 0 and made.hours.max() <= 23


def test_scenarios_are_read_and_false_ones_refused_together() -> None:
    found = load_scenarios(
        [{"name": "Dear", "price_per_kwh": 0.6}, {"name": "Goal", "warming": "target",
                                                 "target_hit_rate": 0.8}], "budget.toml",
    )  # fmt: skip
    assert found[0].price_per_kwh == 0.6 and found[0].warming == "as_today"
    with pytest.raises(ColdMinutesError) as caught:
        load_scenarios(
            [
                {"name": "a", "price": 1},
                {"name": "b", "warming": "target"},
                {"name": "c", "winter_shift_kelvin": 90},
                {"name": "d"},
                {"name": "d"},
                {"name": "e", "price_per_kwh": float("nan")},
            ],
            "budget.toml",
        )
    text = str(caught.value)
    for said in ("scenario 1, key price", "go together", "scenario 3", "called 'd'", "scenario 6"):
        assert said in text, said


@pytest.mark.parametrize(
    "text",
    ["no colon", "x: price_per_kwh", "x: price_per_kwh=a", "x: name=y", ": price_per_kwh=1",
     "x: price_per_kwh=1, price_per_kwh=2", "x: fleet_size=0", "x: warming=maybe"],
)  # fmt: skip
def test_a_scenario_that_cannot_be_read(text: str) -> None:
    with pytest.raises(ColdMinutesError, match="BUDGET-04"):
        parse_scenario(text)


def test_standard_scenarios() -> None:
    assert [s.name for s in standard_scenarios(None)] == ["as_today", "everyone", "nobody"]
    assert standard_scenarios(0.8)[3].target_hit_rate == 0.8
    grown = parse_scenario("g: fleet_size=30, mileage_growth_rate=0.1")
    assert grown.volume(20) == pytest.approx(1.65)


def test_what_is_known_of_a_model_decides_how_far_it_may_be_out() -> None:
    knots = np.array([-10.0, 21.0])
    curve = ChargeModel(np.full(100, 80.0), 60.0, 21.0, "factor", knots, np.array([0.3, 1.0]))
    heat = ThermalModel(500.0, 0.07, 14.0, heat_se_kj_per_kelvin=40.0, source="learned")

    def made(charge: ChargeModel | None, source: str, **known: ThermalModel) -> ModelFacts:
        return model_facts(charge, known.get("thermal"), None, usable_kwh=60.0, cold_source=source)

    assert made(curve, "learned", thermal=heat).heat_spread == pytest.approx(0.08)
    assert made(curve, "learned").heat_spread == priors.HEAT_SPREAD_DEFAULT
    spreads = [
        made(charge, source).cold_spread
        for charge, source in (
            (curve, "learned"),
            (curve, "configured"),
            (curve, "none"),
            (None, "none"),
        )
    ]
    assert spreads == sorted(spreads) and spreads[0] < spreads[1] < spreads[2] == spreads[3]
    # Cold charges that were seen not to be slower cost nothing; not to know costs what is usual.
    assert made(curve, "not_seen").charge.cold_kw(50.0, -10.0) == 80.0
    assert made(curve, "none").charge.cold_kw(50.0, -10.0) < 40.0
    assert made(curve, "learned").charge.cold_kw(50.0, -10.0) == pytest.approx(24.0)
    unmeasured = ChargeModel(np.full(100, 80.0), float("nan"), 21.0)
    assert made(unmeasured, "none").charge.usable_kwh == 60.0
