"""A run shared out over processes of this machine, one of which is killed on the way."""

from __future__ import annotations

import json
from functools import partial
from pathlib import Path

import pytest
from fleets import NOW
from simulate import FleetSpec, simulate

from pipeline.config import load_fleet
from pipeline.edition import make_edition
from pipeline.scale import computing, intake
from tests.scaled import assert_same_tables, killed_once, shared_out

pytestmark = [pytest.mark.long, pytest.mark.filterwarnings("default")]


@pytest.fixture(scope="module")
def alone(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Six vehicles, three weeks, every defect of the simulator; a run on one machine."""
    folder = simulate(
        FleetSpec(n_vehicles=6, weeks=3, seed=5, defects=True, write_config=True),
        tmp_path_factory.mktemp("alone") / "fleet",
    )
    make_edition(load_fleet(folder), pdf=False, now=NOW)
    return folder


@pytest.mark.parametrize("is_killed", [False, True], ids=["undisturbed", "a worker killed"])
def test_cluster_ends_in_the_same_tables_and_figures(
    alone: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, is_killed: bool
) -> None:
    many = shared_out(alone, tmp_path / "many", more="workers_n = 2\n")
    markers = [tmp_path / "killed-intake", tmp_path / "killed-stops"]
    if is_killed:
        dying = partial(killed_once, intake.take_in_part, markers[0])
        monkeypatch.setattr(intake, "take_in_part", dying)
        dying = partial(killed_once, computing.find_part, markers[1])
        monkeypatch.setattr(computing, "find_part", dying)
    edition = make_edition(load_fleet(many), pdf=False, now=NOW)
    assert all(marker.exists() for marker in markers) == is_killed
    assert_same_tables(alone, many)
    found, expected = (
        json.loads((folder / "reports" / edition.week_id / "summary.json").read_text("utf-8"))
        for folder in (many, alone)
    )
    assert found == expected
    assert not [path for path in (tmp_path / "shared").rglob("*") if path.is_file()]
