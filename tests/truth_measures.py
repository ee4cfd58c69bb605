"""A simulated fleet run through the program and held against what it really lost.

Used by the study (`benchmarks/truth_study.py`) and by its short form among the reference tests.
The simulator shares no formula with the program. Sums compare the stops that have an estimate.
"""

from __future__ import annotations

import json
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple

import duckdb
import numpy as np
import polars as pl
from sim_physics import Pack
from sim_world import VARIANTS, FleetSpec, packs_of, vehicle_setups
from simulate import simulate

NOW = datetime(2026, 11, 30, tzinfo=UTC)
STOP_COLUMNS = (
    "vehicle_id", "plug_in_at", "stop_id", "week_id", "evidence_grade", "lost_min", "excess_min",
    "lost_cold_min", "lost_site_min", "lost_unexplained_min", "held_back_min",
    "avoidable_min", "lost_why_null", "split_why_null",
)  # fmt: skip
TRUTH_COLUMNS = {
    "vehicle_id": "vehicle_id",
    "plug_in_utc": "plug_in_at",
    "outcome": "outcome",
    "site_id": "site_id",
    "lost_cold_min": "true_cold_min",
    "lost_site_min": "true_site_min",
    "lost_other_min": "true_other_min",
    "held_min": "true_held_min",
    "shared_min": "shared_min",
    "derated_min": "derated_min",
}
# What a pack and a site cost a stop that the study calls clean and warm, at most.
CLEAN_MAX_MIN = 0.1
CHECKED_SOC_PCT = 40.0
CHECKED_DEGC = (0.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0)


class Judged(NamedTuple):
    """A simulated fleet after its run: stops beside their truth, what was learned, the week."""

    spec: FleetSpec
    week_id: str
    stops: pl.DataFrame  # one row per true DC stop; estimates null where there are none
    models: pl.DataFrame  # fitted_models of the last week
    curves: pl.DataFrame
    cold_limits: pl.DataFrame
    week_interval: tuple[float, float] | None
    seconds: float


def study_spec(variant: str, seed: int, **fields: Any) -> FleetSpec:
    """A fleet with clean exports at 15 s; `fields` are those of the specification."""
    plain: dict[str, Any] = {
        "n_vehicles": 12,
        "weeks": 6,
        "sharing_share": 0.15,
        "curve_bias": 0.94,
        "seed": seed,
        "layout": "tailgate_csv",
        "defects": False,
        "write_config": True,
    }
    return FleetSpec(**(plain | VARIANTS[variant] | fields))


def judge_fleet(spec: FleetSpec, folder: Path) -> Judged:
    """Simulate a fleet into `folder`, run its last week, join the truth.

    Raises
    ------
    SystemExit
        When the warehouse lacks a table or column that the study reads.
    """
    from pipeline.config import load_fleet
    from pipeline.edition import make_edition

    started = time.perf_counter()
    simulate(spec, folder)
    week_id = spec.week_label(spec.weeks - 1)
    make_edition(load_fleet(folder), week_id=week_id, pdf=False, now=NOW)
    with duckdb.connect(str(folder / ".coldminutes" / "warehouse.duckdb"), read_only=True) as con:
        con.execute("set TimeZone = 'UTC'")
        stops = _read(con, "judged_stops", STOP_COLUMNS)
        fits = [
            _read(con, table, ("fit_week_id", "model_id", *columns)).filter(
                pl.col("fit_week_id") == week_id
            )
            for table, columns in (
                ("fitted_models", ("cold_form", "full_power_degc")),
                ("fitted_curves", ("soc_bin", "reference_kw", "curve_source")),
                ("fitted_cold_limits", ("cold_form", "cell_temp_degc", "cold_value")),
            )
        ]
    matched = match_truth(folder, stops)
    interval = week_interval(folder, week_id)
    return Judged(spec, week_id, matched, *fits, interval, time.perf_counter() - started)


def _read(con: duckdb.DuckDBPyConnection, table: str, columns: tuple[str, ...]) -> pl.DataFrame:
    found = {
        row[0]
        for row in con.execute(
            "select column_name from duckdb_columns() where table_name = ?", [table]
        ).fetchall()
    }
    if absent := [name for name in columns if name not in found]:
        raise SystemExit(
            f"truth_study: the warehouse has no {table} at all"
            if not found
            else f"truth_study: {table} has no column {', '.join(absent)}"
        )
    return con.sql(f"select {', '.join(columns)} from {table}").pl()


def match_truth(folder: Path, stops: pl.DataFrame) -> pl.DataFrame:
    """One row per true DC stop with the program's stop that began within two minutes of it."""
    truth = pl.read_csv(folder / "truth" / "stops.csv", try_parse_dates=True)
    truth = truth.filter(pl.col("mode") == "dc").select(
        [pl.col(name).alias(alias) for name, alias in TRUTH_COLUMNS.items()]
    )
    at = pl.col("plug_in_at").dt.cast_time_unit("us")
    return (
        truth.with_columns(at)
        .sort("plug_in_at")
        .join_asof(
            stops.with_columns(at).sort("plug_in_at"),
            on="plug_in_at",
            by="vehicle_id",
            strategy="nearest",
            tolerance="2m",
            check_sortedness=False,
        )
    )


def week_interval(folder: Path, week_id: str) -> tuple[float, float] | None:
    """The week's measurement interval of the fleet's cold minutes; None where none is printed."""
    summary = json.loads((folder / "reports" / week_id / "summary.json").read_text())
    low, high = summary.get("lost_cold_low_min"), summary.get("lost_cold_high_min")
    return None if low is None or high is None else (float(low), float(high))


# --- measures of one fleet ----------------------------------------------------------------------


def measures(judged: Judged) -> dict[str, Any]:
    """All figures of one fleet; null (None) where there is nothing to compute one from."""
    stops = judged.stops
    split = stops.filter(pl.col("lost_cold_min").is_not_null())
    grade_a = split.filter(pl.col("evidence_grade") == "A")
    last = split.filter(pl.col("week_id") == judged.week_id)
    clean = clean_warm(stops)
    true_week_min = float(last["true_cold_min"].sum())
    interval = judged.week_interval
    return {
        "seed": judged.spec.seed,
        "seconds": round(judged.seconds, 2),
        "stops_n": stops.height,
        "found_n": stops["stop_id"].count(),
        "split_n": split.height,
        "cold_true_min": float(split["true_cold_min"].sum()),
        "cold_got_min": float(split["lost_cold_min"].sum()),
        "cold_error_rate": _relative(split, "lost_cold_min", "true_cold_min"),
        "site_error_rate": _relative(split, "lost_site_min", "true_site_min"),
        "unexplained_error_rate": _relative(split, "lost_unexplained_min", "true_other_min"),
        "cold_median_abs_min": _quantile(grade_a, "lost_cold_min", "true_cold_min", 0.5),
        "cold_p90_abs_min": _quantile(grade_a, "lost_cold_min", "true_cold_min", 0.9),
        "site_median_abs_min": _quantile(grade_a, "lost_site_min", "true_site_min", 0.5),
        "site_p90_abs_min": _quantile(grade_a, "lost_site_min", "true_site_min", 0.9),
        "cold_correlation": _correlation(split, "lost_cold_min", "true_cold_min"),
        "site_correlation": _correlation(split, "lost_site_min", "true_site_min"),
        "clean_warm_n": clean.height,
        "clean_warm_lost_min": clean["lost_min"].mean(),
        "shared_cold_bias_min": _bias(split.filter(pl.col("shared_min") >= 0.5)),
        "true_held_min": float(stops["true_held_min"].sum()),
        "true_held_n": stops.filter(pl.col("true_held_min") > 0).height,
        "avoidable_rate": _share(split),
        "week_true_cold_min": true_week_min,
        "week_low_min": interval[0] if interval else None,
        "week_high_min": interval[1] if interval else None,
        "is_week_held": interval[0] <= true_week_min <= interval[1] if interval else None,
        "outcomes": _by_outcome(split),
        "models": {pack.model_id: _learned(judged, pack) for pack in used_packs(judged.spec)},
    }


def clean_warm(stops: pl.DataFrame) -> pl.DataFrame:
    """Stops with an estimate that in truth lost nothing: to cold, site, sharing or derating.

    Packs that arrived at full-power temperature are among them; so are the few whose charge was
    so high that their curve lay below their cold limit all along.
    """
    return stops.filter(
        (pl.col("true_cold_min") < CLEAN_MAX_MIN)
        & (pl.col("true_site_min") < CLEAN_MAX_MIN)
        & (pl.col("shared_min") == 0.0)
        & (pl.col("derated_min") == 0.0)
        & pl.col("lost_min").is_not_null()
    )


def used_packs(spec: FleetSpec) -> list[Pack]:
    """The vehicle models that this fleet really has."""
    used = {setup.pack.model_id for setup in vehicle_setups(spec)}
    return [pack for name, pack in packs_of(spec).items() if name in used]


def _relative(frame: pl.DataFrame, got: str, true: str) -> float | None:
    total = float(frame[true].sum())
    return float((frame[got] - frame[true]).sum()) / total if total > 0.0 else None


def _quantile(frame: pl.DataFrame, got: str, true: str, share: float) -> float | None:
    value = (frame[got] - frame[true]).abs().quantile(share, "linear")
    return None if value is None else float(value)


def _correlation(frame: pl.DataFrame, got: str, true: str) -> float | None:
    if frame.height < 3 or not frame[got].std() or not frame[true].std():
        return None
    return float(np.corrcoef(frame[got].to_numpy(), frame[true].to_numpy())[0, 1])


def _bias(frame: pl.DataFrame) -> float | None:
    value = (frame["lost_cold_min"] - frame["true_cold_min"]).mean()
    return None if value is None else float(value)  # type: ignore[arg-type]


def _share(frame: pl.DataFrame) -> float | None:
    total = float(frame["lost_cold_min"].sum())
    return float(frame["avoidable_min"].sum()) / total if total > 0.0 else None


def _by_outcome(split: pl.DataFrame) -> list[dict[str, Any]]:
    return (
        split.group_by("outcome")
        .agg(
            pl.len().alias("stops_n"),
            pl.col("true_cold_min").sum(),
            pl.col("lost_cold_min").sum(),
        )
        .sort("outcome")
        .to_dicts()
    )


def _learned(judged: Judged, pack: Pack) -> dict[str, Any]:
    """The learned form, full-power temperature and powers of a model against the simulator's."""
    of_model = pl.col("model_id") == pack.model_id
    model = judged.models.filter(of_model).to_dicts()
    curve = judged.curves.filter(of_model).sort("soc_bin")
    limit = judged.cold_limits.filter(of_model).sort("cell_temp_degc")
    form = model[0]["cold_form"] if model else None
    inner = curve.filter(pl.col("soc_bin").is_between(10, 79))
    true_kw = np.interp(inner["soc_bin"].to_numpy() + 0.5, pack.curve_soc_pct, pack.curve_kw)
    errors = inner["reference_kw"].to_numpy() / true_kw - 1.0
    return {
        "cold_form": form,
        "true_cold_form": pack.cold_form,
        "full_power_degc": model[0]["full_power_degc"] if model else None,
        "true_full_power_degc": pack.full_power_degc,
        "curve_error_rate": float(errors.mean()) if errors.size else None,
        "curve_worst_rate": float(errors[np.abs(errors).argmax()]) if errors.size else None,
        "fallback_bins_n": inner.filter(pl.col("curve_source") != "learned").height,
        "cold_error_rates": _cold_errors(pack, form, curve, limit),
    }


def _cold_errors(
    pack: Pack, form: str | None, curve: pl.DataFrame, limit: pl.DataFrame
) -> list[float] | None:
    """Relative error of the power a cold pack takes at 40 %, per temperature of CHECKED_DEGC."""
    if form is None or limit.is_empty() or curve.is_empty():
        return None
    limit = limit.filter(pl.col("cold_form") == pl.lit(form))
    warm = float(np.interp(CHECKED_SOC_PCT, curve["soc_bin"] + 0.5, curve["reference_kw"]))
    value = np.interp(CHECKED_DEGC, limit["cell_temp_degc"], limit["cold_value"])
    got = _limited(form, warm, value, pack.usable_kwh)
    true_warm = float(np.interp(CHECKED_SOC_PCT, pack.curve_soc_pct, pack.curve_kw))
    true_value = np.interp(CHECKED_DEGC, pack.cold_degc, pack.cold_value)
    true = _limited(pack.cold_form, true_warm, true_value, pack.usable_kwh)
    return [round(float(error), 4) for error in got / true - 1.0]


def _limited(form: str, warm_kw: float, value: np.ndarray, usable_kwh: float) -> np.ndarray:
    return value * warm_kw if form == "factor" else np.minimum(warm_kw, value * usable_kwh)
