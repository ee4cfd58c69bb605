"""A person forgotten: no trace of them in any byte of the folder, and every total as it was.

The search here is its own: it opens what it finds with the standard library and the readers of
Parquet and DuckDB, and asks the program nothing. That erasure has to reach copies and rows set
aside as well is the sense of Article 17 GDPR; what it asks for beyond is for the operator's law.
"""

from __future__ import annotations

import gzip
import hashlib
import io
import json
import shutil
import zipfile
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pytest
import xlsxwriter
from fleets import FLEET_TOML, MONDAY, NOW, drive_and_charge, drop, write_fleet

from pipeline.config import load_fleet
from pipeline.edition import compute, make_edition, take_in, warehouse_of
from pipeline.minutes import minutes
from pipeline.people import compact as compact_module
from pipeline.people.access import write_access
from pipeline.people.forget import Forgotten, forget, unfinished_n
from pipeline.people.keys import key_ring, pseudonym
from pipeline.problems import ColdMinutesError

DRIVER, NAME, ALIAS = "drv-ylva", "Ylva Fjörd", "Ylvis"
OTHER = "drv-bo"
WEEK = "2026-W03"
PRIVACY = """
[privacy]
driver_analysis = "names"
purpose = "coaching"
agreed_on = 2026-01-05
agreement = "agreed with Ylvis and the other drivers"
"""
DRIVERS = f"""
# Ylva Fjörd is the first of them.
[drivers.{OTHER}]
name = "Bo Sand"

[drivers.{DRIVER}]
name = "{NAME}"
aliases = ["{ALIAS}"]
"""
ROSTER = """
kind = "driver_spans"
files = ["roster*"]
members = ["*.csv"]
supersedes = "name"
[vehicle]
column = "vehicle"
[columns]
from_at = { column = "from" }
to_at = { column = "to" }
driver_id = { column = "driver", values = { 77 = "drv-ylva" } }
use = { column = "use" }
"""
HEADER = "vehicle,from,to,driver,use\n"


def span(day: int, driver: str, from_h: int = 5, to_h: int = 12, use: str = "") -> str:
    date = MONDAY + timedelta(days=day)
    from_at, to_at = (f"{date:%Y-%m-%d}T{hour:02d}:00:00Z" for hour in (from_h, to_h))
    return f"v1,{from_at},{to_at},{driver},{use}"


def rosters(inbox: Path) -> None:
    """The person in every packing there is, one day each, and in rows set aside and replaced."""
    day0 = [span(0, DRIVER), span(0, DRIVER, 8, 9, "break"), span(0, ALIAS, 7, 6)]
    (inbox / "roster_a.csv").write_text(HEADER + "\n".join(day0) + "\n")
    (inbox / "roster_a_v2.csv").write_text(HEADER + span(0, ALIAS, 4) + "\n" + day0[1] + "\n")
    plain = HEADER + span(1, NAME) + "\n" + span(2, OTHER) + "\n"
    (inbox / f"roster_{ALIAS}.csv.gz").write_bytes(gzip.compress(plain.encode()))
    with zipfile.ZipFile(inbox / "roster_z.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("week.csv", HEADER + span(3, NAME.upper()) + "\n")
    names = HEADER.strip().split(",")
    cells = span(4, DRIVER).split(",")
    pl.DataFrame([cells], schema=names, orient="row").write_parquet(inbox / "roster_p.parquet")
    with xlsxwriter.Workbook(inbox / "roster_x.xlsx", {"in_memory": True}) as book:
        book.set_properties({"author": NAME})
        sheet = book.add_worksheet()
        for number, row in enumerate([names, span(5, NAME).split(",")]):
            sheet.write_row(number, 0, row)


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A week of seven charges, six of them the person's, at the level of names, with reports."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setenv("COLDMINUTES_PEOPLE_KEY", "k" * 64)
        yield made_fleet(tmp_path_factory.mktemp("template") / "fleet")


@pytest.fixture
def folder(template: Path, tmp_path: Path) -> Path:
    """A copy of it."""
    return shutil.copytree(template, tmp_path / "fleet")


def made_fleet(path: Path) -> Path:
    made = write_fleet(
        path, FLEET_TOML + "driver_value_per_hour = 30\n" + PRIVACY,
        drivers=DRIVERS,
    )  # fmt: skip
    (made / "sources" / "roster.toml").write_text(ROSTER)
    rosters(made / "inbox")
    for day in range(7):
        plug_in = MONDAY + timedelta(hours=2, days=day)
        drop(made, drive_and_charge(plug_in=plug_in), f"log_{day}.csv")
    make_edition(load_fleet(made), pdf=False, now=NOW, week_id=WEEK)
    pages = made / "reports" / WEEK / "drivers"
    pages.mkdir(exist_ok=True)
    (pages / "ylva-fjörd.pdf").write_bytes(b"%PDF-1.7 as a page of that driver would be")
    return made


def words(folder: Path) -> list[str]:
    labels = [pseudonym(key, DRIVER).split()[-1] for key in key_ring(load_fleet(folder))]
    return [DRIVER, NAME, ALIAS, "Ylva", "Fj\\u00f6rd", *labels]


def contents(name: str, content: bytes) -> list[bytes]:
    """A file's bytes, and those of everything packed in it."""
    found = [name.encode(), content]
    if name.endswith(".gz"):
        found += contents(name[:-3], gzip.decompress(content))
    elif name.endswith((".zip", ".xlsx")):
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            for info in archive.infolist():
                found += contents(info.filename, archive.read(info))
    elif name.endswith(".parquet"):
        found.append(repr(pl.read_parquet(io.BytesIO(content)).to_dicts()).encode())
    return found


def found_in(folder: Path, sought: list[str]) -> list[str]:
    """Files and tables in which one of the words stands, whatever its case."""
    needles = {word.lower().encode(code) for word in sought for code in ("utf-8", "latin-1")}
    needles |= {word.upper().encode() for word in sought} | {word.encode() for word in sought}
    hits = []
    for path in sorted(folder.rglob("*")):
        texts = contents(path.name, path.read_bytes()) if path.is_file() else [path.name.encode()]
        if any(needle in text or needle in text.lower() for text in texts for needle in needles):
            hits.append(path.relative_to(folder).as_posix())
    with duckdb.connect(str(folder / ".coldminutes" / "warehouse.duckdb"), read_only=True) as con:
        for (table,) in con.execute("select table_name from duckdb_tables()").fetchall():
            rows = json.dumps(con.execute(f'select * from "{table}"').fetchall(), default=str)
            text = rows.lower() + json.dumps(rows, ensure_ascii=False).lower()
            if any(word.lower() in text for word in sought):
                hits.append(f"table {table}")
    return hits


def totals(folder: Path) -> dict[str, Any]:
    """Sums of the edition and of the warehouse that say nothing of who drove."""
    summary = json.loads((folder / "reports" / WEEK / "summary.json").read_text())
    sums = {key: value for key, value in summary.items() if isinstance(value, int | float)}
    with duckdb.connect(str(folder / ".coldminutes" / "warehouse.duckdb"), read_only=True) as con:
        rows = con.execute(
            "select count(*), round(sum(energy_kwh), 6), round(sum(lost_min), 6), "
            "round(sum(lost_cold_min), 6), round(sum(warming_cost), 6), "
            "round(sum(marginal_cost), 6), round(sum(net_missed_min), 6) from judged_stops"
        ).fetchall()
    return sums | {"warehouse": rows}


def read_and_computed(folder: Path) -> None:
    """All of an edition but its weekly tables and documents."""
    fleet = load_fleet(folder)
    with warehouse_of(fleet) as con:
        take_in(con, fleet, NOW)
        compute(con, fleet)
        minutes(con, fleet, WEEK)


def drivers_of_stops(folder: Path) -> list[str | None]:
    with duckdb.connect(str(folder / ".coldminutes" / "warehouse.duckdb"), read_only=True) as con:
        rows = con.execute("select driver_id from stops order by plug_in_at").fetchall()
    return [row[0] for row in rows]


def forgotten(folder: Path) -> Forgotten:
    return forget(load_fleet(folder), NAME, "tester", NOW)


def test_no_byte_is_left_and_no_total_changes(folder: Path) -> None:
    sought = words(folder)
    assert len(found_in(folder, sought)) >= 10, "the search finds what is there"
    assert drivers_of_stops(folder).count(DRIVER) == 5
    before = totals(folder)
    done = forgotten(folder)
    assert done.remains == []
    assert done.dropped == [], "every packing of this fleet can be rewritten"
    assert len(done.rewritten) == 6
    assert done.weeks == [WEEK]
    assert found_in(folder, sought) == []
    assert set(drivers_of_stops(folder)) == {None, OTHER}
    # The edition made anew, everything read and computed again from what is left in the inbox.
    edition = make_edition(load_fleet(folder), pdf=False, now=NOW, week_id=WEEK)
    assert edition.intake.files_failed_n == 0
    after = totals(folder)
    rate = "unassigned_driver_rate"
    assert after.pop(rate) > before.pop(rate), "more stops are nobody's, as said"
    assert after == before
    assert set(drivers_of_stops(folder)) == {None, OTHER}
    assert found_in(folder, sought) == []


def test_a_warehouse_built_anew_has_the_same_totals(folder: Path) -> None:
    before = totals(folder)
    forgotten(folder)
    (folder / ".coldminutes" / "warehouse.duckdb").unlink()
    read_and_computed(folder)
    assert totals(folder)["warehouse"] == before["warehouse"]


def test_rewritten_files_are_not_taken_in_again(folder: Path) -> None:
    forgotten(folder)
    with warehouse_of(load_fleet(folder)) as con:
        stored = con.sql("select file_path, content_sha256, size_bytes from files").pl()
    inbox = folder / "inbox"
    for path, digest, size in stored.iter_rows():
        if path.endswith("week.csv"):
            content = zipfile.ZipFile(inbox / "roster_z.zip").read("week.csv")
        else:
            content = (inbox / path).read_bytes()
        assert (hashlib.sha256(content).hexdigest(), len(content)) == (digest, size), path


def test_a_new_export_does_not_bring_them_back(folder: Path) -> None:
    forgotten(folder)
    rows = [span(6, "77", 4), span(6, NAME), span(6, OTHER, 12, 13)]
    rows.append(span(6, f" {ALIAS.upper()} ", 13, 12))  # is set aside: it ends before it begins
    (folder / "inbox" / "roster_late.csv").write_text(HEADER + "\n".join(rows) + "\n")
    read_and_computed(folder)
    (folder / "inbox" / "roster_late.csv").unlink()
    assert found_in(folder, [DRIVER, NAME, ALIAS, "Ylva"]) == []
    assert drivers_of_stops(folder)[-1] is None


def test_without_its_key_nothing_is_taken_in(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    forgotten(folder)
    old = key_ring(load_fleet(folder))[0].decode()
    (folder / "inbox" / "roster_late.csv").write_text(HEADER + span(6, NAME) + "\n")
    monkeypatch.setenv("COLDMINUTES_PEOPLE_KEY", "n" * 40)
    with pytest.raises(ColdMinutesError, match="PEOPLE-02"):
        read_and_computed(folder)
    # A new key on top of the old one: names change, the list still holds.
    monkeypatch.setenv("COLDMINUTES_PEOPLE_KEY", f"{'n' * 40} {old}")
    read_and_computed(folder)
    assert set(drivers_of_stops(folder)) == {None, OTHER}


@pytest.mark.parametrize(
    "step",
    [
        pytest.param("rows_without", marks=pytest.mark.long),
        "inbox_without",
        pytest.param("unissue", marks=pytest.mark.long),
        "compact",
    ],
)
def test_broken_off_and_said_again(
    folder: Path, step: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    sought = words(folder)
    before = totals(folder)

    def killed(*_: Any) -> Any:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(f"pipeline.people.forget.{step}", killed)
        with pytest.raises(KeyboardInterrupt):
            forgotten(folder)
    with warehouse_of(load_fleet(folder)) as con:
        assert unfinished_n(con) == 1
    done = forget(load_fleet(folder), DRIVER, "tester", NOW + timedelta(hours=1))
    assert done.remains == []
    assert found_in(folder, sought) == []
    with warehouse_of(load_fleet(folder)) as con:
        assert unfinished_n(con) == 0
        assert con.execute("select count(*) from forgettings").fetchall() == [(2,)]
    with warehouse_of(load_fleet(folder)) as con:
        compute(con, load_fleet(folder))
    assert totals(folder)["warehouse"] == before["warehouse"]


def test_a_copy_that_fails_leaves_the_warehouse(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = folder / ".coldminutes" / "warehouse.duckdb"
    before = path.read_bytes()

    def fails(_: Any) -> None:
        raise duckdb.IOException("Could not write: no space left on device")

    monkeypatch.setattr(compact_module, "_check", fails)
    with pytest.raises(ColdMinutesError, match="ENV-02"):
        compact_module.compact(path)
    assert path.read_bytes() == before
    assert [each.name for each in path.parent.glob("*.fresh*")] == []


def test_a_slip_of_the_pen_changes_nothing(folder: Path) -> None:
    before = {path: path.read_bytes() for path in (folder / "inbox").iterdir()}
    with pytest.raises(ColdMinutesError, match="PEOPLE-06"):
        forget(load_fleet(folder), "drv-yvla", "tester", NOW)
    assert {path: path.read_bytes() for path in (folder / "inbox").iterdir()} == before
    assert not (folder / "forgotten.txt").exists()


def test_access_hands_over_what_is_held(folder: Path, tmp_path: Path) -> None:
    fleet = load_fleet(folder)
    out = tmp_path / "held.zip"
    with warehouse_of(fleet) as con:
        rows = write_access(con, fleet, ALIAS, out, datetime(2026, 3, 1, tzinfo=UTC))
    assert out.stat().st_mode & 0o077 == 0
    assert rows["stops"] == 5
    assert rows["driver_spans"] == 6
    assert rows["quarantine"] == 1
    assert rows["superseded_rows"] == 1
    with zipfile.ZipFile(out) as archive:
        about = json.loads(archive.read("person.json"))
        spans = pl.read_csv(archive.read("driver_spans.csv"))
        everything = b"".join(archive.read(name) for name in archive.namelist())
    assert about["configuration"]["name"] == NAME
    assert len(about["exports_that_name_the_person"]) == 6
    assert about["editions_that_speak_of_the_person"] == [WEEK]
    assert set(spans["driver_id"]) == {DRIVER}
    assert OTHER.encode() not in everything and b"Bo Sand" not in everything


def test_access_to_nobody_and_to_no_place(folder: Path, tmp_path: Path) -> None:
    fleet = load_fleet(folder)
    with warehouse_of(fleet) as con:
        with pytest.raises(ColdMinutesError, match="PEOPLE-06"):
            write_access(con, fleet, "nobody-known", tmp_path / "held.zip", NOW)
        with pytest.raises(ColdMinutesError, match="PEOPLE-07"):
            write_access(con, fleet, NAME, folder / "held.zip", NOW)
    assert not (tmp_path / "held.zip").exists()
