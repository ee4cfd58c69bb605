"""Corrected exports: what they cover moves to the audit, and only what changed is computed anew."""

from __future__ import annotations

from itertools import permutations
from pathlib import Path

import duckdb
import pytest

from pipeline.config import Fleet
from pipeline.ingest.replace import replace_file
from pipeline.ingest.tables import TABLES
from pipeline.ingest.versions import version_of
from pipeline.problems import ColdMinutesError
from pipeline.resources import statement
from tests.small_fleet import (
    NOW,
    SAMPLES,
    codes,
    drop,
    opened,
    quarantined,
    row,
    samples,
    take_in,
    text,
    write_fleet,
)

BY_NAME = SAMPLES.replace('kind = "samples"', 'kind = "samples"\nsupersedes = "name"')
BY_TIME = SAMPLES.replace('kind = "samples"', 'kind = "samples"\nsupersedes = "newer"')


def audit(con: duckdb.DuckDBPyConnection) -> list[tuple[str, int, str]]:
    """File, row and what replaced it, of every row in the audit."""
    return con.sql(
        "select f.file_path, s.file_row, s.superseded_by_path from superseded_rows s "
        "join files f using (file_id) order by 1, 2"
    ).fetchall()


def socs(con: duckdb.DuckDBPyConnection) -> list[float]:
    return samples(con)["soc_pct"].to_list()


def counts(con: duckdb.DuckDBPyConnection) -> dict[str, tuple[int, int, int, int, int]]:
    """Read, used, repeated, set aside and superseded rows by file."""
    rows = con.sql(
        "select file_path, rows_read_n, rows_used_n, rows_repeated_n, rows_set_aside_n, "
        "rows_superseded_n from files"
    ).fetchall()
    return {name: tuple(rest) for name, *rest in rows}


OLD = [row(minute, soc=minute) for minute in range(10)]
# Row 4 is mended, row 6 is gone, the others are as they were; it speaks of minutes 2 to 8.
NEW = [row(m, soc=90 if m == 4 else m) for m in (2, 3, 4, 5, 7, 8)]


@pytest.mark.parametrize("order", list(permutations(["van_1.csv", "van_1_corrected.csv"])))
def test_a_correction_by_name_wins_whichever_came_first(
    tmp_path: Path, order: tuple[str, str]
) -> None:
    content = {"van_1.csv": text(*OLD), "van_1_corrected.csv": text(*NEW)}
    write_fleet(tmp_path, {"logger": BY_NAME})
    with opened(tmp_path) as (con, fleet):
        for name in order:
            drop(tmp_path, name, content[name])
            take_in(con, fleet)
        assert socs(con) == [0, 1, 2, 3, 90, 5, 7, 8, 9]
        assert audit(con) == [
            ("van_1.csv", 6, "van_1_corrected.csv"),
            ("van_1.csv", 8, "van_1_corrected.csv"),
        ]
        assert quarantined(con) == []
        kept = con.sql("select row_text from superseded_rows where file_row = 6").fetchall()
        assert '"soc_pct":4.0' in kept[0][0]
        if order[0] == "van_1.csv":
            assert counts(con) == {
                "van_1.csv": (10, 8, 0, 0, 2),
                "van_1_corrected.csv": (6, 1, 5, 0, 0),
            }
        before = con.sql("from samples order by all").fetchall()
        again = take_in(con, fleet)
        assert (again.files_new_n, again.rows_withdrawn_n) == (0, 0)
        assert con.sql("from samples order by all").fetchall() == before


def test_never_is_the_default_and_keeps_the_first(tmp_path: Path) -> None:
    write_fleet(tmp_path)
    drop(tmp_path, "van_1.csv", text(*OLD))
    drop(tmp_path, "van_1_corrected.csv", text(*NEW))
    with opened(tmp_path) as (con, fleet):
        take_in(con, fleet)
        assert socs(con) == list(range(10))
        assert [rule for _, rule, _, _ in quarantined(con)] == ["conflicting_sample"]
        assert audit(con) == []


def test_of_three_versions_in_any_order_the_last_one_stands(tmp_path: Path) -> None:
    content = {
        "van_1.csv": text(*(row(m, soc=1) for m in range(6))),
        "van_1_v2.csv": text(*(row(m, soc=2) for m in range(6))),
        "van_1_v10.csv": text(*(row(m, soc=10) for m in range(1, 5))),
    }
    for number, order in enumerate(permutations(content)):
        folder = write_fleet(tmp_path / str(number), {"logger": BY_NAME})
        with opened(folder) as (con, fleet):
            for name in order:
                drop(folder, name, content[name])
                take_in(con, fleet)
            assert socs(con) == [2, 10, 10, 10, 10, 2], order
            assert con.sql("select count(*) from superseded_rows").fetchall() == [(10,)]


def test_only_the_weeks_and_vehicles_of_changed_rows_are_computed_anew(tmp_path: Path) -> None:
    def lines(soc: int) -> list[str]:
        return [
            f"{van},2026-01-{day:02d}T12:00:00Z,{50 if (van, day) != ('a', 15) else soc},1,4,0"
            for van in "ab"
            for day in range(1, 31)
        ]

    write_fleet(tmp_path, {"logger": BY_NAME})
    drop(tmp_path, "van_1.csv", text(*lines(50)))
    with opened(tmp_path) as (con, fleet):
        take_in(con, fleet)
        con.execute("delete from dirty_weeks")
        drop(tmp_path, "van_1_v2.csv", text(*lines(51)))
        report = take_in(con, fleet)
        assert (report.rows_used_n, report.rows_repeated_n, report.rows_withdrawn_n) == (1, 59, 1)
        # 15 January is a Thursday: 36 h on both sides stay within its week.
        assert con.sql("from dirty_weeks").fetchall() == [("a", "2026-W03")]
        spans = con.sql("select sum(rows_n) from file_spans").fetchall()
        assert spans == [(60,)]
        con.execute("delete from dirty_weeks")
        less = [line for line in lines(51) if not line.startswith("b,2026-01-08")]
        drop(tmp_path, "van_1_v3.csv", text(*less))
        report = take_in(con, fleet)
        assert (report.rows_used_n, report.rows_withdrawn_n) == (0, 1)
        assert con.sql("from dirty_weeks").fetchall() == [("b", "2026-W02")], "a row less is news"


@pytest.mark.parametrize("order", list(permutations(["van_1.csv", "van_1_v2.csv", "van_1_v3.csv"])))
def test_what_the_newest_version_confirms_an_older_one_cannot_take_away(
    tmp_path: Path, order: tuple[str, ...]
) -> None:
    """Version 3 says again what version 1 said and version 2 denied."""
    content = {
        "van_1.csv": text(row(0, soc=1), row(1, soc=1), row(2, soc=1)),
        "van_1_v2.csv": text(row(0, soc=2), row(1, soc=2)),
        "van_1_v3.csv": text(row(1, soc=1)),
    }
    write_fleet(tmp_path, {"logger": BY_NAME})
    with opened(tmp_path) as (con, fleet):
        for name in order:
            drop(tmp_path, name, content[name])
            take_in(con, fleet)
        assert socs(con) == [2, 1, 1]


def test_newer_needs_the_evidence_of_covering_what_it_contradicts(tmp_path: Path) -> None:
    write_fleet(tmp_path, {"logger": BY_TIME})
    drop(tmp_path, "van_1.csv", text(*(row(m, soc=1) for m in range(20))))
    # Covers all that lies in its own time, contradicts two, adds one.
    drop(tmp_path, "van_2.csv", text(*(row(m, soc=9 if m > 17 else 1) for m in range(10, 21))))
    # Two samples far apart are no correction of the ten between them.
    drop(tmp_path, "van_3.csv", text(row(0, soc=5), row(9, soc=5)))
    with opened(tmp_path) as (con, fleet):
        report = take_in(con, fleet)
        assert socs(con) == [1] * 18 + [9] * 3
        assert [name for name, _, _ in audit(con)] == ["van_1.csv"] * 2
        assert [(n, rule) for n, rule, _, _ in quarantined(con)] == [
            (2, "conflicting_sample"),
            (3, "conflicting_sample"),
        ]
        assert codes(report) == ["INGEST-03"]
        kept = con.sql("select raw_row from quarantine order by file_row").fetchall()
        assert '"soc":"5"' in kept[0][0]


SESSIONS = """
kind = "sessions"
files = ["bill_*.csv"]
supersedes = "name"
vehicle = { column = "van" }
[columns]
plug_in_at = { column = "from" }
plug_out_at = { column = "to" }
meter_energy_kwh = { column = "kwh" }
"""


def test_sessions_are_corrected_row_by_row(tmp_path: Path) -> None:
    head = "van,from,to,kwh\n"
    one = "a,2026-01-05T10:00:00Z,2026-01-05T11:00:00Z,{}\n"
    two = "a,2026-01-06T10:00:00Z,2026-01-06T11:00:00Z,20\n"
    write_fleet(tmp_path, {"bills": SESSIONS})
    drop(tmp_path, "bill_1.csv", head + one.format(10) + two)
    drop(tmp_path, "bill_1 (2).csv", head + one.format(11) + two)
    with opened(tmp_path) as (con, fleet):
        take_in(con, fleet)
        energies = con.sql("select meter_energy_kwh from reported_sessions order by 1").fetchall()
        assert energies == [(11.0,), (20.0,)]
        assert audit(con) == [("bill_1.csv", 2, "bill_1 (2).csv")]


def say(
    con: duckdb.DuckDBPyConnection, fleet: Fleet, old: str, new: str, whole: bool = False
) -> None:
    replace_file(con, fleet, old, new, whole, NOW)
    take_in(con, fleet)


def test_the_operator_says_which_file_replaces_which(tmp_path: Path) -> None:
    write_fleet(tmp_path)
    drop(tmp_path, "van_1.csv", text(*OLD))
    drop(tmp_path, "van_mended.csv", text(*NEW))
    with opened(tmp_path) as (con, fleet):
        take_in(con, fleet)
        assert len(quarantined(con)) == 1
        say(con, fleet, "inbox/van_1.csv", "van_mended.csv")
        assert socs(con) == [0, 1, 2, 3, 90, 5, 7, 8, 9]
        assert quarantined(con) == []
        say(con, fleet, "van_1.csv", "van_mended.csv", whole=True)
        assert socs(con) == [2, 3, 90, 5, 7, 8]
        assert counts(con)["van_1.csv"] == (10, 5, 0, 0, 5)


def test_a_changed_mapping_reads_both_anew_and_the_word_still_holds(tmp_path: Path) -> None:
    from pipeline.config import load_fleet

    write_fleet(tmp_path)
    drop(tmp_path, "van_1.csv", text(*OLD))
    drop(tmp_path, "van_mended.csv", text(*NEW))
    with opened(tmp_path) as (con, fleet):
        take_in(con, fleet)
        say(con, fleet, "van_1.csv", "van_mended.csv")
        (tmp_path / "sources" / "logger.toml").write_text(
            SAMPLES.replace('"soc" }', '"soc", null_values = ["3"] }')
        )
        take_in(con, load_fleet(tmp_path))
        assert socs(con) == [0, 1, 2, None, 90, 5, 7, 8, 9]
        assert len(audit(con)) == 2


@pytest.mark.parametrize(
    ("old", "new", "code"),
    [
        ("van_9.csv", "van_2.csv", "SUPERSEDE-01"),
        ("van_1.csv", "van_9.csv", "SUPERSEDE-02"),
        ("van_1.csv", "van_1.csv", "SUPERSEDE-03"),
        ("van_1.csv", "bill_1.csv", "SUPERSEDE-03"),
        ("van_1.csv", "../van_out.csv", "SUPERSEDE-02"),
    ],
)
def test_what_cannot_replace_is_refused_and_nothing_changes(
    tmp_path: Path, old: str, new: str, code: str
) -> None:
    write_fleet(tmp_path, {"logger": SAMPLES, "bills": SESSIONS})
    (tmp_path / "van_out.csv").write_text(text(*NEW))
    drop(tmp_path, "van_1.csv", text(*OLD))
    drop(tmp_path, "van_2.csv", text(*NEW))
    drop(tmp_path, "bill_1.csv", "van,from,to,kwh\n")
    with opened(tmp_path) as (con, fleet):
        take_in(con, fleet)
        before = con.sql("from files order by file_id").fetchall()
        with pytest.raises(ColdMinutesError) as caught:
            replace_file(con, fleet, old, new, False, NOW)
        assert [problem.code for problem in caught.value.problems] == [code]
        assert "Nothing was changed" in caught.value.problems[0].remedy
        assert con.sql("from files order by file_id").fetchall() == before
        assert con.sql("from replacements").fetchall() == []


@pytest.mark.parametrize(
    ("older", "newer"),
    [
        ("van_1.csv", "van_1_v2.csv"),
        ("van_1_v2.csv", "van_1-V10.csv"),
        ("van_1.csv.gz", "van_1 (1).csv"),
        ("van_1_v2.csv", "van_1_v2_corrected.csv"),
        ("van_1_corrected.csv", "later/Van_1_Corrected2.CSV"),
        ("w.zip/van_1.csv", "w_rev3.zip/van_1.csv"),
    ],
)
def test_names_of_versions(older: str, newer: str) -> None:
    a, b = version_of(older), version_of(newer)
    assert a.stem == b.stem
    assert a.marks < b.marks


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("van_1.csv", "van_2.csv"),
        ("van_2026-W02.csv", "van_2026-W03.csv"),
        ("a.zip/van_1.csv", "b_v2.zip/van_1.csv"),
        ("v2.csv", "v3.csv"),
    ],
)
def test_names_of_different_exports(one: str, other: str) -> None:
    assert version_of(one).stem != version_of(other).stem


@pytest.mark.parametrize("table", sorted({table.name for table in TABLES.values() if table.values}))
def test_the_audit_keeps_every_column_of_a_table(table: str) -> None:
    values = next(t for t in TABLES.values() if t.name == table).values
    for kind in ("stored", "arrived"):
        text_of = statement(f"ingest/{kind}_{table}")
        assert [v for v in values if f"'{v}', {v}" not in text_of] == []


def test_explain_names_what_was_replaced(tmp_path: Path) -> None:
    from fleets import NOW as LATE
    from fleets import SAMPLES_TOML, drive_and_charge
    from fleets import drop as put
    from fleets import write_fleet as whole_fleet

    from pipeline.config import load_fleet
    from pipeline.edition import make_edition, warehouse_of
    from pipeline.explain import explanation

    folder = whole_fleet(tmp_path / "fleet")
    (folder / "sources" / "log.toml").write_text('supersedes = "name"\n' + SAMPLES_TOML)
    put(folder, drive_and_charge(interval_s=60), "log_1.csv")
    put(folder, drive_and_charge(interval_s=60, cell_arrival_degc=9.0), "log_1_v2.csv")
    make_edition(load_fleet(folder), "2026-W03", pdf=False, now=LATE)
    with warehouse_of(load_fleet(folder)) as con:
        stops = con.sql("select stop_id, arrival_cell_temp_min_degc from stops").fetchall()
    assert [degc for _, degc in stops] == [9.0]
    told = [line for line in explanation(load_fleet(folder), stops[0][0]) if "Replaced" in line]
    assert len(told) == 1
    assert "of 'log_1.csv'" in told[0]
    assert "by 'log_1_v2.csv'" in told[0]
