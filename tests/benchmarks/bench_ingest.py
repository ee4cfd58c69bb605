"""How fast exports are taken in, as ratios to a bare DuckDB load in the same run. On demand.

    python tests/benchmarks/bench_ingest.py [csv] [parquet] [small] [long] [--rounds 3]

* ``csv`` and ``parquet``: 100 files of one vehicle's week each, 6 million rows, taken in with
  validation, conversion and quarantine, against ``create table as`` from the same files;
* ``small``: 10,000 files of 100 rows, in files per second;
* ``long``: 50 million rows in 100 files, for the peak of memory.

Each ingest runs in a process of its own, so that its peak memory is its own too.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import duckdb
import numpy as np
import polars as pl

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

START = datetime(2026, 1, 5, tzinfo=UTC)
SOURCE = """
files = ["*.csv", "*.parquet"]
kind = "samples"
[vehicle]
column = "unit"
[time]
format = "iso"
zone = "UTC"
[columns]
sampled_at = { column = "stamp" }
soc_pct = { column = "charge" }
pack_power_kw = { column = "power_w", unit = "W", sign = "discharge_positive" }
cell_temp_min_degc = { column = "cell_low" }
cell_temp_max_degc = { column = "cell_high" }
ambient_degc = { column = "outside_f", unit = "degF" }
heater_power_kw = { column = "heater" }
speed_kmh = { column = "speed" }
odometer_km = { column = "distance" }
is_connected = { column = "plugged" }
charge_mode = { column = "mode" }
site_id = { column = "place" }
"""
ONE_RUN = """
import json, resource, sys, time
from datetime import datetime, UTC
from pathlib import Path
from pipeline.config import load_fleet
from pipeline.edition import take_in, warehouse_of
began = time.perf_counter()
fleet = load_fleet(Path(sys.argv[1]))
with warehouse_of(fleet) as con:
    made = take_in(con, fleet, datetime(2026, 12, 1, tzinfo=UTC))
print(json.dumps({
    "s": time.perf_counter() - began,
    "used_n": made.rows_used_n, "set_aside_n": made.rows_set_aside_n,
    "files_n": made.files_new_n,
    "peak_gb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6,
}))
"""


def export(number: int, rows_n: int, step_s: int, first: datetime) -> pl.DataFrame:
    """A week of one vehicle that drives, stands and charges; one row in 5,000 breaks a rule."""
    draw = np.random.default_rng(number)
    seconds = np.arange(rows_n) * step_s
    phase = seconds / 3600 + number
    speed = np.maximum(0, 70 * np.sin(phase * 2.1)).round(1)
    charge = (50 + 40 * np.sin(phase / 3)).round(1)
    charge[draw.random(rows_n) < 0.0002] = 140
    cell = 12 + 8 * np.sin(phase / 5)
    plugged = np.sin(phase / 4) > 0.8
    stamp = pl.select(
        pl.datetime_range(
            first, first + timedelta(seconds=int(seconds[-1])), f"{step_s}s", eager=True
        )
    ).to_series()
    return pl.DataFrame(
        {
            "stamp": stamp.dt.to_string("%Y-%m-%dT%H:%M:%SZ"),
            "unit": f"van-{number % 100:03d}",
            "charge": charge,
            "power_w": (speed * 190 - plugged * 45_000 + draw.normal(0, 300, rows_n)).round(0),
            "cell_low": cell.round(1),
            "cell_high": (cell + 2).round(1),
            "outside_f": (34 + 6 * np.sin(phase / 24)).round(1),
            "heater": np.where(np.sin(phase) > 0.95, 4.8, 0.0),
            "speed": speed,
            "distance": (20_000 + np.cumsum(speed) * step_s / 3600).round(1),
            "plugged": pl.Series(plugged).cast(pl.Int8),
            "mode": np.where(plugged, "dc", ""),
            "place": np.where(plugged, "north yard", ""),
        }
    )


def new_fleet(parent: Path) -> Path:
    """An empty fleet folder whose one source reads these exports."""
    folder = parent / "fleet"
    (folder / "sources").mkdir(parents=True)
    (folder / "inbox").mkdir()
    (folder / "fleet.toml").write_text(
        'operator = "Bench"\ntime_zone = "UTC"\n',
        encoding="utf-8",
    )
    (folder / "sources" / "logger.toml").write_text(SOURCE, encoding="utf-8")
    return folder


def taken_in(folder: Path) -> dict[str, float]:
    """One ingest of the folder into a new warehouse."""
    for old in (folder / ".coldminutes").glob("warehouse.duckdb*"):
        old.unlink()
    run = subprocess.run(
        [sys.executable, "-c", ONE_RUN, str(folder)],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        text=True,
        check=True,
    )
    return json.loads(run.stdout.splitlines()[-1])


def bare(folder: Path, reader: str) -> float:
    """Seconds of the plain load of the same files."""
    database = folder / "bare.duckdb"
    database.unlink(missing_ok=True)
    began = time.perf_counter()
    with duckdb.connect(str(database)) as con:
        con.execute(f"create table bare as select * from {reader}")
    seconds = time.perf_counter() - began
    database.unlink()
    return seconds


def ratio(kind: str, rounds: int) -> None:
    """CSV or Parquet against the bare load, best of each."""
    with tempfile.TemporaryDirectory() as temporary:
        folder = new_fleet(Path(temporary))
        size = 0
        for number in range(100):
            path = folder / "inbox" / f"week_{number:03d}.{kind}"
            rows = export(number, 60_480, 10, START)
            rows.write_csv(path) if kind == "csv" else rows.write_parquet(path)
            size += path.stat().st_size
        reader = f"read_{kind}('{folder}/inbox/*.{kind}', filename = true)"
        bare_s, own = [], []
        for _ in range(rounds):
            bare_s.append(bare(folder, reader))
            own.append(taken_in(folder))
        best = min(own, key=lambda run: run["s"])
        print(
            f"{kind}: {size / 1e6:.0f} MB, {best['used_n']:,} rows used, {best['set_aside_n']:,} "
            f"set aside in {best['s']:.1f} s, bare {min(bare_s):.1f} s, "
            f"ratio {best['s'] / min(bare_s):.2f}, peak {best['peak_gb']:.2f} GB"
        )


def small(rounds: int, files_n: int = 10_000) -> None:
    """Many files of 100 rows, ten thousand seconds of a vehicle each."""
    with tempfile.TemporaryDirectory() as temporary:
        folder = new_fleet(Path(temporary))
        for number in range(files_n):
            first = START + timedelta(seconds=1000 * (number // 100))
            rows = export(number, 100, 10, first)
            rows.write_csv(folder / "inbox" / f"part_{number:05d}.csv")
        best = min((taken_in(folder) for _ in range(rounds)), key=lambda run: run["s"])
        print(
            f"small: {best['files_n']:,} files of 100 rows in {best['s']:.1f} s, "
            f"{best['files_n'] / best['s']:.0f} files/s, peak {best['peak_gb']:.2f} GB"
        )


def long() -> None:
    """Fifty million rows, half a million a file."""
    with tempfile.TemporaryDirectory() as temporary:
        folder = new_fleet(Path(temporary))
        for number in range(100):
            rows = export(number, 500_000, 1, START)
            rows.write_csv(folder / "inbox" / f"week_{number:03d}.csv")
        run = taken_in(folder)
        warehouse = folder / ".coldminutes" / "warehouse.duckdb"
        print(
            f"long: {run['used_n'] + run['set_aside_n']:,} rows in {run['s']:.0f} s, "
            f"peak {run['peak_gb']:.2f} GB, warehouse {warehouse.stat().st_size / 1e9:.1f} GB"
        )


def main() -> None:
    """Run what was asked for; csv, parquet and small by default."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", nargs="*", default=["csv", "parquet", "small"])
    parser.add_argument("--rounds", type=int, default=3)
    chosen = parser.parse_args()
    for what in chosen.what:
        if what in ("csv", "parquet"):
            ratio(what, chosen.rounds)
        elif what == "small":
            small(1)
        elif what == "long":
            long()
        else:
            parser.error(f"unknown: {what}")


if __name__ == "__main__":
    main()
