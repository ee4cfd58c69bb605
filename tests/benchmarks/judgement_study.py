"""How often the finger points at the wrong one, and how soon at the right one. On demand.

    python tests/benchmarks/judgement_study.py [--fleets 200] [--only errors] [--seed 1000]

Fleets of 12 vehicles, 9 drivers and 6 sites from `tests/judgement_truth.py`, whose habits, faults
and places are known and which shares no formula with the program. A finding about a driver is
false where the true start probability is 0.10 or more (method, section 7); one about a vehicle
where it answers as often. Aims: false discovery rate under 10 % in one look (5 weeks; 26 weeks)
and over 26 weekly looks; a driver who only drives a vehicle that cannot warm is accused in under
1 % of fleets; false alarms of the control charts as stated, 5 %; intervals cover as stated, 90 %.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

ROOT = Path(__file__).resolve().parent.parent.parent
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from judgement_truth import fleet, looks, true_change, week_end  # noqa: E402

from pipeline.judgement.causes import causes_of_stops  # noqa: E402
from pipeline.judgement.control import control_chart  # noqa: E402
from pipeline.judgement.effects import before_and_after  # noqa: E402
from pipeline.judgement.findings import METHOD_RULE  # noqa: E402

SCENARIOS: dict[str, dict[str, Any]] = {
    "usual mix, 15 % never, 15 % seldom": {},
    "nobody never, 35 % seldom (0.10 to 0.35)": {"mix": (0.0, 0.35)},
    # 0.12 of the habit is 0.10 of the stops: not every place is known, not every answer comes.
    "three start at one stop in ten, nobody less": {
        "habits": [0.12] * 3 + [0.55, 0.6, 0.7, 0.8, 0.85, 0.9],
        "faults": 0.0,
    },
    "nobody warms much (0.10 to 0.35)": {"mix": (0.0, 1.0)},
    "faults begin in week 8, 30 % of vehicles": {"breaks_in_week": 8, "faults": 0.3},
    "d0 only ever drives a vehicle without": {"bound_to_fault": True},
    "the same, others drive it too, fault begins in week 8": {
        "bound_to_fault": True,
        "is_shared": True,
        "breaks_in_week": 8,
    },
    "with navigation": {"has_navigation": True},
}


def false_discovery_rate(found: pl.DataFrame, fleets_n: int) -> float:
    """Mean over fleets of false among found; a fleet without a finding counts as 0."""
    parts = (
        found.unique(["seed", "subject_id"])
        .group_by("seed")
        .agg(share=(pl.col("true_rate") >= METHOD_RULE.habit_rate).mean())
    )
    return float(parts["share"].sum()) / fleets_n


def look_at_fleets(fleets_n: int, seed: int, kind: str, **options: Any) -> pl.DataFrame:
    """All weekly looks from week 1 to 26 at fleets of these options."""
    return pl.concat(
        looks(fleet(seed + n, 26, **options), kind, range(1, 27), METHOD_RULE).with_columns(
            seed=pl.lit(n)
        )
        for n in range(fleets_n)
    )


def errors(fleets_n: int, seed: int) -> None:
    for name, options in SCENARIOS.items():
        for kind in ("driver", "vehicle"):
            seen = look_at_fleets(fleets_n, seed, kind, **options)
            week = pl.col("week_no")
            once = {w: seen.filter((week == w) & pl.col("holds_once")) for w in (5, 26)}
            standing = seen.filter("is_finding")
            accused = standing.filter(pl.col("subject_id") == "d0")["seed"].n_unique()
            rates = [false_discovery_rate(rows, fleets_n) for rows in (*once.values(), standing)]
            ever = standing.unique(["seed", "subject_id"])
            right = ever.filter(pl.col("true_rate") < METHOD_RULE.habit_rate).height
            print(
                f"{name}; {kind}: FDR week 5 {rates[0]:.1%}, week 26 {rates[1]:.1%}, "
                f"26 looks {rates[2]:.1%}; findings {ever.height}, right {right}; "
                f"d0 accused in {accused / fleets_n:.1%} of {fleets_n} fleets",
                flush=True,
            )


def power(fleets_n: int, seed: int) -> None:
    """Share found among those who never start, by the stops that could have shown it."""
    for kind in ("driver", "vehicle"):
        seen = look_at_fleets(fleets_n, seed, kind)
        never = seen.filter(pl.col("true_rate") < METHOD_RULE.habit_rate).with_columns(
            shown_from_n=pl.col("shown_n") // 8 * 8
        )
        table = (
            never.filter(pl.col("week_no").is_in([5, 9, 13, 17, 21, 26]))
            .group_by("shown_from_n")
            .agg(
                pl.len(),
                holds=pl.col("holds_once").mean(),
                holds_if_none_started=pl.col("holds_once").filter(pl.col("started_n") == 0).mean(),
                finding_if_none_started=pl.col("is_finding")
                .filter(pl.col("started_n") == 0)
                .mean(),
            )
            .sort("shown_from_n")
        )
        first = (
            never.filter("is_finding").group_by("seed", "subject_id").agg(pl.col("week_no").min())
        )
        total = never.unique(["seed", "subject_id"]).height
        print(kind, table, f"found within 26 weeks: {first.height} of {total}", sep="\n")
        if first.height:
            print("first found in week (median)", first["week_no"].median(), flush=True)


def chart_signals(fleets_n: int, seed: int, kind: str, **options: Any) -> float:
    """Share of fleets with any signal: 13 weeks of baseline, 13 watched."""
    signals = [
        control_chart(fleet(seed + n, 26, **options).stops, kind, week_end(13))["signal"]
        for n in range(fleets_n)
    ]
    return float(np.mean([signal.is_not_null().any() for signal in signals]))


def charts(fleets_n: int, seed: int) -> None:
    for name, options in (
        ("nothing changes", {}),
        ("habits move half of the way to always", {"training_week": 13, "training_lift": 0.5}),
    ):
        for kind in ("fleet", "driver"):
            share = chart_signals(fleets_n, seed, kind, **options)
            print(f"charts, {name}: {share:.1%} of fleets with a {kind} signal", flush=True)


def covered(fleets_n: int, seed: int, lift: float) -> tuple[float, float]:
    """Share of 90 % intervals of a training's effect that hold the truth, and their mean width."""
    held, widths = [], []
    for n in range(fleets_n):
        truth = fleet(seed + n, 26, training_week=13, training_lift=lift)
        row = before_and_after(truth.stops, week_end(13)).row(0, named=True)
        if row["change_rate"] is not None:
            held.append(row["change_rate_low"] <= true_change(truth) <= row["change_rate_high"])
            widths.append(row["change_rate_high"] - row["change_rate_low"])
    return float(np.mean(held)), float(np.mean(widths))


def effects(fleets_n: int, seed: int) -> None:
    for lift in (0.0, 0.3):
        share, width = covered(fleets_n, seed, lift)
        print(f"effect, lift {lift}: covers {share:.1%}, mean width {width:.2f}", flush=True)


def causes(fleets_n: int, seed: int) -> None:
    """Of the stops put on a cause, the share of which it is true."""
    for has_navigation in (False, True):
        told = pl.concat(
            causes_of_stops(truth.stops).join(truth.causes, on="stop_id")
            for n in range(fleets_n)
            for truth in [fleet(seed + n, 26, has_navigation=has_navigation)]
        ).filter("is_expected", pl.col("outcome") == "not_warmed")
        table = told.group_by("cause").agg(
            pl.len(), is_true=(pl.col("cause") == pl.col("true_cause")).mean()
        )
        print(f"causes, navigation known {has_navigation}", table.sort("cause"), flush=True)


STUDIES = {
    "errors": errors, "power": power, "charts": charts, "effects": effects, "causes": causes,
}  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--fleets", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1000)
    parser.add_argument("--only", choices=STUDIES)
    options = parser.parse_args()
    for name, study in STUDIES.items():
        if options.only in (None, name):
            study(options.fleets, options.seed)


if __name__ == "__main__":
    main()
