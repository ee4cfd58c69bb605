"""Properties: how exports are cut, packed and ordered does not change what is known."""

from __future__ import annotations

import tempfile
from itertools import pairwise
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from tests.small_fleet import drop, opened, row, samples, take_in, text, write_fleet

N = 60
LINES = [row(minute, soc=minute, van="a" if minute % 3 else "b") for minute in range(N)]


@st.composite
def covers(draw: st.DrawFn) -> list[tuple[int, int]]:
    """Half-open pieces that cover all lines, overlapping or not, in any order."""
    cuts = draw(st.lists(st.integers(1, N - 1), max_size=5, unique=True))
    edges = [0, *sorted(cuts), N]
    pieces = []
    for start, stop in pairwise(edges):
        back = draw(st.integers(0, 15))
        pieces.append((max(0, start - back), stop))
    return draw(st.permutations(pieces))


@settings(max_examples=25, deadline=None)
@given(covers(), st.integers(1, 70))
def test_any_split_into_overlapping_files_in_any_order_is_the_one_file(
    pieces: list[tuple[int, int]], rows_per_batch: int
) -> None:
    with tempfile.TemporaryDirectory() as whole, tempfile.TemporaryDirectory() as parts:
        write_fleet(Path(whole))
        drop(Path(whole), "van_all.csv", text(*LINES))
        with opened(Path(whole)) as (con, fleet):
            assert take_in(con, fleet).rows_used_n == N
            expected = samples(con)
        write_fleet(Path(parts))
        for index, (start, stop) in enumerate(pieces):
            drop(Path(parts), f"van_{index}.csv", text(*LINES[start:stop]))
        with opened(Path(parts)) as (con, fleet):
            report = take_in(con, fleet, rows_per_batch=rows_per_batch)
            assert samples(con).equals(expected)
            assert report.problems == []
            read_n = sum(stop - start for start, stop in set(pieces))
            assert report.rows_read_n == read_n
            assert report.rows_repeated_n == read_n - N


CELLS = st.one_of(
    st.floats(allow_nan=True, width=32).map(str),
    st.text(st.characters(exclude_characters='\0\r\n",', exclude_categories=("Cs",)), max_size=6),
    st.sampled_from(["", "50", "-", "140", "1e9", "true"]),
)
TIMES = st.one_of(
    st.integers(0, 59).map(lambda minute: f"2026-01-05T10:{minute:02d}:00Z"),
    st.sampled_from(["", "1999-01-01T00:00:00Z", "2099-01-01T00:00:00Z", "2026-13-01", "x"]),
)
ROWS = st.lists(st.tuples(st.sampled_from(["a", "b", ""]), TIMES, CELLS, CELLS, CELLS, CELLS))


@settings(max_examples=60, deadline=None)
@given(ROWS, st.lists(st.integers(0, 8), max_size=4), st.integers(1, 30))
def test_every_row_of_any_file_is_accounted_for(
    rows: list[tuple[str, ...]], ragged: list[int], rows_per_batch: int
) -> None:
    """Whatever stands in the cells, each row is used, repeated or set aside once (`take_in`)."""
    lines = [",".join(cells) for cells in rows]
    lines += [",".join(["a", "2026-01-05T10:00:00Z", *["1"] * width]) for width in ragged]
    with tempfile.TemporaryDirectory() as folder:
        write_fleet(Path(folder))
        drop(Path(folder), "van_a.csv", text(*lines))
        with opened(Path(folder)) as (con, fleet):
            report = take_in(con, fleet, rows_per_batch=rows_per_batch)
            assert report.files_failed_n == 0
            assert report.rows_read_n == len(lines)
