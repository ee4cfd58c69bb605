"""Findings, charts and intervals against fleets whose habits and faults are known.

The truth is `tests/judgement_truth.py`: 12 vehicles, 9 drivers, 6 sites, events drawn one by one,
no formula shared with the program. The long tests are the whole study of 200 fleets
(`tests/benchmarks/judgement_study.py` prints its figures); the short ones keep watch over it.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from judgement_truth import fleet, looks, week_end

from pipeline.judgement.findings import METHOD_RULE, never_starts

sys.path.insert(0, str(Path(__file__).parent.parent / "benchmarks"))

from judgement_study import (
    SCENARIOS,
    chart_signals,
    covered,
    false_discovery_rate,
    look_at_fleets,
)

AIM = 0.10
TWO_NEVER = [0.0, 0.0, 0.15, 0.25, 0.6, 0.7, 0.8, 0.85, 0.9]


def test_looks_are_what_the_public_function_says() -> None:
    """The study computes each look once and pairs them; that must come to the same."""
    truth = fleet(1007, 20, habits=TWO_NEVER)
    seen = looks(truth, "driver", range(5, 21), METHOD_RULE)
    for week in (12, 16, 20):
        found = never_starts(truth.stops, week_end(week))
        public = found.filter(verdict="stands")["subject_id"].to_list()
        paired = seen.filter(pl.col("week_no") == week, "is_finding")["subject_id"].to_list()
        assert sorted(paired) == public
    assert seen["is_finding"].any(), "a fleet with findings, or it shows nothing"


def test_a_few_fleets() -> None:
    """Eight fleets, looked at from the fifth week on each fourth week: who never starts is found,
    hardly anybody else; d2 and d3 seldom start, which is not never."""
    weeks = range(5, 27, 4)
    seen = pl.concat(
        looks(fleet(2000 + n, 26, habits=TWO_NEVER), "driver", weeks, METHOD_RULE).with_columns(
            seed=pl.lit(n)
        )
        for n in range(8)
    )
    found = seen.filter("is_finding").unique(["seed", "subject_id"])
    assert found.filter(pl.col("true_rate") < METHOD_RULE.habit_rate).height >= 6
    assert found.filter(pl.col("true_rate") >= METHOD_RULE.habit_rate).height <= 1


def test_a_driver_of_a_vehicle_that_cannot_warm_is_not_accused() -> None:
    """d0 starts as others do and only ever drives v00, which does not answer; nobody's navigation
    is known, so that all there is to see are his misses."""
    seen = pl.concat(
        looks(
            fleet(3000 + n, 21, bound_to_fault=True), "driver", range(13, 22, 4), METHOD_RULE
        ).with_columns(seed=pl.lit(n))
        for n in range(12)
    )
    mine = seen.filter(pl.col("subject_id") == "d0")
    assert not mine["is_finding"].any()
    assert (mine.filter(pl.col("stops_n") >= 16)["verdict"] == "cannot_tell").mean() > 0.9  # type: ignore[operator]
    # The same misses in a vehicle that others start would have been called a habit.
    assert (mine["started_n"] == 0).all()


@pytest.mark.long
@pytest.mark.parametrize("kind", ["driver", "vehicle"])
@pytest.mark.parametrize("name", SCENARIOS)
def test_false_discovery_rate(name: str, kind: str) -> None:
    options: dict[str, Any] = SCENARIOS[name]
    seen = look_at_fleets(200, 1000, kind, **options)
    for week in (5, 26):
        once = seen.filter((pl.col("week_no") == week) & pl.col("holds_once"))
        assert false_discovery_rate(once, 200) < AIM
    standing = seen.filter("is_finding")
    assert false_discovery_rate(standing, 200) < AIM
    if options.get("bound_to_fault") and kind == "driver":
        assert standing.filter(pl.col("subject_id") == "d0")["seed"].n_unique() < 2


@pytest.mark.long
def test_charts_and_intervals_err_as_stated() -> None:
    for kind, power in (("fleet", 0.6), ("driver", 0.1)):
        assert chart_signals(200, 1000, kind) < 0.05 + 2.6 * (0.05 * 0.95 / 200) ** 0.5
        assert chart_signals(60, 1000, kind, training_week=13, training_lift=0.5) > power
    for lift in (0.0, 0.3):
        assert covered(200, 1000, lift)[0] > 0.9 - 2.6 * (0.09 / 200) ** 0.5
