"""The standard's own example objects, read in place: each is parsed or refused with a reason.

Source: Open Charge Point Interface specification 2.2.1 and 2.3.0 (EVRoaming Foundation, CC BY-ND
4.0), folder ``examples``, unchanged.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from ocpi_cdr import SOURCE
from open_data import data_folder, missing_reason

from pipeline.ocpi_tariff_config import OcpiTariff, tariffs_in
from tests.small_fleet import drop, opened, quarantined, take_in, write_fleet

VERSIONS = ("2.2.1", "2.3.0")
needs_data = pytest.mark.skipif(
    bool(missing_reason(*(f"ocpi/{v}/cdr_example.json" for v in VERSIONS))),
    reason=missing_reason(*(f"ocpi/{v}/cdr_example.json" for v in VERSIONS)) or "there",
)
CARDS = '[cards.one]\ntoken = "012345678"\nvehicle = "van_1"\n'
GHENT = '[sites.ghent]\nname = "Ghent"\nlatitude_deg = 51.05\nlongitude_deg = 3.73\n'


def examples(version: str, pattern: str = "*.json") -> list[Path]:
    return sorted((data_folder() / "ocpi" / version).glob(pattern))


@needs_data
@pytest.mark.parametrize("version", VERSIONS)
def test_each_example_is_accounted_for(tmp_path: Path, version: str) -> None:
    """One record of each folder is a charge; all other objects are told apart by name."""
    folder = write_fleet(
        tmp_path,
        {"bills": SOURCE.replace("cdrs*", "*.json")},
        cards=CARDS,
        sites=GHENT,
    )
    found = examples(version)
    assert len(found) >= 24
    for path in found:
        drop(folder, path.name, path.read_bytes())
    with opened(folder) as (con, fleet):
        report = take_in(con, fleet)
        assert report.files_failed_n == 0
        assert report.rows_read_n == len(found)
        assert report.rows_used_n == 1
        told = {value for _, _, _, value in quarantined(con)}
        assert {rule for _, rule, _, _ in quarantined(con)} == {"not_a_cdr"}
        assert told >= {"a session", "a location", "a tariff"}
        row = con.sql("select * from reported_sessions").pl().row(0, named=True)
    assert row["vehicle_id"] == "van_1"
    assert row["record_id"] == "BE*BEC*12345"
    assert row["evse_id"] == "BE*BEC*E041503003"
    assert row["meter_energy_kwh"] == 15.342
    assert row["total_cost"] == 4.00
    assert row["charge_mode"] == "ac"
    minutes = (row["plug_out_at"] - row["plug_in_at"]).total_seconds() / 60
    assert minutes == pytest.approx(1.973 * 60, abs=0.05)
    # The example swaps them: Ghent lies at 51 north, 3.7 east.
    assert (row["latitude_deg"], row["longitude_deg"]) == (51.047599, 3.729944)
    assert [p.data["rule"] for p in report.problems if p.code == "INGEST-14"] == [
        "coordinates_swapped"
    ]


@needs_data
@pytest.mark.parametrize("version", VERSIONS)
def test_each_tariff_is_parsed_or_refused_with_a_reason(version: str) -> None:
    refused = {}
    for path in examples(version, "tariff*.json"):
        for tariff in tariffs_in(path.read_text(encoding="utf-8")):
            if isinstance(tariff, OcpiTariff):
                assert tariff.elements and tariff.currency in ("EUR", "CAD")
            else:
                refused[path.name] = tariff
    assert refused == {}
    count = len(examples(version, "tariff*.json"))
    assert count == (20 if version == "2.2.1" else 22)


@needs_data
@pytest.mark.parametrize("version", VERSIONS)
@pytest.mark.parametrize("name", ["cdr_example", "location_example", "session_example_1"])
def test_other_objects_are_no_tariffs(version: str, name: str) -> None:
    for path in examples(version, f"{name}*.json"):
        found = list(tariffs_in(path.read_text(encoding="utf-8")))
        assert found and all(isinstance(each, str) for each in found)
        assert any("key elements: Field required" in str(each) for each in found)
