"""Real input, both kinds, from the inbox to a PDF (sources: the open datasets' own README).

Fast-charge sessions: "Level 3 electric vehicle charging dataset", DESL, EPFL. Field logs: data of
Nie et al., Energy 323 (2025) 135754.
"""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import NamedTuple

import pandas
import polars as pl
import pytest
from fleets import NOW
from open_data import (
    DC_SESSIONS,
    FIELD_LOGS,
    data_folder,
    dc_sessions_fleet,
    field_logs_fleet,
    missing_reason,
)

from pipeline.config import load_fleet
from pipeline.edition import Edition, make_edition, warehouse_of
from pipeline.fleet_tables import write_fleet_tables
from pipeline.minutes import minutes


class Made(NamedTuple):
    """An edition and the stops of all weeks behind it."""

    edition: Edition
    stops: pl.DataFrame


def made(folder: Path, week_id: str) -> Made:
    fleet = load_fleet(folder)
    edition = make_edition(fleet, week_id=week_id, now=NOW)
    with warehouse_of(fleet) as con:
        write_fleet_tables(con, fleet)
        # The logs lie two years apart, beyond the year that a fit looks back.
        last = con.execute("select max(week_id) from stops group by year(plug_in_at)").fetchall()
        for (newest,) in sorted(last):
            minutes(con, fleet, newest)
        return Made(edition, con.sql("select * from judged_stops order by plug_in_at").pl())


@pytest.fixture(scope="module")
def field_logs(tmp_path_factory: pytest.TempPathFactory) -> Made:
    if reason := missing_reason(*FIELD_LOGS):
        pytest.skip(reason)
    return made(field_logs_fleet(tmp_path_factory.mktemp("logs") / "fleet"), "2019-W17")


@pytest.fixture(scope="module")
def dc_sessions(tmp_path_factory: pytest.TempPathFactory) -> Made:
    if reason := missing_reason(DC_SESSIONS):
        pytest.skip(reason)
    return made(dc_sessions_fleet(tmp_path_factory.mktemp("dc") / "fleet"), "2022-W49")


@pytest.mark.parametrize("name", ["field_logs", "dc_sessions"])
def test_a_pdf_comes_out_and_every_row_is_accounted_for(
    name: str, request: pytest.FixtureRequest
) -> None:
    edition = request.getfixturevalue(name).edition
    pdf = next(path for path in edition.paths if path.suffix == ".pdf")
    assert pdf.read_bytes()[:5] == b"%PDF-"
    intake = edition.intake
    assert intake.files_failed_n == 0
    assert intake.rows_read_n == (
        intake.rows_used_n + intake.rows_repeated_n + intake.rows_set_aside_n
    )
    assert intake.rows_read_n == {"field_logs": 116_666, "dc_sessions": 1_086}[name]


def test_field_logs_show_their_charges(field_logs: Made) -> None:
    """22 charges of vehicle 3 at 20 to 21 kW, two of vehicle 1 at up to 85 kW; in the second
    vehicle's log each charge is broken once by the logger's silence."""
    by_vehicle = dict(field_logs.stops.group_by("vehicle_id").len().iter_rows())
    assert by_vehicle == {"vehicle_3": 22, "vehicle_1": 2}
    peak = dict(field_logs.stops.group_by("vehicle_id").agg(pl.max("power_max_kw")).iter_rows())
    assert 20 < peak["vehicle_3"] < 22
    assert 83 < peak["vehicle_1"] < 86


def test_field_logs_lose_no_minute_to_cold(field_logs: Made) -> None:
    """Vehicle 3 is limited by its charger at every temperature, vehicle 1 charged at 28 to 38 degC:
    whatever minute is called cold would be false. At most 0.2 min a charge and 1 min in all."""
    stops = field_logs.stops
    cold = stops["lost_cold_min"].drop_nulls()
    assert cold.len() == 22, "vehicle 3; two charges of vehicle 1 are too few for a curve"
    assert cold.abs().max() <= 0.2
    assert abs(cold.sum()) <= 1.0
    unknown = stops.filter(pl.col("lost_cold_min").is_null())
    assert unknown["lost_why_null"].to_list() == ["no_warm_curve"] * 2
    assert not stops["outcome"].is_in(["warmed", "part_warmed"]).any()


def test_with_a_curve_the_warm_log_loses_nothing_to_cold_either(
    field_logs: Made, tmp_path: Path
) -> None:
    """Vehicle 1 took 83 kW one day and 58 kW the next at the same charge and 38 degC: with a curve
    of 85 kW the second day is slow for reasons that are not the cold."""
    fleet = field_logs_fleet(tmp_path / "fleet")
    models = fleet / "models.toml"
    curve = "warm_curve = [[0, 85], [60, 85], [80, 60], [100, 10]]"
    models.write_text(
        models.read_text().replace("[models.m1]", f"[models.m1]\nusable_kwh = 75\n{curve}")
    )
    stops = made(fleet, "2021-W18").stops.filter(pl.col("vehicle_id") == "vehicle_1")
    assert stops["lost_cold_min"].abs().max() <= 0.2
    assert stops["lost_unexplained_min"].max() > 5


def test_sessions_without_a_model_claim_no_minutes(dc_sessions: Made) -> None:
    stops = dc_sessions.stops
    assert stops.height == 1_086
    assert stops["evidence_grade"].unique().to_list() == ["D"]
    assert stops["lost_min"].null_count() == stops["lost_at_most_min"].null_count() == 1_086
    assert stops["lost_why_null"].unique().to_list() == ["no_model"]
    assert stops["outcome"].unique().to_list() == ["unknown"]
    assert stops["energy_kwh"].sum() > 30_000
    assert stops["power_max_kw"].null_count() < 20
    summary = next(path for path in dc_sessions.edition.paths if path.name == "summary.json")
    figures = json.loads(summary.read_text())
    assert figures["stops"] > 0
    assert figures["lost_min"] is None
    assert figures["hit_rate"] is None


def test_season_in_power_is_that_of_the_file(dc_sessions: Made) -> None:
    """Average power by month against pandas on the workbook itself. The dataset's notes give
    about 47 kW for December and 74 to 87 kW from May to August; a season, not proof of cold,
    because the vehicles are a mix."""
    chosen = dc_sessions.stops.filter(
        pl.col("soc_start_pct").is_between(5, 35) & pl.col("soc_end_pct").is_between(60, 85)
    ).with_columns(
        month=pl.col("plug_in_at").dt.convert_time_zone("Europe/Zurich").dt.month(),
        average_kw=pl.col("energy_kwh")
        / 0.93
        / (pl.col("plug_out_at") - pl.col("plug_in_at")).dt.total_seconds()
        * 3600,
    )
    got = dict(chosen.group_by("month").agg(pl.median("average_kw")).iter_rows())
    raw = pandas.read_excel(data_folder() / DC_SESSIONS)
    raw = raw[raw["SOC arrival"].between(5, 35) & raw["SOC departure"].between(60, 85)]
    arrival, departure = pandas.to_datetime(raw["Arrival"]), pandas.to_datetime(raw["Departure"])
    average_kw = raw["Energy (Wh)"] / 1000 / ((departure - arrival).dt.total_seconds() / 3600)
    expected = average_kw.groupby(arrival.dt.month).median().to_dict()
    assert got == pytest.approx(expected, rel=1e-6)
    assert got[12] < 50 < 72 < min(got[month] for month in (5, 6, 7, 8))


def test_energy_power_and_stay_of_a_summary_are_reported(dc_sessions: Made) -> None:
    paths = dc_sessions.edition.paths
    table = pl.read_csv(next(path for path in paths if path.name == "stops.csv"))
    assert table.height > 0
    for column in ("energy_kwh", "power_max_kw", "stay_min"):
        assert table[column].null_count() == 0
        assert table[column].min() > 0
    html = next(path for path in paths if path.suffix == ".html").read_text(encoding="utf-8")
    assert len(re.findall(r"\d\skWh, \d+\smin", html)) == table.height
