"""Drafting JSON: where the records lie, which names are plain, and that a run sees the same."""

from __future__ import annotations

import gzip
import json
import tomllib
import zipfile
from pathlib import Path
from typing import Any

import polars as pl
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.cli import main
from pipeline.config import load_fleet
from pipeline.draft.make import draft_file
from pipeline.edition import take_in, warehouse_of
from pipeline.file_check import file_lines
from pipeline.ingest.read_json import json_batches
from pipeline.problems import ColdMinutesError
from tests.small_fleet import NOW, drop, write_fleet

N = 60


def record(minute: int, **more: Any) -> dict[str, Any]:
    """A van that drives an hour: time, charge, power, cell temperature, speed."""
    return {
        "ts": f"2026-01-12T06:{minute:02d}:00Z",
        "battery": {"soc": 50 - minute / 10, "power_kw": -8.5 - minute % 3, "cell.min": 4.5},
        "speed": 30 + minute % 7,
        "pos": [62.3, 15.1],
        "wheels": [{"bar": 3.1}, {"bar": 3.2}],
        **more,
    }


RECORDS = [record(minute) for minute in range(N)]
LINES = "".join(json.dumps(each) + "\n" for each in RECORDS)
MAPPED = {
    "sampled_at": "ts",
    "soc_pct": "battery.soc",
    "pack_power_kw": "battery.power_kw",
    "cell_temp_min_degc": 'battery."cell.min"',
    "speed_kmh": "speed",
}


@pytest.mark.parametrize(
    ("name", "content", "records"),
    [
        ("van-1.jsonl", LINES.encode(), None),
        ("van-1.ndjson", LINES.encode("utf-16"), None),
        ("van-1.json", json.dumps(RECORDS).encode(), None),
        ("van-1.json", LINES.encode(), None),
        ("van-1.json", json.dumps({"made": "now", "rows": RECORDS}).encode(), "rows"),
        ("van-1.json", json.dumps({"a": {"b.c": RECORDS}}).encode(), 'a."b.c"'),
        ("van-1.json", json.dumps([{"p": RECORDS[:30]}, {"p": RECORDS[30:]}]).encode(), "p"),
        ("van-1.jsonl.gz", gzip.compress(LINES.encode()), None),
        ("van-1.jsonl.zst", pa.compress(LINES.encode(), codec="zstd", asbytes=True), None),
    ],
)
def test_a_drafted_mapping_takes_the_file_in(
    tmp_path: Path, name: str, content: bytes, records: str | None
) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    draft = draft_file(path)
    assert {signal: m.column for signal, m in draft.source.columns.items()} == MAPPED
    assert draft.source.records == records
    assert draft.rows_n == N
    assert "column:wheels" in draft.unsure
    folder = write_fleet(tmp_path / "fleet", {"drafted": draft.text})
    drop(folder, name, content)
    fleet = load_fleet(folder)
    with warehouse_of(fleet, in_memory=True) as con:
        report = take_in(con, fleet, NOW)
        got = con.sql("select soc_pct, cell_temp_min_degc from samples order by sampled_at").pl()
    assert (report.rows_used_n, report.problems) == (N, [])
    assert got["soc_pct"].to_list() == [50 - minute / 10 for minute in range(N)]
    assert set(got["cell_temp_min_degc"]) == {4.5}


def test_the_vehicle_may_stand_around_the_records(tmp_path: Path) -> None:
    path = tmp_path / "week.json"
    path.write_text(json.dumps({"meta": {"vin": "TEST01"}, "rows": RECORDS}))
    draft = draft_file(path)
    assert draft.source.vehicle.column == "/meta.vin"
    assert "vehicle" not in draft.unsure


def test_a_detail_of_a_record_is_no_list_of_records(tmp_path: Path) -> None:
    path = tmp_path / "van-1.jsonl"
    path.write_text(LINES)
    assert "records" not in tomllib.loads(draft_file(path).text)


def test_two_lists_alike_are_doubted(tmp_path: Path) -> None:
    path = tmp_path / "van-1.json"
    path.write_text(json.dumps({"days": RECORDS[:40], "nights": RECORDS[40:] + RECORDS[:15]}))
    draft = draft_file(path)
    assert draft.source.records == "days"
    assert any("'nights' holds 35 records as well" in doubt for doubt in draft.unsure["records"])


def test_json_in_an_archive_beside_a_table(tmp_path: Path) -> None:
    path = tmp_path / "box_2026-W03.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("van-1_2026-W03.jsonl", LINES)
        archive.writestr("about.csv", "a,b\n1,2\n")
    draft = draft_file(path)
    assert draft.source.members == ("*.jsonl",)


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("a.json", b""),
        ("a.json", b"[]"),
        ("a.json", b"[1, 2, 3]"),
        ("a.json", b"{}"),
        ("a.json", b'{"rows": []}'),
        ("a.json", b'{"ts": "2026-01-12T06:00:00Z", "soc"'),
        ("a.jsonl", b"no json at all\n"),
        ("a.jsonl", b"\0\0\0\0"),
        ("a.json", b"[" * 5000),
        ("a.json", b'{"a":' * 5000),
        ("a.jsonl.zst", b"\x28\xb5\x2f\xfd nothing"),
    ],
)
def test_what_holds_no_records_is_refused_in_words(
    tmp_path: Path, name: str, content: bytes
) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(ColdMinutesError) as refused:
        draft_file(path)
    assert refused.value.exit_code == 3
    assert refused.value.problems[0].remedy


KEYS = st.text(max_size=6) | st.sampled_from(["a.b", '"', "/x", "~1", "\ud800", "\0", "", "soc"])
VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(-5, 10**6) | st.text(max_size=4),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=3),
    max_leaves=8,
)


@settings(max_examples=15, deadline=None, derandomize=True)
@given(st.lists(st.dictionaries(KEYS, VALUES, max_size=5), max_size=4))
def test_any_keys_make_a_draft_that_is_read_back_or_a_refusal(
    tmp_path_factory: pytest.TempPathFactory, more: list[dict[str, Any]]
) -> None:
    """Whatever other keys there are, ``ts`` and ``soc`` are still found, and TOML is TOML."""
    folder = tmp_path_factory.mktemp("keys")
    path = folder / "van-1.jsonl"
    extra = more or [{}]
    rows = [{**extra[at % len(extra)], **record(at)} for at in range(20)]
    path.write_text("".join(json.dumps(row) + "\n" for row in rows))
    try:
        draft = draft_file(path)
    except ColdMinutesError as error:
        assert error.problems[0].code.startswith("DRAFT")
        return
    source = draft.source
    assert source.columns["sampled_at"].column == "ts"
    columns = [str(mapped.column) for mapped in source.columns.values()]
    parts = list(json_batches(path, path.name, "x", source, columns, folder, 100))
    assert pl.concat(parts).height == 20


def test_check_says_what_a_json_file_can_answer(tmp_path: Path) -> None:
    path = tmp_path / "van-1.jsonl"
    path.write_text(LINES)
    told = "\n".join(file_lines(path))
    assert "60 rows looked at, taken for samples" in told
    assert "Which stops were cold?" in told


def test_the_command_on_a_list_and_one_start_from_both_kinds(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A JSON file and a CSV file of the same columns are two layouts to `start`."""
    from pipeline.start.mappings import mappings

    flat = [
        {"time": each["ts"], "soc": each["battery"]["soc"], "speed": each["speed"]}
        for each in RECORDS
    ]
    (tmp_path / "van-1.json").write_text(json.dumps(flat))
    pl.DataFrame(flat).write_csv(tmp_path / "van-2.csv")
    made = mappings([tmp_path / "van-1.json", tmp_path / "van-2.csv"], "UTC")
    assert sorted(draft.source.files for draft in made.drafts.values()) == [
        ("van-*.csv",), ("van-*.json",)
    ]  # fmt: skip
    with pytest.raises(SystemExit) as left:
        main(["draft", str(tmp_path / "van-1.json")])
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    assert left.value.code in (0, 1) and tomllib.loads(out)["kind"] == "samples"
