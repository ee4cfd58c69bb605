"""Outcomes and minutes against the simulator's truth, which shares no formula with the program."""

from __future__ import annotations

import polars as pl
import pytest
from conftest import Simulated

HITS = {"warmed", "warmed_unneeded"}


@pytest.fixture(scope="module")
def matched(simulated: Simulated) -> pl.DataFrame:
    """One row per true stop with the program's stop that began within two minutes of it."""
    truth = simulated.truth.with_columns(at=pl.col("plug_in_utc").dt.cast_time_unit("us"))
    stops = simulated.stops.with_columns(at=pl.col("plug_in_at").dt.cast_time_unit("us"))
    return truth.sort("at").join_asof(
        stops.sort("at"),
        on="at",
        by="vehicle_id",
        strategy="nearest",
        tolerance="2m",
        suffix="_got",
        check_sortedness=False,
    )


def test_every_stop_is_found_and_none_invented(simulated: Simulated, matched: pl.DataFrame) -> None:
    assert simulated.truth.height >= 300
    assert matched["stop_id"].null_count() == 0
    assert simulated.stops.height == simulated.truth.height


def test_confusion_matrix_of_grade_a(matched: pl.DataFrame) -> None:
    grade_a = matched.filter(pl.col("evidence_grade") == "A")
    assert grade_a.height >= 300
    right = (grade_a["outcome"] == grade_a["outcome_got"]).mean()
    table = grade_a.group_by("outcome", "outcome_got").len().sort("outcome", "outcome_got")
    assert right >= 0.97, table
    swapped = grade_a.filter(
        (pl.col("outcome").is_in(HITS) & (pl.col("outcome_got") == "not_warmed"))
        | (pl.col("outcome_got").is_in(HITS) & (pl.col("outcome") == "not_warmed"))
    )
    assert swapped.is_empty(), swapped
    # A matrix of one class would prove nothing: each main outcome must occur.
    assert set(grade_a["outcome"]) >= {
        "warmed", "part_warmed", "not_warmed", "already_warm", "low_charge_hold"
    }  # fmt: skip


def test_reasons_agree(matched: pl.DataFrame) -> None:
    agreed = matched.filter(
        (pl.col("outcome") == pl.col("outcome_got"))
        & pl.col("outcome").is_in(["not_warmed", "part_warmed"])
    )
    right = (agreed["why"] == agreed["why_got"]).mean()
    assert right >= 0.95, agreed.group_by("why", "why_got").len()


def test_minutes_against_truth(matched: pl.DataFrame) -> None:
    """Lost against a warm pack at the same charger; the first minute is not counted, so the
    program's figure lies a little below."""
    error = matched["lost_min"] - (matched["active_min"] - matched["site_reference_min"])
    assert error.abs().median() < 0.5
    assert error.abs().quantile(0.9) < 1.2
    assert -0.6 < error.mean() < 0.1


def test_warming_energy_against_truth(matched: pl.DataFrame) -> None:
    error = (matched["warming_kwh_got"] - matched["warming_kwh"]).abs()
    assert error.max() < 0.05
    warmed = matched.filter(pl.col("outcome") == "warmed")["warming_kwh_got"]
    assert warmed.min() >= 0.1


def test_arrival_temperature_against_truth(matched: pl.DataFrame) -> None:
    error = (
        matched["arrival_cell_temp_min_degc_got"] - matched["arrival_cell_temp_min_degc"]
    ).abs()
    assert error.max() < 0.3
