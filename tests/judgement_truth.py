"""Invented fleets whose habits and faults are known, as the rows that are judged.

No formula of the program is used: whether warming starts is a chain of plain events (the driver
sets the charger, the place is known to the vehicle, the vehicle answers), each drawn by itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl

from pipeline.judgement.findings import Rule, one_look
from pipeline.judgement.tables import judged

BEGIN_AT = datetime(2026, 1, 5, tzinfo=UTC)


def week_end(weeks: int) -> datetime:
    """The end of the fleet's week of that number, counted from 1."""
    return BEGIN_AT + timedelta(weeks=weeks)


@dataclass(frozen=True)
class Truth:
    """Rows to be judged, and what is true of each driver, vehicle and site."""

    stops: pl.DataFrame
    habit_rates: dict[str, float]
    answer_rates: dict[str, float]
    place_rates: dict[str, float]
    causes: pl.DataFrame
    """``stop_id, true_cause`` and the chance of a start, with the training and without."""


def fleet(
    seed: int,
    weeks: int,
    *,
    mix: tuple[float, float] = (0.15, 0.15),
    faults: float = 0.15,
    has_navigation: bool = False,
    stops_per_week: tuple[float, float] = (1.5, 5.0),
    bound_to_fault: bool = False,
    is_shared: bool = False,
    breaks_in_week: int | None = None,
    habits: list[float] | None = None,
    training_week: int | None = None,
    training_lift: float = 0.0,
) -> Truth:
    """A fleet of 12 vehicles, 9 drivers and 6 sites.

    `mix` is how many of the drivers never start (0 to 5 % of stops) and how many seldom do (10 to
    35 %); the rest does at half to 95 % of the stops. `faults` is the share of vehicles that never
    answer, or do no more from `breaks_in_week` on. With `bound_to_fault` driver d0 starts as
    others do and only ever drives v00, which does not answer; others drive it
    only if it `is_shared`. Two sites are not known well. From
    `training_week` on each driver's habit moves `training_lift` of the way to 1.
    """
    rng = np.random.default_rng(seed)
    kind = rng.random(9)
    habit = np.where(
        kind < mix[0],
        rng.uniform(0.0, 0.05, 9),
        np.where(kind < sum(mix), rng.uniform(0.10, 0.35, 9), rng.uniform(0.5, 0.95, 9)),
    )
    if habits is not None:
        habit = np.array(habits)
    answer = np.where(rng.random(12) < faults, 0.0, rng.uniform(0.93, 1.0, 12))
    place = np.array([0.98, 0.97, 0.95, 0.97, 0.5, 0.3])
    home = rng.permutation(12)[:9]
    if bound_to_fault:
        habit[0], answer[0] = rng.uniform(0.5, 0.95), 0.0
        home = np.concatenate([[0], 1 + rng.permutation(11)[:8]])
    loyalty = rng.choice([0.5, 0.8, 0.95], 9)
    pace = rng.uniform(*stops_per_week, 9)
    per_week = rng.poisson(np.repeat(pace, weeks))
    driver = np.repeat(np.repeat(np.arange(9), weeks), per_week)
    week = np.repeat(np.tile(np.arange(weeks), 9), per_week)
    count = len(driver)
    vehicle = np.where(
        rng.random(count) < loyalty[driver], home[driver], rng.integers(0, 12, count)
    )
    if bound_to_fault:
        others = vehicle if is_shared else np.where(vehicle == 0, home[driver], vehicle)
        vehicle = np.where(driver == 0, 0, others)
    site = rng.choice(6, count, p=[0.3, 0.2, 0.15, 0.15, 0.1, 0.1])
    minutes = week * 10080 + rng.integers(0, 7, count) * 1440 + rng.integers(360, 1200, count)
    ambient = -4 + 7 * np.cos(week / 26 * np.pi + 2.2) + rng.normal(0, 4, count)
    approach = rng.gamma(4, 9, count) + 8
    # Time enough, and cold enough that it pays: nothing here depends on who drives.
    is_expected = (approach > 18) & (ambient < 8)
    set_habit = habit[driver]
    if training_week is not None:
        lift = np.where(week >= training_week, training_lift, 0.0)
        set_habit = set_habit + (1 - set_habit) * lift
    answers = answer[vehicle]
    if breaks_in_week is not None:
        answers = np.where(week >= breaks_in_week, answers, np.maximum(answers, 0.95))
    is_set = rng.random(count) < set_habit
    is_known = rng.random(count) < place[site]
    is_answered = rng.random(count) < answers
    started = is_set & is_known & is_answered
    warm = started & (rng.random(count) < 0.7)
    reason = np.where(
        ~is_set,
        "no_destination",
        np.where(~is_known, "destination_not_recognised", "vehicle_did_not_respond"),
    )
    if not has_navigation:
        reason = np.full(count, "no_evidence")
    reason = np.where(started, "began_late", reason)
    cold = np.clip(14 - 0.5 * ambient + rng.normal(0, 3, count), 1, None)
    outcome = np.where(warm, "warmed", np.where(started, "part_warmed", "not_warmed"))
    missed = np.where(warm | ~is_expected, 0.0, cold * np.where(started, 0.4, 0.8))
    stops = pl.DataFrame(
        {
            "stop_id": [f"s{number:05d}" for number in range(count)],
            "vehicle_id": np.char.add("v", np.char.zfill(vehicle.astype(str), 2)),
            "driver_id": np.char.add("d", driver.astype(str)),
            "site_id": np.char.add("site-", site.astype(str)),
            "plug_in_at": pl.Series(minutes).cast(pl.Int64) * 60_000_000,
            "local_h": (minutes % 1440) / 60,
            "ambient_degc": ambient,
            "approach_min": approach,
            "outcome": outcome,
            "why": pl.Series(reason),
            "is_expected": is_expected,
            "expected_why_not": pl.Series(
                np.where(approach <= 18, "approach_too_short", "saves_too_little")
            ),
            "can_warm": np.full(count, True),
            "lost_cold_min": np.where(warm, 0.1 * cold, cold),
            "avoidable_min": missed,
            "missed_valued_min": missed * 0.7,
            "missed_worth_cash": -0.05 * missed,
            "missed_worth_time": missed * 0.7 * 32 / 60,
        }
    ).with_columns(
        plug_in_at=(pl.lit(BEGIN_AT) + pl.duration(microseconds=pl.col("plug_in_at"))),
        why=pl.when(pl.col("outcome") != "warmed").then("why"),
        expected_why_not=pl.when(~pl.col("is_expected")).then("expected_why_not"),
    )

    def named(prefix: str, rates: np.ndarray, width: int) -> dict[str, float]:
        return {f"{prefix}{i:0{width}d}": float(rate) for i, rate in enumerate(rates)}

    others = place[site] * answers
    causes = pl.DataFrame(
        {
            "stop_id": stops["stop_id"],
            "true_cause": np.where(
                ~is_set,
                "driver_habit",
                np.where(~is_known, "place_not_recognised", "vehicle_fault"),
            ),
            "chance": set_habit * others,
            "untrained_chance": habit[driver] * others,
        }
    )
    return Truth(
        stops, named("d", habit, 1), named("v", answer, 2), named("site-", place, 1), causes
    )


def true_change(truth: Truth) -> float:
    """What the training changed in the start rate, mean over the expected stops after it."""
    after = truth.stops.filter("is_expected", pl.col("plug_in_at") >= week_end(13))
    told = after.join(truth.causes, on="stop_id")
    return float((told["chance"] - told["untrained_chance"]).mean())  # type: ignore[arg-type]


def looks(truth: Truth, kind: str, weeks: range, rule: Rule) -> pl.DataFrame:
    """One row per week looked at and subject: verdict at that look, and whether a month holds.

    ``is_finding`` is what `never_starts` and `never_responds` call ``stands``; computed from single
    looks, because each of them serves twice.
    """
    rows = judged(truth.stops)
    found = pl.concat(
        one_look(rows, kind, week_end(week), rule)
        .drop("stop_ids")
        .with_columns(week_no=pl.lit(week))
        for week in weeks
    )
    holds = found.with_columns(holds=pl.col("verdict") == "stands")
    before = holds.select(
        "subject_id", pl.col("week_no") + rule.month_days_n // 7, held_before="holds"
    )
    rates = truth.habit_rates if kind == "driver" else truth.answer_rates
    return (
        holds.join(before, on=["subject_id", "week_no"], how="left")
        .with_columns(
            is_finding=pl.col("holds") & pl.col("held_before").fill_null(False),
            true_rate=pl.col("subject_id").replace_strict(rates, return_dtype=pl.Float64),
        )
        .drop("held_before")
        .rename({"holds": "holds_once"})
    )
