"""Bad input: each gets a clear finding or a quarantine row, and the rest of the inbox is taken in.

Every test drops a good file beside the bad one and asks for it back; `take_in` holds each run to
the law that all rows read are used, repeated or set aside, and that nothing is half-written.
"""

from __future__ import annotations

import gzip
import io
import os
import zipfile
from datetime import UTC, datetime
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline.ingest import IngestReport
from pipeline.ingest import loading as loading_module
from pipeline.problems import ColdMinutesError, Problem
from tests.small_fleet import (
    HEADER,
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

GOOD = text(*(row(minute, van="good") for minute in range(10)))


def run_with(tmp_path: Path, name: str, content: str | bytes, good: str = GOOD) -> IngestReport:
    """A bad file between two that are good; both must come in whole."""
    write_fleet(tmp_path)
    drop(tmp_path, "van_0_good.csv", good)
    drop(tmp_path, name, content)
    drop(tmp_path, "van_z_good.csv", good.replace("good", "good2"))
    with opened(tmp_path) as (con, fleet):
        report = take_in(con, fleet)
        came_in = con.sql("select vehicle_id, count(*) from samples group by all").fetchall()
        assert ("good", 10) in came_in
        assert ("good2", 10) in came_in
    return report


def the_problem(report: IngestReport, code: str) -> Problem:
    """The one finding of the run."""
    assert codes(report) == [code], report.problems
    problem = report.problems[0]
    assert problem.remedy
    return problem


def test_a_missing_column_is_named_with_those_there_are(tmp_path: Path) -> None:
    report = run_with(tmp_path, "van_a.csv", GOOD.replace(HEADER, HEADER.replace("soc", "charge")))
    problem = the_problem(report, "INGEST-04")
    assert problem.where == "inbox/van_a.csv"
    assert "lacks the column 'soc'" in problem.message
    assert "'charge'" in problem.message
    assert "sources/logger.toml" in problem.remedy
    assert (report.files_new_n, report.files_failed_n) == (2, 1)


def test_a_column_named_twice_is_not_guessed_at(tmp_path: Path) -> None:
    content = "van,time,soc,power,t_min,plugged,soc\na,2026-01-05T10:00:00Z,1,1,1,0,99\n"
    problem = the_problem(run_with(tmp_path, "van_a.csv", content), "INGEST-04")
    assert "'soc' more than once" in problem.message


def test_a_wrong_unit_breaks_the_domain_of_the_signal(tmp_path: Path) -> None:
    # Watts in a column that the source calls kW.
    content = text(*(row(minute, power=50_000 + minute) for minute in range(5)))
    report = run_with(tmp_path, "van_a.csv", content)
    problem = the_problem(report, "INGEST-03")
    assert "row 2, column power" in problem.where
    assert "out_of_range: got '50000', expected pack_power_kw: -1500 to 1500 kw" in problem.message
    assert "unit" in problem.remedy
    assert "5 rows set aside" in problem.remedy
    assert (report.rows_used_n, report.rows_set_aside_n) == (20, 5)


def test_a_unit_that_does_not_exist_stops_before_anything_is_read(tmp_path: Path) -> None:
    write_fleet(tmp_path, {"logger": SAMPLES.replace('unit = "kW"', 'unit = "hp"')})
    with pytest.raises(ColdMinutesError, match="pack_power_kw: unit 'hp' does not fit"):
        opened(tmp_path).__enter__()


@pytest.mark.parametrize("content", ["", "\n\n", HEADER, HEADER + "\n", "\ufeff"])
def test_an_empty_file_is_noted_once(tmp_path: Path, content: str) -> None:
    report = run_with(tmp_path, "van_a.csv", content)
    problem = the_problem(report, "INGEST-05")
    assert problem.level == "note"
    assert (report.files_new_n, report.files_failed_n) == (3, 0)


def test_a_truncated_gzip_leaves_nothing_behind(tmp_path: Path) -> None:
    noise = "\n".join([HEADER, *(row(m % 590, soc=(m * 7919) % 100) for m in range(590))])
    whole = gzip.compress(noise.encode())
    report = run_with(tmp_path, "van_a.csv.gz", whole[: len(whole) * 3 // 4])
    problem = the_problem(report, "INGEST-02")
    assert "truncated" in problem.message
    assert report.rows_read_n == 20


def test_a_gzip_with_damaged_content_is_refused(tmp_path: Path) -> None:
    whole = bytearray(gzip.compress(GOOD.encode()))
    whole[-6] ^= 0xFF  # in the checksum
    problem = the_problem(run_with(tmp_path, "van_a.csv.gz", bytes(whole)), "INGEST-02")
    assert "gzip" in problem.message


def test_a_folder_named_like_a_file_is_walked_into(tmp_path: Path) -> None:
    report = run_with(tmp_path, "van_01.csv/van_inner.csv", text(row(0, van="inner")))
    problem = the_problem(report, "INGEST-06")
    assert problem.where == "inbox/van_01.csv"
    assert report.rows_used_n == 21


@pytest.mark.parametrize(
    ("content", "what"),
    [
        (bytes(range(256)) * 8, "byte 0 at offset 0"),
        (b"PK\x03\x04 something", "zip archive"),
        (gzip.compress(b"x", mtime=0), "gzip data"),
        (b"PAR1abc", "Parquet"),
    ],
)
def test_a_binary_file_is_told_from_text(tmp_path: Path, content: bytes, what: str) -> None:
    problem = the_problem(run_with(tmp_path, "van_a.csv", content), "INGEST-02")
    assert what in problem.message


@pytest.mark.parametrize("name", ["van_a.xlsx", "van_a.parquet", "van_a.zip"])
def test_noise_under_any_name_is_refused(tmp_path: Path, name: str) -> None:
    problem = the_problem(run_with(tmp_path, name, b"\x00\xff noise \x13" * 50), "INGEST-02")
    assert problem.where == f"inbox/{name}"


def test_two_files_that_overlap_give_each_sample_once(tmp_path: Path) -> None:
    write_fleet(tmp_path)
    drop(tmp_path, "van_1.csv", text(*(row(m, soc=m) for m in range(60))))
    drop(tmp_path, "van_2.csv", text(*(row(m, soc=m) for m in range(40, 100))))
    with opened(tmp_path) as (con, fleet):
        report = take_in(con, fleet)
        assert (report.rows_used_n, report.rows_repeated_n) == (100, 20)
        assert samples(con)["soc_pct"].to_list() == list(range(100))
        assert report.problems == []


def test_overlapping_files_that_disagree_keep_the_first(tmp_path: Path) -> None:
    write_fleet(tmp_path)
    drop(tmp_path, "van_1.csv", text(*(row(m, soc=10) for m in range(3))))
    drop(tmp_path, "van_2.csv", text(row(1, soc=10), row(2, soc=99), row(3, soc=11)))
    with opened(tmp_path) as (con, fleet):
        report = take_in(con, fleet)
        assert (report.rows_used_n, report.rows_repeated_n, report.rows_set_aside_n) == (4, 1, 1)
        assert quarantined(con) == [(3, "conflicting_sample", "time", "2026-01-05T10:02:00Z")]
        assert samples(con)["soc_pct"].to_list() == [10, 10, 10, 11]


def test_the_same_file_under_another_name_is_known(tmp_path: Path) -> None:
    write_fleet(tmp_path)
    drop(tmp_path, "van_1.csv", GOOD)
    drop(tmp_path, "van_1 (copy).csv", GOOD)
    with opened(tmp_path) as (con, fleet):
        report = take_in(con, fleet)
        assert (report.files_new_n, report.files_known_n, report.rows_read_n) == (1, 1, 10)
        drop(tmp_path, "later/van_again.csv", GOOD)
        report = take_in(con, fleet)
        assert (report.files_new_n, report.files_known_n, report.rows_read_n) == (0, 3, 0)
        assert report.problems == []


def test_a_clock_set_back_sets_the_repeated_time_aside(tmp_path: Path) -> None:
    minutes = [*range(30), *range(20, 40)]
    rows = [row(minute, soc=index) for index, minute in enumerate(minutes)]
    report = run_with(tmp_path, "van_a.csv", text(*rows))
    back, same = report.problems
    assert back.code == same.code == "INGEST-03"
    assert "clock_set_back: got '2026-01-05T10:20:00Z'" in back.message
    assert back.where == "inbox/van_a.csv row 32, column time"
    assert "conflicting_sample" in same.message
    # 20 to 28 lie before the latest time seen; 29 is that time again, with other values.
    assert report.rows_set_aside_n == 10
    assert report.rows_used_n == 20 + 40


def test_one_sample_far_ahead_does_not_condemn_what_follows(tmp_path: Path) -> None:
    rows = [row(minute) for minute in range(30)]
    rows[10] = row(500)
    with opened(write_fleet(tmp_path)) as (con, fleet):
        drop(tmp_path, "van_a.csv", text(*rows))
        report = take_in(con, fleet)
        assert quarantined(con) == [(12, "clock_jump", "time", "2026-01-05T18:20:00Z")]
        assert report.rows_used_n == 29


def test_soc_of_140(tmp_path: Path) -> None:
    report = run_with(tmp_path, "van_a.csv", text(row(0), row(1, soc=140), row(2)))
    problem = the_problem(report, "INGEST-03")
    assert problem.where == "inbox/van_a.csv row 3, column soc"
    assert "got '140', expected soc_pct: 0 to 100" in problem.message
    assert report.rows_set_aside_n == 1


def test_samples_dated_in_the_future_and_before_any_such_van(tmp_path: Path) -> None:
    now = datetime(2026, 1, 5, 10, 0, tzinfo=UTC)
    rows = [row(0), row(10), row(11), row(0).replace("2026-", "1970-")]
    with opened(write_fleet(tmp_path)) as (con, fleet):
        drop(tmp_path, "van_a.csv", text(*rows))
        report = take_in(con, fleet, now=now)
        assert [(n, rule) for n, rule, _, _ in quarantined(con)] == [
            (4, "time_in_future"),
            (5, "time_too_early"),
        ]
        assert report.rows_used_n == 2


def test_a_name_that_is_not_utf8(tmp_path: Path) -> None:
    write_fleet(tmp_path)
    raw = os.fsencode(tmp_path / "inbox") + b"/van_\xe5\xff.csv"
    try:
        with open(raw, "wb") as out:  # noqa: PTH123 - a path of bytes
            out.write(GOOD.encode())
    except OSError:
        pytest.skip("this file system takes UTF-8 names only")
    drop(tmp_path, "van_b.csv", GOOD.replace("good", "other"))
    with opened(tmp_path) as (con, fleet):
        report = take_in(con, fleet)
        assert report.problems == []
        names = con.sql("select file_path from files order by 1").fetchall()
        assert names == [("van_\\xe5\\xff.csv",), ("van_b.csv",)]


def test_names_with_markup_controls_and_patterns_do_no_harm(tmp_path: Path) -> None:
    names = ["van_<b>&'\".csv", "van_\n\x1b[31m.csv", "van_[*]?{a}.csv", "van_'; drop table x.csv"]
    write_fleet(tmp_path)
    for index, name in enumerate(names):
        drop(tmp_path, name, text(row(0, van=f"v{index}")))
    with opened(tmp_path) as (con, fleet):
        report = take_in(con, fleet)
        assert (report.files_new_n, report.problems) == (4, [])
        stored = [name for (name,) in con.sql("select file_path from files").fetchall()]
        assert all(name.isprintable() for name in stored)


def test_bytes_that_are_not_utf8_are_located(tmp_path: Path) -> None:
    content = GOOD.encode() + b"m\xe5ns,2026-01-05T11:00:00Z,1,1,1,0\n"
    problem = the_problem(run_with(tmp_path, "van_a.csv", content), "INGEST-09")
    assert f"byte 0xe5 at offset {len(GOOD) + 1}, row 12" in problem.message
    assert "cp1252" in problem.remedy


def test_cells_too_many_or_too_few_set_the_row_aside(tmp_path: Path) -> None:
    content = text(
        row(0), row(1) + ",extra", "a,2026-01-05T10:02:00Z,5", "", row(3) + ",", row(4, plugged="")
    )
    content += "a,2026-01-05T10:05:00Z,5"  # the logger lost power within a line
    with opened(write_fleet(tmp_path)) as (con, fleet):
        drop(tmp_path, "van_a.csv", content)
        report = take_in(con, fleet)
        assert [(n, rule) for n, rule, _, _ in quarantined(con)] == [
            (3, "wrong_cell_count"),
            (4, "wrong_cell_count"),
            (8, "wrong_cell_count"),
        ]
        assert (report.rows_read_n, report.rows_used_n) == (6, 3)


def test_a_quote_never_closed(tmp_path: Path) -> None:
    content = text(row(0), row(1).replace("a,", '"a,', 1), row(2))
    problem = the_problem(run_with(tmp_path, "van_a.csv", content), "INGEST-02")
    assert "quote" in problem.message


def test_cells_that_are_no_number_flag_time_or_vehicle(tmp_path: Path) -> None:
    rows = [
        row(0, soc="—"),
        row(1, plugged="maybe"),
        row(2).replace("2026-01-05T10:02:00Z", "yesterday"),
        row(3, van=""),
        row(4, van="a\x07b"),
        row(5, soc="nan", power=" 2.5 ", t_min="-", plugged="YES"),
        row(6, power="inf"),
        row(7, power="1,5").replace("1,5", '"1,5"'),
    ]
    with opened(write_fleet(tmp_path)) as (con, fleet):
        drop(tmp_path, "van_a.csv", text(*rows))
        take_in(con, fleet)
        assert quarantined(con) == [
            (2, "not_a_number", "soc", "—"),
            (3, "not_a_flag", "plugged", "maybe"),
            (4, "time_unreadable", "time", "yesterday"),
            (5, "no_vehicle", "van", ""),
            (6, "bad_vehicle_id", "van", "a\ufffdb"),
            (8, "out_of_range", "power", "inf"),
            (9, "not_a_number", "power", "1,5"),
        ]
        kept = samples(con).row(0, named=True)
        assert (kept["soc_pct"], kept["pack_power_kw"], kept["cell_temp_min_degc"]) == (
            None,
            2.5,
            None,
        )
        assert kept["is_connected"] is True


def test_the_first_rule_broken_is_the_one_told(tmp_path: Path) -> None:
    with opened(write_fleet(tmp_path)) as (con, fleet):
        drop(tmp_path, "van_a.csv", text(row(0, van="", soc=140) + ",extra", row(1, "x", van="")))
        report = take_in(con, fleet)
        assert [rule for _, rule, _, _ in quarantined(con)] == ["wrong_cell_count", "no_vehicle"]
        assert report.rows_set_aside_n == 2


def test_a_file_nobody_reads_and_files_not_yet_whole(tmp_path: Path) -> None:
    write_fleet(tmp_path)
    drop(tmp_path, "notes.docx", b"x")
    for name in (".hidden.csv", "van_a.csv.part", "van_a.tmp"):
        drop(tmp_path, name, GOOD)
    with opened(tmp_path) as (con, fleet):
        report = take_in(con, fleet)
        problem = the_problem(report, "INGEST-01")
        assert "logger reads van_*.csv" in problem.remedy
        assert report.files_new_n == 0


def test_links_out_of_the_inbox_are_not_followed(tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "van_secret.csv").write_text(GOOD)
    fleet_folder = write_fleet(tmp_path / "fleet")
    (fleet_folder / "inbox" / "van_link.csv").symlink_to(outside / "van_secret.csv")
    (fleet_folder / "inbox" / "linked").symlink_to(outside)
    (fleet_folder / "inbox" / "van_dangling.csv").symlink_to(outside / "nothing")
    os.mkfifo(fleet_folder / "inbox" / "van_pipe.csv")
    with opened(fleet_folder) as (con, fleet):
        report = take_in(con, fleet)
        assert codes(report) == ["INGEST-07"] * 4
        assert report.rows_read_n == 0


def zipped(members: dict[str, bytes]) -> bytes:
    """A zip with these members."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return out.getvalue()


def test_members_that_would_escape_or_swell_are_refused(tmp_path: Path) -> None:
    inner = zipped({"van_x.csv": GOOD.encode()})
    content = zipped(
        {
            "../van_up.csv": GOOD.encode(),
            "/van_root.csv": GOOD.encode(),
            "nested.zip": inner,
            "van_zeros.csv": b"0" * 60_000_000,
            "van_fine.csv": text(row(0, van="fine")).encode(),
            "__MACOSX/van_fork.csv": b"\0",
        }
    )
    report = run_with(tmp_path, "van_a.zip", content)
    assert codes(report) == ["INGEST-07", "INGEST-07", "INGEST-07", "INGEST-08"]
    assert report.rows_used_n == 21
    assert not (tmp_path.parent / "van_up.csv").exists()
    assert not (tmp_path / "van_up.csv").exists()


def test_a_gzip_that_swells_is_stopped_while_it_does(tmp_path: Path) -> None:
    content = gzip.compress(b"0" * 60_000_000)
    problem = the_problem(run_with(tmp_path, "van_a.csv.gz", content), "INGEST-08")
    assert "which no export does" in problem.message


def test_a_file_larger_than_the_limit(tmp_path: Path) -> None:
    write_fleet(tmp_path, settings="[limits]\nmax_file_gb = 0.000001")
    drop(tmp_path, "van_a.csv", GOOD * 10)
    drop(tmp_path, "van_b.csv.gz", gzip.compress(b"0" * 5000))
    drop(tmp_path, "van_c.csv", GOOD)
    with opened(tmp_path) as (con, fleet):
        report = take_in(con, fleet)
        assert codes(report) == ["INGEST-08", "INGEST-08"]
        assert report.rows_used_n == 10


def test_a_file_that_fails_half_way_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The warehouse fails at the second batch of one file: no row, span or ledger row stays."""
    write_fleet(tmp_path)
    drop(tmp_path, "van_a.csv", text(*(row(m, van="bad") for m in range(500))))
    drop(tmp_path, "van_b.csv", GOOD)
    inserted: list[str] = []
    whole = loading_module.FileLoad._run

    def failing(
        self: loading_module.FileLoad, name: str, rows: pl.DataFrame, *rest: object
    ) -> None:
        if name == "insert_samples" and rows["vehicle_id"][0] == "bad":
            inserted.append(name)
            if len(inserted) == 2:
                raise duckdb.IOException("disk full")
        whole(self, name, rows, *rest)  # type: ignore[arg-type]

    monkeypatch.setattr(loading_module.FileLoad, "_run", failing)
    monkeypatch.setattr("pipeline.ingest.ahead.part_of", lambda *_: None)  # each file alone
    with opened(tmp_path) as (con, fleet):
        report = take_in(con, fleet, rows_per_batch=100)
        assert len(inserted) == 2
        assert codes(report) == ["INGEST-12"]
        assert "disk full" in report.problems[0].message
        assert con.sql("select distinct vehicle_id from samples").fetchall() == [("good",)]
        assert con.sql("select file_path from files").fetchall() == [("van_b.csv",)]
        monkeypatch.undo()
        report = take_in(con, fleet)
        assert (report.files_new_n, report.files_known_n, report.rows_used_n) == (1, 1, 500)


def test_bytes_lost_late_in_a_large_file_leave_nothing(tmp_path: Path) -> None:
    """The reader fails after batches of the file were already inserted."""
    write_fleet(tmp_path)
    rows = "\n".join(
        f"bad,2026-01-05T{10 + m // 3600:02d}:{m // 60 % 60:02d}:{m % 60:02d}Z,5,1,1,0"
        for m in range(40_000)
    )
    content = f"{HEADER}\n{rows}\n".encode() + b"bad,\xff,5,1,1,0\n"
    drop(tmp_path, "van_a.csv", content)
    drop(tmp_path, "van_b.csv", GOOD)
    with opened(tmp_path) as (con, fleet):
        report = take_in(con, fleet, rows_per_batch=1000)
        assert codes(report) == ["INGEST-09"]
        assert "row 40002" in report.problems[0].message
        assert con.sql("select distinct vehicle_id from samples").fetchall() == [("good",)]


def test_no_inbox_at_all(tmp_path: Path) -> None:
    write_fleet(tmp_path)
    (tmp_path / "inbox").rmdir()
    with opened(tmp_path) as (con, fleet):
        report = take_in(con, fleet)
        assert the_problem(report, "INGEST-05").level == "note"
