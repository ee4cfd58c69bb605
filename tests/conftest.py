"""Shared fixtures: one simulated fleet run through the program."""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import polars as pl
import pytest

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


class Simulated(NamedTuple):
    """A simulated fleet after a run: its folder, the program's stops, the simulator's truth."""

    folder: Path
    stops: pl.DataFrame
    truth: pl.DataFrame


@pytest.fixture(scope="session")
def simulated(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Simulated]:
    """Twelve vehicles over four weeks, clean exports, no configuration error."""
    from fleets import NOW
    from simulate import FleetSpec, simulate

    from pipeline.config import load_fleet
    from pipeline.edition import compute, take_in, warehouse_of
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
        tmp_path_factory.mktemp("simulated") / "fleet",
    )
    fleet = load_fleet(folder)
    with warehouse_of(fleet) as con:
        take_in(con, fleet, NOW)
        compute(con, fleet)
        weeks = con.execute("select max(week_id) from stops").fetchall()
        minutes(con, fleet, weeks[0][0])
        stops = con.sql("select * from judged_stops order by vehicle_id, plug_in_at").pl()
    truth = pl.read_csv(folder / "truth" / "stops.csv", try_parse_dates=True)
    yield Simulated(folder, stops, truth.filter(pl.col("mode") == "dc"))
