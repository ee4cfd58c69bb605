"""Does the 80 % interval hold the winter that follows? On demand: ``pytest -m long``.

Four hundred fleets with a year of history each (`budget_truth`, which shares no formula with the
budget), and the totals of their next winter. An 80 % interval that holds 75 to 85 % of them is
honest; the standard error of a share of 400 is 2 points. What the priors say of years to come was
settled on fleets 1000 to 1079; a first look at fleets 0 to 399 led to stops without time to warm
being grouped apart; this test looks at fleets 2000 to 2399.
"""

from __future__ import annotations

import numpy as np
import pytest
from budget_truth import make_fleet

from pipeline.budget import learn, run_budget
from pipeline.budget.scenario import Scenario
from pipeline.budget.season import parse_season

FIRST_SEED, FLEETS_N = 2000, 400
QUANTITIES = ("stops_n", "warmed_n", "warming_kwh", "warming_cost", "cold_min")
SEASON = parse_season("2026-10..2027-04")


@pytest.mark.long
def test_the_interval_holds_the_next_winter() -> None:
    inside = dict.fromkeys(QUANTITIES, 0)
    for seed in range(FIRST_SEED, FIRST_SEED + FLEETS_N):
        given, totals, _ = make_fleet(seed)
        budget = run_budget(
            learn(given), SEASON, [Scenario(name="as_today")], 400, seed=seed, threads_n=1
        )
        for name in QUANTITIES:
            low, high = np.quantile(budget.draws("as_today", name).sum(axis=1), (0.1, 0.9))
            inside[name] += bool(low <= totals[name] <= high)
    coverage = {name: count / FLEETS_N for name, count in inside.items()}
    print("coverage of the 80 % interval:", coverage)
    for name in QUANTITIES:
        assert 0.75 <= coverage[name] <= 0.85, coverage
