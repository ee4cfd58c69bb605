"""Charge detail records of the trade's standard become reported sessions, and nothing is lost."""

from __future__ import annotations

import gzip
import io
import json
import zipfile
from pathlib import Path
from typing import Any

import duckdb
import pyarrow as pa
import pytest
from ocpi_cdr import CARDS, SITES, SOURCE, cdr, envelope, lines

from pipeline.config import load_fleet
from pipeline.ingest import IngestReport
from pipeline.ingest.returned import returned_text
from pipeline.problems import ColdMinutesError
from tests.small_fleet import NOW, drop, opened, quarantined, take_in, write_fleet


def fleet(folder: Path, settings: str = "", **files: str) -> Path:
    """A fleet that reads OCPI."""
    return write_fleet(
        folder, {"bills": SOURCE}, settings, **{"cards": CARDS, "sites": SITES, **files}
    )


def sessions(con: duckdb.DuckDBPyConnection) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = (
        con.sql(
            "select * exclude (file_id, file_row) from reported_sessions "
            "order by plug_in_at, vehicle_id, record_id"
        )
        .pl()
        .to_dicts()
    )
    return found


def taken(
    folder: Path, content: str | bytes, name: str = "cdrs.json", **files: str
) -> tuple[list[dict[str, Any]], list[tuple[int, str, str | None, str | None]], IngestReport]:
    """Sessions, rows set aside, and the report of one file."""
    drop(fleet(folder, **files), name, content)
    with opened(folder) as (con, loaded):
        report = take_in(con, loaded)
        return sessions(con), quarantined(con), report


def one(folder: Path, record: dict[str, Any], **files: str) -> tuple[dict[str, Any], IngestReport]:
    rows, aside, report = taken(folder, json.dumps(record), **files)
    assert aside == [] and len(rows) == 1
    return rows[0], report


def rules(report: IngestReport) -> list[tuple[str, int]]:
    """Rules of rows put right or set aside, with their counts."""
    return [(found.data["rule"], found.data["rows_n"]) for found in report.problems]


def test_every_value_lands_where_it_belongs(tmp_path: Path) -> None:
    row, report = one(tmp_path, cdr())
    assert report.problems == []
    at = row.pop("plug_in_at"), row.pop("plug_out_at")
    assert [f"{moment:%Y-%m-%d %H:%M %Z}" for moment in at] == [
        "2026-01-12 10:00 UTC",
        "2026-01-12 10:40 UTC",
    ]
    assert row == {
        "vehicle_id": "van_1",
        "meter_energy_kwh": 20.0,
        "soc_start_pct": None,
        "soc_end_pct": None,
        "power_max_kw": 61.5,
        "charge_mode": "dc",
        "site_id": "LOC-7",
        "is_held_back_by_site": None,
        "total_cost": 9.6,
        "latitude_deg": 57.7001,
        "longitude_deg": 11.9502,
        "parking_min": pytest.approx(10.0, abs=0.01),
        "record_id": "SE*ZZZ*cdr-1",
        "evse_id": "SE*ZZZ*E700*1",
    }


@pytest.mark.parametrize(
    ("changes", "column", "value"),
    [
        # 2.3.0: Price with before_taxes.
        ({"total_cost": {"before_taxes": 9.6, "taxes": []}}, "total_cost", 9.6),
        ({"total_cost": 9.6}, "total_cost", 9.6),
        ({"total_cost": {"incl_vat": 12.0}}, "total_cost", None),
        ({"cdr_location.connector_power_type": "AC_3_PHASE"}, "charge_mode", "ac"),
        ({"cdr_location.connector_power_type": "AC_2_PHASE_SPLIT"}, "charge_mode", "ac"),
        ({"cdr_location.connector_power_type": "BEAM"}, "charge_mode", None),
        ({"cdr_location.evse_id": "se*zzz*e100*1"}, "site_id", "harbour"),
        ({"cdr_location.name": "harbour"}, "site_id", "harbour"),
        ({"total_parking_time": ...}, "parking_min", None),
        ({"total_energy": "20.0"}, "meter_energy_kwh", 20.0),
        ({"charging_periods": []}, "power_max_kw", None),
    ],
)
def test_variants(tmp_path: Path, changes: dict[str, Any], column: str, value: object) -> None:
    row, report = one(tmp_path, cdr(**changes))
    assert row[column] == value
    assert report.problems == []


def test_a_time_without_z_is_utc(tmp_path: Path) -> None:
    row, _ = one(tmp_path, cdr(start_date_time="2026-01-12T09:00:00.250"))
    assert row["plug_in_at"].isoformat() == "2026-01-12T09:00:00.250000+00:00"


@pytest.mark.parametrize("name", ["array", "envelope", "lines", "pretty", "gz", "zst", "zip"])
def test_every_wrapping_gives_the_same(tmp_path: Path, name: str) -> None:
    records = [cdr(number) for number in range(1, 6)]
    expected, _, _ = taken(tmp_path / "plain", json.dumps(records))
    text = lines(records).encode()
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("a/cdrs.jsonl", text)
    squeezed = tmp_path / "x.zst"
    with pa.output_stream(str(squeezed), compression="zstd") as out:
        out.write(text)
    wrapped: dict[str, tuple[str, str | bytes]] = {
        "array": ("cdrs.json", json.dumps(records, indent=2)),
        "envelope": ("cdrs.json", envelope(records)),
        "lines": ("cdrs.ndjson", text),
        "pretty": ("cdrs.json", "\n".join(json.dumps(record, indent=1) for record in records)),
        "gz": ("cdrs.jsonl.gz", gzip.compress(text)),
        "zst": ("cdrs.jsonl.zst", squeezed.read_bytes()),
        "zip": ("cdrs.zip", packed.getvalue()),
    }
    file_name, content = wrapped[name]
    rows, aside, report = taken(tmp_path / "other", content, file_name)
    assert rows == expected and len(rows) == 5
    assert aside == [] and report.problems == []


def test_an_envelope_of_one_and_of_none(tmp_path: Path) -> None:
    rows, _, _ = taken(tmp_path / "one", envelope(cdr()))
    assert len(rows) == 1
    rows, aside, report = taken(tmp_path / "none", envelope([]))
    assert rows == [] and aside == []
    assert [found.code for found in report.problems] == ["INGEST-05"]


def test_a_page_taken_in_twice_counts_once(tmp_path: Path) -> None:
    folder = fleet(tmp_path)
    drop(folder, "cdrs_1.json", envelope([cdr(1), cdr(2)]))
    drop(folder, "cdrs_2.json", envelope([cdr(2), cdr(3)]))
    with opened(folder) as (con, loaded):
        report = take_in(con, loaded)
        assert (report.rows_read_n, report.rows_used_n, report.rows_repeated_n) == (4, 3, 1)
        assert take_in(con, loaded).files_new_n == 0


@pytest.mark.parametrize("is_one_file", [True, False])
def test_a_second_record_of_one_number_is_no_second_charge(
    tmp_path: Path, is_one_file: bool
) -> None:
    """OCPI 2.2.1, 10.1: the id of a record is given once; a correction takes a credit first."""
    other = cdr(1, total_energy=25, total_cost={"excl_vat": 11, "incl_vat": 13})
    folder = fleet(tmp_path)
    if is_one_file:
        drop(folder, "cdrs_1.json", envelope([cdr(1), other, cdr(2), cdr(1)]))
    else:
        drop(folder, "cdrs_1.json", envelope([cdr(1)]))
        drop(folder, "cdrs_2.json", envelope([other, cdr(2), cdr(1)]))
    with opened(folder) as (con, loaded):
        report = take_in(con, loaded)
        assert (report.rows_used_n, report.rows_repeated_n, report.rows_set_aside_n) == (2, 1, 1)
        assert [row[1:] for row in quarantined(con)] == [
            ("conflicting_record", "id", "SE*ZZZ*cdr-1")
        ]
        assert [(row["record_id"], row["meter_energy_kwh"]) for row in sessions(con)] == [
            ("SE*ZZZ*cdr-1", 20.0),
            ("SE*ZZZ*cdr-2", 20.0),
        ]
    assert any("coldminutes supersede" in found.remedy for found in report.problems)


def test_a_number_of_another_vehicle_or_time_is_another_charge(tmp_path: Path) -> None:
    """Billers share no numbers, and some begin them anew each year."""
    other_card = {"cdr_token.uid": "DE-ZZZ-C2", "cdr_token.contract_id": "DE-ZZZ-C2"}
    records = [cdr(1), cdr(2, id="cdr-1", **other_card), cdr(-900, id="cdr-1")]
    rows, aside, _ = taken(tmp_path, json.dumps(records))
    assert (len(rows), aside) == (3, [])


def test_cards(tmp_path: Path) -> None:
    cards = """
[cards.winter]
token = "04a1b2c3"
vehicle = "van_1"
to = 2026-01-12T12:00:00
[cards.spring]
token = "04A1B2C3"
vehicle = "van_9"
from = 2026-01-12T12:00:00
"""
    # 12:00 in Stockholm is 11:00 UTC: the first record begins at 10:00, the second at 11:00.
    rows, aside, _ = taken(tmp_path, json.dumps([cdr(1), cdr(2)]), cards=cards)
    assert [row["vehicle_id"] for row in rows] == ["van_1", "van_9"]
    assert aside == []


def test_a_card_may_be_known_by_its_contract(tmp_path: Path) -> None:
    record = cdr(**{"cdr_token.uid": "unheard of", "cdr_token.contract_id": "de-zzz-c2"})
    assert one(tmp_path, record)[0]["vehicle_id"] == "van_2"


def test_an_unlinked_card_is_shown_with_its_count_and_counts_once_linked(tmp_path: Path) -> None:
    records = [
        cdr(1),
        cdr(2, **{"cdr_token.uid": "STRANGER"}),
        cdr(3, **{"cdr_token.uid": "STRANGER"}),
        cdr(4, **{"cdr_token.uid": "OTHER", "cdr_token.contract_id": ...}),
        cdr(5, **{"cdr_token.uid": "04A1B2C3", "cdr_token.contract_id": "DE-ZZZ-C2"}),
        cdr(6, cdr_token={}),
    ]
    drop(fleet(tmp_path), "cdrs.json", json.dumps(records))
    with opened(tmp_path) as (con, loaded):
        report = take_in(con, loaded)
        assert [row["record_id"] for row in sessions(con)] == ["SE*ZZZ*cdr-1"]
        shown = {
            (found.data["rule"], found.data["value"]): found.data["rows_n"]
            for found in report.problems
        }
        assert shown == {
            ("card_unlinked", "STRANGER"): 2,
            ("card_unlinked", "OTHER"): 1,
            ("card_contradicts", "04A1B2C3"): 1,
            ("no_card", None): 1,
        }
        assert "cards.toml" in str(report.problems[0])
        linked = CARDS + '[cards.late]\ntoken = "STRANGER"\nvehicle = "van_3"\n'
        (tmp_path / "cards.toml").write_text(linked, encoding="utf-8")
        take_in(con, load_fleet(tmp_path))
        assert [row["vehicle_id"] for row in sessions(con)] == ["van_1", "van_3", "van_3"]


@pytest.mark.parametrize(
    ("latitude", "longitude", "expected", "rule"),
    [
        ("11.9502", "57.7001", (57.7001, 11.9502), "coordinates_swapped"),  # both ways on Earth
        ("151.2", "-33.9", (-33.9, 151.2), "coordinates_swapped"),  # only swapped on Earth
        ("-33.9", "151.2", (-33.9, 151.2), None),  # far from every site both ways: left alone
        ("11.9502", "11.9502", (11.9502, 11.9502), None),
        ("0", "0.0", (None, None), "coordinates_impossible"),
        ("190", "200", (None, None), "coordinates_impossible"),
        ("north", "11.9", (None, None), "coordinates_impossible"),
        (None, None, (None, None), None),
    ],
)
def test_coordinates(
    tmp_path: Path,
    latitude: str | None,
    longitude: str | None,
    expected: tuple[float | None, float | None],
    rule: str | None,
) -> None:
    place = {"latitude": latitude, "longitude": longitude}
    row, report = one(tmp_path, cdr(**{"cdr_location.coordinates": place}))
    assert (row["latitude_deg"], row["longitude_deg"]) == expected
    assert rules(report) == ([(rule, 1)] if rule else [])


def test_a_position_near_a_site_as_it_stands_is_never_turned(tmp_path: Path) -> None:
    """Where both ways lie near a site, nothing proves that they were swapped."""
    sites = "[sites.diagonal]\nlatitude_deg = 12.0\nlongitude_deg = 12.1\n"
    place = {"latitude": "12.0", "longitude": "12.2"}
    row, report = one(tmp_path, cdr(**{"cdr_location.coordinates": place}), sites=sites)
    assert (row["latitude_deg"], row["longitude_deg"]) == (12.0, 12.2)
    assert report.problems == []


def periods(*volumes: float) -> list[dict[str, Any]]:
    return [
        {"start_date_time": "2026-01-12T10:00:00Z", "dimensions": [{"type": "ENERGY", "volume": v}]}
        for v in volumes
    ]


@pytest.mark.parametrize(
    ("changes", "energy_kwh", "rule"),
    [
        ({"total_energy": 20_000, "charging_periods": []}, 20.0, "wh_in_kwh"),  # 30 MW otherwise
        ({"total_energy": 20_000}, 20.0, "wh_in_kwh"),
        ({"total_energy": 400, "charging_periods": periods(0.4)}, 0.4, "wh_in_kwh"),
        ({"charging_periods": periods(120, 19_880)}, 20.0, "periods_in_wh"),
        ({"charging_periods": periods(3, 4)}, 20.0, "energy_differs"),
        ({"charging_periods": periods(8, 12.2)}, 20.0, None),
        ({"charging_periods": [{"dimensions": [{"type": "ENERGY"}]}]}, 20.0, None),
    ],
)
def test_energy_in_the_wrong_unit_is_never_silent(
    tmp_path: Path, changes: dict[str, Any], energy_kwh: float, rule: str | None
) -> None:
    row, report = one(tmp_path, cdr(**changes))
    assert row["meter_energy_kwh"] == pytest.approx(energy_kwh)
    assert rules(report) == ([(rule, 1)] if rule else [])


def test_more_energy_than_any_vehicle_takes_is_set_aside(tmp_path: Path) -> None:
    record = cdr(total_energy=600, charging_periods=[])
    rows, aside, _ = taken(tmp_path, json.dumps([record, cdr(2)]))
    assert [row["record_id"] for row in rows] == ["SE*ZZZ*cdr-2"]
    assert aside == [(1, "energy_implausible", "total_energy", "600")]


def test_what_was_mended_is_kept_with_its_row(tmp_path: Path) -> None:
    folder = fleet(tmp_path)
    record = cdr(2, total_energy=20_000)
    drop(folder, "cdrs.json", json.dumps([cdr(1), record]))
    with opened(folder) as (con, loaded):
        take_in(con, loaded)
        kept = con.sql("select * exclude (file_id) from mended_rows").fetchall()
        assert kept == [("cdrs.json", 2, "wh_in_kwh", "total_energy", "20000", "20.0")]
        (folder / "cards.toml").write_text(CARDS.replace("van_1", "van_7"), encoding="utf-8")
        take_in(con, load_fleet(folder))
        assert con.sql("select count(*) from mended_rows").fetchall() == [(1,)]


def test_nothing_is_told_of_mending_a_row_that_is_set_aside(tmp_path: Path) -> None:
    record = cdr(1, total_energy=20_000, **{"cdr_token.uid": "STRANGER"})
    _, aside, report = taken(tmp_path, json.dumps([record]))
    assert len(aside) == 1
    assert rules(report) == [("card_unlinked", 1)]


def test_another_currency_is_not_added_up(tmp_path: Path) -> None:
    row, report = one(tmp_path, cdr(currency="SEK"))
    assert row["total_cost"] is None
    assert row["meter_energy_kwh"] == 20.0
    assert rules(report) == [("other_currency", 1)]


def test_parking_longer_than_the_stay(tmp_path: Path) -> None:
    row, report = one(tmp_path, cdr(total_parking_time=10.0))
    assert row["parking_min"] is None
    assert rules(report) == [("parking_beyond_stay", 1)]


def test_credits_and_other_objects_are_set_aside_with_their_names(tmp_path: Path) -> None:
    records: list[Any] = [
        cdr(1),
        cdr(2),
        cdr(3, credit=True, credit_reference_id="cdr-1"),
        {"id": "12", "currency": "EUR", "elements": []},
        {"id": "LOC", "evses": []},
        {"id": "s", "kwh": 1, "start_date_time": "2026-01-12T10:00:00Z"},
        {"greeting": "hello"},
        17,
        None,
        "cdr",
        [cdr(4)],
    ]
    rows, aside, _ = taken(tmp_path, json.dumps(records))
    assert [row["record_id"] for row in rows] == ["SE*ZZZ*cdr-2"]
    assert [(row, rule, value) for row, rule, _, value in aside] == [
        (1, "credited_record", "cdr-1"),
        (3, "credit_record", "cdr-1"),
        (4, "not_a_cdr", "a tariff"),
        (5, "not_a_cdr", "a location"),
        (6, "not_a_cdr", "a session"),
        (7, "not_a_cdr", "keys greeting"),
        (8, "not_a_cdr", "UBIGINT"),
        (9, "not_a_cdr", "null"),
        (10, "not_a_cdr", "VARCHAR"),
        (11, "not_a_cdr", "ARRAY"),
    ]


@pytest.mark.parametrize(
    ("changes", "rule"),
    [
        ({"start_date_time": "yesterday"}, "time_unreadable"),
        ({"end_date_time": "2026-01-12T09:00:00Z"}, "ends_before_start"),
        ({"start_date_time": "2031-01-12T09:00:00Z"}, "time_in_future"),
        ({"total_energy": "much"}, "not_a_number"),
        ({"total_energy": -4}, "out_of_range"),
        ({"total_cost": {"excl_vat": -9.6}}, "out_of_range"),
    ],
)
def test_rows_that_break_a_rule(tmp_path: Path, changes: dict[str, Any], rule: str) -> None:
    rows, aside, _ = taken(tmp_path, json.dumps([cdr(1, **changes), cdr(2)]))
    assert len(rows) == 1
    assert [found[:2] for found in aside] == [(1, rule)]


def test_a_source_takes_no_mapping(tmp_path: Path) -> None:
    mapped = SOURCE + '[columns]\nplug_in_at = { column = "x" }\n'
    write_fleet(tmp_path, {"bills": mapped})
    with pytest.raises(ColdMinutesError, match="needs no mapping and takes no columns"):
        load_fleet(tmp_path)


def test_a_card_of_two_vehicles_at_once_is_refused(tmp_path: Path) -> None:
    cards = CARDS + '[cards.three]\ntoken = "04a1b2c3 "\nvehicle = "van_3"\nfrom = 2026-01-01\n'
    fleet(tmp_path, cards=cards)
    with pytest.raises(ColdMinutesError, match="cards one and three give token"):
        load_fleet(tmp_path)


def test_cards_link_the_rows_of_any_bill(tmp_path: Path) -> None:
    source = """
kind = "sessions"
files = ["bill*.csv"]
vehicle = { card = "card" }
[columns]
plug_in_at = { column = "from" }
plug_out_at = { column = "to" }
meter_energy_kwh = { column = "kwh" }
record_id = { column = "no" }
"""
    write_fleet(tmp_path, {"bill": source}, cards=CARDS)
    drop(
        tmp_path,
        "bill.csv",
        "card,from,to,kwh,no\n"
        "04a1b2c3,2026-01-12 10:00,2026-01-12 10:30,20,1\n"
        "lost,2026-01-12 10:00,2026-01-12 10:30,20,2\n",
    )
    with opened(tmp_path) as (con, loaded):
        take_in(con, loaded, NOW)
        assert [(row["vehicle_id"], row["record_id"]) for row in sessions(con)] == [("van_1", "1")]
        assert quarantined(con) == [(3, "card_unlinked", "card", "lost")]


def test_a_csv_is_no_ocpi(tmp_path: Path) -> None:
    _, _, report = taken(tmp_path, "a,b\n1,2\n", "cdrs.csv")
    assert report.files_failed_n == 1
    assert "OCPI records are JSON" in str(report.problems[0])


def test_rows_set_aside_count_once_they_come_back_mended(tmp_path: Path) -> None:
    folder = fleet(tmp_path)
    records = [cdr(1), cdr(2, total_energy=600, charging_periods=[]), cdr(3, start_date_time="?")]
    drop(folder, "cdrs.json", json.dumps(records))
    with opened(folder) as (con, loaded):
        take_in(con, loaded)
        kept = con.sql("select rule as reason, raw_row from quarantine").pl()
        text = returned_text("bills", kept.iter_rows(named=True))
        mended = text.replace(",600,", ",60,").replace(",?,", ",2026-01-12T12:00:00Z,")
        assert mended != text
        drop(folder, "mend.csv", mended)
        take_in(con, load_fleet(folder))
        assert [row["meter_energy_kwh"] for row in sessions(con)] == [20.0, 60.0, 20.0]
        assert [row["charge_mode"] for row in sessions(con)] == ["dc"] * 3
