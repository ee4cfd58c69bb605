"""Properties: how exports are cut, packed and ordered does not change what is known."""

from __future__ import annotations

import tempfile
from datetime import timedelta
from functools import cache
from itertools import pairwise
from pathlib import Path

import polars as pl
from fleets import MONDAY, drive_and_charge
from fleets import NOW as FLEETS_NOW
from fleets import write_fleet as whole_fleet
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from pipeline.config import load_fleet
from pipeline.edition import compute, warehouse_of
from pipeline.ingest import ingest
from tests.small_fleet import (
    SAMPLES,
    assert_law,
    drop,
    opened,
    row,
    samples,
    take_in,
    text,
    write_fleet,
)

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


@settings(max_examples=15, deadline=None)
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


@settings(max_examples=40, deadline=None)
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


def log() -> pl.DataFrame:
    """One clean log: a drive to a charger, a fast charge, and the way on, sample by sample."""
    first = drive_and_charge(interval_s=60, heater=(-20.0, 0.0))
    second = drive_and_charge(interval_s=60, plug_in=MONDAY + timedelta(days=6, hours=20))
    other = drive_and_charge(interval_s=60, vehicle="v2", plug_in=MONDAY + timedelta(hours=9))
    return pl.concat([first, second, other])


LOG = log()


@st.composite
def deliveries(draw: st.DrawFn) -> list[list[tuple[int, int, bool]]]:
    """Runs of deliveries: pieces that overlap or come twice, in any order and place."""
    cuts = draw(st.lists(st.integers(1, LOG.height - 1), max_size=4, unique=True))
    pieces = []
    for start, stop in pairwise([0, *sorted(cuts), LOG.height]):
        back, on = draw(st.integers(0, 40)), draw(st.integers(0, 40))
        piece = (max(0, start - back), min(LOG.height, stop + on), draw(st.booleans()))
        pieces += [piece] * draw(st.integers(1, 2))
    ordered = draw(st.permutations(pieces))
    after = draw(st.integers(0, len(ordered)))
    return [ordered[:after], ordered[after:]]


def computed(folder: Path, runs: list[list[tuple[int, int, bool]]]) -> dict[str, pl.DataFrame]:
    """Samples, stops and what they rest on, and the counts, after deliveries in two runs."""
    whole_fleet(folder)
    fleet = load_fleet(folder)
    number = 0
    with warehouse_of(fleet, in_memory=True) as con:
        for pieces in runs:
            for start, stop, is_later in pieces:
                path = folder / "inbox" / ("later" if is_later else "") / f"log_{number}.csv"
                path.parent.mkdir(exist_ok=True)
                LOG[start:stop].write_csv(path)
                number += 1
            report = ingest(con, fleet, now=FLEETS_NOW)
            assert_law(con)
            assert report.rows_set_aside_n == 0
            compute(con, fleet)
        used = con.sql("select sum(rows_used_n)::bigint as used_n from files").pl()
        no_files = "* exclude (first_file_id, first_file_row, last_file_row)"
        return {
            "samples": samples(con),
            "used": used,
            "stops": con.sql(f"select {no_files} from stops order by all").pl(),
            "charges": con.sql(f"select {no_files} from charge_sessions order by all").pl(),
            "steps": con.sql("from charge_steps order by vehicle_id, plug_in_at, step_no").pl(),
            "dirty": con.sql("from dirty_weeks").pl(),
        }


@cache
def undivided() -> dict[str, pl.DataFrame]:
    """The same after one delivery of the one clean file."""
    with tempfile.TemporaryDirectory() as folder:
        found = computed(Path(folder) / "fleet", [[(0, LOG.height, False)]])
    assert found["stops"].height == 3
    assert found["used"].item() == LOG.height
    return found


@settings(max_examples=8, deadline=None)
@given(deliveries())
def test_splits_orders_overlaps_and_repeats_leave_the_stops_of_the_one_file(
    runs: list[list[tuple[int, int, bool]]],
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        got = computed(Path(folder) / "fleet", runs)
    for name, expected in undivided().items():
        assert_frame_equal(got[name], expected, rel_tol=1e-9)


@settings(max_examples=20, deadline=None)
@given(
    st.permutations(["van_1.csv", "van_1_v2.csv", "van_1_v3.csv"]),
    st.lists(st.tuples(st.integers(0, 9), st.integers(0, 3)), min_size=1, max_size=8),
    st.lists(st.tuples(st.integers(0, 9), st.integers(0, 3)), min_size=1, max_size=8),
    st.integers(0, 3),
)
def test_corrections_end_alike_in_whatever_order_they_come(
    order: list[str], second: list[tuple[int, int]], third: list[tuple[int, int]], runs_n: int
) -> None:
    """Version 3 over version 2 over version 1, each for the time it covers."""
    content = {
        "van_1.csv": dict.fromkeys(range(10), 0),
        "van_1_v2.csv": dict(second),
        "van_1_v3.csv": dict(third),
    }
    expected: dict[int, int] = {}
    for version in sorted(content):
        new = content[version]
        kept = {m: s for m, s in expected.items() if not min(new) <= m <= max(new)}
        expected = kept | new
    by_name = SAMPLES.replace('kind = "samples"', 'kind = "samples"\nsupersedes = "name"')
    with tempfile.TemporaryDirectory() as folder:
        write_fleet(Path(folder), {"logger": by_name})
        with opened(Path(folder)) as (con, fleet):
            for number, name in enumerate(order):
                rows = [row(minute, soc=soc) for minute, soc in sorted(content[name].items())]
                drop(Path(folder), name, text(*rows))
                if number >= runs_n or number == len(order) - 1:
                    take_in(con, fleet)
            got = samples(con).select(
                minute=(pl.col("sampled_at").dt.hour() - 10).cast(pl.Int64) * 60
                + pl.col("sampled_at").dt.minute(),
                soc=pl.col("soc_pct").cast(pl.Int64),
            )
            assert dict(got.iter_rows()) == expected
