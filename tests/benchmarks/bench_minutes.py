"""Time and memory of learning and attribution, as ratios. On demand.

    python tests/benchmarks/bench_minutes.py [--vehicles 100] [--weeks 26] [--interval-s 15]
        [--keep DIR]

Makes a fleet, takes it in, computes every week, then runs the stage *minutes* for the last week
and for the fourth, and a bootstrap by vehicle. Aims: learning and attribution under a third of the
ingest; 200 refits under 20 s for 100 vehicles on two cores; 2,000 resamples of 500 vehicles under
1 s; memory of the last week near that of the fourth.
"""

from __future__ import annotations

import argparse
import multiprocessing
import resource
import shutil
import sys
import tempfile
import time
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent.parent
sys.path[:0] = [str(ROOT), str(ROOT / "sample_fleet")]

NOW = datetime(2026, 11, 30, tzinfo=UTC)


def intake(folder: Path) -> dict[str, Any]:
    """Ingest and stops of all weeks, timed."""
    from pipeline.config import load_fleet
    from pipeline.edition import compute, take_in, warehouse_of

    fleet = load_fleet(folder)
    with warehouse_of(fleet) as con:
        began = time.perf_counter()
        take_in(con, fleet, NOW)
        taken = time.perf_counter()
        weeks = compute(con, fleet)
        done = time.perf_counter()
        stops_n = con.execute("select count(*) from stops").fetchall()[0][0]
    return {"ingest_s": taken - began, "stops_s": done - taken, "weeks": weeks, "stops_n": stops_n}


def stage(folder: Path, week_id: str) -> dict[str, Any]:
    """Stage minutes for one week, its parts timed apart, in a process of its own."""
    from pipeline.config import load_fleet
    from pipeline.edition import warehouse_of
    from pipeline.fleet_tables import write_fleet_tables
    from pipeline.minutes import minutes
    from pipeline.minutes.attribute import attribute
    from pipeline.minutes.intervals import week_draws
    from pipeline.minutes.learn import learn
    from pipeline.minutes.window import read_window

    fleet = load_fleet(folder)
    with warehouse_of(fleet) as con:
        write_fleet_tables(con, fleet)
        before_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        began = time.perf_counter()
        minutes(con, fleet, week_id)
        whole = time.perf_counter() - began
        peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        times = [time.perf_counter()]
        window = read_window(con, week_id)
        times.append(time.perf_counter())
        learned = learn(window, fleet)
        times.append(time.perf_counter())
        found = attribute(window, learned)
        times.append(time.perf_counter())
        week_draws(window, fleet, learned, found)
        times.append(time.perf_counter())
    parts = [after - before for before, after in pairwise(times)]
    return {
        "whole_s": whole,
        **dict(zip(("read_s", "learn_s", "attribute_s", "refits_s"), parts, strict=True)),
        "before_mb": before_mb,
        "peak_mb": peak_mb,
        "window_stops_n": len(window.stops),
        "steps_n": len(window.steps),
    }


def bootstrap() -> float:
    import numpy as np

    from pipeline.statistics import usual_range

    values = np.random.default_rng(1).normal(5, 2, (500, 4))
    began = time.perf_counter()
    usual_range(values, np.ones(500))
    return time.perf_counter() - began


def apart(work: Any, *arguments: Any) -> Any:
    """In a fresh process, so that peak memory is its own."""
    with multiprocessing.get_context("spawn").Pool(1) as pool:
        return pool.apply(work, arguments)


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", 1)[0])
    parser.add_argument("--vehicles", type=int, default=100)
    parser.add_argument("--weeks", type=int, default=26)
    parser.add_argument("--interval-s", type=int, default=15)
    parser.add_argument("--keep", type=Path, help="folder to keep the fleet in, and to reuse")
    given = parser.parse_args()
    from simulate import FleetSpec, simulate

    folder = given.keep or Path(tempfile.mkdtemp(prefix="bench-minutes-"))
    try:
        if not (folder / "inbox").exists():
            spec = FleetSpec(
                n_vehicles=given.vehicles,
                weeks=given.weeks,
                sample_interval_s=given.interval_s,
                layout="tailgate_csv",
                defects=False,
                write_config=True,
            )
            simulate(spec, folder)
        shutil.rmtree(folder / ".coldminutes", ignore_errors=True)
        first = apart(intake, folder)
        print(f"ingest {first['ingest_s']:.1f} s, stops {first['stops_s']:.1f} s, "
              f"{first['stops_n']} stops in {len(first['weeks'])} weeks")  # fmt: skip
        early = apart(stage, folder, first["weeks"][min(3, len(first["weeks"]) - 1)])
        late = apart(stage, folder, first["weeks"][-1])
        for name, found in (("fourth week", early), ("last week", late)):
            print(name, {key: round(value, 2) for key, value in found.items()})
        fitting = late["read_s"] + late["learn_s"] + late["attribute_s"]
        print(f"learning and attribution to ingest  {fitting / first['ingest_s']:.3f}  (aim 0.33)")
        print(f"whole stage to ingest               {late['whole_s'] / first['ingest_s']:.3f}")
        print(f"200 refits                          {late['refits_s']:.1f} s  (aim 20)")
        print(f"bootstrap by vehicle                {bootstrap():.2f} s  (aim 1)")
        print(f"peak memory, last to fourth week    {late['peak_mb'] / early['peak_mb']:.2f}")
    finally:
        if given.keep is None:
            shutil.rmtree(folder, ignore_errors=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
