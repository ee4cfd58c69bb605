"""Properties: small files taken in together end as they would one by one."""

from __future__ import annotations

import gzip
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from unittest.mock import patch

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from pipeline.ingest import IngestReport, ahead, bundle_load
from tests.small_fleet import HEADER, SAMPLES, drop, opened, row, take_in, text, write_fleet

BY_NAME = SAMPLES.replace('column = "van"', 'file_name = "van_([a-z])_"')
BERLIN = SAMPLES + '[time]\nzone = "Europe/Berlin"\n'

TABLES = {
    "files": "select * exclude (file_id, taken_in_at) from files order by file_path",
    "samples": "select samples.* exclude (file_id), file_path from samples "
    "join files using (file_id) order by vehicle_id, sampled_at",
    "quarantine": "select quarantine.* exclude (file_id) from quarantine "
    "order by file_path, file_row",
    "file_spans": "select file_spans.* exclude (file_id), file_path from file_spans "
    "join files using (file_id) order by file_path, vehicle_id",
    "dirty_weeks": "select * from dirty_weeks order by all",
    "inbox_files": "select * exclude (modified_ns) from inbox_files order by all",
}


def outcome(
    files: dict[str, bytes], source: str, is_together: bool
) -> tuple[dict[str, pl.DataFrame], IngestReport]:
    """All tables, with file names in place of ids, and what the stage says."""
    with tempfile.TemporaryDirectory() as temporary:
        folder = write_fleet(Path(temporary), {"logger": source})
        for name, content in files.items():
            drop(folder, name, content)
        with (
            opened(folder) as (con, fleet),
            patch.object(ahead, "part_of", ahead.part_of if is_together else lambda *_: None),
        ):
            report = take_in(con, fleet)
            assert take_in(con, fleet).files_new_n == 0
            return {name: con.sql(sql).pl() for name, sql in TABLES.items()}, report


def assert_alike(files: dict[str, bytes], source: str = SAMPLES) -> IngestReport:
    """Taken in together and one by one, they leave the same behind."""
    together, said = outcome(files, source, is_together=True)
    alone, expected = outcome(files, source, is_together=False)
    for name, table in alone.items():
        assert_frame_equal(together[name], table)
    assert sorted(map(str, said.problems)) == sorted(map(str, expected.problems))
    assert (said.files_new_n, said.files_known_n, said.files_failed_n) == (
        expected.files_new_n,
        expected.files_known_n,
        expected.files_failed_n,
    )
    return said


@contextmanager
def counted() -> Iterator[list[int]]:
    """How many files each bundle took in."""
    loaded: list[int] = []
    whole = bundle_load.load_bundle

    def spied(*given: object) -> bundle_load.BundleLoad:
        load = whole(*given)  # type: ignore[arg-type]
        loaded.append(load.files_n)
        return load

    with patch("pipeline.ingest.stage.load_bundle", spied):
        yield loaded


LINES = st.one_of(
    st.builds(
        row,
        st.integers(0, 40),
        soc=st.sampled_from([50, 60, 140, "x", '"7,5"', '"12"', ""]),
        van=st.sampled_from("ab"),
    ),
    st.sampled_from(["", "a,b", row(3) + ",,", 'a,2026-01-05T10:01:00Z,5,"un', "ä,é,,,,"]),
)
ENDS = st.sampled_from(["\n", "\r\n"])


@st.composite
def inboxes(draw: st.DrawFn) -> dict[str, bytes]:
    """Up to six small files: in order or not, repeating each other, broken, packed."""
    files = {}
    for number in range(draw(st.integers(2, 6))):
        lines = draw(st.lists(LINES, min_size=0, max_size=6))
        if draw(st.booleans()):
            van, first = draw(st.sampled_from("ab")), draw(st.integers(0, 60))
            lines = [row(first + step, van=van) for step in range(3)]
        end = draw(ENDS)
        content = end.join([HEADER, *lines]) + (end if draw(st.booleans()) else "")
        packed = content.encode()
        name = f"van_{draw(st.sampled_from('ab'))}_{number}.csv"
        if draw(st.integers(0, 4)) == 0:
            name, packed = name + ".gz", gzip.compress(packed, mtime=0)
        files[name] = packed
    return files


@settings(max_examples=10, deadline=None, derandomize=True)
@given(inboxes(), st.sampled_from([SAMPLES, BY_NAME]))
def test_small_files_together_are_as_one_by_one(files: dict[str, bytes], source: str) -> None:
    assert_alike(files, source)


@pytest.mark.long
@settings(max_examples=600, deadline=None)
@given(inboxes(), st.sampled_from([SAMPLES, BY_NAME]))
def test_more_small_files_together_are_as_one_by_one(files: dict[str, bytes], source: str) -> None:
    assert_alike(files, source)


def test_plain_files_are_taken_in_together() -> None:
    files = {
        f"van_{number}.csv": text(row(number * 10), row(number * 10 + 1), row(2, soc=150)).encode()
        for number in range(5)
    }
    with counted() as loaded:
        report = assert_alike(files)
    assert loaded == [5]
    assert report.rows_set_aside_n == 5


def test_a_quote_left_open_swallows_nothing_of_the_next_file() -> None:
    files = {
        "van_1.csv": (text(row(0)) + row(1, soc='"5')).encode(),
        "van_2.csv": text(row(10), row(11)).encode(),
        "van_3.csv": text(row(20), row(21)).encode(),
    }
    with counted() as loaded:
        report = assert_alike(files)
    assert loaded == [2]
    assert report.files_failed_n + report.rows_set_aside_n > 0


def test_the_repeated_hour_is_judged_within_each_file() -> None:
    """The clocks of one file say nothing of the next, even where they are read as one text."""
    night = "a,2025-10-26T02:{:02d}:00,50,1,4,0"
    files = {
        "van_1.csv": text(night.format(50), night.format(5)).encode(),
        "van_2.csv": text(night.format(20), night.format(30)).encode(),
    }
    assert_alike(files, BERLIN)


def test_files_of_one_content_count_once() -> None:
    content = text(row(0), row(1)).encode()
    broken = text(row(0, soc=150)).encode()
    files = {"van_1.csv": content, "van_2.csv": content, "van_3.csv": broken, "van_4.csv": broken}
    assert assert_alike(files).files_known_n == 2


def test_other_headers_are_other_bundles() -> None:
    other = b"time,van,soc,power,t_min,plugged\n2026-01-05T12:00:00Z,a,50,1,4,0\n"
    files = {
        "van_1.csv": text(row(0)).encode(),
        "van_2.csv": text(row(1)).encode(),
        "van_3.csv": other,
        "van_4.csv": b"time,soc\n1,2\n",
    }
    with counted() as loaded:
        report = assert_alike(files)
    assert loaded[0] == 2
    assert report.files_failed_n == 1


def test_a_bundle_that_cannot_be_written_is_taken_in_one_by_one(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    import duckdb

    def failing(*_: object) -> None:
        raise duckdb.Error("no")

    monkeypatch.setattr(bundle_load, "_files", failing)
    files = {f"van_{number}.csv": text(row(number)).encode() for number in range(3)}
    together, report = outcome(files, SAMPLES, is_together=True)
    assert report.rows_used_n == 3
    assert together["files"].height == 3
