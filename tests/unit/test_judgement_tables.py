"""Rates, funnels, causes, charts, effects and what-if: what each says of fleets that are known."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import duckdb
import numpy as np
import polars as pl
import pytest
from judgement_truth import Truth, fleet, week_end

from pipeline.config import Limits
from pipeline.judgement.causes import CAUSES, causes_of_stops, minutes_by_cause
from pipeline.judgement.control import CHART_SCHEMA, STANDARD_WATCH, control_chart, cusum_pair
from pipeline.judgement.effects import EFFECT_SCHEMA, before_and_after
from pipeline.judgement.expected import observed_and_expected
from pipeline.judgement.funnel import funnel
from pipeline.judgement.logistic import penalised_logistic
from pipeline.judgement.shrinkage import RATE_SCHEMA, rates_by_group, shrunk_rates
from pipeline.judgement.tables import JUDGED_SCHEMA, judged
from pipeline.judgement.what_if import what_if
from pipeline.warehouse import open_warehouse, query, register

HABITS = [0.03, 0.3, 0.6, 0.7, 0.75, 0.8, 0.85, 0.9, 0.9]
WATCH = replace(STANDARD_WATCH, resamples_n=800)


@pytest.fixture(scope="module")
def known() -> Truth:
    """Drivers d0 hardly ever and d1 seldom start; two vehicles never answer; navigation known."""
    return fleet(11, 20, habits=HABITS, faults=0.2, has_navigation=True)


@pytest.fixture(scope="module")
def silent() -> Truth:
    """The same without navigation: of a missed stop nothing is known."""
    return fleet(11, 20, habits=HABITS, faults=0.2)


def test_rates_stand_beside_their_counts(known: Truth) -> None:
    rates = rates_by_group(known.stops)
    assert rates.schema == RATE_SCHEMA
    rows = known.stops.filter("is_expected")
    fleet_row = rates.filter(
        pl.col("grouped_by") == "fleet", basis="expected", rate_name="start_rate"
    ).row(0, named=True)
    started = rows.filter(pl.col("outcome").is_in(["warmed", "part_warmed"])).height
    assert (fleet_row["hits_n"], fleet_row["trials_n"]) == (started, rows.height)
    needed = rates.filter(pl.col("grouped_by") == "fleet", basis="needed")
    assert needed["trials_n"].to_list() == [known.stops.height] * 2
    own = rates.filter(pl.col("shrunk_rate").is_not_null())
    assert (own["shrunk_rate_low"] < own["shrunk_rate"]).all()
    assert (own["shrunk_rate"] < own["shrunk_rate_high"]).all()
    assert own["group_id"].to_list() == own.sort("grouped_by", "group_id")["group_id"].to_list()


def test_what_came_cold_through_nobodys_fault_is_no_missed_hit_of_the_driver(known: Truth) -> None:
    frosty = known.stops.with_columns(
        why=pl.when(pl.col("outcome") == "part_warmed")
        .then(pl.lit("too_cold_for_the_time"))
        .otherwise("why")
    )
    rates = rates_by_group(frosty)
    rate = {
        kind: rates.filter(grouped_by=kind, rate_name="hit_rate") for kind in ("driver", "vehicle")
    }
    starts = rates.filter(grouped_by="driver", rate_name="start_rate")
    part = frosty.filter("is_expected", pl.col("outcome") == "part_warmed").height
    assert starts["trials_n"].sum() - rate["driver"]["trials_n"].sum() == part > 0
    assert rate["vehicle"]["hits_n"].sum() == rate["driver"]["hits_n"].sum()


@pytest.mark.parametrize(
    ("hits", "trials"),
    [([], []), ([0], [0]), ([0, 0, 0], [9, 30, 2]), ([7, 5], [7, 5]), ([3], [4000]), ([1], [1])],
)
def test_degenerate_groups_have_sane_rates(hits: list[int], trials: list[int]) -> None:
    got = shrunk_rates(hits, trials)
    assert len(got.rate) == len(hits)
    assert np.all((got.low >= 0) & (got.low < got.rate) & (got.rate < got.high) & (got.high <= 1))


def test_a_group_without_stops_knows_only_the_fleet() -> None:
    got = shrunk_rates([8, 7, 9, 0], [10, 10, 10, 0])
    assert 0.5 < got.rate[3] < 0.9
    assert got.high[3] - got.low[3] > 1.5 * (got.high[0] - got.low[0])


def test_few_groups_leave_more_open_than_the_likeliest_spread_alone() -> None:
    """Two groups that agree by chance do not prove that groups agree."""
    two, ten = shrunk_rates([5, 5], [10, 10]), shrunk_rates([5] * 10, [10] * 10)
    assert two.high[0] - two.low[0] > 1.3 * (ten.high[0] - ten.low[0])


@pytest.mark.parametrize(("hits", "trials"), [([3], [2]), ([-1], [2])])
def test_impossible_counts_are_refused(hits: list[int], trials: list[int]) -> None:
    with pytest.raises(ValueError, match="between 0 and trials"):
        shrunk_rates(hits, trials)


def test_observed_starts_are_those_of_the_table(silent: Truth) -> None:
    sums = observed_and_expected(judged(silent.stops), "driver_id", "driver_why_not")
    rows = silent.stops.filter("is_expected", pl.col("outcome") != "not_warmed")
    counted = rows.group_by("driver_id").len().sort("driver_id")
    assert sums["started_n"].to_list() == counted["len"].to_list()
    assert sums["expected_started_n"].sum() == pytest.approx(sums["started_n"].sum(), rel=0.15)


def test_a_fault_is_below_its_funnel_and_its_driver_is_not(silent: Truth) -> None:
    vehicles = funnel(silent.stops, "vehicle")
    low = vehicles.filter(pl.col("chance_position") == "below_998")["group_id"].to_list()
    dead = [name for name, rate in silent.answer_rates.items() if rate == 0]
    seen = vehicles.filter(pl.col("stops_n") >= 12)["group_id"].to_list()
    assert [name for name in dead if name in seen] == [name for name in low if name in seen] != []
    drivers = funnel(silent.stops, "driver").filter(
        pl.col("chance_position").str.starts_with("below")
    )
    assert "d0" in drivers["group_id"].to_list()
    assert not set(drivers["group_id"]) & {"d5", "d6", "d7", "d8"}


def test_where_people_differ_only_who_differs_more_stands_out(silent: Truth) -> None:
    drivers = funnel(silent.stops, "driver")
    assert drivers["tau2_value"][0] > 0
    outside = drivers.filter(pl.col("position") != "inside").height
    assert outside < drivers.filter(pl.col("chance_position") != "inside").height
    assert (drivers["low_998_value"] <= drivers["low_95_value"]).all()
    assert (drivers["high_998_value"] >= drivers["high_95_value"]).all()


def test_four_of_four_is_not_too_many() -> None:
    """The interpolated upper limit of four lies under four; the exact tail does not."""
    rows = fleet(2, 26, habits=[0.9] * 9, faults=0.0, stops_per_week=(2, 3)).stops
    few = funnel(rows, "vehicle").filter(pl.col("stops_n") == pl.col("started_n"))
    assert few.filter(few["ratio_value"] > few["high_95_value"]).height > 0
    assert set(few.filter(pl.col("stops_n") < 8)["chance_position"]) == {"inside"}


def test_causes_are_the_true_ones_where_navigation_is_known(known: Truth) -> None:
    told = causes_of_stops(known.stops).join(known.causes, on="stop_id").filter("is_expected")
    missed = told.filter(pl.col("outcome") == "not_warmed")
    sure = missed.filter(pl.col("cause") != "cannot_tell")
    assert sure.height > 0.7 * missed.height
    assert (sure["cause"] == sure["true_cause"]).all()


def test_without_navigation_a_driver_is_blamed_only_where_all_else_is_shown(silent: Truth) -> None:
    told = causes_of_stops(silent.stops).join(silent.causes, on="stop_id").filter("is_expected")
    missed = told.filter(pl.col("outcome") == "not_warmed")
    assert set(missed["cause"]) == {"driver_habit", "cannot_tell"}
    blamed = missed.filter(pl.col("cause") == "driver_habit")
    assert blamed.height > 50
    right, anyhow = ((rows["true_cause"] == "driver_habit").mean() for rows in (blamed, missed))
    assert right > anyhow + 0.25  # type: ignore[operator]
    assert right > 0.8  # type: ignore[operator]
    dead = [name for name, rate in silent.answer_rates.items() if rate == 0]
    assert not set(blamed["vehicle_id"]) & set(dead)
    named = causes_of_stops(silent.stops, dead).filter(pl.col("vehicle_id").is_in(dead))
    assert set(named.filter("is_expected")["cause"]) == {"vehicle_fault"}


def test_minutes_of_the_causes_are_the_avoidable_minutes(known: Truth) -> None:
    table = minutes_by_cause(known.stops)
    assert table["cause"].to_list() == list(CAUSES)
    assert table["avoidable_min"].sum() == pytest.approx(known.stops["avoidable_min"].sum())
    unknown = known.stops.with_columns(avoidable_min=pl.lit(None, dtype=pl.Float64))
    assert minutes_by_cause(unknown)["unknown_n"].sum() > 0
    assert minutes_by_cause(unknown)["avoidable_min"].sum() == 0


@pytest.mark.parametrize(
    ("outcome", "why", "expected", "why_not", "cause"),
    [
        ("not_warmed", "no_destination", True, None, "cannot_tell"),  # the van is not shown to work
        ("not_warmed", "vehicle_did_not_respond", True, None, "vehicle_fault"),
        ("not_warmed", "destination_not_recognised", True, None, "place_not_recognised"),
        ("part_warmed", "began_late", True, None, "driver_habit"),
        ("part_warmed", "too_cold_for_the_time", True, None, "journey_too_short"),
        ("part_warmed", "cut_off_low_charge", True, None, "low_charge"),
        ("part_warmed", "ended_early", True, None, "cannot_tell"),
        ("part_warmed", "a_word_of_tomorrow", True, None, "cannot_tell"),
        ("low_charge_hold", None, False, "low_charge", "low_charge"),
        ("not_warmed", "no_destination", False, "approach_too_short", "journey_too_short"),
        ("not_warmed", "vehicle_cannot_warm", False, "vehicle_cannot_warm", "vehicle_fault"),
        ("not_warmed", "no_evidence", True, None, "cannot_tell"),
    ],
)
def test_the_cause_of_one_stop(
    outcome: str, why: str | None, expected: bool, why_not: str | None, cause: str
) -> None:
    stop = dict.fromkeys(JUDGED_SCHEMA) | {
        "stop_id": "one", "vehicle_id": "van-1", "driver_id": "ann", "site_id": "yard",
        "plug_in_at": week_end(1), "outcome": outcome, "why": why, "is_expected": expected,
        "expected_why_not": why_not, "can_warm": True, "avoidable_min": 4.0, "lost_cold_min": 9.0,
    }  # fmt: skip
    assert causes_of_stops(pl.DataFrame([stop], schema=JUDGED_SCHEMA))["cause"].to_list() == [cause]


def test_the_sums_are_the_recursion_of_the_definition() -> None:
    """S = max(0, S + W), W = y log R - log(1 - p + R p) (Steiner and others 2000; from memory)."""
    rng = np.random.default_rng(1)
    chance, started = rng.uniform(0.05, 0.95, 50), rng.random(50) < 0.5
    for got, ratio in zip(cusum_pair(started, chance, 2.0), (2.0, 0.5), strict=True):
        total, path = 0.0, []
        for y, p in zip(started, chance, strict=True):
            total = max(0.0, total + y * np.log(ratio) - np.log(1 - p + ratio * p))
            path.append(total)
        np.testing.assert_allclose(got, path, atol=1e-12)


def test_a_change_is_seen_and_its_side_is_right() -> None:
    better = fleet(5, 26, training_week=13, training_lift=0.6, habits=[0.4] * 9)
    worse = fleet(5, 26, training_week=13, training_lift=-1.5, habits=[0.7] * 9)
    still = fleet(6, 26, habits=[0.6] * 9)
    for truth, side in ((better, "better"), (worse, "worse"), (still, None)):
        chart = control_chart(truth.stops, "fleet", week_end(13), WATCH)
        assert chart.schema == CHART_SCHEMA
        assert chart["signal"][-1] == side
        assert chart["plug_in_at"].is_sorted()
        assert chart["plug_in_at"].min() >= week_end(13)  # type: ignore[operator]


def test_charts_of_drivers_share_one_error() -> None:
    stops = fleet(5, 26, habits=[0.6] * 9).stops
    alone = control_chart(stops.filter(driver_id="d0"), "driver", week_end(13), WATCH)
    together = control_chart(stops, "driver", week_end(13), WATCH)
    assert together["subject_id"].n_unique() == 9
    mine = together.filter(subject_id="d0")
    assert mine["worse_limit_value"][0] > alone["worse_limit_value"][0]


def test_a_short_baseline_asks_for_more_before_it_speaks() -> None:
    """What three weeks leave open of the level must not raise alarms by itself."""
    stops = fleet(6, 26, habits=[0.6] * 9).stops
    short, long = (
        control_chart(stops, "fleet", week_end(weeks), WATCH)["worse_limit_value"][0]
        for weeks in (3, 16)
    )
    assert short > 1.5 * long


@pytest.mark.parametrize("until", [week_end(0), week_end(99)])
def test_no_baseline_or_nothing_to_watch_is_no_chart(until: datetime) -> None:
    assert control_chart(fleet(1, 5).stops, "fleet", until, WATCH).is_empty()


def test_before_and_after_says_how_many_stops_it_is_worth() -> None:
    truth = fleet(8, 26, training_week=13, training_lift=0.5, habits=[0.3, 0.4, 0.5] * 3)
    got = before_and_after(truth.stops, week_end(13))
    assert got.schema == EFFECT_SCHEMA
    row = got.row(0, named=True)
    rows = truth.stops.filter("is_expected")
    assert row["before_n"] + row["after_n"] == rows.height
    assert 0 < row["effective_n"] <= rows.height
    assert 0.05 < row["change_rate_low"] < row["change_rate"] < row["change_rate_high"] < 0.5
    assert row["odds_ratio_low_value"] > 1
    wide = before_and_after(truth.stops, week_end(13), 0.99).row(0, named=True)
    assert wide["change_rate_low"] < row["change_rate_low"]


def test_a_milder_spring_is_not_taken_for_the_training() -> None:
    """Colder stops are started more often here, and it grows mild: raw rates fall, habit does
    not."""
    rng = np.random.default_rng(3)
    stops = fleet(9, 26, habits=[0.6] * 9, faults=0.0).stops
    week = (stops["plug_in_at"] - week_end(0)).dt.total_days().to_numpy() / 7
    ambient = -8 + 0.6 * week + rng.normal(0, 4, len(stops))
    started = rng.random(len(stops)) < np.clip(0.6 - 0.05 * ambient, 0.05, 0.95)
    stops = stops.with_columns(
        ambient_degc=ambient,
        is_expected=pl.lit(True),
        outcome=pl.Series(np.where(started, "warmed", "not_warmed")),
    )
    row = before_and_after(stops, week_end(13)).row(0, named=True)
    assert row["after_rate"] - row["before_rate"] < -0.2
    assert row["change_rate_low"] < 0 < row["change_rate_high"]
    assert abs(row["change_rate"]) < 0.1


@pytest.mark.parametrize(
    ("at", "why"), [(week_end(0), "too_few_stops"), (week_end(30), "too_few_stops")]
)
def test_nothing_to_compare_is_null_with_a_reason(at: datetime, why: str) -> None:
    row = before_and_after(fleet(1, 5).stops, at).row(0, named=True)
    assert (row["why_null"], row["change_rate"]) == (why, None)
    two = fleet(1, 8).stops.filter(pl.col("driver_id").is_in(["d0", "d1"]))
    few = before_and_after(two, week_end(4)).row(0, named=True)
    assert few["why_null"] in ("too_few_drivers", "too_few_stops")
    assert few["change_rate"] is None


def test_what_if_is_the_minutes_of_the_worst_three_less_their_luck(known: Truth) -> None:
    table = what_if(known.stops, resamples_n=300)
    told = causes_of_stops(known.stops)
    for kind, cause in (("driver", "driver_habit"), ("vehicle", "vehicle_fault")):
        row = table.row(by_predicate=pl.col("grouped_by") == kind, named=True)
        by = told.filter(cause=cause).group_by(f"{kind}_id").agg(pl.col("avoidable_min").sum())
        worst = by.top_k(3, by="avoidable_min")
        assert row["subject_ids"] == sorted(worst[f"{kind}_id"])
        assert row["saved_min"] + row["luck_min"] == pytest.approx(worst["avoidable_min"].sum())
        assert row["luck_min"] >= 0
        assert row["saved_low_min"] < row["saved_min"] < row["saved_high_min"]
        assert row["saved_valued_min"] == pytest.approx(0.7 * row["saved_min"])
        assert row["saved_low_cash"] <= row["saved_cash"] <= row["saved_high_cash"] < 0


def test_luck_is_taken_off_where_the_worst_are_chance() -> None:
    """Nine equal drivers: the three worst of a time are so by chance, and that is no habit."""
    stops = fleet(21, 20, habits=[0.7] * 9, faults=0.0, has_navigation=True).stops
    even = what_if(stops, resamples_n=300).row(
        by_predicate=pl.col("grouped_by") == "driver", named=True
    )
    assert even["luck_min"] > 0.03 * even["saved_min"]


def test_nothing_to_mend_is_nothing(known: Truth) -> None:
    warm = known.stops.with_columns(outcome=pl.lit("warmed"), avoidable_min=pl.lit(0.0))
    table = what_if(warm, resamples_n=50)
    assert table["subject_ids"].to_list() == [[], [], []]
    assert table.select(pl.col("^saved.*$")).to_numpy().sum() == 0


def test_a_free_effect_that_runs_off_is_refused() -> None:
    design = np.ones((5, 1))
    with pytest.raises(ValueError, match=r"runs off|cannot be told"):
        penalised_logistic(design, np.ones(5, dtype=bool), np.array([np.inf]))
    with pytest.raises(ValueError, match="agree and be finite"):
        penalised_logistic(np.full((5, 1), np.nan), np.ones(5, dtype=bool), np.ones(1))


def warehouse() -> duckdb.DuckDBPyConnection:
    con = open_warehouse(None, Limits())
    for number, (week, use, driver, instant) in enumerate(
        (
            ("2026-W12", "delivery", "ann", "2026-03-20 11:30:00+00"),
            ("2026-W13", "delivery", "ann", "2026-03-28 11:30:00+00"),  # winter time
            ("2026-W13", "rental", "tenant", "2026-03-29 11:30:00+00"),  # summer time
            ("2026-W14", "delivery", None, "2026-03-30 22:45:00+00"),
            ("2026-W15", "delivery", "ann", "2026-04-07 11:30:00+00"),
        )
    ):
        con.execute(
            "insert into stops (stop_id, vehicle_id, driver_id, vehicle_use, week_id, plug_in_at, "
            "plug_out_at, evidence_grade, outcome, first_file_id, first_file_row, last_file_row) "
            "values ($id, 'van-1', $driver, $use, $week, $instant, $instant, 'A', 'not_warmed', "
            "1, 1, 1)",
            {"id": f"s{number}", "driver": driver, "use": use, "week": week, "instant": instant},
        )
    con.execute(
        "insert into stop_minutes (stop_id, vehicle_id, plug_in_at, week_id, fit_week_id, "
        "is_site_learned, is_expected, avoidable_min) "
        "select stop_id, vehicle_id, plug_in_at, week_id, week_id, false, true, 7 from stops"
    )
    register(con, "vehicle_settings", pl.DataFrame({"vehicle_id": ["van-1"], "can_warm": [True]}))
    return con


def test_the_rows_judged_come_from_the_warehouse_as_the_maths_wants_them() -> None:
    rows = query(
        warehouse(),
        "judgement/judgement_stops",
        {
            "zone": "Europe/Stockholm",
            "judged_first_week_id": "2026-W13",
            "judged_last_week_id": "2026-W14",
        },
    )
    assert rows["stop_id"].to_list() == ["s1", "s2", "s3"]
    assert rows["driver_id"].to_list() == ["ann", None, None], "a rental has no driver"
    assert rows["local_h"].to_list() == [12.5, 13.5, 0.75]
    told = judged(rows)
    assert told.select(JUDGED_SCHEMA.keys()).schema == JUDGED_SCHEMA
    assert told["plug_in_at"][0] == datetime(2026, 3, 28, 11, 30, tzinfo=UTC)
    assert told["driver_why_not"].to_list() == [None, "no_driver", "no_driver"]
