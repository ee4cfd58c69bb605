"""Whom and what the findings name: the rule on rows small enough to follow by hand."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline.judgement.expected import chance_by_others, conditions
from pipeline.judgement.findings import (
    FINDING_SCHEMA,
    METHOD_RULE,
    Rule,
    never_responds,
    never_starts,
    one_look,
)
from pipeline.judgement.tables import JUDGED_SCHEMA, judged, not_expected

NOW = datetime(2026, 3, 2, tzinfo=UTC)
LENIENT = Rule(habit_error_rate=1.0)
"""The method's rule alone."""


def rows(*groups: dict[str, Any]) -> pl.DataFrame:
    """Stops from groups: ``n`` alike, ``days_ago`` the first and last of them, even between."""
    stops = []
    for number, group in enumerate(groups):
        count = group.get("n", 1)
        first, last = group.get("days_ago", (80, 2))
        for at in range(count):
            days = first - (first - last) * at / max(count - 1, 1)
            started = group.get("started", 0)
            outcome = "warmed" if at < started else "not_warmed"
            stops.append(
                dict.fromkeys(JUDGED_SCHEMA)
                | {
                    "stop_id": f"{number:02d}.{at:03d}",
                    "vehicle_id": "van-1",
                    "site_id": "yard",
                    "plug_in_at": NOW - timedelta(days=days),
                    "local_h": 9.5,
                    "ambient_degc": -3.0,
                    "approach_min": 35.0,
                    "outcome": outcome,
                    "why": None if outcome == "warmed" else "no_evidence",
                    "is_expected": True,
                    "can_warm": True,
                    "lost_cold_min": 10.0,
                    "avoidable_min": 8.0,
                }
                | {k: v for k, v in group.items() if k not in ("n", "days_ago", "started")}
            )
    return pl.DataFrame(stops, schema=JUDGED_SCHEMA)


def two_habits(n: int = 30, **changed: Any) -> pl.DataFrame:
    """Ann never starts; Ben and Cleo nearly always do, all in the same two vans."""
    return rows(
        {"driver_id": "ann", "n": n} | changed,
        {"driver_id": "ben", "n": 30, "started": 27},
        {"driver_id": "cleo", "n": 30, "started": 27, "vehicle_id": "van-2"},
        {"driver_id": "ben", "n": 30, "started": 27, "vehicle_id": "van-2"},
    )


def verdict(found: pl.DataFrame, subject: str) -> str:
    return str(found.filter(pl.col("subject_id") == subject)["verdict"].item())


def test_the_clear_case_stands_and_lists_its_stops() -> None:
    found = never_starts(two_habits(n=60, days_ago=(120, 2)), NOW)
    assert verdict(found, "ann") == "stands"
    assert verdict(found, "ben") == verdict(found, "cleo") == "started"
    ann = found.row(by_predicate=pl.col("subject_id") == "ann", named=True)
    first = NOW - timedelta(weeks=13)
    inside = two_habits(n=60, days_ago=(120, 2)).filter(
        (pl.col("driver_id") == "ann") & (pl.col("plug_in_at") >= first)
    )
    assert ann["stop_ids"] == inside["stop_id"].to_list()
    assert found.schema == FINDING_SCHEMA


def test_the_p_value_is_the_product_of_the_chances() -> None:
    stops = two_habits(n=6)
    found = one_look(judged(stops), "driver", NOW, LENIENT)
    counted = judged(stops).filter(pl.col("plug_in_at") >= NOW - timedelta(weeks=13))
    chance = pl.Series(chance_by_others(counted, "driver_id"))
    mine = chance.filter(counted["driver_id"] == "ann").to_numpy()
    row = found.row(by_predicate=pl.col("subject_id") == "ann", named=True)
    assert row["p_value"] == pytest.approx(float(np.prod(1 - mine)), rel=1e-9)
    assert row["expected_started_n"] == pytest.approx(float(mine.sum()))
    assert row["habit_p_value"] == pytest.approx(0.9**6)
    assert row["verdict"] == "stands"


def test_her_own_stops_do_not_lower_what_is_expected_of_her() -> None:
    few, many = (
        chance_by_others(judged(two_habits(n=n)), "driver_id")[
            judged(two_habits(n=n))["driver_id"] == "ann"
        ]
        for n in (2, 60)
    )
    assert many.mean() == pytest.approx(few.mean(), abs=0.02)
    assert few.min() > 0.7


@pytest.mark.parametrize(("n", "expected"), [(4, "too_few"), (18, "not_distinct"), (19, "stands")])
def test_how_many_stops_it_takes(n: int, expected: str) -> None:
    """Five by the method; 19 before one start in ten is unlikely: 0.9**19 = 0.135 < 0.15."""
    found = one_look(judged(two_habits(n=n)), "driver", NOW, METHOD_RULE)
    assert verdict(found, "ann") == expected


def test_conditions_are_standardised_hours_lie_on_a_circle_and_unknown_is_the_mean() -> None:
    stops = rows({"n": 4}).with_columns(
        local_h=pl.Series([23.9, 0.1, 12.0, 12.0]),
        ambient_degc=pl.Series([-5.0, 5.0, None, None]),
        approach_min=pl.Series([20.0, 20.0, 20.0, 20.0]),
    )
    got = conditions(stops)
    assert np.abs(got[0, 2:] - got[1, 2:]).max() == pytest.approx(
        np.abs(got[:, 2]).max() * 2, rel=1e-6
    ), "a quarter of an hour around midnight is all that the sine sees"
    assert abs(got[0, 3] - got[1, 3]) < 1e-9 < abs(got[0, 3] - got[2, 3])
    assert got[2:, 0].tolist() == [0.0, 0.0]
    assert got[:, 1].tolist() == [0.0] * 4, "what never varies says nothing"
    assert got[:2, 0].tolist() == pytest.approx([-1.0, 1.0])


def test_a_single_start_ends_it() -> None:
    assert verdict(never_starts(two_habits(n=60, started=1, days_ago=(80, 2)), NOW), "ann") == (
        "started"
    )


def test_it_must_have_held_a_month_ago() -> None:
    assert verdict(never_starts(two_habits(n=40, days_ago=(25, 2)), NOW), "ann") == "first_month"


def test_a_start_before_the_13_weeks_is_forgotten() -> None:
    old = rows({"driver_id": "ann", "n": 1, "started": 1, "days_ago": (125, 125)})
    stops = pl.concat(
        [old.with_columns(stop_id=pl.lit("old")), two_habits(n=60, days_ago=(118, 2))]
    )
    assert verdict(never_starts(stops, NOW), "ann") == "stands"


def test_who_only_drives_a_vehicle_that_nobody_starts_cannot_be_told() -> None:
    found = never_starts(two_habits(n=60, days_ago=(120, 2), vehicle_id="van-9"), NOW)
    assert verdict(found, "ann") == "cannot_tell"
    assert found.filter(pl.col("subject_id") == "ann")["shown_n"].item() == 0


def test_that_the_vehicle_warmed_for_herself_or_long_ago_shows_nothing() -> None:
    """Shown is: under another driver, within 60 days."""
    stops = pl.concat(
        [
            two_habits(n=60, days_ago=(50, 2), vehicle_id="van-9"),
            rows(
                {"driver_id": "ben", "n": 3, "started": 3, "days_ago": (125, 112)}
                | {"vehicle_id": "van-9"}
            ).with_columns(stop_id="old" + pl.col("stop_id")),
        ]
    )
    assert verdict(never_starts(stops, NOW), "ann") == "cannot_tell"
    near = stops.with_columns(
        plug_in_at=pl.when(pl.col("stop_id").str.starts_with("old"))
        .then(pl.col("plug_in_at") + timedelta(days=70))
        .otherwise("plug_in_at")
    )
    assert verdict(one_look(judged(near), "driver", NOW, METHOD_RULE), "ann") == "stands"


def test_that_it_warmed_for_herself_shows_nothing() -> None:
    """Her own start lies before the 13 weeks and within 60 days of her first stops in them."""
    own = rows({"driver_id": "ann", "started": 1, "days_ago": (95, 95), "vehicle_id": "van-9"})
    stops = pl.concat(
        [
            two_habits(n=20, days_ago=(89, 82), vehicle_id="van-9"),
            own.with_columns(stop_id=pl.lit("own")),
        ]
    )
    found = one_look(judged(stops), "driver", NOW, METHOD_RULE)
    assert verdict(found, "ann") == "cannot_tell"
    bens = stops.with_columns(
        driver_id=pl.when(pl.col("stop_id") == "own").then(pl.lit("ben")).otherwise("driver_id")
    )
    assert verdict(one_look(judged(bens), "driver", NOW, METHOD_RULE), "ann") == "stands"


@pytest.mark.parametrize(
    ("others_days_ago", "shown_n", "expected"),
    [((51, 51), 11, "not_distinct"), ((51, 1), 40, "stands"), ((1, 1), 11, "not_distinct")],
)
def test_a_start_before_does_not_show_that_it_did_not_break(
    others_days_ago: tuple[int, int], shown_n: int, expected: str
) -> None:
    """Stops 50 to 2 days ago: a start before and one after show the van to work in between, one
    alone only for the two weeks around it, which hold 11 of the stops."""
    stops = pl.concat(
        [
            two_habits(n=40, days_ago=(50, 2), vehicle_id="van-9"),
            rows(
                {"driver_id": "ben", "n": 2, "started": 2, "days_ago": others_days_ago}
                | {"vehicle_id": "van-9"}
            ).with_columns(stop_id="x" + pl.col("stop_id")),
        ]
    )
    found = one_look(judged(stops), "driver", NOW, METHOD_RULE)
    ann = found.row(by_predicate=pl.col("subject_id") == "ann", named=True)
    assert (ann["shown_n"], ann["verdict"]) == (shown_n, expected)


def test_a_vehicle_that_fails_under_everybody_lowers_what_is_expected() -> None:
    stops = pl.concat(
        [
            two_habits(n=30),
            rows(
                {"driver_id": "ben", "n": 25, "vehicle_id": "van-9"},
                {"driver_id": "ann", "n": 5, "vehicle_id": "van-9"},
            ).with_columns(stop_id="x" + pl.col("stop_id")),
        ]
    )
    counted = judged(stops)
    chance = pl.Series(chance_by_others(counted, "driver_id"))
    ann = counted["driver_id"] == "ann"
    assert chance.filter(ann & (counted["vehicle_id"] == "van-9")).max() < 0.25  # type: ignore[operator]
    assert chance.filter(ann & (counted["vehicle_id"] == "van-1")).min() > 0.7  # type: ignore[operator]


@pytest.mark.parametrize(
    "why", ["vehicle_did_not_respond", "destination_not_recognised", "vehicle_cannot_warm"]
)
def test_who_set_the_destination_has_done_her_part(why: str) -> None:
    stops = two_habits(n=60, days_ago=(120, 2), why=why)
    found = never_starts(stops, NOW)
    assert "ann" not in found["subject_id"].to_list()
    listed = not_expected(stops).filter(pl.col("driver_id") == "ann")
    assert listed.height == 60
    assert listed["not_expected_why"].unique().to_list() == [why]


@pytest.mark.parametrize("reason", ["low_charge", "approach_too_short", "costs_more", None])
def test_what_was_not_expected_counts_for_nobody(reason: str | None) -> None:
    stops = two_habits(n=60, is_expected=False, expected_why_not=reason)
    assert "ann" not in never_starts(stops, NOW)["subject_id"].to_list()
    whys = not_expected(stops)["not_expected_why"].unique().to_list()
    assert whys == [reason or "evidence"]


def test_stops_without_a_driver_are_nobodys() -> None:
    stops = two_habits(n=60, driver_id=None)
    assert never_starts(stops, NOW)["subject_id"].to_list() == ["ben", "cleo"]
    assert not_expected(stops).is_empty()


def test_a_vehicle_that_never_responds() -> None:
    stops = rows(
        {"driver_id": "ann", "n": 30, "started": 0, "vehicle_id": "van-9", "days_ago": (120, 2)},
        {"driver_id": "ben", "n": 30, "started": 0, "vehicle_id": "van-9", "days_ago": (120, 2)},
        {"driver_id": "ann", "n": 30, "started": 27, "days_ago": (120, 2)},
        {"driver_id": "ben", "n": 30, "started": 26, "vehicle_id": "van-2", "days_ago": (120, 2)},
    )
    found = never_responds(stops, NOW)
    assert verdict(found, "van-9") == "stands"
    assert verdict(found, "van-1") == verdict(found, "van-2") == "started"
    assert "stands" not in never_starts(stops, NOW)["verdict"].to_list()
    # Nobody asked it: then it says nothing of the vehicle.
    unasked = stops.with_columns(
        why=pl.when(pl.col("vehicle_id") == "van-9").then(pl.lit("no_destination")).otherwise("why")
    )
    assert "van-9" not in never_responds(unasked, NOW)["subject_id"].to_list()


def test_whose_drivers_start_nothing_elsewhere_cannot_be_told() -> None:
    stops = rows(
        {"driver_id": "ann", "n": 60, "vehicle_id": "van-9", "days_ago": (120, 2)},
        {"driver_id": "ben", "n": 30, "started": 27, "days_ago": (120, 2)},
        {"driver_id": "cleo", "n": 30, "started": 26, "vehicle_id": "van-2", "days_ago": (120, 2)},
    )
    assert verdict(never_responds(stops, NOW), "van-9") == "cannot_tell"


def test_later_stops_are_not_read_and_order_is_none_of_ours() -> None:
    stops = two_habits(n=60, days_ago=(120, 2))
    later = rows({"driver_id": "ann", "n": 5, "started": 5, "days_ago": (-1, -9)})
    more = pl.concat([stops, later.with_columns(stop_id="z" + pl.col("stop_id"))])
    shuffled = more.sample(fraction=1.0, shuffle=True, seed=3)
    a, b = never_starts(stops, NOW), never_starts(shuffled, NOW)
    assert a.drop("p_value", "expected_started_n", "q_value").equals(
        b.drop("p_value", "expected_started_n", "q_value")
    )
    np.testing.assert_allclose(a["p_value"], b["p_value"], rtol=1e-6)


@pytest.mark.parametrize("n", [0, 1, 7])
def test_one_driver_alone_is_compared_with_nobody(n: int) -> None:
    stops = rows({"driver_id": "ann", "n": n, "days_ago": (20, 2)})
    found = never_starts(stops, NOW)
    assert set(found["verdict"]) <= {"too_few", "cannot_tell"}
    assert found.schema == FINDING_SCHEMA


def test_a_stop_given_twice_is_refused() -> None:
    stops = two_habits(n=3)
    with pytest.raises(ValueError, match="an id of its own"):
        never_starts(pl.concat([stops, stops]), NOW)
    with pytest.raises(ValueError, match="can_warm"):
        never_starts(stops.drop("can_warm"), NOW)
