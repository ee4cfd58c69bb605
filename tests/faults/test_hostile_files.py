"""Hostile input: a clear error or a quarantine row, and not one byte outside the fleet folder.

What `test_bad_input.py` holds already is not repeated here.
"""

from __future__ import annotations

import gzip
import hashlib
import io
import os
import stat
import time
import zipfile
from collections.abc import Iterator
from pathlib import Path

import duckdb
import polars as pl
import pyarrow as pa
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.config import Limits
from pipeline.ingest import IngestReport
from pipeline.warehouse import open_warehouse
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
EVERY = SAMPLES.replace(
    '"van_*.parquet"', '"van_*.parquet", "van_*.zst", "van_*.xlsm", "van_*.jsonl"'
)
LONG_LINE_MB = int(os.environ.get("COLDMINUTES_LONG_LINE_MB", "64"))


@pytest.fixture
def world(tmp_path: Path) -> Iterator[Path]:
    """A fleet folder beside things that nothing may read or change; looked at again at the end."""
    outside = tmp_path / "outside"
    (outside / "deep").mkdir(parents=True)
    (outside / "van_secret.csv").write_text(text(row(0, van="secret")))
    (outside / "deep" / "keep.txt").write_text("keep")
    folder = write_fleet(tmp_path / "fleet", {"logger": EVERY})
    before = snapshot(tmp_path, folder)
    yield folder
    assert snapshot(tmp_path, folder) == before, "something outside the fleet folder changed"


def snapshot(root: Path, but: Path) -> dict[str, str]:
    """Every file outside `but`, with the hash of its content."""
    return {
        str(path.relative_to(root)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(root.rglob("*"))
        if path.is_file() and not path.is_relative_to(but)
    }


def taken(folder: Path, name: str, content: str | bytes) -> IngestReport:
    """Drop a file between two good ones, which must come in whole; nothing secret may."""
    drop(folder, "van_0.csv", GOOD)
    drop(folder, name, content)
    drop(folder, "van_zz.csv", GOOD.replace("good", "good2"))
    with opened(folder) as (con, fleet):
        report = take_in(con, fleet)
        came = dict(con.sql("select vehicle_id, count(*) from samples group by all").fetchall())
        assert came.pop("good") == came.pop("good2") == 10
        assert "secret" not in came
    return report


def zipped(members: dict[str, bytes], method: int = zipfile.ZIP_DEFLATED) -> bytes:
    """A zip with these members."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", method) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return out.getvalue()


ZEROS = b"0" * 60_000_000


@pytest.mark.parametrize(
    ("name", "content", "code"),
    [
        ("van_a.csv.gz", lambda: gzip.compress(ZEROS), "INGEST-08"),
        ("van_a.csv.gz", lambda: gzip.compress(gzip.compress(ZEROS)), "INGEST-02"),
        ("van_a.zip", lambda: zipped({"van_a.csv": ZEROS}), "INGEST-08"),
        ("van_a.zip", lambda: zipped({"van_a.csv.gz": gzip.compress(ZEROS)}), "INGEST-07"),
        ("van_a.zip", lambda: zipped({"a.zip": zipped({"b.csv": ZEROS})}), "INGEST-07"),
        ("van_a.csv.zst", lambda: pa.compress(ZEROS, codec="zstd", asbytes=True), "INGEST-08"),
        ("van_a.csv.zst", lambda: b"(\xb5/\xfd" + b"\0" * 50, "INGEST-02"),
        ("van_a.zip", lambda: zipped({"van_a.csv": b"x" * 5000})[:-30], "INGEST-02"),
    ],
    ids=["gz", "gz in gz", "zip", "gz in zip", "zip in zip", "zst", "not zst", "cut zip"],
)
def test_bombs_stop_while_they_swell(world: Path, name: str, content: object, code: str) -> None:
    assert callable(content)
    report = taken(world, name, content())
    assert codes(report) == [code], report.problems
    assert report.problems[0].remedy


def test_an_archive_that_lies_about_its_sizes_is_counted_as_it_unpacks(world: Path) -> None:
    honest = zipped({"van_a.csv": ZEROS})
    size = len(ZEROS).to_bytes(4, "little")
    assert honest.count(size) == 2
    report = taken(world, "van_a.zip", honest.replace(size, (5000).to_bytes(4, "little")))
    assert len(report.problems) == 1
    assert report.problems[0].code in ("INGEST-02", "INGEST-08")


@pytest.mark.parametrize(
    "name",
    [
        "../van_up.csv",
        "../../outside/van_secret.csv",
        "/etc/van_a.csv",
        "C:\\van_a.csv",
        "..\\..\\van_a.csv",
        "a/../../van_a.csv",
    ],
)
def test_names_that_lead_out_of_an_archive(world: Path, name: str) -> None:
    report = taken(world, "van_a.zip", zipped({name: GOOD.replace("good", "x").encode()}))
    assert codes(report) == ["INGEST-07"]


def test_a_link_in_an_archive_is_a_file_that_holds_a_path(world: Path) -> None:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        info = zipfile.ZipInfo("van_link.csv")
        info.external_attr = (stat.S_IFLNK | 0o777) << 16
        archive.writestr(info, str(world.parent / "outside" / "van_secret.csv"))
    assert codes(taken(world, "van_a.zip", out.getvalue())) == ["INGEST-04"]


def test_what_is_no_file_or_leads_out_is_not_opened(world: Path) -> None:
    inbox = world / "inbox"
    (inbox / "van_a.csv").symlink_to(world.parent / "outside" / "van_secret.csv")
    (inbox / "van_b.csv").symlink_to("/dev/zero")
    (inbox / "van_loop.csv").symlink_to(inbox / "van_loop.csv")
    (inbox / "van_folder").symlink_to(world.parent / "outside")
    os.mkfifo(inbox / "van_fifo.csv")
    try:
        os.mknod(inbox / "van_null.csv", stat.S_IFCHR | 0o666, os.makedev(1, 5))
        refused_n = 6
    except PermissionError:
        refused_n = 5
    began_s = time.monotonic()
    report = taken(world, "van_fine.csv", text(row(0, van="fine")))
    assert codes(report) == ["INGEST-07"] * refused_n
    assert time.monotonic() - began_s < 20


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may read every file")
def test_a_file_that_may_not_be_read(world: Path) -> None:
    drop(world, "van_a.csv", GOOD).chmod(0)
    report = taken(world, "van_b.csv", text(row(0, van="b")))
    assert codes(report) == ["INGEST-02"]
    assert "Permission denied" in report.problems[0].message


def workbook(sheet: str, doctype: str = "", shared: str = "") -> bytes:
    """The least that is a workbook, with a sheet of ours."""
    kind = "application/vnd.openxmlformats-officedocument.spreadsheetml"
    office = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
    packages = "http://schemas.openxmlformats.org/package/2006"
    main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    head = '<?xml version="1.0"?>'
    return zipped(
        {
            "[Content_Types].xml": f'{head}<Types xmlns="{packages}/content-types">'
            '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.'
            'relationships+xml"/><Default Extension="xml" ContentType="application/xml"/>'
            f'<Override PartName="/xl/workbook.xml" ContentType="{kind}.sheet.main+xml"/>'
            f'<Override PartName="/xl/worksheets/s.xml" ContentType="{kind}.worksheet+xml"/>'
            f'<Override PartName="/xl/sharedStrings.xml" ContentType="{kind}.sharedStrings+xml"/>'
            "</Types>".encode(),
            "_rels/.rels": f'{head}<Relationships xmlns="{packages}/relationships">'
            f'<Relationship Id="r1" Type="{office}/officeDocument" Target="xl/workbook.xml"/>'
            "</Relationships>".encode(),
            "xl/workbook.xml": f'{head}<workbook xmlns="{main}" xmlns:r="{office}"><sheets>'
            '<sheet name="s" sheetId="1" r:id="r1"/></sheets></workbook>'.encode(),
            "xl/_rels/workbook.xml.rels": f'{head}<Relationships xmlns="{packages}/relationships">'
            f'<Relationship Id="r1" Type="{office}/worksheet" Target="worksheets/s.xml"/>'
            f'<Relationship Id="r2" Type="{office}/sharedStrings" Target="sharedStrings.xml"/>'
            "</Relationships>".encode(),
            "xl/worksheets/s.xml": f'{head}{doctype}<worksheet xmlns="{main}"><sheetData>{sheet}'
            "</sheetData></worksheet>".encode(),
            "xl/sharedStrings.xml": f'{head}{doctype}<sst xmlns="{main}">{shared}</sst>'.encode(),
        }
    )


def cells(*rows: str) -> str:
    """Rows of inline text."""
    return "".join(
        f'<row r="{n}">'
        + "".join(
            f'<c r="{chr(65 + i)}{n}" t="inlineStr"><is><t>{cell}</t></is></c>'
            for i, cell in enumerate(line.split(","))
        )
        + "</row>"
        for n, line in enumerate(rows, 1)
    )


def test_a_plain_workbook_of_this_make_is_read(world: Path) -> None:
    """Else the tests below would pass for the wrong reason."""
    report = taken(world, "van_a.xlsx", workbook(cells(HEADER, row(0, van="w"))))
    assert (codes(report), report.rows_used_n) == ([], 21)


LAUGHS = "<!DOCTYPE s [<!ENTITY l0 'ha'>" + "".join(
    f"<!ENTITY l{n} '{f'&l{n - 1};' * 10}'>" for n in range(1, 10)
)


@pytest.mark.parametrize(
    "doctype",
    [
        LAUGHS + "]>",
        "<!DOCTYPE s [<!ENTITY l9 SYSTEM 'file:///etc/passwd'>]>",
        "<!DOCTYPE s [<!ENTITY % p SYSTEM 'http://127.0.0.1:9/x'>%p;<!ENTITY l9 'x'>]>",
    ],
    ids=["billion laughs", "a file", "the network"],
)
def test_entities_of_a_workbook_are_not_followed(world: Path, doctype: str) -> None:
    began_s = time.monotonic()
    report = taken(world, "van_a.xlsx", workbook(cells(HEADER, row(0, van="&l9;")), doctype))
    assert time.monotonic() - began_s < 20
    assert report.rows_read_n in (20, 21)
    if report.rows_read_n == 21:
        # The entity stays a name, or nothing: never what it stands for.
        with opened(world) as (con, fleet):
            take_in(con, fleet)
            named = con.sql("select distinct vehicle_id from samples").fetchall()
            assert not any("root:" in name or "haha" in name for (name,) in named)


def test_a_workbook_that_swells_is_refused_before_it_is_read(world: Path) -> None:
    report = taken(world, "van_a.xlsx", workbook(cells(HEADER), "", "<si>" + " " * 60_000_000))
    assert codes(report) == ["INGEST-08"]


def test_a_hundred_thousand_columns(world: Path) -> None:
    more_n = 100_000
    head = HEADER + "," + ",".join(f"c{n}" for n in range(more_n))
    content = f"{head}\n{row(0, van='wide')}{',1' * more_n}\n{row(1, van='wide')}\n"
    began_s = time.monotonic()
    report = taken(world, "van_a.csv", content)
    assert time.monotonic() - began_s < 60
    assert len(report.problems) == 1
    # Either refused as a whole, or the row without its cells set aside; never a crash.
    assert report.problems[0].code in ("INGEST-02", "INGEST-03", "INGEST-04")


@pytest.mark.parametrize("where", ["header", "cell", "quoted"])
def test_one_very_long_line(world: Path, where: str) -> None:
    """64 MB here; COLDMINUTES_LONG_LINE_MB=1000 asks for the gigabyte."""
    filler = b"x" * (LONG_LINE_MB * 1_000_000)
    line = {
        "header": filler,
        "cell": f"{HEADER}\n".encode() + row(0, soc="@").encode().replace(b"@", filler),
        "quoted": f"{HEADER}\n".encode() + row(0, soc="@").encode().replace(b"@", b'"' + filler),
    }[where]
    report = taken(world, "van_a.csv", line + b"\n" + row(1).encode() + b"\n")
    assert len(report.problems) == 1
    assert len(str(report.problems[0])) < 2000


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (GOOD.encode() + b"a\0b,2026-01-05T11:00:00Z,1,1,1,0\n", "INGEST-02"),
        (b"\0" * 100, "INGEST-02"),
        (GOOD.encode() + b"\0" * 70_000, "INGEST-02"),
        (GOOD.encode() + "måns,2026-01-05T11:00:00Z,1,1,1,0\n".encode("cp1252"), "INGEST-09"),
        (("\ufeff" + GOOD).encode("utf-16-le"), "INGEST-02"),
        (("\ufeff" + GOOD).encode("utf-16-be"), "INGEST-02"),
        (GOOD.encode() + GOOD.encode("utf-16-le"), "INGEST-02"),
        (GOOD.encode("utf-32"), "INGEST-02"),
    ],
    ids=[
        "NUL in a name", "only NUL", "NUL at the end", "cp1252 in UTF-8", "UTF-16 LE", "UTF-16 BE",
        "UTF-16 after UTF-8", "UTF-32",
    ],
)  # fmt: skip
def test_bytes_that_are_no_text_of_the_encoding(world: Path, content: bytes, code: str) -> None:
    report = taken(world, "van_a.csv", content.replace(b"good", b"bad!"))
    assert codes(report) == [code], report.problems


@pytest.mark.parametrize("late", [100_000, 3_000_000])
def test_a_nul_late_in_a_file_is_no_part_of_a_name(world: Path, late: int) -> None:
    """Beyond the head that is looked at, a NUL is a character that no vehicle's name may hold."""
    lines = "\n".join(
        f"bad,2026-01-05T{m // 3600:02d}:{m // 60 % 60:02d}:{m % 60:02d}Z,5,1,1,0"
        for m in range(min(late // 40, 86_000))
    )
    content = f"{HEADER}\n{lines}\n".encode() + b"a\0b,2026-01-06T11:00:00Z,1,1,1,0\n"
    report = taken(world, "van_a.csv", content)
    assert codes(report) in (["INGEST-03"], ["INGEST-02"])
    if codes(report) == ["INGEST-03"]:
        assert "bad_vehicle_id" in report.problems[0].message
        assert "\0" not in str(report.problems[0])


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "utf-16-le", "utf-32"])
def test_encodings_that_are_named_are_read_with_and_without_their_mark(
    world: Path, encoding: str
) -> None:
    (world / "sources" / "logger.toml").write_text(
        EVERY.replace("[vehicle]", f'[csv]\nencoding = "{encoding}"\n[vehicle]')
    )
    for name, mark in (("van_a.csv", ""), ("van_b.csv", "\ufeff")):
        if mark and encoding != "utf-16-le":
            continue  # the others write their own
        drop(world, name, (mark + text(row(0, van=f"måns {name[4]}"))).encode(encoding))
    with opened(world) as (con, fleet):
        report = take_in(con, fleet)
        assert report.problems == []
        assert "måns a" in samples(con)["vehicle_id"].to_list()


HOSTILE_IDS = {
    "a'; drop table samples; --": True,
    'say ""hi""': True,
    "=HYPERLINK(1)": True,
    "@SUM(A1)": True,
    "../../etc/passwd": True,
    "CON": True,
    "NUL.csv": True,
    "..": True,
    "a/b\\c": True,
    "<script>alert(1)</script>": True,
    "{{ 7*7 }}": True,
    "van\u202e10": False,
    "van\u200f10": False,
    "van\u200b10": False,
    "van\ufeff10": False,
    "van\u2028 10": False,
    "van\x1b[2J": False,
    "x" * 300: False,
}


@pytest.mark.parametrize("name", HOSTILE_IDS, ids=ascii)
def test_names_of_vehicles_harm_nothing(world: Path, name: str) -> None:
    """Strange names are names; those that hide or steer are set aside."""
    quoted = '"' + name.replace('""', '"').replace('"', '""') + '"'
    drop(world, "van_a.csv", text(row(0, van=quoted), row(1, van="b")))
    with opened(world) as (con, fleet):
        take_in(con, fleet)
        found = set(samples(con)["vehicle_id"].to_list())
        assert found == ({name.replace('""', '"'), "b"} if HOSTILE_IDS[name] else {"b"})
        told = [value for _, _, _, value in quarantined(con) if value]
        assert all(value.isprintable() for value in told)


def test_a_whole_report_of_hostile_names_stays_in_its_folder(tmp_path: Path) -> None:
    from datetime import UTC, datetime

    from fleets import drive_and_charge
    from fleets import write_fleet as whole_fleet

    from pipeline.config import load_fleet
    from pipeline.edition import make_edition

    folder = whole_fleet(tmp_path / "fleet")
    names = [name.replace('""', '"') for name, is_a_name in HOSTILE_IDS.items() if is_a_name]
    frames = [drive_and_charge(vehicle=name, site=name, interval_s=30) for name in names]
    pl.concat(frames).write_csv(folder / "inbox" / "log_1.csv")
    before = snapshot(tmp_path, folder)
    now = datetime(2026, 2, 1, tzinfo=UTC)
    edition = make_edition(load_fleet(folder), "2026-W03", pdf=False, now=now)
    assert snapshot(tmp_path, folder) == before
    assert all(path.is_relative_to(folder / "reports" / "2026-W03") for path in edition.paths)
    page = next(path for path in edition.paths if path.suffix == ".html").read_text("utf-8")
    assert "<script>alert(1)" not in page
    assert ">49<" not in page
    tables = list((folder / "reports" / "2026-W03" / "tables").glob("*.csv"))
    assert tables
    for path in tables:
        for line in path.read_text("utf-8").splitlines():
            assert not any(cell.lstrip('"').startswith(("=", "@")) for cell in line.split(",")), (
                line
            )


def test_no_statement_can_reach_the_file_system(tmp_path: Path) -> None:
    """Not of the warehouse in use, not after it was opened again, and nobody can switch it on."""
    secret = tmp_path / "secret.csv"
    secret.write_text("a\n1\n")
    attempts = [
        f"select * from read_csv('{secret}')",
        f"select * from read_text('{secret}')",
        f"select * from '{secret}'",
        f"copy (select 1) to '{tmp_path}/out.csv'",
        f"attach '{tmp_path}/other.duckdb' as other",
        "install httpfs",
        "load httpfs",
        "set enable_external_access = true",
        "set TimeZone = 'Asia/Tokyo'",  # no setting at all
        f"set temp_directory = '{tmp_path}'",
        f"export database '{tmp_path}/all'",
        f"select * from glob('{tmp_path}/*')",
    ]
    for path in (None, tmp_path / "w.duckdb", tmp_path / "w.duckdb"):
        con = open_warehouse(path, Limits())
        assert con.sql("select current_setting('enable_external_access')").fetchall() == [(False,)]
        for attempt in attempts:
            with pytest.raises(duckdb.Error):
                con.execute(attempt).fetchall()
        con.close()
    assert {path.name for path in tmp_path.iterdir()} == {"secret.csv", "w.duckdb"}


GOOD_FILES = {
    "van_f.csv": GOOD.encode(),
    "van_f.csv.gz": gzip.compress(GOOD.encode(), mtime=0),
    "van_f.zip": zipped({"van_x.csv": GOOD.encode()}),
    "van_f.xlsx": workbook(cells(HEADER, *GOOD.splitlines()[1:])),
    "van_f.csv.zst": pa.compress(GOOD.encode(), codec="zstd", asbytes=True),
}


def _parquet() -> bytes:
    out = io.BytesIO()
    pl.read_csv(io.StringIO(GOOD), infer_schema=False).write_parquet(out)
    return out.getvalue()


GOOD_FILES["van_f.parquet"] = _parquet()


@st.composite
def spoiled(draw: st.DrawFn) -> tuple[str, bytes]:
    """A good file with bytes changed, cut out or put in; or bytes that were never a file."""
    name = draw(st.sampled_from(sorted(GOOD_FILES)))
    if draw(st.integers(0, 5)) == 0:
        return name, draw(st.binary(max_size=400))
    content = bytearray(GOOD_FILES[name])
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(content)))
        end = min(len(content), at + draw(st.integers(0, 12)))
        content[at:end] = draw(st.binary(max_size=12))
    return name, bytes(content)


@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
@given(spoiled())
def test_any_bytes_end_in_findings_and_never_in_a_crash(
    tmp_path_factory: pytest.TempPathFactory, made: tuple[str, bytes]
) -> None:
    """`take_in` holds every run to the law of rows; a good file beside it always comes in."""
    name, content = made
    folder = write_fleet(tmp_path_factory.mktemp("fuzz"), {"logger": EVERY})
    drop(folder, name, content)
    drop(folder, "van_g.csv", GOOD.replace("good", "beside"))
    with opened(folder) as (con, fleet):
        report = take_in(con, fleet)
        assert con.sql("select count(*) from samples where vehicle_id = 'beside'").fetchall() == [
            (10,)
        ]
        assert all(
            str(problem).isprintable() or "\n" in str(problem) for problem in report.problems
        )
