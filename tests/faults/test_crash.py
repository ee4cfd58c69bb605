"""A run that is killed, starved of disk, or kept out by another, and the run after it.

What matters is always the same: the warehouse opens, each file is in it whole or not at all, and
the next undisturbed run ends with the tables that a run never disturbed ends with.
"""

from __future__ import annotations

import random
import resource
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

import duckdb
import polars as pl
import pytest
from conftest import ROOT
from polars.testing import assert_frame_equal
from simulate import FleetSpec, simulate

from tests.small_fleet import assert_law

CI_POINTS_N = 5
LONG_POINTS_N = 50
SEED = 20260205
COMMANDS = (("ingest",), ("run", "--no-pdf"))
INSTANTS = ("taken_in_at", "superseded_at", "said_at", "made_at")
Tables = dict[str, pl.DataFrame]


class Undisturbed(NamedTuple):
    """A fleet before its first run, and after one: what it holds and how long it took [s]."""

    folder: Path
    tables: dict[tuple[str, ...], Tables]
    took_s: dict[tuple[str, ...], float]


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory: pytest.TempPathFactory) -> Undisturbed:
    """Two vans over one week, with all the defects that the simulator knows."""
    here = tmp_path_factory.mktemp("crash")
    folder = simulate(
        FleetSpec(n_vehicles=2, weeks=1, seed=5, layout="sample", write_config=True), here / "fleet"
    )
    tables, took_s = {}, {}
    for command in COMMANDS:
        copy = shutil.copytree(folder, here / command[0])
        begun_s = time.monotonic()
        assert run(copy, command).returncode in (0, 1)
        took_s[command] = time.monotonic() - begun_s
        tables[command] = contents(copy)
        assert tables[command]["samples"].height > 1000
    assert tables[COMMANDS[1]]["stops"].height > 0
    return Undisturbed(folder, tables, took_s)


def arguments(folder: Path, command: tuple[str, ...]) -> list[str]:
    """The command line that a user would type."""
    return [sys.executable, "-m", "pipeline", command[0], str(folder), *command[1:]]


def run(
    folder: Path, command: tuple[str, ...], before: Callable[[], None] | None = None
) -> subprocess.CompletedProcess[str]:
    """Run a command to its end."""
    return subprocess.run(
        arguments(folder, command),
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        preexec_fn=before,
    )


def contents(folder: Path) -> Tables:
    """All tables, files by their path and not by their number, in one order of rows."""
    found = {}
    with duckdb.connect(str(folder / ".coldminutes" / "warehouse.duckdb"), read_only=True) as con:
        con.execute("set TimeZone = 'UTC'")
        assert_law(con)
        names = con.sql("select table_name from duckdb_tables() where not internal").fetchall()
        paths = con.sql("select file_id, file_path from files").pl()
        for (name,) in names:
            rows = con.sql(f"from {name}").pl()
            for column in [c for c in rows.columns if c.endswith("file_id")]:
                by_path = paths.select(pl.col("file_id").alias(column), path=pl.col("file_path"))
                rows = rows.join(by_path, on=column, how="left").drop(column)
                rows = rows.rename({"path": column})
            rows = rows.drop([c for c in rows.columns if c in INSTANTS or c == "modified_ns"])
            if name == "quarantine":  # what lies in the future is told with the present
                rows = rows.with_columns(pl.col("expected").str.replace("not later than .*", ""))
            floats = [c for c in sorted(rows.columns) if rows[c].dtype.is_float()]
            others = [c for c in sorted(rows.columns) if c not in floats]
            found[name] = rows.select(*others, *floats).sort(pl.all())
    return found


def assert_same(got: Tables, expected: Tables) -> None:
    """Table by table; sums in another order may differ in their last digits."""
    assert got.keys() == expected.keys()
    for name in sorted(expected):
        assert_frame_equal(got[name], expected[name], rel_tol=1e-6, abs_tol=1e-9)


def killed_at(state: Undisturbed, folder: Path, command: tuple[str, ...], after_s: float) -> bool:
    """Start a command, kill it, and hold what is left to the law; was it still running?"""
    shutil.copytree(state.folder, folder)
    with subprocess.Popen(
        arguments(folder, command), cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    ) as process:
        try:
            process.wait(after_s)
        except subprocess.TimeoutExpired:
            process.kill()
        was_running = process.wait() < 0
    if (folder / ".coldminutes" / "warehouse.duckdb").exists():
        with duckdb.connect(str(folder / ".coldminutes" / "warehouse.duckdb")) as con:
            tables = con.sql("select table_name from duckdb_tables()").fetchall()
            if ("replacements",) in tables:
                assert_law(con)
    return was_running


def kill_points(state: Undisturbed, points_n: int, folder: Path) -> int:
    """Kill at random moments of both commands, then run to the end; how many kills struck."""
    moments = random.Random(SEED)
    struck_n = 0
    for number in range(points_n):
        command = COMMANDS[number % 2]
        # The first 0.3 s only start the interpreter; nothing can be half-written yet.
        after_s = moments.uniform(0.3, state.took_s[command])
        fleet = folder / str(number)
        struck_n += killed_at(state, fleet, command, after_s)
        after = run(fleet, command)
        assert after.returncode in (0, 1), (number, after_s, after.stderr)
        assert_same(contents(fleet), state.tables[command])
        assert not (fleet / ".coldminutes" / "temp" / "ingest").exists()
        shutil.rmtree(fleet)
    return struck_n


def test_a_kill_at_any_moment_leaves_a_warehouse_that_the_next_run_completes(
    undisturbed: Undisturbed, tmp_path: Path
) -> None:
    assert kill_points(undisturbed, CI_POINTS_N, tmp_path) >= CI_POINTS_N // 2


@pytest.mark.long
def test_fifty_kills(undisturbed: Undisturbed, tmp_path: Path) -> None:
    assert kill_points(undisturbed, LONG_POINTS_N, tmp_path) >= LONG_POINTS_N * 3 // 4


def no_larger_than(size_bytes: int) -> Callable[[], None]:
    """No file of the process may grow beyond this; writing on fails as on a full disk."""
    return lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (size_bytes, size_bytes))


def assert_starved(done: subprocess.CompletedProcess[str]) -> None:
    """A clear word about the machine, and no traceback."""
    assert done.returncode == 4, done.stderr
    assert "ENV-02 this machine" in done.stderr
    assert "Free some disk" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("command", "size_mb"), [(COMMANDS[0], 0.9), (COMMANDS[0], 1.5), (COMMANDS[1], 0.9)]
)
def test_no_room_for_the_warehouse_is_told_and_harms_nothing(
    undisturbed: Undisturbed, tmp_path: Path, command: tuple[str, ...], size_mb: float
) -> None:
    folder = shutil.copytree(undisturbed.folder, tmp_path / "fleet")
    starved = run(folder, command, before=no_larger_than(int(size_mb * 1e6)))
    assert_starved(starved)
    contents(folder)  # opens, and holds the law
    assert run(folder, command).returncode in (0, 1)
    assert_same(contents(folder), undisturbed.tables[command])


def test_no_room_to_unpack_is_told_as_that_and_not_as_a_bad_file(
    undisturbed: Undisturbed, tmp_path: Path
) -> None:
    folder = shutil.copytree(undisturbed.folder, tmp_path / "fleet")
    assert run(folder, ("ingest",)).returncode in (0, 1)
    before = contents(folder)
    large = "utc\n" + "2026-01-05T06:30:00Z\n" * 200_000
    import gzip

    path = folder / "inbox" / "tg_van-01_extra.csv.gz"
    path.write_bytes(gzip.compress(large.encode(), 9))
    starved = run(folder, ("ingest",), before=no_larger_than(2_000_000))
    assert_starved(starved)
    assert_same(contents(folder), before)


@contextmanager
def small_disk(at: Path, size_mb: int) -> Iterator[None]:
    """A disk of this size, where the machine lets us mount one."""
    at.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size_mb}m", "tmpfs", str(at)],
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        pytest.skip(f"no disk can be mounted here: {done.stderr.strip()}")
    try:
        yield
    finally:
        subprocess.run(["umount", str(at)], check=True)


@pytest.mark.long
@pytest.mark.parametrize("size_mb", [4, 6, 9, 14])
def test_a_disk_that_is_really_full(undisturbed: Undisturbed, tmp_path: Path, size_mb: int) -> None:
    folder = shutil.copytree(undisturbed.folder, tmp_path / "fleet")
    with small_disk(tmp_path / "disk", size_mb):
        (folder / ".coldminutes").symlink_to(tmp_path / "disk")
        starved = run(folder, ("run", "--no-pdf"))
        if starved.returncode in (0, 1):
            pytest.skip("it was large enough")
        assert_starved(starved)
        shutil.copytree(tmp_path / "disk", tmp_path / "rescued")
    (folder / ".coldminutes").unlink()
    shutil.copytree(tmp_path / "rescued", folder / ".coldminutes")
    assert run(folder, ("run", "--no-pdf")).returncode in (0, 1)
    assert_same(contents(folder), undisturbed.tables[("run", "--no-pdf")])


@contextmanager
def held(folder: Path, seconds: float) -> Iterator[int]:
    """Another process that holds the warehouse for a while; its id."""
    code = (
        "import duckdb, sys, time; c = duckdb.connect(sys.argv[1]); print('held', flush=True); "
        "time.sleep(float(sys.argv[2]))"
    )
    path = folder / ".coldminutes" / "warehouse.duckdb"
    with subprocess.Popen(
        [sys.executable, "-c", code, str(path), str(seconds)], stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline().strip() == "held"
        try:
            yield process.pid
        finally:
            process.kill()


def test_the_second_of_two_runs_says_who_holds_the_lock_or_waits(
    undisturbed: Undisturbed, tmp_path: Path
) -> None:
    folder = shutil.copytree(undisturbed.folder, tmp_path / "fleet")
    assert run(folder, ("ingest",)).returncode in (0, 1)
    with held(folder, 60) as pid:
        refused = run(folder, ("run", "--no-pdf"))
        assert refused.returncode == 5
        assert "WAREHOUSE-01" in refused.stderr
        assert f"process {pid}" in refused.stderr
        assert "--wait" in refused.stderr
        assert "Traceback" not in refused.stderr
        begun_s = time.monotonic()
        refused = run(folder, ("ingest", "--wait", "1.5"))
        assert refused.returncode == 5
        assert time.monotonic() - begun_s > 1.5
        assert "waited 1.5 s" in refused.stderr
    with held(folder, 2):
        assert run(folder, ("ingest", "--wait", "60")).returncode == 0


def test_two_runs_at_once_end_with_the_tables_of_one(
    undisturbed: Undisturbed, tmp_path: Path
) -> None:
    folder = shutil.copytree(undisturbed.folder, tmp_path / "fleet")
    both = [
        subprocess.Popen(
            arguments(folder, ("ingest", "--wait", "60")),
            cwd=ROOT,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        for _ in range(2)
    ]
    for process in both:
        _, told = process.communicate()
        assert process.returncode in (0, 1), told
    assert_same(contents(folder), undisturbed.tables[("ingest",)])
    assert not (folder / ".coldminutes" / "temp" / "ingest").exists()
