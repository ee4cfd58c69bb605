"""Clocks, repeats and contradictions within a file, and what the ledger says of it."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import polars as pl
import pytest

from pipeline.ingest.order import is_unordered, verdicts
from pipeline.ingest.touched import touched_weeks
from tests.small_fleet import (
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

START = datetime(2026, 1, 5, 10, tzinfo=UTC)


def judged(minutes: list[int], values: list[int] | None = None, is_in_order: bool = True) -> str:
    """Verdicts as one letter each: . kept, r repeated, b set back, j jump, c conflicting."""
    rows = pl.DataFrame({"minute": minutes, "value": values or list(range(len(minutes)))}).select(
        "value",
        vehicle_id=pl.lit("a"),
        sampled_at=pl.lit(START) + pl.duration(minutes=pl.col("minute")),
    )
    verdict, _ = verdicts(rows, ["value"], is_in_order)
    letters = {
        None: ".",
        "repeated": "r",
        "clock_set_back": "b",
        "clock_jump": "j",
        "conflicting_sample": "c",
    }
    return "".join(letters[one] for one in verdict)


@pytest.mark.parametrize(
    ("minutes", "expected"),
    [
        ([0, 1, 2, 3], "...."),
        ([0, 1, 2, 3, 1, 2, 3, 4], "....bbc."),  # set back; 3 is the latest time once more
        ([0, 1, 500, 2, 3], "..j.."),
        ([0, 1, 500, 501, 502, 2, 3], "..jjj.."),
        ([500, 0, 1, 2], "j..."),  # the clock was wrong when the logger started
        ([0, 1, 2, 500], "...."),  # nothing follows that would contradict it
        ([0, 1, 3, 2, 4], "...b."),  # out of order, but not far ahead
        ([0, 1, 500, 2, 3, 600, 4, 5], "..j..j.."),
        ([0, 1, *range(500, 510), 2, 3], "." * 12 + "bb"),  # ten rows are not a spike
        ([0, 1, 500, 2, 500], "..j.."),  # a time that was a jump may come for real
    ],
)
def test_clocks(minutes: list[int], expected: str) -> None:
    assert judged(minutes) == expected


@pytest.mark.parametrize(
    ("minutes", "values", "expected"),
    [
        ([0, 1, 1, 2], [7, 8, 8, 9], "..r."),
        ([0, 1, 1, 2], [7, 8, 9, 9], "..c."),
        ([0, 1, 1, 1], [7, 8, 9, 8], "..cr"),
        ([0, 1, 2, 0, 1, 2, 3], [5, 6, 7, 5, 6, 7, 8], "...rrr."),  # an export appended twice
    ],
)
def test_repeats(minutes: list[int], values: list[int], expected: str) -> None:
    assert judged(minutes, values) == expected


def test_in_a_file_without_order_only_repeats_are_judged() -> None:
    assert judged([3, 2, 1, 2, 1], [3, 2, 1, 2, 9], is_in_order=False) == "...rc"


def test_plainly_unordered_needs_both_a_share_and_a_number() -> None:
    assert not is_unordered(20, 100)
    assert not is_unordered(21, 2100)
    assert is_unordered(21, 2099)


@pytest.mark.parametrize("rows_per_batch", [1000, 40])
def test_a_file_newest_first_is_sorted_and_noted(tmp_path: Path, rows_per_batch: int) -> None:
    write_fleet(tmp_path)
    minutes = list(range(100, -1, -1))
    drop(tmp_path, "van_a.csv", text(*(row(m, soc=m % 100) for m in [*minutes, 50, 7])))
    drop(tmp_path, "van_b.csv", text(row(0, van="b")))
    with opened(tmp_path) as (con, fleet):
        report = take_in(con, fleet, rows_per_batch=rows_per_batch)
        assert codes(report) == ["INGEST-10"]
        assert (report.rows_used_n, report.rows_repeated_n) == (102, 2)
        assert samples(con)["soc_pct"].to_list()[:3] == [0, 1, 2]


@pytest.mark.parametrize("rows_per_batch", [1000, 10, 7, 1])
def test_batches_do_not_change_the_judgement(tmp_path: Path, rows_per_batch: int) -> None:
    """The same rows aside, wherever a batch ends: at a jump, a step back, a repeat."""
    write_fleet(tmp_path)
    a = [
        *range(20),
        700,
        701,
        702,
        703,
        *range(20, 40),
        500,
        40,
        40,
        *range(41, 60),
        *range(50, 62),
        60,
        61,
        62,
    ]
    lines = [row(m, soc=i % 100) for i, m in enumerate(a)]
    lines.insert(31, lines[30])
    b = [row(m, van="b", soc=1) for m in range(len(lines))]
    b[20] = row(700, van="b", soc=1)
    content = text(*[line for pair in zip(lines, b, strict=True) for line in pair])
    drop(tmp_path, "van_a.csv", content)
    with opened(tmp_path) as (con, fleet):
        report = take_in(con, fleet, rows_per_batch=rows_per_batch)
        found = con.sql(
            "select rule, count(*) from quarantine group by all order by all"
        ).fetchall()
        # 50 to 58 set back; 59 with other values; then 60, 61 twice with other values.
        assert found == [("clock_jump", 6), ("clock_set_back", 10), ("conflicting_sample", 3)]
        assert report.rows_repeated_n == 1


def test_the_ledger_of_a_file(tmp_path: Path) -> None:
    write_fleet(tmp_path)
    drop(tmp_path, "van_a.csv", text(*(row(m) for m in (0, 1, 2, 3, 60)), row(5, van="b")))
    with opened(tmp_path) as (con, fleet):
        take_in(con, fleet)
        entry = con.sql("select * from files").pl().row(0, named=True)
        assert entry["median_interval_s"] == 60
        assert entry["kind"] == "samples"
        assert (entry["rows_read_n"], entry["rows_used_n"]) == (6, 6)
        assert entry["last_at"] == START.replace(hour=11)
        spans = con.sql("select vehicle_id, rows_n from file_spans order by 1").fetchall()
        assert spans == [("a", 5), ("b", 1)]


def test_only_new_time_makes_weeks_dirty(tmp_path: Path) -> None:
    write_fleet(tmp_path)
    drop(tmp_path, "van_a.csv", text(row(0), row(1)))
    with opened(tmp_path) as (con, fleet):
        take_in(con, fleet)
        weeks = con.sql("select week_id from dirty_weeks order by 1").fetchall()
        assert weeks == [("2026-W01",), ("2026-W02",)]
        con.execute("delete from dirty_weeks")
        drop(tmp_path, "van_repeat.csv", text(row(1)))
        report = take_in(con, fleet)
        assert report.rows_repeated_n == 1
        assert con.sql("select * from dirty_weeks").fetchall() == []


@pytest.mark.parametrize(
    ("first", "last", "expected"),
    [
        # Midday on Wednesday: the margin stays within the week.
        ("2026-01-07T12:00", "2026-01-07T12:00", ["2026-W02"]),
        # 2026-W53 does not end on the year's last day; ISO weeks run on.
        ("2026-12-30T12:00", "2026-12-30T12:00", ["2026-W53"]),
        # Sunday 23:30 UTC is Monday in Stockholm.
        ("2026-01-11T23:30", "2026-01-11T23:30", ["2026-W02", "2026-W03"]),
        ("2026-01-09T11:30", "2026-01-09T11:30", ["2026-W02"]),  # 36 h later: Saturday night
        # 36 h later: Sunday 23:30 UTC, and Monday where the fleet is.
        ("2026-01-10T11:30", "2026-01-10T11:30", ["2026-W02", "2026-W03"]),
    ],
)
def test_weeks_touched(first: str, last: str, expected: list[str]) -> None:
    spans = pl.DataFrame(
        {
            "vehicle_id": ["a"],
            "first_at": [datetime.fromisoformat(first).replace(tzinfo=UTC)],
            "last_at": [datetime.fromisoformat(last).replace(tzinfo=UTC)],
        }
    )
    now = datetime(2027, 3, 1, tzinfo=UTC)
    got = touched_weeks(spans, ZoneInfo("Europe/Stockholm"), now)
    assert sorted(got["week_id"]) == expected


def test_a_second_run_reads_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Size and time of change suffice; a file that changed is read again, its old rows known."""
    write_fleet(tmp_path)
    path = drop(tmp_path, "van_a.csv", text(row(0)))
    with opened(tmp_path) as (con, fleet):
        take_in(con, fleet)

        def refuse(*_: object) -> None:
            raise AssertionError("a known file was opened again")

        monkeypatch.setattr("pipeline.ingest.ahead.hashed", refuse)
        assert take_in(con, fleet).files_known_n == 1
        monkeypatch.undo()
        path.write_text(text(row(0), row(1)))
        report = take_in(con, fleet)
        assert (report.files_new_n, report.rows_used_n, report.rows_repeated_n) == (1, 1, 1)


def test_progress_names_each_file(tmp_path: Path) -> None:
    from pipeline.ingest import ingest

    write_fleet(tmp_path)
    drop(tmp_path, "van_a.csv", text(row(0)))
    drop(tmp_path, "van_b.csv", text(row(0, van="b")))
    told: list[tuple[str, int, int]] = []
    with opened(tmp_path) as (con, fleet):
        ingest(con, fleet, progress=lambda *step: told.append(step))
    assert told == [("van_a.csv", 0, 2), ("van_b.csv", 1, 2), ("", 2, 2)]


def test_quarantine_rows_name_the_file(tmp_path: Path) -> None:
    write_fleet(tmp_path)
    drop(tmp_path, "depot/van_a.csv", text(row(0, soc=140)))
    with opened(tmp_path) as (con, fleet):
        take_in(con, fleet)
        assert con.sql("select file_path from quarantine").fetchall() == [("depot/van_a.csv",)]
        assert quarantined(con)[0][1] == "out_of_range"
