"""Every reader fed with spoiled files: a finding or rows set aside, and nothing outside the folder.

`test_hostile_files.py` holds known attacks one by one; here bytes are spoiled by rule, for every
format that is read, packed ones spoiled inside and outside. The same cases each time; the long
variant draws many more.
"""

from __future__ import annotations

import gzip
import hashlib
import importlib.util
import io
import json
import os
import subprocess
import sys
import tempfile
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import duckdb
import ocpi_cdr
import polars as pl
import pyarrow as pa
import pytest
import xlsxwriter
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from ocpp_log import BY_NAME, call, event_201, log, meter_values_16, minute, sampled_16, sampled_201

from pipeline.ingest import ingest
from tests.small_fleet import NOW, SAMPLES, codes, drop, opened, row, text, write_fleet

ROWS_N = 10
GOOD = text(*(row(n, van="good") for n in range(ROWS_N)))
SOURCES = {
    "logger": SAMPLES.replace('"van_*.csv",', '"van_*.csv", "van_*.zst", "van_*.json*",'),
    "bills": ocpi_cdr.SOURCE,
    "chargers": BY_NAME.replace("*.log", "CP*.log"),
}


def _table() -> pl.DataFrame:
    return pl.read_csv(io.StringIO(GOOD), infer_schema_length=None)


def _json() -> bytes:
    return json.dumps(_table().to_dicts()).encode()


def _lines() -> bytes:
    return "".join(json.dumps(each) + "\n" for each in _table().to_dicts()).encode()


def _parquet() -> bytes:
    out = io.BytesIO()
    _table().write_parquet(out)
    return out.getvalue()


def _workbook() -> bytes:
    out = io.BytesIO()
    book = xlsxwriter.Workbook(out, {"in_memory": True})
    sheet = book.add_worksheet()
    for number, line in enumerate(GOOD.splitlines()):
        sheet.write_row(number, 0, line.split(","))
    book.close()
    return out.getvalue()


def _messages() -> bytes:
    values = [
        call(meter_values_16(minute(n), sampled_16(n, "Power.Active.Import", unit="kW")))
        for n in range(5)
    ]
    events = [
        call(event_201(minute(n), sampled_201(n, "SoC"), seq=n), "TransactionEvent")
        for n in range(5)
    ]
    return log(*values, *events).encode()


def _gzip(content: bytes) -> bytes:
    return gzip.compress(content, mtime=0)


def _zip(content: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(zipfile.ZipInfo("van_in.csv"), content)
        archive.writestr(zipfile.ZipInfo("van_in.json"), _json().replace(b"good", b"boxed"))
    return out.getvalue()


def _zstd(content: bytes) -> bytes:
    return bytes(pa.compress(content, codec="zstd", asbytes=True))


def _as_is(content: bytes) -> bytes:
    return content


FORMATS: dict[str, tuple[bytes, Callable[[bytes], bytes]]] = {
    "van_f.csv": (GOOD.encode(), _as_is),
    "van_f.json": (_json(), _as_is),
    "van_f.jsonl": (_lines(), _as_is),
    "van_f.parquet": (_parquet(), _as_is),
    "van_f.xlsx": (_workbook(), _as_is),
    "cdrs_f.json": (ocpi_cdr.envelope([ocpi_cdr.cdr(n) for n in range(3)]).encode(), _as_is),
    "CP01.log": (_messages(), _as_is),
    "van_f.zip": (GOOD.replace("good", "boxed").encode(), _zip),
    "van_f.csv.gz": (GOOD.encode(), _gzip),
    "van_f.jsonl.zst": (_lines(), _zstd),
}
"""Name -> what stands in it, and how that is packed."""

TOKENS = [
    b"\x00", b"\xff\xfe", b'"', b"'", b"\\", b"\r\n\r\n", b",", b"{", b"[[[[", b"}", b"]", b"null",
    b"NaN", b"1e999", b"-" + b"9" * 400, b"\\ud800", b"\xed\xa0\x80", b"=1+1", b"../../x",
    b"\x1b[2J",
    b"2026-02-30T25:61:61Z", b"9999-12-31T23:59:59Z", b"true", b"\xe2\x80\xae", b"PAR1",
    b"PK\x03\x04",
]  # fmt: skip


@st.composite
def bent(draw: st.DrawFn, content: bytes) -> bytes:
    """Some bytes changed, put in, left out, repeated; or the end cut off."""
    made = bytearray(content)
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(made)))
        end = min(len(made), at + draw(st.integers(0, 24)))
        match draw(st.integers(0, 5)):
            case 0:
                made[at:end] = draw(st.binary(max_size=12))
            case 1:
                made[at:end] = draw(st.sampled_from(TOKENS))
            case 2:
                made[at:at] = made[at:end] * draw(st.integers(1, 30))
            case 3:
                del made[at:end]
            case 4:
                del made[at:]
            case _:
                if made:
                    made[min(at, len(made) - 1)] ^= 1 << draw(st.integers(0, 7))
    return bytes(made)


@st.composite
def spoiled(draw: st.DrawFn, name: str) -> bytes:
    """A file spoiled inside what packs it, or outside, or bytes that never were one."""
    content, pack = FORMATS[name]
    match draw(st.integers(0, 7)):
        case 0:
            return draw(st.binary(max_size=300))
        case 1 | 2 | 3:
            return pack(draw(bent(content)))
        case _:
            return draw(bent(pack(content)))


@contextmanager
def watched() -> Iterator[Path]:
    """A folder for a fleet; at the end everything beside it must be as it was."""
    with tempfile.TemporaryDirectory() as made:
        root = Path(made)
        (root / "van_secret.csv").write_text(text(row(0, van="secret")))
        before, usual = contents(root), tempfile.tempdir
        # Whatever makes a temporary file anywhere but in the fleet folder falls over.
        tempfile.tempdir = str(root / "no_such_folder")
        try:
            yield root / "fleet"
        finally:
            tempfile.tempdir = usual
        after = {path: of for path, of in contents(root).items() if path.parts[0] != "fleet"}
        assert after == before, "something outside the fleet folder was written"


def contents(root: Path) -> dict[Path, str]:
    """All files below a folder and the hash of each; folders too."""
    return {
        path.relative_to(root): hashlib.sha256(path.read_bytes()).hexdigest()
        if path.is_file()
        else ""
        for path in root.rglob("*")
    }


def survives(files: dict[str, bytes]) -> None:
    """Take these files in beside a good one, and hold the run to all that must be so."""
    with watched() as folder:
        write_fleet(folder, SOURCES, cards=ocpi_cdr.CARDS, sites=ocpi_cdr.SITES)
        for name, content in files.items():
            drop(folder, name, content)
        drop(folder, "van_zz.csv", GOOD.replace("good", "beside"))
        inbox = contents(folder / "inbox")
        with opened(folder) as (con, fleet):
            report = ingest(con, fleet, now=NOW)
            known = ledger(con)
            assert not (fleet.state / "temp" / "ingest").exists(), "unpacked files were left"
            beside = con.sql("select count(*) from samples where vehicle_id = 'beside'").fetchall()
        assert beside == [(ROWS_N,)], "a good file beside bad ones comes in whole"
        assert contents(folder / "inbox") == inbox
        assert {path.name for path in folder.iterdir()} <= {
            "inbox", "sources", "fleet.toml", "cards.toml", "sites.toml", ".coldminutes"
        }  # fmt: skip
    told = " ".join(problem.where for problem in report.problems)
    for name, content in files.items():
        if list(files.values()).count(content) > 1:
            continue  # of files that are alike the first is told of
        assert any(path.startswith(name) for path in known) or name in told, f"{name}: not a word"
    for problem in report.problems:
        assert problem.message and len(str(problem)) < 5000
        assert all(line.isprintable() for line in str(problem).split("\n")), repr(str(problem))


def ledger(con: duckdb.DuckDBPyConnection) -> list[str]:
    """Files that were taken in; each row of each is used, repeated or set aside, and is there."""
    wrong = con.sql(
        """
        with stored as (
            select file_id from samples
            union all select file_id from reported_sessions
            union all select file_id from charger_readings
        ),
        used as (select file_id, count(*) as n from stored group by all),
        aside as (select file_id, count(*) as n from quarantine group by all)
        select * from files left join used using (file_id) left join aside using (file_id)
        where rows_read_n <> rows_used_n + rows_repeated_n + rows_set_aside_n
            or coalesce(used.n, 0) <> rows_used_n or coalesce(aside.n, 0) <> rows_set_aside_n
        """
    ).pl()
    assert wrong.is_empty(), wrong.to_dicts()
    return [path for (path,) in con.sql("select file_path from files").fetchall()]


def test_the_files_are_good_before_they_are_spoiled() -> None:
    """Else what follows would pass for the wrong reason."""
    with watched() as folder:
        write_fleet(folder, SOURCES, cards=ocpi_cdr.CARDS, sites=ocpi_cdr.SITES)
        for name, (content, pack) in FORMATS.items():
            drop(folder, name, pack(content))
        with opened(folder) as (con, fleet):
            report = ingest(con, fleet, now=NOW)
            ledger(con)
            read = con.sql("select file_path, rows_read_n, rows_set_aside_n from files").fetchall()
    assert codes(report) == [], report.problems
    rows_n = {"cdrs_f.json": 3, "CP01.log": 10}
    expected = {name: rows_n.get(name, ROWS_N) for name in FORMATS if name != "van_f.zip"}
    expected |= {f"van_f.zip/van_in.{suffix}": ROWS_N for suffix in ("csv", "json")}
    assert {path: (rows, aside) for path, rows, aside in read} == {
        name: (rows, 0) for name, rows in expected.items()
    }


quick = settings(
    deadline=None, derandomize=True, database=None, suppress_health_check=list(HealthCheck)
)


@settings(quick, max_examples=6, phases=[Phase.generate])
@given(st.fixed_dictionaries({name: spoiled(name) for name in FORMATS}))
def test_spoiled_files_of_every_format_end_in_findings(files: dict[str, bytes]) -> None:
    survives(files)


@pytest.mark.long
@pytest.mark.parametrize("name", FORMATS)
def test_spoiled_files_of_one_format_end_in_findings(name: str) -> None:
    @settings(quick, max_examples=150)
    @given(spoiled(name))
    def each(content: bytes) -> None:
        survives({name: content})

    each()


@pytest.mark.long
@pytest.mark.skipif(
    importlib.util.find_spec("atheris") is None, reason="atheris is not installed; see the file"
)
def test_the_parsers_that_are_python_stand_a_minute_of_guided_fuzzing(tmp_path: Path) -> None:
    corpus = tmp_path / "corpus"
    corpus.mkdir()
    starts = {b"\x00": _messages(), b"\x01": _json(), b"\x02": _lines(), b"\x03": _lines()}
    for kind, content in starts.items():
        (corpus / f"start_{kind[0]}").write_bytes(kind + content)
    done = subprocess.run(
        [sys.executable, str(Path(__file__).parent / "coverage_fuzz.py"), str(corpus),
         "-max_total_time=60", "-seed=1", f"-artifact_prefix={tmp_path}/"],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
        capture_output=True, timeout=300,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-3000:].decode("utf-8", "replace")
