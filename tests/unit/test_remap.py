"""A mended mapping has its files read anew; nothing read by the old one stays behind."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest
from fleets import MONDAY, NOW, SITES_TOML, drive_and_charge, drop, one_stop, stops_of, write_fleet

from pipeline.config import load_fleet
from pipeline.edition import take_in, warehouse_of

PLUG_IN = MONDAY + timedelta(hours=2)


@pytest.fixture
def fleet(tmp_path: Path) -> Path:
    folder = write_fleet(tmp_path / "fleet")
    drop(folder, drive_and_charge(plug_in=PLUG_IN, charge_kw=50))
    return folder


def test_a_mended_sign_is_read_anew(fleet: Path) -> None:
    source = fleet / "sources" / "log.toml"
    right = source.read_text()
    wrong = right.replace('{ column = "kw" }', '{ column = "kw", sign = "discharge_positive" }')
    source.write_text(wrong)
    # Inverted, driving looks like charging; whatever comes out, it is not the charge.
    assert all((row["energy_kwh"] or 0) < 20 for row in stops_of(fleet))
    source.write_text(right)
    assert one_stop(fleet)["energy_kwh"] == pytest.approx(25, abs=0.2)
    loaded = load_fleet(fleet)
    with warehouse_of(loaded) as con:
        assert con.execute("select count(*) from files").fetchall() == [(1,)]
        assert take_in(con, loaded, NOW).files_new_n == 0


def test_a_mended_zone_moves_the_stop(fleet: Path) -> None:
    source = fleet / "sources" / "log.toml"
    assert one_stop(fleet)["week_id"] == "2026-W03"
    # Stamps carry an offset, so the zone changes nothing but the mapping's fingerprint.
    source.write_text(source.read_text() + '[time]\nzone = "Europe/Stockholm"\n')
    assert one_stop(fleet)["plug_in_at"] == PLUG_IN


def test_a_new_alias_of_a_site_is_applied(fleet: Path) -> None:
    drop(fleet, drive_and_charge(plug_in=PLUG_IN + timedelta(days=1), site="FAST 1"), "log_2.csv")
    assert {row["site_id"] for row in stops_of(fleet)} == {"fast", "FAST 1"}
    (fleet / "sites.toml").write_text(SITES_TOML + 'aliases = ["fast 1"]\n')
    assert [row["site_id"] for row in stops_of(fleet)] == ["fast", "fast"]


def test_a_file_that_is_gone_keeps_its_rows(fleet: Path) -> None:
    assert one_stop(fleet)
    (fleet / "inbox" / "log_1.csv").unlink()
    source = fleet / "sources" / "log.toml"
    source.write_text(source.read_text() + 'latitude_deg = { column = "lat" }\n')
    loaded = load_fleet(fleet)
    with warehouse_of(loaded) as con:
        report = take_in(con, loaded, NOW)
    assert [problem.code for problem in report.problems] == ["INGEST-13"]
    assert one_stop(fleet)["energy_kwh"] == pytest.approx(25, abs=0.2)
