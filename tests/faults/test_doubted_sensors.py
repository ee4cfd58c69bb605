"""Sensors that lie: each fault put into one van of a simulated fleet is found, in no other van.

A doubted cell temperature is not read: the van's stops fall to grade C, and none of its stretches
enters the thermal fit.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import duckdb
import pytest
from fleets import NOW
from simulate import FleetSpec, simulate

from pipeline.config import load_fleet
from pipeline.edition import compute, take_in, warehouse_of

VAN = "van-01"
Fault = Callable[[duckdb.DuckDBPyConnection], None]


@pytest.fixture(scope="module")
def taken_in(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four vans over two weeks, taken in and not computed."""
    folder = simulate(
        FleetSpec(
            n_vehicles=4, weeks=2, seed=7, layout="tailgate_csv", defects=False, write_config=True
        ),
        tmp_path_factory.mktemp("doubts") / "fleet",
    )
    fleet = load_fleet(folder)
    with warehouse_of(fleet) as con:
        take_in(con, fleet, NOW)
    return folder


def computed(source: Path, folder: Path, fault: str | None) -> Path:
    """A copy of the fleet with one fault in the samples of one van, computed."""
    shutil.copytree(source, folder)
    fleet = load_fleet(folder)
    with warehouse_of(fleet) as con:
        if fault is not None:
            con.execute(f"update samples set {fault} where vehicle_id = '{VAN}'")
        compute(con, fleet)
    return folder


def doubts(folder: Path) -> dict[tuple[str, str], str]:
    """Doubt by vehicle and week."""
    with warehouse_of(load_fleet(folder)) as con:
        rows = con.sql("select vehicle_id, week_id, doubt from doubted_signals").fetchall()
    return {(vehicle, week): doubt for vehicle, week, doubt in rows}


def grades(folder: Path) -> dict[str, set[str]]:
    """Evidence grades of the stops seen in samples, by vehicle."""
    with warehouse_of(load_fleet(folder)) as con:
        rows = con.sql(
            "select vehicle_id, list(distinct evidence_grade) from stops group by 1"
        ).fetchall()
    return {vehicle: set(found) for vehicle, found in rows}


FAULTS = {
    "frozen": "cell_temp_min_degc = 7",
    "is_outside": "cell_temp_min_degc = ambient_degc",
    "is_outside in whole degrees": "cell_temp_min_degc = round(ambient_degc)",
    "offset": "cell_temp_min_degc = cell_temp_min_degc + 40",
    "offset twice": "cell_temp_min_degc = cell_temp_min_degc - 40",
}
PLUGGED_EVERY_NIGHT = "2026-W03"
"""A week without a soak in the open: only a pack hot all week can be told from one kept warm."""


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_is_found_in_its_van_and_the_signal_not_used(
    taken_in: Path, tmp_path: Path, name: str
) -> None:
    folder = computed(taken_in, tmp_path / "fleet", FAULTS[name])
    found = doubts(folder)
    assert {vehicle for vehicle, _ in found} == {VAN}
    assert set(found.values()) == {name.split(" ")[0]}
    seen = [week for _, week in sorted(found)]
    by_vehicle = grades(folder)
    if name == "offset twice":
        # After a fast charge it reads more than the air, as a pack does.
        assert seen == ["2026-W02"]
        assert by_vehicle[VAN] == {"A", "C"}
        return
    assert seen == ["2026-W02", PLUGGED_EVERY_NIGHT]
    assert by_vehicle[VAN] == {"C"}
    assert all("A" in found for vehicle, found in by_vehicle.items() if vehicle != VAN)
    with warehouse_of(load_fleet(folder)) as con:
        stops = con.sql(
            f"select distinct outcome, arrival_cell_temp_min_degc from stops "
            f"where vehicle_id = '{VAN}'"
        ).fetchall()
        assert stops == [("unknown", None)]
        stretches = con.sql(
            f"select count(*) from thermal_stretches where vehicle_id = '{VAN}'"
        ).fetchall()
        assert stretches == [(0,)]


def test_a_healthy_fleet_raises_no_doubt(taken_in: Path, tmp_path: Path) -> None:
    folder = computed(taken_in, tmp_path / "fleet", None)
    assert doubts(folder) == {}
    assert all("A" in found for found in grades(folder).values())


def test_the_sample_fleet_raises_no_doubt(sample_run: Path) -> None:
    fleet = load_fleet(sample_run)
    with warehouse_of(fleet) as con:
        assert con.sql("select count(distinct week_id) from stops").fetchall() == [(5,)]
        assert con.sql("from doubted_signals").fetchall() == []
        con.execute("insert into dirty_weeks select distinct vehicle_id, '2026-W06' from stops")
        assert compute(con, fleet) == ["2026-W06"]
        assert con.sql("from doubted_signals").fetchall() == []
        soaks_n = con.sql("select count(*) from soaks").fetchall()[0][0]
        assert soaks_n > 0, "the last week has soaks, and none of them raised a doubt"


@pytest.mark.parametrize("mean_degc", [-20.0, 10.0, 24.0])
def test_no_weather_raises_a_doubt(tmp_path: Path, mean_degc: float) -> None:
    folder = simulate(
        FleetSpec(
            n_vehicles=4,
            weeks=1,
            seed=3,
            layout="tailgate_csv",
            ambient_mean_degc=mean_degc,
            write_config=True,
        ),
        tmp_path / "fleet",
    )
    fleet = load_fleet(folder)
    with warehouse_of(fleet) as con:
        take_in(con, fleet, NOW)
        compute(con, fleet)
    assert doubts(folder) == {}


def test_a_sensor_that_freezes_midway_is_doubted_from_then(taken_in: Path, tmp_path: Path) -> None:
    with warehouse_of(load_fleet(taken_in)) as con:
        begins = con.sql("select min(sampled_at) + interval 8 day from samples").fetchall()[0][0]
    fault = (
        "cell_temp_min_degc = case when sampled_at < "
        f"timestamptz '{begins.isoformat()}' then cell_temp_min_degc else 12.5 end"
    )
    folder = computed(taken_in, tmp_path / "fleet", fault)
    found = doubts(folder)
    weeks = sorted({week for _, week in grades_by_week(folder)})
    assert found == {(VAN, weeks[-1]): "frozen"}


def grades_by_week(folder: Path) -> set[tuple[str, str]]:
    """Vehicles and weeks that have stops."""
    with warehouse_of(load_fleet(folder)) as con:
        return set(con.sql("select vehicle_id, week_id from stops").fetchall())


def test_a_mended_sensor_is_believed_again(taken_in: Path, tmp_path: Path) -> None:
    folder = computed(taken_in, tmp_path / "fleet", FAULTS["offset"])
    fleet = load_fleet(folder)
    with warehouse_of(fleet) as con:
        con.execute(
            f"update samples set cell_temp_min_degc = cell_temp_min_degc - 40 "
            f"where vehicle_id = '{VAN}'"
        )
        con.execute("delete from computed_with")
        compute(con, fleet)
    assert doubts(folder) == {}
    assert "A" in grades(folder)[VAN]
