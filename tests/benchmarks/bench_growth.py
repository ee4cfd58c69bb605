"""What a million samples cost as a fleet and its history grow. Not a timed test.

    python tests/benchmarks/bench_growth.py [10x1 100x1 500x1 2000x1 20x26 10x52] [--keep DIR]
    python tests/benchmarks/bench_growth.py --weekly [20x26]
    python tests/benchmarks/bench_growth.py --scaled [100x1]

Each ``VEHICLESxWEEKS`` is a fleet made of ten simulated vehicles and one week (15 s while driving
or fast charging, 60 s on AC), laid side by side under other names, some seconds apart, and weeks
apart. One ``run --no-pdf`` takes all of it in at once. Printed per million samples: wall and
processor seconds, peak of resident memory, size of the warehouse. The machine's load before each
run stands beside it: on a busy machine only processor seconds say anything.

``--weekly`` runs all weeks but the last, then the last alone, and holds that run against the same
week without history, in processor seconds. ``--scaled`` runs the fleet with ``[scale]`` on as many
processes as there are cores, and prints the processor seconds of the run itself (the writer)
beside those of its workers.
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
import tomllib
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import duckdb
import polars as pl

ROOT = Path(__file__).resolve().parent.parent.parent
sys.path[:0] = [str(ROOT), str(ROOT / "sample_fleet")]

BASE_VEHICLES_N = 10
FIRST_MONDAY = date(2025, 1, 6)
SECONDS_APART = 7
"""Between copies of one vehicle, so that no two files hold the same content."""


@dataclass(frozen=True)
class Cost:
    """What one run took."""

    wall_s: float
    own_cpu_s: float
    cpu_s: float
    peak_mb: float
    samples_n: int
    stops_n: int
    warehouse_mb: float


def base_fleet(folder: Path) -> Path:
    from simulate import FleetSpec, simulate

    if not (folder / "fleet.toml").exists():
        simulate(
            FleetSpec(
                n_vehicles=BASE_VEHICLES_N,
                weeks=1,
                first_monday=FIRST_MONDAY,
                seed=7,
                defects=False,
                layout="tailgate_csv",
                write_config=True,
            ),
            folder,
        )
    return folder


def tiled(base: Path, folder: Path, vehicles_n: int, weeks_n: int) -> Path:
    """A fleet folder of so many vehicles and weeks."""
    if folder.exists():
        return folder
    shutil.copytree(base, folder, ignore=shutil.ignore_patterns("inbox", "truth", ".coldminutes"))
    shutil.rmtree(folder / "tariffs", ignore_errors=True)
    (folder / "inbox").mkdir()
    models = tomllib.loads((base / "vehicles.toml").read_text("utf-8"))["vehicles"]
    names = [f"van-{number:05d}" for number in range(1, vehicles_n + 1)]
    (folder / "vehicles.toml").write_text(
        "".join(
            f'[vehicles.{name}]\nmodel = "{model_of(models, number)}"\n'
            for number, name in enumerate(names)
        ),
        "utf-8",
    )
    nav = pl.read_csv(next((base / "inbox").glob("nav_*.csv")), infer_schema=False)
    for number in range(BASE_VEHICLES_N):
        old = f"van-{number + 1:02d}"
        rows = pl.read_csv(next((base / "inbox").glob(f"tg_{old}_*.csv")), infer_schema=False)
        at = rows["utc"].str.to_datetime("%Y-%m-%dT%H:%M:%SZ")
        for copy, name in enumerate(names[number::BASE_VEHICLES_N]):
            for week in range(weeks_n):
                later = pl.duration(days=7 * week, seconds=SECONDS_APART * copy)
                shifted = rows.with_columns(
                    pl.select((at + later).dt.strftime("%Y-%m-%dT%H:%M:%SZ"))
                    .to_series()
                    .alias("utc")
                )
                shifted.write_csv(folder / "inbox" / f"tg_{name}_{week_of(week)}.csv")
    for week in range(weeks_n):
        parts = []
        for number, name in enumerate(names):
            own = nav.filter(pl.col("vehicle") == f"van-{number % BASE_VEHICLES_N + 1:02d}")
            later = pl.duration(days=7 * week, seconds=SECONDS_APART * (number // BASE_VEHICLES_N))
            at = pl.col("utc").str.to_datetime("%Y-%m-%dT%H:%M:%SZ") + later
            parts.append(
                own.with_columns(vehicle=pl.lit(name), utc=at.dt.strftime("%Y-%m-%dT%H:%M:%SZ"))
            )
        pl.concat(parts).write_csv(folder / "inbox" / f"nav_{week_of(week)}.csv")
    return folder


def model_of(models: dict[str, dict[str, str]], number: int) -> str:
    return models[f"van-{number % BASE_VEHICLES_N + 1:02d}"]["model"]


def week_of(number: int) -> str:
    year, week, _ = (FIRST_MONDAY + timedelta(days=7 * number)).isocalendar()
    return f"{year}-W{week:02d}"


def run(fleet: Path, week_id: str) -> Cost:
    """One run in a process of its own; its children (workers) are in `cpu_s`, not in the peak."""
    shutil.rmtree(fleet / "reports", ignore_errors=True)
    load = os.getloadavg()[0]
    code = (
        "import os, resource, sys\n"
        "from pipeline.cli import main\n"
        "try:\n    main(sys.argv[1:])\n"
        "finally:\n"
        "    own, others = (resource.getrusage(who) for who in"
        " (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))\n"
        "    print('COST', own.ru_utime + own.ru_stime,"
        " others.ru_utime + others.ru_stime, own.ru_maxrss)\n"
    )
    started = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", code, "run", str(fleet), "--no-pdf", "--week", week_id],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    wall_s = time.perf_counter() - started
    told = re.search(r"^COST (\S+) (\S+) (\S+)", done.stdout, re.MULTILINE)
    if done.returncode not in (0, 1) or told is None:
        raise SystemExit(f"the run failed:\n{done.stdout[-2000:]}{done.stderr[-4000:]}")
    warehouse = fleet / ".coldminutes" / "warehouse.duckdb"
    with duckdb.connect(str(warehouse), read_only=True) as con:
        samples_n, stops_n = con.execute(
            "select (select count(*) from samples), (select count(*) from stops)"
        ).fetchall()[0]
    own_s, others_s, peak_kb = (float(value) for value in told.groups())
    print(f"    (load before the run {load:.1f})", flush=True)
    return Cost(
        wall_s,
        own_s,
        own_s + others_s,
        peak_kb / 1e3,
        samples_n,
        stops_n,
        warehouse.stat().st_size / 1e6,
    )


def print_cost(name: str, cost: Cost) -> None:
    millions = cost.samples_n / 1e6
    print(
        f"{name}: {millions:.2f} M samples, {cost.stops_n} stops; wall {cost.wall_s:.1f} s, "
        f"CPU {cost.cpu_s:.1f} s, peak {cost.peak_mb:.0f} MB, "
        f"warehouse {cost.warehouse_mb:.0f} MB; "
        f"per million: wall {cost.wall_s / millions:.2f} s, CPU {cost.cpu_s / millions:.2f} s, "
        f"warehouse {cost.warehouse_mb / millions:.1f} MB",
        flush=True,
    )


def growth(base: Path, sizes: list[tuple[int, int]], folder: Path, is_kept: bool) -> None:
    for vehicles_n, weeks_n in sizes:
        fleet = tiled(base, folder / f"{vehicles_n}x{weeks_n}", vehicles_n, weeks_n)
        shutil.rmtree(fleet / ".coldminutes", ignore_errors=True)
        print_cost(f"{vehicles_n} vehicles x {weeks_n} weeks", run(fleet, week_of(weeks_n - 1)))
        if not is_kept:
            shutil.rmtree(fleet)


def weekly(base: Path, sizes: list[tuple[int, int]], folder: Path) -> None:
    """The last week alone, with all the others taken in before and without them."""
    for vehicles_n, weeks_n in sizes:
        fleet = tiled(base, folder / f"weekly-{vehicles_n}x{weeks_n}", vehicles_n, weeks_n)
        last = week_of(weeks_n - 1)
        aside = folder / "aside"
        costs = {}
        for name, before in (("without history", ()), ("with history", range(weeks_n - 1))):
            shutil.rmtree(fleet / ".coldminutes", ignore_errors=True)
            aside.mkdir(exist_ok=True)
            for path in list((fleet / "inbox").iterdir()):
                path.rename(aside / path.name)
            if before:
                for path in list(aside.iterdir()):
                    if last not in path.name:
                        path.rename(fleet / "inbox" / path.name)
                run(fleet, week_of(weeks_n - 2))
            for path in list(aside.iterdir()):
                if last in path.name:
                    path.rename(fleet / "inbox" / path.name)
            costs[name] = run(fleet, last)
            print(f"{vehicles_n} vehicles, one new week {name} ({weeks_n if before else 1} weeks): "
                  f"CPU {costs[name].cpu_s:.1f} s, wall {costs[name].wall_s:.1f} s, "
                  f"peak {costs[name].peak_mb:.0f} MB", flush=True)  # fmt: skip
            for path in list(aside.iterdir()):
                path.rename(fleet / "inbox" / path.name)
        ratio = costs["with history"].cpu_s / costs["without history"].cpu_s
        print(f"  ratio {ratio:.2f} in CPU seconds (aim 1.15)", flush=True)


def scaled(base: Path, sizes: list[tuple[int, int]], folder: Path) -> None:
    for vehicles_n, weeks_n in sizes:
        fleet = tiled(base, folder / f"scaled-{vehicles_n}x{weeks_n}", vehicles_n, weeks_n)
        settings = fleet / "fleet.toml"
        plain = settings.read_text("utf-8").partition("\n[scale]")[0]
        for name, more in (("one process", ""), ("shared out", '\n[scale]\nstorage = "shared"\n')):
            settings.write_text(plain + more, "utf-8")
            shutil.rmtree(fleet / ".coldminutes", ignore_errors=True)
            cost = run(fleet, week_of(weeks_n - 1))
            print_cost(f"{vehicles_n} vehicles x {weeks_n} weeks, {name}", cost)
            print(f"    of it the run itself {cost.own_cpu_s:.1f} s, its workers "
                  f"{cost.cpu_s - cost.own_cpu_s:.1f} s", flush=True)  # fmt: skip


def size(text: str) -> tuple[int, int]:
    vehicles_n, weeks_n = text.split("x")
    return int(vehicles_n), int(weeks_n)


def main() -> None:
    parser = argparse.ArgumentParser(description="Cost per million samples.")
    parser.add_argument("sizes", nargs="*", type=size, metavar="VEHICLESxWEEKS")
    parser.add_argument("--weekly", action="store_true", help="One new week against its history.")
    parser.add_argument("--scaled", action="store_true", help="Shared out against one process.")
    parser.add_argument("--keep", type=Path, help="Folder for the fleets; kept.")
    options = parser.parse_args()
    folder = options.keep or Path(tempfile.mkdtemp(prefix="coldminutes-growth-"))
    base = base_fleet(folder / "base")
    if options.weekly:
        weekly(base, options.sizes or [(20, 26)], folder)
    elif options.scaled:
        scaled(base, options.sizes or [(100, 1)], folder)
    else:
        some = [(10, 1), (100, 1), (500, 1), (2000, 1), (20, 26), (10, 52)]
        growth(base, options.sizes or some, folder, options.keep is not None)
    if not options.keep:
        shutil.rmtree(folder)


if __name__ == "__main__":
    main()
