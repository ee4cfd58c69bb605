"""Golden figures of the sample fleet's last week.

Reason: a change of the method or of a rule must show as a change of answers that somebody
reviews, not slip through because each stage still agrees with itself. Write them anew with
``pytest --update-golden`` and look at the diff.
"""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import Any

import pytest

HERE = Path(__file__).parent
WEEK = "2026-W06"
# The key of the pseudonyms is made anew for each copy, and versions change without answers.
LEFT_OUT = {"version", "generator_version", "generator", "outputs"}


@pytest.fixture(scope="module")
def week(sample_run: Path) -> Path:
    return sample_run / "reports" / WEEK


def summary(text: str) -> dict[str, Any]:
    return {key: value for key, value in json.loads(text).items() if key not in LEFT_OUT}


def stop_rows(text: str) -> list[dict[str, str]]:
    rows = list(csv.DictReader(io.StringIO(text)))
    return [{key: value for key, value in row.items() if key != "driver_id"} for row in rows]


def test_the_default_week_is_the_last_complete_one(week: Path) -> None:
    assert week.is_dir()


def test_summary(week: Path, request: pytest.FixtureRequest) -> None:
    golden = HERE / f"sample_fleet_{WEEK}_summary.json"
    got = summary((week / "summary.json").read_text(encoding="utf-8"))
    if request.config.getoption("--update-golden"):
        golden.write_text(json.dumps(got, indent=1) + "\n", encoding="utf-8")
    assert got == summary(golden.read_text(encoding="utf-8"))


def test_stops(week: Path, request: pytest.FixtureRequest) -> None:
    golden = HERE / f"sample_fleet_{WEEK}_stops.csv"
    got = stop_rows((week / "tables" / "stops.csv").read_text(encoding="utf-8"))
    if request.config.getoption("--update-golden"):
        with golden.open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, got[0].keys(), lineterminator="\n")
            writer.writeheader()
            writer.writerows(got)
    assert got == stop_rows(golden.read_text(encoding="utf-8"))


def test_parts_sum_to_the_whole(week: Path) -> None:
    """Laws that hold whatever the answers are."""
    figures = summary((week / "summary.json").read_text(encoding="utf-8"))
    stops = stop_rows((week / "tables" / "stops.csv").read_text(encoding="utf-8"))
    outcomes = (
        "warmed", "part_warmed", "not_warmed", "already_warm", "warmed_unneeded",
        "low_charge_hold", "unknown",
    )  # fmt: skip
    assert figures["stops"] == len(stops) == sum(figures[name] for name in outcomes)
    assert figures["needed_warming"] == sum(figures[name] for name in outcomes[:3])
    lost = sum(float(row["lost_min"]) for row in stops if row["lost_min"])
    assert figures["lost_min"] == pytest.approx(lost, abs=0.5)
    kwh = sum(float(row["warming_kwh"]) for row in stops if row["warming_kwh"])
    assert figures["warming_kwh"] == pytest.approx(kwh, abs=0.05)
    for row in stops:
        if row["lost_min"]:
            difference = float(row["active_min"]) - float(row["reference_min"])
            assert float(row["lost_min"]) == pytest.approx(difference, abs=0.011)
        # A stop has an outcome or a reason for having none, never both missing.
        assert row["outcome"] != "unknown" or row["why"]
        assert not (row["lost_min"] and row["lost_at_most_min"])
