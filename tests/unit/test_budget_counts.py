"""Stops a month: pooling, exposure, seasons, and how uncertainty shrinks as data arrive."""

from __future__ import annotations

from datetime import date

import numpy as np
import polars as pl
import pytest

from pipeline.budget import priors
from pipeline.budget.counts import draw_rates, fit_counts
from pipeline.budget.given import EXPOSURE

WINTER = np.array([12])


def vehicles_of(*names: str, depot: str = "north") -> pl.DataFrame:
    return pl.DataFrame({"vehicle_id": list(names), "depot_id": [depot] * len(names)})


def history(
    rates: dict[str, float], months: list[date], days: float = 30.0, noise: int | None = None
) -> pl.DataFrame:
    rng = np.random.default_rng(noise)
    rows = [
        (name, month, days, float(rng.poisson(rate * days)) if noise else round(rate * days))
        for name, rate in rates.items()
        for month in months
    ]
    return pl.DataFrame(rows, schema=EXPOSURE, orient="row", strict=False)


def year(first: int = 2025) -> list[date]:
    return [date(first, month, 1) for month in range(1, 13)]


def spread_of(exposure: pl.DataFrame, vehicles: pl.DataFrame, month: int = 12) -> float:
    """Standard deviation of the log rate of the fleet's mean vehicle in a coming month."""
    model = fit_counts(exposure, vehicles)
    drawn = draw_rates(
        model, vehicles["vehicle_id"].to_list(), np.array([month]), 4000, np.random.default_rng(5)
    )
    return float((drawn.common[:, 0] + drawn.vehicle.mean(axis=1)).std())


def test_no_history_gives_the_prior_and_says_so() -> None:
    fleet = vehicles_of("a", "b")
    model = fit_counts(history({}, []), fleet)
    assert model.rows_n == 0
    assert np.exp(model.mean[0]) == pytest.approx(priors.STOPS_PER_DAY)
    assert spread_of(history({}, []), fleet) > priors.STOPS_PER_DAY_SPREAD


def test_uncertainty_shrinks_as_data_arrive() -> None:
    rates = {f"v{k}": 0.5 for k in range(6)}
    fleet = vehicles_of(*rates)
    none = spread_of(history({}, []), fleet)
    three_weeks = spread_of(history(rates, [date(2025, 9, 1)], days=21.0), fleet)
    one_year = spread_of(history(rates, year()), fleet)
    assert none > 1.8 * three_weeks
    assert three_weeks > 1.3 * one_year
    # What no history tells stays: next year is another year.
    assert one_year > priors.DRIFT_SPREAD


def test_days_without_data_are_not_days_without_stops() -> None:
    rates = {f"v{k}": 0.6 for k in range(5)}
    fleet = vehicles_of(*rates)
    whole = fit_counts(history(rates, year()), fleet)
    third = fit_counts(history(rates, year(), days=10.0), fleet)
    assert third.mean[0] == pytest.approx(whole.mean[0], abs=0.05)


def test_a_vehicle_with_little_history_leans_on_the_fleet() -> None:
    rates = {f"v{k}": 0.4 for k in range(9)}
    fleet = vehicles_of(*rates, "new", "odd")
    many = history(rates, year())
    few = history({"odd": 1.6}, [date(2025, 12, 1)], days=4.0)
    model = fit_counts(pl.concat([many, few]), fleet)
    drawn = draw_rates(model, ["v0", "new", "odd"], WINTER, 4000, np.random.default_rng(1))
    rate = np.exp(drawn.vehicle - drawn.vehicle[:, [0]]).mean(axis=0)
    assert rate[1] == pytest.approx(1.0, abs=0.15)
    # Six stops in four days would be four times the fleet's rate; four days do not prove that.
    assert 1.05 < rate[2] < 2.5
    assert drawn.vehicle[:, 1].std() > drawn.vehicle[:, 0].std()


def test_depots_differ() -> None:
    north = {f"n{k}": 0.3 for k in range(8)}
    south = {f"s{k}": 0.6 for k in range(8)}
    fleet = pl.concat([vehicles_of(*north), vehicles_of(*south, "s_new", depot="south")])
    model = fit_counts(history(north | south, year()), fleet)
    drawn = draw_rates(model, ["n0", "s_new"], WINTER, 2000, np.random.default_rng(2))
    # A new van of the busy depot is expected to be busier than one of the other.
    assert np.median(drawn.vehicle[:, 1] - drawn.vehicle[:, 0]) > 0.2


def test_a_year_shows_the_season() -> None:
    busy = {12: 0.8, 1: 0.8, 2: 0.7}
    parts = [
        history({f"v{k}": busy.get(month.month, 0.4) for k in range(8)}, [month])
        for month in year()
    ]
    fleet = vehicles_of(*(f"v{k}" for k in range(8)))
    model = fit_counts(pl.concat(parts), fleet)
    drawn = draw_rates(model, ["v0"], np.array([1, 7]), 2000, np.random.default_rng(3))
    ratio = np.exp(np.median(drawn.common[:, 0] - drawn.common[:, 1]))
    # Twice in truth; a single year is not believed wholly.
    assert 1.4 < ratio < 2.1


def test_one_month_is_not_taken_for_a_season() -> None:
    fleet = vehicles_of(*(f"v{k}" for k in range(8)))
    model = fit_counts(history({f"v{k}": 0.9 for k in range(8)}, [date(2025, 12, 1)]), fleet)
    assert model.spreads["season"] == priors.SEASON_SPREAD
    drawn = draw_rates(model, ["v0"], np.array([12, 6]), 4000, np.random.default_rng(4))
    apart = drawn.common[:, 0] - drawn.common[:, 1]
    assert abs(np.median(apart)) < 0.25
    assert drawn.common[:, 1].std() > drawn.common[:, 0].std()


def test_a_month_that_everybody_shared_is_not_forty_witnesses() -> None:
    """A common good month must not make the level certain just because many vans had it."""
    fleet = vehicles_of(*(f"v{k}" for k in range(40)))
    month = [date(2025, 12, 1)]
    assert spread_of(history({f"v{k}": 0.9 for k in range(40)}, month, noise=1), fleet) > 0.13


def test_an_unknown_vehicle_of_the_history_still_helps() -> None:
    fleet = vehicles_of("here")
    rates = {f"gone{k}": 1.2 for k in range(10)}
    model = fit_counts(history(rates, year()), fleet)
    assert "gone3" in model.vehicles
    assert np.exp(model.mean[0]) > 2 * priors.STOPS_PER_DAY
