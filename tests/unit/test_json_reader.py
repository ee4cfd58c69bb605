"""JSON exports of any kind: wrappings, names within names, and what is refused."""

from __future__ import annotations

import gzip
import json
from pathlib import Path
from typing import Any

import polars as pl
import pyarrow as pa
import pytest

from pipeline.ingest import IngestReport
from pipeline.ingest.read_json import MAX_RECORD_BYTES, pointers
from tests.small_fleet import drop, opened, quarantined, samples, take_in, write_fleet

SOURCE = """
kind = "samples"
files = ["van*"]
%s
vehicle = { column = "van" }
[columns]
sampled_at = { column = "time" }
soc_pct = { column = "battery.soc" }
latitude_deg = { column = "battery.place.0" }
longitude_deg = { column = "battery.place.1" }
is_connected = { column = "plugged" }
"""


def record(minute: int, **changes: Any) -> dict[str, Any]:
    return {
        "van": "a",
        "time": f"2026-01-05T10:{minute:02d}:00Z",
        "battery": {"soc": 50 + minute / 4, "place": ["57.7", 11.9]},
        "plugged": minute % 2 == 0,
        **changes,
    }


def taken(
    folder: Path, content: str | bytes, name: str = "van.json", extra: str = "", source: str = ""
) -> tuple[pl.DataFrame, IngestReport, list[tuple[int, str, str | None, str | None]]]:
    write_fleet(folder, {"log": source or SOURCE % extra})
    drop(folder, name, content)
    with opened(folder) as (con, fleet):
        report = take_in(con, fleet)
        rows = con.sql("select file_row from samples order by file_row").pl()["file_row"]
        return samples(con).with_columns(file_row=rows), report, quarantined(con)


RECORDS = [record(minute) for minute in range(4)]
LINES = "".join(json.dumps(each) + "\n" for each in RECORDS)


@pytest.mark.parametrize(
    ("name", "content", "extra"),
    [
        ("van.json", json.dumps(RECORDS), ""),
        ("van.json", "\ufeff " + json.dumps(RECORDS, indent=3), ""),
        ("van.jsonl", LINES, ""),
        ("van.NDJSON", "\n" + LINES.replace("\n", "\r\n\r\n"), ""),
        ("van.json", LINES, ""),
        ("van.jsonl.gz", gzip.compress(LINES.encode()), ""),
        ("van.json", json.dumps({"n": 4, "data": RECORDS}), 'records = "data"'),
        ("van.json", json.dumps({"a": {"b": RECORDS}}), 'records = "a.b"'),
        (
            "van.json",
            json.dumps([{"x.y": RECORDS[:1]}, {"x.y": RECORDS[1:]}]),
            "records = '\"x.y\"'",
        ),
        ("van.json", LINES.encode("utf-16"), 'csv = { encoding = "utf-16" }'),
    ],
)
def test_every_wrapping_gives_the_same(
    tmp_path: Path, name: str, content: str | bytes, extra: str
) -> None:
    rows, report, aside = taken(tmp_path, content, name, extra)
    assert report.problems == [] and aside == []
    assert rows["soc_pct"].to_list() == [50.0, 50.25, 50.5, 50.75]
    assert rows["is_connected"].to_list() == [True, False, True, False]
    assert set(rows["latitude_deg"]) == {57.7} and set(rows["longitude_deg"]) == {11.9}
    assert rows["file_row"].to_list() == [1, 2, 3, 4]


def test_one_record(tmp_path: Path) -> None:
    rows, _, _ = taken(tmp_path, json.dumps(record(0), indent=2))
    assert rows["file_row"].to_list() == [1]


def test_values_of_the_document_around_a_list(tmp_path: Path) -> None:
    documents = [
        {"meta": {"vin": van}, "rows": [record(minute, van="wrong") for minute in range(2)]}
        for van in ("b", "c")
    ]
    source = (SOURCE % 'records = "rows"').replace('column = "van"', 'column = "/meta.vin"')
    rows, _, _ = taken(tmp_path, json.dumps(documents), source=source)
    assert rows["vehicle_id"].to_list() == ["b", "b", "c", "c"]


def test_a_key_with_dots_is_found_whole(tmp_path: Path) -> None:
    flat = {"van": "a", "time": "2026-01-05T10:00:00Z", "battery.soc": "61"}
    rows, _, _ = taken(tmp_path, json.dumps([flat]))
    assert rows["soc_pct"].to_list() == [61.0]


def test_pointers() -> None:
    assert pointers("soc") == ["/soc"]
    assert pointers("a.0.b") == ["/a.0.b", "/a/0/b"]
    assert pointers("a/b.c~d") == ["/a~1b.c~0d", "/a~1b/c~0d"]


def test_absent_keys_and_nulls_are_no_readings(tmp_path: Path) -> None:
    rows, report, aside = taken(
        tmp_path, json.dumps([record(0), record(1, battery=None), record(2, battery={})])
    )
    assert rows["soc_pct"].to_list() == [50.0, None, None]
    assert report.problems == [] and aside == []


def test_what_is_no_record_is_set_aside(tmp_path: Path) -> None:
    content = json.dumps([record(0), 1, None, "x", [record(2)], {}])
    rows, report, aside = taken(tmp_path, content)
    assert rows.height == 1
    assert [row for row, *_ in aside] == [2, 3, 4, 5, 6]
    assert report.rows_read_n == 6


def test_a_mapping_that_finds_nothing_is_refused(tmp_path: Path) -> None:
    _, report, _ = taken(tmp_path, json.dumps([{"when": "2026-01-05T10:00:00Z", "van": "a"}]))
    assert report.files_failed_n == 1
    assert "no value under 'time'" in str(report.problems[0])


def test_a_list_that_is_not_there_is_refused_with_the_keys(tmp_path: Path) -> None:
    _, report, _ = taken(tmp_path, json.dumps({"rows": []}), extra='records = "data"')
    assert "no list of records under 'data'; its keys are 'rows'" in str(report.problems[0])


@pytest.mark.parametrize(
    ("name", "content", "place"),
    [
        ("van.jsonl", LINES + '{"van": "a"', "line 5"),
        ("van.jsonl", LINES.replace('"van": "a"', '"van" "a"', 1), "line 1"),
        ("van.json", json.dumps(RECORDS)[:-2], "record 4"),
        ("van.json", json.dumps(RECORDS).replace("2026", "20\x0126", 1), "record 1"),
        ("van.json", json.dumps(RECORDS) + "]", "record"),
        ("van.json", b'[{"van": "\xff"}]', "UTF-8"),
        ("van.json", "van,time\na,1\n", "neither { nor ["),
        ("van.json", b"PK\x03\x04 a zip by another name", "a zip archive"),
        ("van.json", b'[{"van": "\x00"}]', "byte 0 at offset 10"),
    ],
)
def test_malformed_json_is_left_out_with_its_place(
    tmp_path: Path, name: str, content: str | bytes, place: str
) -> None:
    rows, report, _ = taken(tmp_path, content, name)
    assert rows.is_empty()
    assert report.files_failed_n == 1 and report.rows_read_n == 0
    assert place in str(report.problems[0]), report.problems


def test_a_place_far_into_a_file_is_right(tmp_path: Path) -> None:
    """The reader counts from 2; over several buffers too."""
    many = [json.dumps(record(n % 60, pad="x" * 2000)) for n in range(20_000)]
    many[17_654] = many[17_654][:-3]
    _, report, _ = taken(tmp_path, "\n".join(many), "van.jsonl")
    assert "line 17655" in str(report.problems[0])


@pytest.mark.parametrize("name", ["van.json", "van.jsonl"])
def test_a_record_without_end_is_refused(tmp_path: Path, name: str) -> None:
    huge = '{"van": "' + "x" * (MAX_RECORD_BYTES * 3) + '"}'
    _, report, _ = taken(tmp_path, f"[{huge}]" if name.endswith("n") else huge, name)
    assert report.files_failed_n == 1
    assert "INGEST-08" in str(report.problems[0])


@pytest.mark.parametrize("depth", [1_000, 1_000_000])
@pytest.mark.parametrize(("opens", "closes"), [("[", "]"), ('{"a":', "}")])
def test_deep_nesting_does_no_harm(tmp_path: Path, depth: int, opens: str, closes: str) -> None:
    deep = opens * depth + "1" + closes * depth
    good = json.dumps(record(0))
    _, report, _ = taken(tmp_path, f"{good}\n{deep}\n", "van.jsonl")
    assert report.files_failed_n + report.rows_read_n > 0


def test_names_with_wildcards_open_no_other_file(tmp_path: Path) -> None:
    write_fleet(tmp_path, {"log": SOURCE % ""})
    drop(tmp_path, "van1.json", json.dumps([record(0, van="other")]))
    drop(tmp_path, "van[1].json", json.dumps([record(1, van="bracket")]))
    drop(tmp_path, "van*.json", json.dumps([record(2, van="star")]))
    drop(tmp_path, "van?.json", json.dumps([record(3, van="mark")]))
    with opened(tmp_path) as (con, fleet):
        take_in(con, fleet)
        found = samples(con)
        # What another file brings would be a repeat, so each must have read its own row alone.
        assert con.sql("select distinct rows_read_n from files").fetchall() == [(1,)]
    assert set(found["vehicle_id"]) == {"other", "bracket", "star", "mark"}
    assert found.height == 4


def test_batches_count_on(tmp_path: Path) -> None:
    write_fleet(tmp_path, {"log": SOURCE % ""})
    drop(tmp_path, "van.json", json.dumps([record(n) for n in range(50)]))
    with opened(tmp_path) as (con, fleet):
        take_in(con, fleet, rows_per_batch=7)
        rows = con.sql("select file_row from samples order by sampled_at").fetchall()
    assert [row for (row,) in rows] == list(range(1, 51))


CSV = "van,time,battery.soc,battery.place.0,battery.place.1,plugged\n" + "".join(
    f"a,2026-01-05T10:0{minute}:00Z,50,57.7,11.9,1\n" for minute in range(3)
)


def test_tsv_needs_no_delimiter(tmp_path: Path) -> None:
    rows, report, _ = taken(tmp_path, CSV.replace(",", "\t"), "van.tsv")
    assert rows.height == 3 and report.problems == []


@pytest.mark.parametrize("damage", ["none", "cut", "garbage", "bomb"])
def test_zstd(tmp_path: Path, damage: str) -> None:
    packed = tmp_path / "x.zst"
    text = CSV.encode() if damage != "bomb" else CSV.encode() + b"\n" * 100_000_000
    with pa.output_stream(str(packed), compression="zstd") as out:
        out.write(text)
    content = packed.read_bytes()
    content = {"cut": content[:-8], "garbage": b"no zstd at all"}.get(damage, content)
    rows, report, _ = taken(tmp_path / "fleet", content, "van.csv.zst")
    assert rows.height == (3 if damage == "none" else 0)
    assert report.files_failed_n == (damage != "none")
