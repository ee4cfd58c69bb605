"""How far the minutes and their causes lie from what simulated fleets really lost. On demand.

    python tests/benchmarks/truth_study.py [--fleets 20] [--vehicles 12] [--weeks 6]
        [--sharing 0.15] [--curve-bias 0.94] [--variant base|hot|plug|unrated|summer|factor|ceiling]
        [--power-noise 0] [--first-seed 1] [--workers 2] [--out DIR] [--json FILE]

Each fleet is simulated (seed by seed, so the same options give the same figures), run through the
program for its last week, held against `truth/stops.csv`, and deleted. Sums compare the stops that
have an estimate; how many have none is printed.
"""

from __future__ import annotations

import argparse
import json
import math
import shutil
import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any

import polars as pl

ROOT = Path(__file__).resolve().parent.parent.parent
sys.path[:0] = [str(ROOT), str(ROOT / "sample_fleet"), str(ROOT / "tests")]

from sim_world import VARIANTS, FleetSpec  # noqa: E402  the paths come first
from truth_measures import (  # noqa: E402
    CHECKED_DEGC,
    CHECKED_SOC_PCT,
    judge_fleet,
    measures,
    study_spec,
)

SHOWN = {
    "seed": "seed",
    "stops": "stops_n",
    "split": "split_n",
    "true cold": "cold_true_min",
    "got cold": "cold_got_min",
    "cold err": "cold_error_rate",
    "site err": "site_error_rate",
    "med cold": "cold_median_abs_min",
    "p90 cold": "cold_p90_abs_min",
    "p90 site": "site_p90_abs_min",
    "r cold": "cold_correlation",
    "r site": "site_correlation",
    "clean warm": "clean_warm_lost_min",
    "shared bias": "shared_cold_bias_min",
    "week held": "is_week_held",
    "s": "seconds",
}


def one_fleet(spec: FleetSpec, out_dir: Path) -> dict[str, Any]:
    """Make, judge and delete one fleet."""
    folder = out_dir / f"fleet-{spec.seed}"
    shutil.rmtree(folder, ignore_errors=True)
    try:
        return measures(judge_fleet(spec, folder))
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def overall(fleets: list[dict[str, Any]]) -> dict[str, Any]:
    """Means and worst cases over the fleets; a figure no fleet has is null."""
    result: dict[str, Any] = {"fleets_n": len(fleets)}
    for name in ("cold", "site", "unexplained"):
        rates = _column(fleets, f"{name}_error_rate")
        result[f"{name}_error_rate_mean"] = _mean(rates)
        result[f"{name}_error_rate_worst"] = max(rates, key=abs, default=None)
    for name in ("cold_median_abs_min", "cold_p90_abs_min", "site_median_abs_min",
                 "site_p90_abs_min"):  # fmt: skip
        values = _column(fleets, name)
        result[f"{name}_mean"] = _mean(values)
        result[f"{name}_worst"] = max(values, default=None)
    for name in ("cold_correlation", "site_correlation"):
        values = _column(fleets, name)
        result[f"{name}_mean"] = _mean(values)
        result[f"{name}_worst"] = min(values, default=None)
    for name in ("clean_warm_lost_min", "shared_cold_bias_min", "avoidable_rate", "seconds"):
        result[f"{name}_mean"] = _mean(_column(fleets, name))
    held = _column(fleets, "is_week_held")
    result["coverage_rate"], result["coverage_n"] = _mean(held), len(held)
    stops_n = sum(fleet["stops_n"] for fleet in fleets)
    result["no_split_rate"] = 1.0 - sum(fleet["split_n"] for fleet in fleets) / stops_n
    result["not_found_n"] = stops_n - sum(fleet["found_n"] for fleet in fleets)
    result["true_held_stops_rate"] = sum(fleet["true_held_n"] for fleet in fleets) / stops_n
    right = [
        model["cold_form"] == model["true_cold_form"]
        for fleet in fleets
        for model in fleet["models"].values()
    ]
    result["form_found_rate"] = _mean(right)
    result["outcomes"] = _pooled_outcomes(fleets)
    return result


def _column(fleets: list[dict[str, Any]], name: str) -> list[Any]:
    return [fleet[name] for fleet in fleets if fleet[name] is not None]


def _mean(values: list[Any]) -> float | None:
    return math.fsum(values) / len(values) if values else None


def _pooled_outcomes(fleets: list[dict[str, Any]]) -> list[dict[str, Any]]:
    rows = [row for fleet in fleets for row in fleet["outcomes"]]
    if not rows:
        return []
    bias = pl.col("lost_cold_min") - pl.col("true_cold_min")
    return (
        pl.DataFrame(rows)
        .group_by("outcome")
        .agg(pl.all().sum())
        .with_columns(
            (bias / pl.col("stops_n")).alias("bias_min"),
            pl.when(pl.col("true_cold_min") > 0)
            .then(bias / pl.col("true_cold_min") * 100.0)
            .alias("bias_pct"),
        )
        .sort("outcome")
        .to_dicts()
    )


def _text(value: Any) -> str:
    if value is None:
        return "-"
    return f"{value:.4g}" if isinstance(value, float) else str(value)


def print_study(fleets: list[dict[str, Any]], total: dict[str, Any]) -> None:
    rows = [tuple(SHOWN), *[tuple(_text(fleet[key]) for key in SHOWN.values()) for fleet in fleets]]
    widths = [max(len(row[i]) for row in rows) for i in range(len(SHOWN))]
    for row in rows:
        print("  ".join(cell.rjust(width) for cell, width in zip(row, widths, strict=True)))
    print()
    for name, value in total.items():
        if name != "outcomes":
            print(f"{name:34} {_text(value)}")
    print("\ncold minutes by true outcome     stops    true min     bias min a stop      bias %")
    for row in total["outcomes"]:
        print(
            f"{row['outcome']:30} {row['stops_n']:7} {row['true_cold_min']:11.1f} "
            f"{row['bias_min']:18.3f} {_text(row['bias_pct']):>11}"
        )
    temperatures = ", ".join(f"{degc:g}" for degc in CHECKED_DEGC)
    print(f"\nlearned; cold errors are at {CHECKED_SOC_PCT:g} % and {temperatures} degC")
    for fleet in fleets:
        for name, model in fleet["models"].items():
            form, degc = model["cold_form"], model["full_power_degc"]
            print(
                f"{fleet['seed']:5} {name:12} form {_text(form)} (true {model['true_cold_form']}), "
                f"full power {_text(degc)} (true {model['true_full_power_degc']:g}), "
                f"curve {_text(model['curve_error_rate'])} worst "
                f"{_text(model['curve_worst_rate'])}, fallback bins {model['fallback_bins_n']}, "
                f"cold {model['cold_error_rates']}"
            )


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", 1)[0])
    parser.add_argument("--fleets", type=int, default=20)
    parser.add_argument("--vehicles", type=int, default=12)
    parser.add_argument("--weeks", type=int, default=6)
    parser.add_argument("--sharing", type=float, default=0.15)
    parser.add_argument("--curve-bias", type=float, default=0.94)
    parser.add_argument("--power-noise", type=float, default=0.0)
    parser.add_argument("--variant", choices=VARIANTS, default="base")
    parser.add_argument("--first-seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--out", type=Path, help="where the fleets lie meanwhile; default: temp")
    parser.add_argument("--json", type=Path, help="file for all figures")
    given = parser.parse_args(arguments)
    if min(given.fleets, given.workers) < 1:
        parser.error("--fleets and --workers must be at least 1")
    specs = [
        study_spec(
            given.variant,
            seed,
            n_vehicles=given.vehicles,
            weeks=given.weeks,
            sharing_share=given.sharing,
            curve_bias=given.curve_bias,
            power_noise=given.power_noise,
        )
        for seed in range(given.first_seed, given.first_seed + given.fleets)
    ]
    if given.out is not None:
        given.out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix="truth-study-", dir=given.out) as folder:
        work = partial(one_fleet, out_dir=Path(folder))
        if given.workers == 1:
            fleets = [work(spec) for spec in specs]
        else:
            with ProcessPoolExecutor(given.workers) as pool:
                fleets = list(pool.map(work, specs))
    total = overall(fleets)
    print_study(fleets, total)
    if given.json is not None:
        options = {
            name: str(value) for name, value in vars(given).items() if name not in ("out", "json")
        }
        result = {"options": options, "overall": total, "fleets": fleets}
        given.json.write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
