"""Invariants of the stages after ingest: injected truth comes back, arrangement does not matter."""

from __future__ import annotations

import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from fleets import MONDAY, drive_and_charge, drop, one_stop, stops_of, write_fleet
from hypothesis import given, settings
from hypothesis import strategies as st

PLUG_IN = MONDAY + timedelta(hours=2)
FEW = settings(max_examples=8, deadline=None)

VOLATILE = {"first_file_id", "first_file_row", "last_file_row"}


def figures(row: dict[str, Any]) -> dict[str, Any]:
    """A stop without the places its samples came from; floats rounded beyond their noise."""
    return {
        key: round(value, 6) if isinstance(value, float) else value
        for key, value in row.items()
        if key not in VOLATILE
    }


@FEW
@given(
    charge_kw=st.floats(15, 100),
    charge_min=st.integers(8, 40),
    interval_s=st.sampled_from([5, 10, 20, 30]),
)
def test_a_session_slowed_by_a_known_amount(
    charge_kw: float, charge_min: int, interval_s: int
) -> None:
    """At p of 100 kW each minute after the first loses 1 - p/100 of itself."""
    with tempfile.TemporaryDirectory() as folder:
        fleet = write_fleet(Path(folder) / "fleet")
        drop(
            fleet,
            drive_and_charge(
                plug_in=PLUG_IN,
                charge_kw=charge_kw,
                charge_min=charge_min,
                interval_s=interval_s,
                soc_arrival_pct=20,
                usable_kwh=100,
            ),
        )
        stop = one_stop(fleet)
    assert stop["lost_min"] == pytest.approx(
        (charge_min - 1) * (1 - charge_kw / 100), abs=2 * interval_s / 60
    )
    assert stop["lost_min"] == pytest.approx(stop["active_min"] - stop["reference_min"], abs=1e-9)


@FEW
@given(
    cut=st.integers(1, 500),
    overlap=st.integers(0, 60),
    is_later_first=st.booleans(),
)
def test_cutting_the_export_changes_no_figure(cut: int, overlap: int, is_later_first: bool) -> None:
    frame = drive_and_charge(plug_in=PLUG_IN, heater=(-30, -3), cell_arrival_degc=22, idle_min=5)
    pieces = [frame.head(cut + overlap), frame.slice(cut)]
    with tempfile.TemporaryDirectory() as folder:
        whole = write_fleet(Path(folder) / "whole")
        drop(whole, frame)
        parts = write_fleet(Path(folder) / "parts")
        for number, piece in enumerate(reversed(pieces) if is_later_first else pieces):
            drop(parts, piece, f"log_{number}.csv")
        assert [figures(row) for row in stops_of(parts)] == [
            figures(row) for row in stops_of(whole)
        ]


def test_data_that_come_in_two_runs_give_what_one_run_gives(tmp_path: Path) -> None:
    """A charge half in one export and half in the next week's is one stop in the end."""
    frame = drive_and_charge(plug_in=PLUG_IN, heater=(-30, 0), cell_arrival_degc=22)
    whole = write_fleet(tmp_path / "whole")
    drop(whole, frame)
    late = write_fleet(tmp_path / "late")
    drop(late, frame.head(420), "log_1.csv")
    assert len(stops_of(late)) == 1
    drop(late, frame.slice(420), "log_2.csv")
    assert [figures(row) for row in stops_of(late)] == [figures(row) for row in stops_of(whole)]


def test_vehicles_do_not_touch_each_other(tmp_path: Path) -> None:
    frames = {
        "v1": drive_and_charge(plug_in=PLUG_IN, heater=(-30, 0), cell_arrival_degc=22),
        "v2": drive_and_charge(plug_in=PLUG_IN + timedelta(minutes=7), vehicle="v2"),
    }
    alone = []
    for vehicle, frame in frames.items():
        fleet = write_fleet(tmp_path / vehicle)
        drop(fleet, frame)
        alone += [figures(row) for row in stops_of(fleet)]
    both = write_fleet(tmp_path / "both")
    drop(both, pl.concat(frames.values()).sort("time"))
    assert [figures(row) for row in stops_of(both)] == alone


@pytest.mark.parametrize(
    ("plug_in", "week"),
    [
        # Europe/Stockholm: clocks go forward on 29 March and back on 25 October 2026.
        (datetime(2026, 3, 29, 21, 30, tzinfo=UTC), "2026-W13"),
        (datetime(2026, 3, 29, 22, 30, tzinfo=UTC), "2026-W14"),
        (datetime(2026, 10, 25, 22, 30, tzinfo=UTC), "2026-W43"),
        (datetime(2026, 10, 25, 23, 30, tzinfo=UTC), "2026-W44"),
        (datetime(2026, 10, 25, 0, 30, tzinfo=UTC), "2026-W43"),
    ],
)
def test_a_stop_belongs_to_the_local_week_of_its_plug_in(
    tmp_path: Path, plug_in: datetime, week: str
) -> None:
    """The approach begins before midnight, the charge ends after it: still one stop, one week."""
    fleet = write_fleet(tmp_path / "fleet")
    drop(fleet, drive_and_charge(plug_in=plug_in, approach_min=90, charge_min=45))
    stop = one_stop(fleet)
    assert stop["week_id"] == week
    assert stop["approach_min"] == pytest.approx(90, abs=0.3)
    assert stop["active_min"] == pytest.approx(45, abs=0.3)


def test_rows_after_midnight_reach_back_into_the_week_before(tmp_path: Path) -> None:
    """The second export holds Monday's rows only; the charge they finish began on Sunday."""
    plug_in = datetime(2026, 1, 18, 22, 50, tzinfo=UTC)
    frame = drive_and_charge(plug_in=plug_in, charge_min=40)
    is_sunday = frame["time"] < "2026-01-18T23:00:00"
    fleet = write_fleet(tmp_path / "fleet")
    drop(fleet, frame.filter(is_sunday), "log_1.csv")
    assert one_stop(fleet)["active_min"] == pytest.approx(10, abs=0.3)
    drop(fleet, frame.filter(~is_sunday), "log_2.csv")
    stop = one_stop(fleet)
    assert stop["week_id"] == "2026-W03"
    assert stop["active_min"] == pytest.approx(40, abs=0.3)
