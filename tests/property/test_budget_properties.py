"""Laws of the budget that hold whatever the numbers."""

from __future__ import annotations

from datetime import date

import numpy as np
import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.budget.blocks import draw_days
from pipeline.budget.season import Season, parse_season
from pipeline.budget.simulate import levels_by_slot
from pipeline.budget.summary import percentiles, with_season
from pipeline.budget.variance import CAUSES, factors, split, variance_table
from pipeline.budget.weather import Weather

AMOUNT = st.one_of(st.just(0.0), st.floats(1e-3, 1e5))
SIDE = st.tuples(AMOUNT, AMOUNT, AMOUNT, AMOUNT)


def as_side(numbers: tuple[float, float, float, float]) -> dict[str, np.ndarray]:
    value, stops, asked, price = (np.array([x]) for x in numbers)
    # A value without stops, need or price is none.
    value = np.where(stops * asked * price > 0, value, 0.0)
    return factors(value, stops, asked, price)


def product(side: dict[str, np.ndarray]) -> float:
    known = {name: np.nan_to_num(values) for name, values in side.items()}
    return float(np.prod([known[name][0] for name in CAUSES]))


@given(SIDE, SIDE)
@settings(max_examples=60, deadline=None)
def test_the_parts_add_up_exactly(budget: tuple[float, ...], actual: tuple[float, ...]) -> None:
    before, after = as_side(budget), as_side(actual)  # type: ignore[arg-type]
    parts = split(before, after)
    total = sum(float(part[0]) for part in parts.values())
    largest = max(
        1.0, *(abs(float(part[0])) for part in parts.values()), product(before), product(after)
    )
    assert abs(total - (product(after) - product(before))) <= 1e-9 * largest


@given(SIDE, SIDE)
@settings(max_examples=60, deadline=None)
def test_the_printed_parts_add_up_whatever_came(
    budget: tuple[float, ...], actual: tuple[float, ...]
) -> None:
    """Money without a stop, stops without a need: no product, and still nothing is lost."""
    fields = ("value", "stops_n", "weather_per_stop", "price")
    row = {
        f"{side}_{field}": [number]
        for side, numbers in (("budget", budget), ("actual", actual))
        for field, number in zip(fields, numbers, strict=True)
    }
    found = variance_table(pl.DataFrame(row)).row(0, named=True)
    parts = [found[f"{cause}_part_value"] for cause in CAUSES]
    largest = max(1.0, *(abs(part) for part in parts))
    assert abs(sum(parts) - (actual[0] - budget[0])) <= 1e-9 * largest


@given(SIDE, SIDE)
@settings(max_examples=60, deadline=None)
def test_turning_budget_and_actual_round_turns_every_part(
    budget: tuple[float, ...], actual: tuple[float, ...]
) -> None:
    before, after = as_side(budget), as_side(actual)  # type: ignore[arg-type]
    there, back = split(before, after), split(after, before)
    for cause in CAUSES:
        scale = max(1.0, abs(float(there[cause][0])))
        assert abs(float(there[cause][0] + back[cause][0])) <= 1e-9 * scale


@given(SIDE, st.sampled_from(["weather", "volume", "price"]), st.floats(0.1, 10))
@settings(max_examples=40, deadline=None)
def test_a_cause_that_did_not_change_has_no_part(
    numbers: tuple[float, ...], changed: str, by: float
) -> None:
    before = as_side(numbers)  # type: ignore[arg-type]
    after = dict(before) | {changed: before[changed] * by}
    parts = split(before, after)
    for cause in CAUSES:
        if cause != changed:
            assert parts[cause][0] == 0


@given(st.integers(0, 2**31), st.integers(1, 13), st.integers(20, 60))
@settings(max_examples=8, deadline=None)
def test_every_drawn_day_is_complete_and_in_its_season(seed: int, month: int, missing: int) -> None:
    rng = np.random.default_rng(seed)
    days_n = 4 * 366
    hours = rng.normal(0, 5, (days_n, 24))
    hours[rng.integers(0, days_n, missing), rng.integers(0, 24, missing)] = np.nan
    weather = Weather(date(2020, 1, 1), hours, hours.mean(axis=1))
    season = Season((date(2027, 1, 1), date(2027, 1, 1 + 2 * month)))
    days = draw_days(weather, season, 50, rng)
    assert weather.is_complete[days].all()
    of_year = np.array([weather.days[k].timetuple().tm_yday for k in days[:, 0]])
    assert ((of_year <= 17) | (of_year >= 349)).all()


@given(st.integers(2, 40), st.integers(0, 2**31))
@settings(max_examples=25, deadline=None)
def test_quantiles_are_those_of_numpy(winters_n: int, seed: int) -> None:
    values = np.random.default_rng(seed).normal(size=(2, winters_n, 3, 4)).astype(np.float32)
    found = percentiles(with_season(values))
    whole = np.concatenate((values, values.sum(axis=2, keepdims=True)), axis=2)
    expected = np.moveaxis(np.quantile(whole, (0.1, 0.5, 0.9), axis=1), 0, -1)
    assert np.allclose(found[..., :3], expected, atol=1e-5)
    assert np.allclose(found[..., 3], whole.mean(axis=1), atol=1e-5)


@given(st.lists(st.floats(0, 1), min_size=4, max_size=4).filter(lambda w: sum(w) > 1e-3))
def test_levels_come_as_often_as_their_weights(weights: list[float]) -> None:
    share = np.bincount(levels_by_slot(np.array(weights)), minlength=5)[1:] / 256
    assert np.abs(share - np.array(weights) / sum(weights)).max() <= 1 / 128


@given(st.integers(2000, 2100), st.integers(1, 12), st.integers(0, 23))
def test_a_season_holds_its_months_and_days(year: int, month: int, more: int) -> None:
    last = year * 12 + month - 1 + more
    season = parse_season(f"{year:04d}-{month:02d}..{last // 12:04d}-{last % 12 + 1:02d}")
    assert season.months_n == more + 1
    assert season.month_days.sum() == season.days_n
    assert season.month_from_day[0] == 0
    assert set(season.month_days.tolist()) <= {28, 29, 30, 31}
