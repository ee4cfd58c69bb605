"""Speed and memory of the main job, as ratios measured in one run. Not a timed test.

    python tests/benchmarks/bench_run.py [--vehicles 100] [--interval-s 2] [--keep DIR]

Prints

* ``run --no-pdf`` over one new week of CSV (about 5 million samples by default) against a bare
  DuckDB ``create table as select * from read_csv(...)`` of the same files, best of ``--rounds``;
* its peak memory, and the size of both databases;
* the same new week with 1 and with 26 weeks of history already loaded. The history is the week
  itself, moved back in time inside the warehouse: 26 times the rows without 26 times the waiting.
"""

from __future__ import annotations

import argparse
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import duckdb

ROOT = Path(__file__).resolve().parent.parent.parent
sys.path[:0] = [str(ROOT), str(ROOT / "sample_fleet")]


def bare_load(fleet: Path, database: Path) -> float:
    """Seconds of the plain load that the ratios are against."""
    database.unlink(missing_ok=True)
    started = time.perf_counter()
    con = duckdb.connect(str(database))
    con.execute(
        f"create table samples as select * from read_csv('{fleet}/inbox/tg_*.csv', filename=true)"
    )
    con.close()
    return time.perf_counter() - started


def run(fleet: Path, week: str) -> tuple[float, float]:
    """Seconds and peak memory [GB] of the command line in a process of its own."""
    shutil.rmtree(fleet / "reports", ignore_errors=True)
    started = time.perf_counter()
    command = [sys.executable, "-m", "pipeline", "run", str(fleet), "--no-pdf", "--week", week]
    process = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    seconds = time.perf_counter() - started
    if os.waitstatus_to_exitcode(status) not in (0, 1):
        raise SystemExit("the run failed")
    return seconds, usage.ru_maxrss / 1e6


def move_back(fleet: Path, weeks_n: int) -> None:
    """Replace what the warehouse holds by ``weeks_n`` copies of it, each a week earlier."""
    con = duckdb.connect(str(fleet / ".coldminutes" / "warehouse.duckdb"))
    con.execute("set TimeZone = 'UTC'")
    for table in ("samples", "file_spans", "files", "stops", "charge_sessions"):
        con.execute(f"create temp table original as from {table}")
        con.execute(f"delete from {table}")
        columns = {row[0] for row in con.execute("describe original").fetchall()}
        for back in range(weeks_n, 0, -1):
            days = f"interval {7 * back} day"
            moved = [
                f"{name} - {days} as {name}"
                for name in ("sampled_at", "first_at", "last_at", "plug_in_at", "plug_out_at")
                if name in columns
            ]
            if "file_id" in columns:
                # Below every id that the sequence will give to the new week.
                moved.append(f"file_id - {back * 1_000_000} as file_id")
            if "content_sha256" in columns:
                moved.append(f"content_sha256 || '-{back}' as content_sha256")
            if "stop_id" in columns:
                moved.append(f"stop_id || '-{back}' as stop_id")
            if "week_id" in columns:
                moved.append(f"strftime(plug_in_at - {days}, '%G-W%V') as week_id")
            con.execute(
                f"insert into {table} by name select * replace ({', '.join(moved)}) from original"
            )
        con.execute("drop table original")
    for table in ("nav_events", "driver_spans", "reported_sessions", "dirty_weeks", "inbox_files"):
        con.execute(f"delete from {table}")
    con.execute("checkpoint")
    con.close()


def main() -> None:
    parser = argparse.ArgumentParser(description="Ratios of the main job.")
    parser.add_argument("--vehicles", type=int, default=100)
    parser.add_argument("--interval-s", type=int, default=2)
    parser.add_argument("--history-vehicles", type=int, default=20)
    parser.add_argument("--rounds", type=int, default=2)
    parser.add_argument("--keep", type=Path, help="Folder for the fleets; kept.")
    options = parser.parse_args()
    base = options.keep or Path(tempfile.mkdtemp(prefix="coldminutes-bench-"))
    new_week(base / "wide", options.vehicles, options.interval_s, options.rounds)
    history(base / "deep", options.history_vehicles, options.interval_s, options.rounds)
    if not options.keep:
        shutil.rmtree(base)


def simulated(folder: Path, vehicles: int, interval_s: int) -> Path:
    from simulate import FleetSpec, simulate

    if not (folder / "fleet.toml").exists():
        simulate(
            FleetSpec(
                n_vehicles=vehicles,
                weeks=1,
                seed=7,
                sample_interval_s=interval_s,
                ac_interval_s=interval_s,
                defects=False,  # the bare load stops at the first cell that is no number
                layout="tailgate_csv",
                write_config=True,
            ),
            folder,
        )
    return folder


def new_week(folder: Path, vehicles: int, interval_s: int, rounds: int) -> None:
    fleet = simulated(folder, vehicles, interval_s)
    size_mb = sum(path.stat().st_size for path in (fleet / "inbox").glob("tg_*.csv")) / 1e6
    bare = min(bare_load(fleet, folder / "bare.duckdb") for _ in range(rounds))
    runs = []
    for _ in range(rounds):
        shutil.rmtree(fleet / ".coldminutes", ignore_errors=True)
        runs.append(run(fleet, "2026-W02"))
    seconds, memory = min(runs)
    con = duckdb.connect(str(fleet / ".coldminutes" / "warehouse.duckdb"), read_only=True)
    samples_n, stops_n = con.execute(
        "select (select count(*) from samples), (select count(*) from stops)"
    ).fetchall()[0]
    con.close()
    print(f"one new week: {vehicles} vehicles, {samples_n:,} samples, {size_mb:.0f} MB, "
          f"{stops_n} stops")  # fmt: skip
    print(f"  bare load {bare:.2f} s; run --no-pdf {seconds:.2f} s; ratio {seconds / bare:.2f} "
          f"(target 4)")  # fmt: skip
    print(f"  peak memory {memory:.2f} GB (target 2)")


def history(folder: Path, vehicles: int, interval_s: int, rounds: int) -> None:
    fleet = simulated(folder, vehicles, interval_s)
    best = {}
    for weeks_n in (1, 26):
        kept = folder / f"history-{weeks_n}"
        shutil.rmtree(fleet / ".coldminutes", ignore_errors=True)
        if not kept.exists():
            run(fleet, "2026-W02")
            move_back(fleet, weeks_n)
            shutil.copytree(fleet / ".coldminutes", kept)
        runs = []
        for _ in range(rounds):
            shutil.rmtree(fleet / ".coldminutes", ignore_errors=True)
            shutil.copytree(kept, fleet / ".coldminutes")
            runs.append(run(fleet, "2026-W02"))
        best[weeks_n] = min(runs)
        print(f"  {weeks_n} weeks of history: {best[weeks_n][0]:.2f} s, "
              f"{best[weeks_n][1]:.2f} GB")  # fmt: skip
    print(f"  ratio 26 to 1: {best[26][0] / best[1][0]:.2f} (target 1.25)")


if __name__ == "__main__":
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    main()
