"""Exports that come by themselves: settled or renamed before they are taken, then archived."""

from __future__ import annotations

import gzip
import hashlib
import os
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import duckdb
import pyarrow as pa
import pytest
from small_fleet import NOW, SAMPLES, drop, row, samples, text, write_fleet

from pipeline.arrivals import archive as archive_module
from pipeline.arrivals import archive_taken, ready, settled
from pipeline.arrivals.settle import LOOK_AGAIN_S, SEEN_NAME, mark_whole
from pipeline.config import Fleet, Limits, load_fleet
from pipeline.ingest import IngestReport, ingest
from pipeline.ingest.archived import PACKED, list_archive
from pipeline.ingest.inbox import list_inbox
from pipeline.ingest.replace import replace_file
from pipeline.people.forget import forget
from pipeline.people.retention import retain
from pipeline.warehouse import open_warehouse

ARCHIVE = "[archive]\nenabled = true\n"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return write_fleet(tmp_path / "fleet", settings=ARCHIVE)


@pytest.fixture
def con() -> duckdb.DuckDBPyConnection:
    return open_warehouse(None, Limits())


def look(fleet: Fleet, after_s: float = 0) -> tuple[list[str], list[str]]:
    files, _ = list_inbox(fleet.inbox)
    taken, waiting = settled(files, NOW + timedelta(seconds=after_s), fleet)
    return [file.name for file in taken], [file.name for file in waiting]


def round_of(
    con: duckdb.DuckDBPyConnection, folder: Path, now: datetime = NOW
) -> tuple[IngestReport, int]:
    fleet = load_fleet(folder)
    report = ingest(con, fleet, now=now)
    return report, archive_taken(con, fleet, now).files_n


def test_a_file_is_taken_when_size_and_time_have_been_still_for_a_minute(folder: Path) -> None:
    fleet = load_fleet(folder)
    path = drop(folder, "van_a.csv", text(row(0)))
    assert look(fleet) == ([], ["van_a.csv"])
    assert look(fleet, 59) == ([], ["van_a.csv"])
    path.write_text(text(row(0), row(1)))  # it goes on growing
    assert look(fleet, 61) == ([], ["van_a.csv"])
    assert look(fleet, 120) == ([], ["van_a.csv"])
    os.utime(path, ns=(0, 1))  # as long as before, yet written anew; a share's clock may be wrong
    assert look(fleet, 122) == ([], ["van_a.csv"])
    assert look(fleet, 182) == (["van_a.csv"], [])


def test_a_clock_set_back_or_a_damaged_memory_only_makes_a_file_wait(folder: Path) -> None:
    fleet = load_fleet(folder)
    drop(folder, "van_a.csv", text(row(0)))
    look(fleet)
    assert look(fleet, -86400) == ([], ["van_a.csv"])
    assert look(fleet, -86400 + 60) == (["van_a.csv"], [])
    (fleet.state / SEEN_NAME).write_text('{"seen": [], "coming": 3')
    assert look(fleet, 200) == ([], ["van_a.csv"])
    assert look(fleet, 260) == (["van_a.csv"], [])


@pytest.mark.parametrize(
    "unfinished",
    ["van_a.csv.part", "van_a.csv.tmp", "van_a.csv.filepart", "van_a.csv.crdownload",
     ".van_a.csv", ".van_a.csv.Xy12Zq", "VAN_a.csv.PART"],
)  # fmt: skip
def test_an_unfinished_name_is_never_taken_and_a_rename_at_once(
    folder: Path, con: duckdb.DuckDBPyConnection, unfinished: str
) -> None:
    fleet = load_fleet(folder)
    path = drop(folder, f"sub/{unfinished}", text(row(0)))
    assert look(fleet) == ([], [])
    assert ingest(con, fleet, now=NOW).files_new_n == 0  # by hand as well
    final = "VAN_a.csv" if unfinished.startswith("VAN") else "van_a.csv"
    path.rename(path.with_name(final))
    assert look(fleet, 1) == ([f"sub/{final}"], [])
    assert look(fleet, 2) == ([f"sub/{final}"], [])  # a round may have broken off


def test_unattended_looks_again_before_it_leaves_a_file_to_the_next_round(
    folder: Path, con: duckdb.DuckDBPyConnection
) -> None:
    fleet = load_fleet(folder)
    drop(folder, "van_a.csv", text(row(0)))
    growing = drop(folder, "van_b.csv", text(row(0, van="b")))
    clock, slept = [NOW], []

    def sleep(seconds: float) -> None:
        slept.append(seconds)
        clock[0] += timedelta(seconds=seconds)
        growing.write_text(text(row(0, van="b"), row(1, van="b")))

    report = ingest(con, fleet, now=NOW, ready=ready(fleet, lambda: clock[0], sleep))
    assert (report.files_new_n, slept) == (1, [LOOK_AGAIN_S])
    assert samples(con)["vehicle_id"].to_list() == ["a"]
    assert ingest(con, fleet, now=NOW, ready=ready(fleet, lambda: clock[0], None)).files_new_n == 0
    assert ingest(con, fleet, now=NOW).rows_used_n == 2  # by hand all comes in at once


def test_no_name_stands_in_the_memory_of_what_was_seen(folder: Path) -> None:
    fleet = load_fleet(folder)
    drop(folder, "van_ylva.csv", text(row(0)))
    drop(folder, "van_ylva2.csv.part", "x")
    mark_whole(fleet, ["van_ylva3.csv"])
    look(fleet)
    assert b"ylva" not in (fleet.state / SEEN_NAME).read_bytes().lower()


def test_what_was_taken_in_moves_into_the_archive_and_stays_known(
    folder: Path, con: duckdb.DuckDBPyConnection
) -> None:
    content = text(*(row(minute) for minute in range(500)))
    drop(folder, "sub/van_a.csv", content)
    packed = drop(folder, "van_b.csv.gz", gzip.compress(text(row(0, van="b")).encode()))
    bytes_before = packed.read_bytes()
    left = drop(folder, "van_c.csv", "no header of ours\n")
    report, moved_n = round_of(con, folder)
    assert (report.files_new_n, moved_n) == (2, 2)
    assert [f.name for f in list_inbox(folder / "inbox")[0]] == ["van_c.csv"]
    assert left.exists()  # what could not be read waits for a person
    # 1 February 2026 is the Sunday of week 5 (ISO 8601).
    first = folder / "archive" / "2026-W05" / "001"
    path = first / "sub" / f"van_a.csv{PACKED}"
    with pa.input_stream(str(path), compression="zstd") as stream:
        assert stream.read().decode() == content
    assert path.stat().st_size < len(content) / 2
    assert (first / "van_b.csv.gz").read_bytes() == bytes_before
    rows = samples(con)
    drop(folder, "again_van_a.csv", content)  # the same content dropped once more, other name
    (folder / "inbox" / "again_van_a.csv").rename(folder / "inbox" / "van_again.csv")
    report, _ = round_of(con, folder)
    assert (report.files_new_n, report.rows_used_n) == (0, 0)
    assert samples(con).equals(rows)


def test_off_by_default_and_not_before_its_days(tmp_path: Path) -> None:
    con = open_warehouse(None, Limits())
    folder = write_fleet(tmp_path / "off")
    drop(folder, "van_a.csv", text(row(0)))
    assert round_of(con, folder)[1] == 0
    write_fleet(folder, settings=ARCHIVE + "after_days = 3\n")
    os.utime(folder / "inbox/van_a.csv", (NOW.timestamp() - 2 * 86400,) * 2)
    assert round_of(con, folder)[1] == 0
    assert round_of(con, folder, NOW + timedelta(days=2))[1] == 1


def test_a_new_warehouse_is_filled_from_the_archive_in_the_order_of_arrival(folder: Path) -> None:
    """Of two files that contradict each other the first counts, also where its name sorts last."""
    con = open_warehouse(None, Limits())
    drop(folder, "van_z.csv", text(row(0, soc=50), row(1)))
    round_of(con, folder)
    drop(folder, "van_a.csv", text(row(0, soc=60), row(2)))
    round_of(con, folder)
    drop(folder, "van_a.csv", text(row(3)))  # the name again, later in the same week
    round_of(con, folder)
    drop(folder, "van_b.csv", text(row(9)))
    assert [(a.sorting[-3:], a.name) for a in list_archive(load_fleet(folder))] == [
        ("001", "van_z.csv"), ("002", "van_a.csv"), ("003", "van_a.csv")]  # fmt: skip
    rebuilt = open_warehouse(None, Limits())
    report = ingest(rebuilt, load_fleet(folder), now=NOW)
    ingest(con, load_fleet(folder), now=NOW)
    assert report.files_new_n == 4
    assert samples(rebuilt).equals(samples(con))
    assert samples(rebuilt).height == 5
    assert samples(rebuilt)["soc_pct"][0] == 50
    tables = [
        c.execute("select file_path, rows_used_n from files order by all").fetchall()
        for c in (con, rebuilt)
    ]
    assert tables[0] == tables[1]
    assert ingest(rebuilt, load_fleet(folder), now=NOW).files_new_n == 0


def test_a_changed_mapping_reads_the_archive_anew_also_after_a_kill(
    folder: Path, con: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch
) -> None:
    other = SAMPLES.replace("van_", "other_")  # stays as it is, so the ledger is never empty
    write_fleet(folder, {"logger": SAMPLES, "other": other}, ARCHIVE)
    drop(folder, "van_a.csv", text(row(0), row(1)))
    drop(folder, "other_c.csv", text(row(0, van="c")))
    round_of(con, folder)
    drop(folder, "van_b.csv", text(row(0, van="b")))
    ingest(con, load_fleet(folder), now=NOW)
    assert samples(con)["pack_power_kw"].to_list() == [1.5, 1.5, 1.5, 1.5]
    changed = {"logger": SAMPLES.replace('"kW"', '"W"'), "other": other}
    write_fleet(folder, changed, ARCHIVE)

    with monkeypatch.context() as broken:
        broken.setattr("pipeline.ingest.stage._take_all", kill)
        with pytest.raises(KeyboardInterrupt):
            ingest(con, load_fleet(folder), now=NOW)
    assert samples(con)["vehicle_id"].to_list() == ["c"]  # the others are forgotten, not read yet
    report = ingest(con, load_fleet(folder), now=NOW)
    assert samples(con)["pack_power_kw"].to_list() == pytest.approx([0.0015] * 3 + [1.5])
    assert [p.code for p in report.problems if p.code == "INGEST-13"] == []
    assert con.execute("select count(*) from archive_reading").fetchall() == [(0,)]


def kill(*_: object, **__: object) -> None:
    raise KeyboardInterrupt


@pytest.mark.parametrize("step", ["_digest", "sync"])
def test_an_archiving_broken_off_loses_nothing_and_takes_nothing_in_twice(
    folder: Path, con: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    drop(folder, "van_a.csv", text(row(0), row(1)))
    with monkeypatch.context() as broken:
        broken.setattr(archive_module, step, kill)
        with pytest.raises(KeyboardInterrupt):
            round_of(con, folder)
    assert (folder / "inbox" / "van_a.csv").exists()
    report, moved_n = round_of(con, folder)
    assert (report.files_new_n, moved_n) == (0, 1)
    assert list_inbox(folder / "inbox")[0] == []
    assert not list(folder.glob("archive/**/.*"))
    rebuilt = open_warehouse(None, Limits())
    ingest(rebuilt, load_fleet(folder), now=NOW)
    assert samples(rebuilt).equals(samples(con))


def test_a_copy_that_does_not_read_back_leaves_the_export_where_it_is(
    folder: Path, con: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch
) -> None:
    drop(folder, "van_a.csv", text(row(0)))
    fleet = load_fleet(folder)
    ingest(con, fleet, now=NOW)
    monkeypatch.setattr(archive_module, "_digest", lambda *_, **__: "other")
    done = archive_taken(con, fleet, NOW)
    assert [p.code for p in done.problems] == ["ARRIVE-01"]
    assert done.files_n == 0
    assert list_archive(fleet) == []
    assert (folder / "inbox" / "van_a.csv").exists()


def test_a_damaged_file_of_the_archive_is_told_and_the_others_are_read(
    folder: Path, con: duckdb.DuckDBPyConnection
) -> None:
    drop(folder, "van_a.csv", text(*(row(n) for n in range(200))))
    drop(folder, "van_b.csv", text(row(0, van="b")))
    round_of(con, folder)
    path = next(folder.glob(f"archive/**/van_a.csv{PACKED}"))
    path.write_bytes(path.read_bytes()[:-20])
    rebuilt = open_warehouse(None, Limits())
    report = ingest(rebuilt, load_fleet(folder), now=NOW)
    assert "ARRIVE-02" in [p.code for p in report.problems]
    assert (report.files_new_n, report.files_failed_n) == (1, 1)
    assert samples(rebuilt)["vehicle_id"].to_list() == ["b"]


def test_an_archived_correction_can_still_be_said_to_replace(
    folder: Path, con: duckdb.DuckDBPyConnection
) -> None:
    drop(folder, "van_a.csv", text(row(0, soc=50)))
    drop(folder, "van_b.csv", text(row(0, soc=70)))
    round_of(con, folder)
    fleet = load_fleet(folder)
    replace_file(con, fleet, "van_a.csv", "van_b.csv", False, NOW)
    ingest(con, fleet, now=NOW)
    assert samples(con)["soc_pct"].to_list() == [70]


def test_retention_reaches_the_archive(folder: Path, con: duckdb.DuckDBPyConnection) -> None:
    settings = ARCHIVE + "[retention]\nsamples_months = 3\ndelete_inbox_files = true\n"
    write_fleet(folder, settings=settings)
    drop(folder, "van_a.csv", text(row(0)))
    round_of(con, folder)
    con.execute("delete from dirty_weeks")
    fleet = load_fleet(folder)
    later = datetime(2027, 1, 1, tzinfo=UTC)
    assert retain(con, fleet, NOW).inbox_files == []
    assert [p.name for p in retain(con, fleet, later).inbox_files] == [f"van_a.csv{PACKED}"]
    assert list_archive(fleet) == []


ROSTER = """
kind = "driver_spans"
files = ["roster*"]
[vehicle]
column = "vehicle"
[columns]
from_at = { column = "from" }
to_at = { column = "to" }
driver_id = { column = "driver" }
"""


def test_forgetting_reaches_the_archive(folder: Path) -> None:
    """Every byte of the archive is searched, unpacked; the sums of the ledger stay true."""
    drivers = '[drivers.drv-ylva]\nname = "Ylva Fjord"\n[drivers.drv-bo]\nname = "Bo Sand"\n'
    write_fleet(folder, {"logger": SAMPLES, "roster": ROSTER}, ARCHIVE, drivers=drivers)
    head = "vehicle,from,to,driver\n"
    lines = [f"a,2026-01-0{d}T05:00:00Z,2026-01-0{d}T07:00:00Z" for d in range(5, 9)]
    opened = [open_warehouse(load_fleet(folder).state / "warehouse.duckdb", Limits())]
    drop(folder, "roster.csv", f"{head}{lines[0]},drv-ylva\n{lines[1]},drv-bo\n")
    drop(folder, "van_a.csv", text(row(0)))
    round_of(opened[0], folder)
    drop(folder, "roster.csv", f"{head}{lines[2]},drv-ylva\n")  # the name again
    drop(folder, "roster_Ylva Fjord.csv.gz", gzip.compress(f"{head}{lines[3]},drv-bo\n".encode()))
    round_of(opened[0], folder)
    opened.pop().close()
    fleet = load_fleet(folder)
    assert b"ylva" in archived_bytes(fleet)
    untouched = next(a.path for a in list_archive(fleet) if a.name == "van_a.csv").stat()
    forget(fleet, "drv-ylva", "somebody", NOW)
    assert b"ylva" not in archived_bytes(fleet)
    assert b"drv-bo" in archived_bytes(fleet)
    assert not [path for path in folder.rglob("*") if "ylva" in path.name.lower()]
    after = next(a.path for a in list_archive(fleet) if a.name == "van_a.csv").stat()
    assert (after.st_ino, after.st_mtime_ns) == (untouched.st_ino, untouched.st_mtime_ns)
    # The ledger knows every file by its new content, each of one name by its own.
    with closing(open_warehouse(fleet.state / "warehouse.duckdb", Limits())) as con:
        kept = con.execute("select file_path, content_sha256 from files order by all").fetchall()
    assert kept == sorted(
        (a.name, hashlib.sha256(content_of(a.path)).hexdigest()) for a in list_archive(fleet)
    )


def content_of(path: Path) -> bytes:
    """A file of the archive as the inbox had it, unpacked by Arrow."""
    if not path.name.endswith(PACKED):
        return path.read_bytes()
    with pa.input_stream(str(path), compression="zstd") as stream:
        return bytes(stream.read())


def archived_bytes(fleet: Fleet) -> bytes:
    """All of the archive with its names, unpacked, in lower case."""
    found = b""
    for path in sorted((fleet.folder / "archive").rglob("*")):
        if path.is_file():
            content = content_of(path)
            content = gzip.decompress(content) if path.suffix == ".gz" else content
            found += path.name.encode() + b"\0" + content
    return found.lower()


def test_links_and_strangers_in_the_archive_are_not_followed(folder: Path, tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "van_x.csv").write_text(text(row(0)))
    week = folder / "archive" / "2026-W05"
    (week / "001").mkdir(parents=True)
    (week / "002").symlink_to(outside)
    (week / "001" / "van_y.csv").symlink_to(outside / "van_x.csv")
    (week / "notes").mkdir()
    (week / "notes" / "van_z.csv").write_text(text(row(0)))
    assert list_archive(load_fleet(folder)) == []


@pytest.mark.parametrize("fails", ["stat", "scandir"])
def test_an_inbox_that_cannot_be_read_is_told_and_loses_nothing(
    folder: Path, con: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch, fails: str
) -> None:
    """A share that is gone answers with such errors; root may read everything, so they are made."""
    drop(folder, "van_a.csv", text(row(0)))
    ingest(con, load_fleet(folder), now=NOW)
    drop(folder, "van_b.csv", text(row(0, van="b")))
    fleet = load_fleet(folder)
    with monkeypatch.context() as gone:
        if fails == "scandir":
            gone.setattr(os, "scandir", stale)
        else:
            true_stat = Path.stat
            gone.setattr(
                Path, "stat", lambda p, **k: stale(p) if p == fleet.inbox else true_stat(p, **k)
            )
        report = ingest(con, fleet, now=NOW, ready=ready(fleet, lambda: NOW, None))
    assert [problem.code for problem in report.problems] == ["INGEST-15"]
    assert report.files_failed_n == 1
    assert samples(con).height == 1
    assert ingest(con, fleet, now=NOW).files_new_n == 1


def stale(path: object) -> None:
    raise OSError(116, "Stale file handle", str(path))
