"""Minutes by cause against the simulator's truth, which shares no formula with the program.

Five fleets instead of the many of `benchmarks/truth_study.py`. As in the study, chargers share
their power in 15 % of the stops and the configured warm curve is 6 % too low.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from truth_measures import Judged, clean_warm, judge_fleet, measures, study_spec


def judged_fleet(folder: Path, variant: str, **fields: Any) -> Iterator[Judged]:
    yield judge_fleet(study_spec(variant, 1, **fields), folder / "fleet")
    shutil.rmtree(folder)


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Judged]:
    yield from judged_fleet(tmp_path_factory.mktemp("base"), "base")


@pytest.fixture(scope="module")
def hot(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Judged]:
    """Packs that need 32 °C for full power and are warmed to 21 or 22."""
    yield from judged_fleet(tmp_path_factory.mktemp("hot"), "hot")


@pytest.fixture(scope="module")
def unrated(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Judged]:
    """Sites whose power nobody wrote down."""
    yield from judged_fleet(tmp_path_factory.mktemp("unrated"), "unrated", n_vehicles=8)


@pytest.fixture(scope="module")
def plug(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Judged]:
    """About -20 °C outside: the coldest packs are held and heated at the plug."""
    yield from judged_fleet(tmp_path_factory.mktemp("plug"), "plug", n_vehicles=6)


@pytest.fixture(scope="module")
def summer(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Judged]:
    """Nothing is cold and half the charges are slowed by heat."""
    folder = tmp_path_factory.mktemp("summer")
    yield from judged_fleet(folder, "summer", n_vehicles=6, weeks=4)


@pytest.fixture(scope="module")
def figures(base: Judged) -> dict[str, Any]:
    return measures(base)


def test_every_stop_is_judged(figures: dict[str, Any]) -> None:
    assert figures["stops_n"] >= 400
    assert figures["found_n"] == figures["split_n"] == figures["stops_n"]


def test_fleet_minutes(figures: dict[str, Any]) -> None:
    assert abs(figures["cold_error_rate"]) < 0.10
    assert abs(figures["site_error_rate"]) < 0.10


def test_minutes_of_single_stops(figures: dict[str, Any]) -> None:
    assert figures["cold_median_abs_min"] < 0.7
    assert figures["cold_p90_abs_min"] < 3.5
    assert figures["site_median_abs_min"] < 0.7
    assert figures["site_p90_abs_min"] < 3.5
    assert figures["cold_correlation"] > 0.98
    assert figures["site_correlation"] > 0.98


def test_no_outcome_is_favoured(figures: dict[str, Any]) -> None:
    assert {row["outcome"] for row in figures["outcomes"]} >= {
        "warmed", "part_warmed", "not_warmed", "already_warm", "low_charge_hold"
    }  # fmt: skip
    for row in figures["outcomes"]:
        bias = row["lost_cold_min"] - row["true_cold_min"]
        # The study asks for 5 % or 0.3 min on average over 20 fleets; one fleet scatters more.
        assert abs(bias) < max(0.10 * row["true_cold_min"], 0.6 * row["stops_n"]), row


def test_clean_warm_charges_lose_nothing(figures: dict[str, Any]) -> None:
    assert figures["clean_warm_n"] >= 50
    assert abs(figures["clean_warm_lost_min"]) < 0.3


def test_shared_chargers_are_not_blamed_on_cold_packs(base: Judged) -> None:
    shared = base.stops.filter(pl.col("shared_min") >= 0.5)
    assert shared.height >= 40
    true_min = shared["true_other_min"].sum()
    assert abs((shared["lost_cold_min"] - shared["true_cold_min"]).sum()) < 0.10 * true_min
    assert shared["lost_unexplained_min"].sum() == pytest.approx(true_min, rel=0.15)
    # Sharing that is recognised is named; it is a part of what is unexplained, in the sum.
    assert 0.0 < shared["held_back_min"].sum() <= shared["lost_unexplained_min"].sum() * 1.05


def test_parts_add_up_to_the_excess(base: Judged) -> None:
    parts = base.stops.select(
        pl.sum_horizontal("lost_cold_min", "lost_site_min", "lost_unexplained_min")
    ).to_series()
    assert (parts - base.stops["excess_min"]).abs().max() < 1e-6


def test_both_forms_of_cold_limit_are_found(figures: dict[str, Any]) -> None:
    assert {model["true_cold_form"] for model in figures["models"].values()} == {
        "factor", "ceiling"
    }  # fmt: skip
    for model in figures["models"].values():
        # Charge shown in half per cents is bent back to what it was: without that +0.4 %.
        assert abs(model["curve_error_rate"]) < 0.002
    for name, model in figures["models"].items():
        assert model["cold_form"] == model["true_cold_form"], name


def test_the_week_interval_is_an_interval_around_its_estimate(base: Judged) -> None:
    assert base.week_interval is not None, "summary.json has no interval for cold minutes"
    low, high = base.week_interval
    week = base.stops.filter(pl.col("week_id") == base.week_id)
    assert low < week["lost_cold_min"].sum() < high


def test_packs_that_need_more_than_their_warming_gives(hot: Judged) -> None:
    figures = measures(hot)
    assert abs(figures["cold_error_rate"]) < 0.10
    assert figures["cold_correlation"] > 0.98
    assert figures["site_correlation"] > 0.98
    for name, model in figures["models"].items():
        assert model["cold_form"] == model["true_cold_form"], name
        assert model["full_power_degc"] > 26.0, name
    warmed = hot.stops.filter(pl.col("outcome") == "warmed")
    # A pack at 21 °C is warm by the outcome's definition and still loses minutes to cold.
    assert warmed["true_cold_min"].mean() > 1.0
    assert warmed["lost_cold_min"].mean() > 0.5 * warmed["true_cold_min"].mean()


def test_sites_without_a_rating(unrated: Judged) -> None:
    figures = measures(unrated)
    unsplit = unrated.stops.filter(pl.col("lost_cold_min").is_null())
    assert unsplit["split_why_null"].null_count() == 0
    assert unsplit["lost_site_min"].null_count() == unsplit.height
    # The slowest site shows a plateau in nearly every charge; it must have been learned.
    slow = unrated.stops.filter(pl.col("site_id") == "old-harbour-50")
    assert slow.height >= 20
    assert slow["lost_site_min"].null_count() < 0.1 * slow.height
    assert abs(figures["cold_error_rate"]) < 0.10
    clean = clean_warm(unrated.stops)
    assert abs(clean["lost_min"].mean()) < 0.3


def test_heat_is_not_blamed_on_cold(summer: Judged) -> None:
    """A negative control: whatever the program makes of a summer, it finds no cold minutes."""
    slowed = summer.stops.filter(pl.col("derated_min") >= 5.0)
    assert slowed.height >= 40
    # Null is an honest answer too: where nothing was ever cold, no cold limit can be known.
    found = summer.stops.filter(pl.col("lost_cold_min").is_not_null())
    assert found["lost_cold_min"].sum() < 0.2 * summer.stops.height
    assert (slowed["lost_cold_min"].max() or 0.0) < 1.0


def test_minutes_held_at_the_plug_are_cold_minutes(plug: Judged) -> None:
    figures = measures(plug)
    # Also where the stay was over before the pack took any charge: active, and cold throughout.
    assert figures["found_n"] == figures["split_n"] == figures["stops_n"]
    assert abs(figures["cold_error_rate"]) < 0.10
    assert figures["cold_correlation"] > 0.98
    held = plug.stops.filter(pl.col("true_held_min") >= 2.0)
    assert held.height >= 20
    error_min = held["lost_cold_min"] - held["true_cold_min"]
    assert abs(error_min.sum()) < 0.10 * held["true_cold_min"].sum()
