"""Real exports, read in place: every row is used, repeated, or set aside with its rule.

The counts were taken from the files themselves with a spreadsheet reader and a text reader, not
from this program. Sources of the data: see `tests.open_data`.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.open_data import DC_SESSIONS, FIELD_LOGS, dc_sessions_fleet, field_logs_fleet
from tests.open_data import missing_reason as reason
from tests.small_fleet import opened, take_in


@pytest.mark.skipif(bool(reason(DC_SESSIONS)), reason=reason(DC_SESSIONS))
def test_dc_sessions(tmp_path: Path) -> None:
    with opened(dc_sessions_fleet(tmp_path)) as (con, fleet):
        report = take_in(con, fleet)
        assert report.problems == []
        assert (report.rows_read_n, report.rows_used_n) == (1086, 1086)
        first = con.sql(
            """
            select vehicle_id, plug_in_at::varchar, plug_out_at::varchar, meter_energy_kwh,
                soc_start_pct, soc_end_pct, power_max_kw, charge_mode, site_id,
                is_held_back_by_site
            from reported_sessions where file_row = 2
            """
        ).fetchall()[0]
        # Row 2 of the sheet: 2022-08-11 23:33 to 23:37 local (summer, UTC+2), 9632 Wh, 168393 W.
        assert first == (
            "CCS1",
            "2022-08-11 21:33:00+00",
            "2022-08-11 21:37:00+00",
            9.632,
            25.999494567,
            35.999494567,
            168.393,
            "dc",
            "open_site",
            True,
        )
        by_plug = con.sql(
            "select vehicle_id, count(*) from reported_sessions group by all order by all"
        ).fetchall()
        assert by_plug == [("CCS1", 654), ("CCS2", 432)]
        again = take_in(con, fleet)
        assert (again.files_known_n, again.rows_read_n) == (1, 0)


@pytest.mark.slow
@pytest.mark.skipif(bool(reason(*FIELD_LOGS)), reason=reason(*FIELD_LOGS))
def test_field_logs(tmp_path: Path) -> None:
    with opened(field_logs_fleet(tmp_path)) as (con, fleet):
        report = take_in(con, fleet)
        assert report.files_failed_n == 0
        assert report.rows_read_n == 66_666 + 50_000
        ledger = con.sql(
            """
            select file_path, rows_read_n, rows_used_n, rows_repeated_n, rows_set_aside_n,
                median_interval_s
            from files order by file_path
            """
        ).fetchall()
        # Stamps that repeat the one before: 6 and 34; equal rows are repeats, others conflict.
        assert [entry[:2] for entry in ledger] == [
            ("vehicle_1.zip/car1_processed.csv", 66_666),
            ("vehicle_3.zip/car3_processed.csv", 50_000),
        ]
        assert [entry[1] - entry[2] for entry in ledger] == [6, 34]
        assert [entry[5] for entry in ledger] == [1.0, 10.0]
        rules = con.sql("select distinct rule from quarantine").fetchall()
        assert rules in ([], [("conflicting_sample",)])
        charging = con.sql(
            """
            select max(pack_power_kw), min(odometer_km), min(sampled_at)::varchar
            from samples where vehicle_id = 'vehicle_3'
            """
        ).fetchall()[0]
        # 20 to 21 kW into the pack; no odometer of 0; 18:09:06 at UTC+8.
        assert 20 < charging[0] < 21.5
        assert charging[1] > 29_000
        assert charging[2] == "2019-04-15 10:09:06+00"
