"""Exports whose columns are VSS paths need no mapping.

Paths, units and their change between versions: COVESA Vehicle Signal Specification 5.0 and 6.0
(spec/Powertrain/TractionBattery.vspec, spec/Vehicle/Vehicle.vspec, CHANGELOG.md).
"""

from __future__ import annotations

import gzip
import json
import zipfile
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pyarrow as pa
import pytest

from pipeline.config import load_fleet
from pipeline.edition import take_in, warehouse_of
from pipeline.ingest import IngestReport

NOW = datetime(2026, 11, 30, tzinfo=UTC)
START = datetime(2026, 1, 12, 6, 0, tzinfo=UTC)
TB = "Vehicle.Powertrain.TractionBattery"


def table(n: int = 30, **more: Any) -> pl.DataFrame:
    """Half an hour of charging at 50 kW with 12 345 km on the odometer, as version 6 writes it."""
    return pl.DataFrame(
        {
            "timestamp": [f"{START + timedelta(minutes=m):%Y-%m-%dT%H:%M:%SZ}" for m in range(n)],
            f"{TB}.StateOfCharge.Current": [20.0 + m for m in range(n)],
            f"{TB}.StateOfCharge.Displayed": [18.0 + m for m in range(n)],
            f"{TB}.CurrentPower": [50_000.0] * n,
            f"{TB}.Temperature.Min": [-3.5] * n,
            f"{TB}.BatteryConditioning.IsOngoing": ["true"] * n,
            f"{TB}.Charging.ChargeRate": [300.0] * n,
            f"{TB}.Charging.TimeToComplete": [1800] * n,
            f"{TB}.Charging.ChargingPort.FrontLeft.IsChargingCableConnected": ["false"] * n,
            f"{TB}.Charging.ChargingPort.AnyPosition.IsChargingCableConnected": ["true"] * n,
            "Vehicle.Exterior.AirTemperature": [-8.0] * n,
            "Vehicle.TraveledDistance": [12_345_000] * n,
            "Vehicle.Speed": [0.0] * n,
            **more,
        }
    )


def fleet_folder(folder: Path, more: str = "") -> Path:
    (folder / "inbox").mkdir(parents=True, exist_ok=True)
    text = f'operator = "Test"\ntime_zone = "Europe/Stockholm"\n{more}'
    (folder / "fleet.toml").write_text(text)
    return folder


def taken(folder: Path, in_memory: bool = True) -> tuple[IngestReport, pl.DataFrame]:
    fleet = load_fleet(folder)
    with warehouse_of(fleet, in_memory=in_memory) as con:
        report = take_in(con, fleet, NOW)
        samples = con.sql("select * from samples order by vehicle_id, sampled_at").pl()
    total = report.rows_used_n + report.rows_repeated_n + report.rows_set_aside_n
    assert report.rows_read_n == total
    return report, samples


def test_units_are_those_of_the_standard(tmp_path: Path) -> None:
    folder = fleet_folder(tmp_path)
    table().write_csv(folder / "inbox" / "van-07_2026-W03.csv")
    report, samples = taken(folder)
    assert (report.files_new_n, report.files_failed_n, samples.height) == (1, 0, 30)
    first = samples.row(0, named=True)
    assert first["vehicle_id"] == "van-07"
    assert first["pack_power_kw"] == pytest.approx(50.0)  # W in the standard
    assert first["soc_pct"] == 20.0  # the physical charge, not the displayed one
    assert first["cell_temp_min_degc"] == -3.5
    assert first["odometer_km"] == pytest.approx(12_345.0)  # m from version 6
    assert first["is_connected"] is True  # AnyPosition before FrontLeft
    assert first["is_conditioning"] is True
    assert first["heater_power_kw"] is None  # the standard has no such signal
    note = [problem for problem in report.problems if problem.code == "VSS-01"]
    assert len(note) == 1
    assert "version 6; which is assumed" in note[0].message
    assert "odometer in m" in note[0].message


def test_the_odometer_is_in_km_to_version_5(tmp_path: Path) -> None:
    folder = fleet_folder(tmp_path, "vss_version = 5\n")
    table(**{"Vehicle.TraveledDistance": [12_345.6] * 30}).write_csv(folder / "inbox" / "v1.csv")
    report, samples = taken(folder)
    assert samples["odometer_km"][0] == pytest.approx(12_345.6)
    assert any("as fleet.toml says" in problem.message for problem in report.problems)


def test_a_version_in_the_file_counts_more_than_the_setting(tmp_path: Path) -> None:
    folder = fleet_folder(tmp_path, "vss_version = 6\n")
    more = {"Vehicle.TraveledDistance": [12_345.6] * 30, "Vehicle.VersionVSS.Major": [5] * 30}
    table(**more).write_csv(folder / "inbox" / "v1.csv")
    assert taken(folder)[1]["odometer_km"][0] == pytest.approx(12_345.6)


def test_decimals_of_an_odometer_read_as_metres_are_remarked(tmp_path: Path) -> None:
    folder = fleet_folder(tmp_path)
    table(**{"Vehicle.TraveledDistance": [12_345.6] * 30}).write_csv(folder / "inbox" / "v1.csv")
    report, _ = taken(folder)
    assert any("versions to 5, where it is in km" in problem.message for problem in report.problems)


@pytest.mark.parametrize("prefix", ["", "fleet.export.", "data/"])
def test_paths_after_a_common_prefix(tmp_path: Path, prefix: str) -> None:
    folder = fleet_folder(tmp_path)
    frame = table()
    renamed = frame.rename(
        {name: prefix + name for name in frame.columns if name.startswith("Vehicle.")}
    )
    renamed.write_csv(folder / "inbox" / "v1.csv", separator=";")
    assert taken(folder)[1].height == 30


def test_units_in_brackets_and_slashes_for_points(tmp_path: Path) -> None:
    folder = fleet_folder(tmp_path)
    frame = table().rename(
        {
            "Vehicle.TraveledDistance": "Vehicle/TraveledDistance [km]",
            f"{TB}.Temperature.Min": f"{TB}.Temperature.Min (celsius)",
        }
    )
    frame = frame.with_columns(pl.lit(12_345).alias("Vehicle/TraveledDistance [km]"))
    frame.write_csv(folder / "inbox" / "v1.csv")
    row = taken(folder)[1].row(0, named=True)
    assert (row["odometer_km"], row["cell_temp_min_degc"]) == (12_345.0, -3.5)


def as_json(name: str) -> str:
    """The table as JSON: a list, lines, or lines of objects within objects."""
    rows = table().to_dicts()
    if name.startswith("v1"):
        return json.dumps(rows) if ".json." in f"{name}." else "".join(map(as_line, rows))
    nested: list[dict[str, Any]] = []
    for row in rows:
        top: dict[str, Any] = {}
        for path, value in row.items():
            here = top
            *way, last = path.split(".")
            for key in way:
                here = here.setdefault(key, {})
            here[last] = value
        nested.append({"data": top["Vehicle"], "timestamp": top["timestamp"]})
    return "".join(
        as_line({"timestamp": each["timestamp"], "Vehicle": each["data"]}) for each in nested
    )


def as_line(row: dict[str, Any]) -> str:
    return json.dumps(row) + "\n"


@pytest.mark.parametrize(
    "name",
    [
        "v1.json",
        "v1.jsonl",
        "v1.jsonl.gz",
        "v1.ndjson.zst",
        "v1.csv.zst",
        "deep_v1.jsonl",
        "v1.zip",
    ],
)
def test_json_and_zst(tmp_path: Path, name: str) -> None:
    folder = fleet_folder(tmp_path)
    path = folder / "inbox" / name
    text = table().write_csv() if ".csv" in name else as_json(name)
    if name.endswith(".zip"):
        with zipfile.ZipFile(path, "w") as archive:
            archive.writestr("v1.jsonl", text)
    elif name.endswith(".gz"):
        path.write_bytes(gzip.compress(text.encode()))
    elif name.endswith(".zst"):
        path.write_bytes(pa.compress(text.encode(), codec="zstd", asbytes=True))
    else:
        path.write_text(text)
    report, samples = taken(folder)
    assert (report.files_failed_n, samples.height) == (0, 30), report.problems
    first = samples.row(0, named=True)
    assert first["vehicle_id"] == "v1"
    assert first["pack_power_kw"] == pytest.approx(50.0)
    assert first["odometer_km"] == pytest.approx(12_345.0)
    assert (first["is_connected"], first["soc_pct"]) == (True, 20.0)
    assert [problem.code for problem in report.problems] == ["VSS-01"]


def test_signals_that_come_by_turns_and_a_version_in_json(tmp_path: Path) -> None:
    """Lines of one signal each: all names of the head count, and the first value of each."""
    folder = fleet_folder(tmp_path)
    rows: list[dict[str, Any]] = []
    for minute in range(20):
        stamp = {"timestamp": int((START + timedelta(minutes=minute)).timestamp() * 1000)}
        signal = [
            {f"{TB}.StateOfCharge.Current": 20.0 + minute},
            {"Vehicle.TraveledDistance": 12_345.6},
            {"Vehicle.VersionVSS.Major": 5, f"{TB}.CurrentPower": None},
        ][minute % 3]
        rows.append({**stamp, **signal})
    (folder / "inbox" / "v1.jsonl").write_text("".join(map(as_line, rows)))
    report, samples = taken(folder)
    assert samples.height == 20
    assert samples["sampled_at"][0] == START
    assert samples["odometer_km"].drop_nulls()[0] == pytest.approx(12_345.6)
    assert 'VersionVSS.Major" says' in report.problems[0].message


@pytest.mark.parametrize(
    "content",
    [
        b'{"Vehicle.Speed": 1, "Vehicle.',
        b'["Vehicle.Speed"]' * 5,
        b'{"Vehicle":' * 3000,
        b"Vehicle. \xff\xfe\0",
    ],
)
def test_json_that_only_looks_like_it_is_nobodys(tmp_path: Path, content: bytes) -> None:
    folder = fleet_folder(tmp_path)
    (folder / "inbox" / "v1.jsonl").write_bytes(content)
    report, _ = taken(folder)
    assert [problem.code for problem in report.problems] == ["INGEST-01"]


@pytest.mark.parametrize("name", ["v1.parquet", "v1.csv.gz", "box.zip", "v1.xlsx"])
def test_every_kind_of_file(tmp_path: Path, name: str) -> None:
    folder = fleet_folder(tmp_path)
    path = folder / "inbox" / name
    text = table().write_csv()
    if name.endswith("parquet"):
        table().write_parquet(path)
    elif name.endswith("gz"):
        path.write_bytes(gzip.compress(text.encode()))
    elif name.endswith("zip"):
        with zipfile.ZipFile(path, "w") as archive:
            archive.writestr("v1.csv", text)
            archive.writestr("notes.txt", "nothing")
    else:
        table().write_excel(path)
    report, samples = taken(folder)
    assert (report.files_failed_n, samples.height) == (0, 30)
    assert samples["vehicle_id"].unique().to_list() == ["v1"]


def test_a_vin_names_the_vehicle(tmp_path: Path) -> None:
    folder = fleet_folder(tmp_path)
    vin = {"Vehicle.VehicleIdentification.VIN": ["TEST0000000000001"] * 30}
    table(**vin).write_csv(folder / "inbox" / "v1.csv")
    assert taken(folder)[1]["vehicle_id"][0] == "TEST0000000000001"


def test_a_second_run_and_a_second_file_change_nothing_of_the_first(tmp_path: Path) -> None:
    folder = fleet_folder(tmp_path)
    table().write_csv(folder / "inbox" / "van-1_2026-W03.csv")
    first, _ = taken(folder, in_memory=False)
    again, samples = taken(folder, in_memory=False)
    assert (first.files_new_n, again.files_new_n, again.files_known_n) == (1, 0, 1)
    assert not [problem for problem in again.problems if problem.code == "VSS-01"]
    other = table(**{f"{TB}.StateOfCharge.Current": [40.0 + m for m in range(30)]})
    other.write_csv(folder / "inbox" / "van-2_2026-W03.csv")
    third, both = taken(folder, in_memory=False)
    assert (third.files_new_n, third.files_known_n) == (1, 1)
    assert both.height == 2 * samples.height


def test_a_version_told_later_is_read_anew(tmp_path: Path) -> None:
    folder = fleet_folder(tmp_path)
    table().write_csv(folder / "inbox" / "van-1.csv")
    assert taken(folder, in_memory=False)[1]["odometer_km"][0] == pytest.approx(12_345.0)
    fleet_folder(folder, "vss_version = 5\n")
    _, samples = taken(folder, in_memory=False)
    assert samples.height == 0 or samples["odometer_km"][0] == pytest.approx(12_345_000.0)
    report, _ = taken(folder, in_memory=False)
    assert report.files_failed_n == 0


def test_a_source_of_the_fleets_own_takes_over(tmp_path: Path) -> None:
    folder = fleet_folder(tmp_path)
    table().write_csv(folder / "inbox" / "van-1.csv")
    taken(folder, in_memory=False)
    (folder / "sources").mkdir()
    (folder / "sources" / "own.toml").write_text(
        'kind = "samples"\nfiles = ["van-*.csv"]\nvehicle = { value = "mine" }\n[columns]\n'
        'sampled_at = { column = "timestamp" }\n'
        f'soc_pct = {{ column = "{TB}.StateOfCharge.Displayed" }}\n'
    )
    _, samples = taken(folder, in_memory=False)
    assert samples["vehicle_id"].unique().to_list() == ["mine"]
    assert samples["soc_pct"][0] == 18.0


def test_other_files_are_still_nobodys(tmp_path: Path) -> None:
    folder = fleet_folder(tmp_path)
    (folder / "inbox" / "other.csv").write_text("time,Vehicle.Speed\n2026-01-12T06:00:00Z,3\n")
    report, _ = taken(folder)
    assert [problem.code for problem in report.problems] == ["INGEST-01"]
