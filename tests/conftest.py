"""Shared fixtures: one simulated fleet run through the program."""

from __future__ import annotations

import fcntl
import os
import shutil
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

# Each of several test processes keeps to one core: threads of the database and of Polars, on tables
# of a few rows, cost a fifth of the time, and the other core is busy anyway. Before Polars loads.
_WORKER = os.environ.get("PYTEST_XDIST_WORKER", "")
if _WORKER.startswith("gw") and hasattr(os, "sched_setaffinity"):
    _CORES = sorted(os.sched_getaffinity(0))
    os.sched_setaffinity(0, {_CORES[int(_WORKER[2:]) % len(_CORES)]})

import polars as pl  # noqa: E402
import pytest  # noqa: E402

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "sample_fleet"))
sys.path.insert(0, str(ROOT / "tests"))
# Keys of pseudonyms go where a user keeps settings; those of tests must not.
_SETTINGS = tempfile.TemporaryDirectory(prefix="settings-")
os.environ["XDG_CONFIG_HOME"] = _SETTINGS.name
os.environ.pop("COLDMINUTES_PEOPLE_KEY", None)


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--update-golden", action="store_true", help="write the golden tables anew; review the diff"
    )


LONGEST_FIRST = (
    "test_counterfactual_against_truth.py",
    "test_crash.py",
    "test_doubted_sensors.py",
    "test_report_edition.py",
    "test_forgetting.py",
    "test_report_pages.py",
    "test_minutes.py",
)
"""Files whose tests take longest: begun last, one of them would keep a single core busy."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    rank = {name: number for number, name in enumerate(LONGEST_FIRST)}
    items.sort(key=lambda item: rank.get(item.path.name, len(rank)))


class Simulated(NamedTuple):
    """A simulated fleet after a run: its folder, the program's stops, the simulator's truth."""

    folder: Path
    stops: pl.DataFrame
    truth: pl.DataFrame


@pytest.fixture(scope="session")
def made_once(
    tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest
) -> Callable[[str, Callable[[Path], object]], Path]:
    """A folder that is made by whichever test process needs it first; a copy for each process."""
    own = tmp_path_factory.getbasetemp()
    common = own.parent if hasattr(request.config, "workerinput") else own

    def made(name: str, make: Callable[[Path], object]) -> Path:
        first, copy = common / f"first-{name}", own / f"copy-{name}"
        with (common / f"first-{name}.lock").open("w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            if not first.exists():
                begun = common / f"begun-{name}"
                shutil.rmtree(begun, ignore_errors=True)
                make(begun)
                begun.rename(first)
        return Path(shutil.copytree(first, copy))

    return made


@pytest.fixture(scope="session")
def simulated(made_once: Callable[[str, Callable[[Path], object]], Path]) -> Simulated:
    """Twelve vehicles over four weeks, clean exports, no configuration error."""
    folder = made_once("simulated", _simulated) / "fleet"
    truth = pl.read_csv(folder / "truth" / "stops.csv", try_parse_dates=True)
    stops = pl.read_parquet(folder.parent / "stops.parquet")
    return Simulated(folder, stops, truth.filter(pl.col("mode") == "dc"))


def _simulated(begun: Path) -> None:
    from fleets import NOW
    from simulate import FleetSpec, simulate

    from pipeline.config import load_fleet
    from pipeline.edition import compute, take_in, warehouse_of
    from pipeline.fleet_tables import write_fleet_tables
    from pipeline.minutes import minutes

    folder = simulate(
        FleetSpec(
            n_vehicles=12,
            weeks=4,
            seed=20,
            layout="tailgate_csv",
            defects=False,
            write_config=True,
        ),
        begun / "fleet",
    )
    fleet = load_fleet(folder)
    with warehouse_of(fleet) as con:
        take_in(con, fleet, NOW)
        compute(con, fleet)
    # As it is before any edition learns from it.
    shutil.copytree(fleet.state, begun / "computed")
    with warehouse_of(fleet) as con:
        weeks = con.execute("select max(week_id) from stops").fetchall()
        write_fleet_tables(con, fleet)
        minutes(con, fleet, weeks[0][0])
        con.sql("select * from judged_stops order by vehicle_id, plug_in_at").pl().write_parquet(
            begun / "stops.parquet"
        )


@pytest.fixture(scope="session")
def sample_run(made_once: Callable[[str, Callable[[Path], object]], Path]) -> Path:
    """The sample fleet after a run without PDF, as somebody who has just copied it would do."""
    return made_once("sample", _sample_run) / "fleet"


def _sample_run(begun: Path) -> None:
    from fleets import NOW

    from pipeline.config import load_fleet
    from pipeline.edition import make_edition

    ignored = shutil.ignore_patterns("truth", "*.py", "__pycache__")
    shutil.copytree(ROOT / "sample_fleet", begun / "fleet", ignore=ignored)
    make_edition(load_fleet(begun / "fleet"), pdf=False, now=NOW)
