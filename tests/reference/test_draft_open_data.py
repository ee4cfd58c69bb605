"""Drafts of open datasets for which the repository has no mapping, and a fleet started from one.

References
----------
Level 3 electric vehicle charging dataset, DESL, EPFL (MIT): units and local Swiss time as its
authors state them. Nie et al., Energy 323 (2025) 135754, group BatICM (MIT): current negative when
charging, km and km/h. Source data of Nature Communications 16 (2025) 1137 (MIT): charge only.
Hourly weather of the OpenEEmeter repository (Apache-2.0): no vehicle at all.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from open_data import DC_SESSIONS, data_folder, missing_reason

from pipeline.cli import main
from pipeline.draft.make import Draft, draft_file
from pipeline.problems import ColdMinutesError


def drafted(name: str, zone: str | None = None) -> Draft:
    reason = missing_reason(name)
    if reason:
        pytest.skip(reason)
    return draft_file(data_folder() / name, zone)


def mapped(draft: Draft) -> dict[str, tuple[str | None, str | None]]:
    return {name: (m.column, m.unit) for name, m in draft.source.columns.items()}


def test_dc_sessions() -> None:
    draft = drafted(DC_SESSIONS, "Europe/Zurich")
    assert draft.source.kind == "sessions"
    assert mapped(draft) == {
        "plug_in_at": ("Arrival", None),
        "plug_out_at": ("Departure", None),
        "meter_energy_kwh": ("Energy (Wh)", "Wh"),
        "soc_start_pct": ("SOC arrival", "percent"),
        "soc_end_pct": ("SOC departure", "percent"),
        "power_max_kw": ("Pmax (W)", "W"),
        "is_held_back_by_site": ("Controlled session (0=False, 1=True)", None),
        "charge_mode": ("CCS", None),
    }
    # Two vehicles charge at a time, one at each plug: no column names them.
    assert draft.source.vehicle.column == "CCS"
    assert "vehicle" in draft.unsure
    assert draft.source.time.zone == "Europe/Zurich"
    # Two columns of capacities are placeholders in most rows; none may pass for energy.
    assert {"column:TotalCapacity", "column:BulkCapacity"} <= set(draft.unsure)


def test_dc_sessions_without_a_zone_ask_for_it() -> None:
    draft = drafted(DC_SESSIONS)
    assert draft.needs_zone
    assert "time.zone" in draft.unsure


@pytest.mark.parametrize("number", [1, 3])
def test_field_logs(number: int) -> None:
    draft = drafted(f"field_logs/vehicle_{number}.zip", "Asia/Shanghai")
    assert draft.source.kind == "samples"
    assert mapped(draft) == {
        "sampled_at": ("tboxTime", None),
        "soc_pct": ("vehBMSPackSOC", "percent"),
        "pack_current_a": ("BMSBatteryCurrent", "A"),
        "pack_voltage_v": ("BMSBatteryVoltage", "V"),
        "cell_temp_min_degc": ("BMSProbeTempMin", "degC"),
        "cell_temp_max_degc": ("BMSProbeTempMax", "degC"),
        "speed_kmh": ("vehSpeed", "km/h"),
        "odometer_km": ("vehOdo", "km"),
    }
    # The authors: negative when charging.
    assert draft.source.columns["pack_current_a"].sign == "discharge_positive"
    # A charge flag that is null on rows that charge is no charge; no cell probe is mapped.
    assert not {"T_1", "V_1", "BMSChargeStatus"} & {c for c, _ in mapped(draft).values()}
    assert "column:T_1" in draft.unsure
    if number == 3:
        assert "0" in draft.source.columns["odometer_km"].null_values


def test_charges_without_times_are_refused() -> None:
    with pytest.raises(ColdMinutesError) as refused:
        drafted("fleet_soc/soc_start_end.csv")
    problem = refused.value.problems[0]
    assert problem.code == "DRAFT-02"
    assert "no column holds times" in problem.message
    assert "Charge start SOC (%)" in problem.message


def test_weather_is_no_export() -> None:
    with pytest.raises(ColdMinutesError) as refused:
        drafted("weather/illinois_hourly_degf.csv.gz")
    assert "not a vehicle's export" in refused.value.problems[0].message


def test_curves_are_no_export() -> None:
    with pytest.raises(ColdMinutesError):
        drafted("charging_curves/curves.csv")


def test_start_on_the_open_workbook(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    reason = missing_reason(DC_SESSIONS)
    if reason:
        pytest.skip(reason)
    with pytest.raises(SystemExit) as left:
        main(
            ["start", str(tmp_path / "fleet"), str(data_folder() / DC_SESSIONS), "--zone",
             "Europe/Zurich", "--currency", "CHF", "--price", "0.5", "--drivers", "off", "--no-pdf"]
        )  # fmt: skip
    out, _ = capsys.readouterr()
    assert left.value.code == 0
    assert "Rows: 1,086 read, 1,086 used, 0 seen before, 0 set aside." in out
    summaries = list((tmp_path / "fleet" / "reports").glob("*/summary.json"))
    assert len(summaries) == 1
    assert json.loads(summaries[0].read_text())["stops"] > 0
