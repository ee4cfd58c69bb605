"""Backups: whole or not there, found damaged before they are needed, brought back on an empty
machine, and empty of whoever was forgotten since."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import fleets
import pytest
from conftest import ROOT
from typer.testing import CliRunner

from pipeline.backup import before_upgrade, make_backup, restore, rotate
from pipeline.backup.choose import chosen
from pipeline.backup.rotate import drop_all, to_remove
from pipeline.backup.store import Kept, backups_folder, folder_lock, listed, read_manifest
from pipeline.cli import app
from pipeline.config import Limits, load_fleet
from pipeline.edition import compute, take_in, warehouse_of
from pipeline.health_config import Backup
from pipeline.method import METHOD_VERSION
from pipeline.people.blocked import block
from pipeline.people.forget import forget
from pipeline.people.retention import retained_lines
from pipeline.people.upkeep import keep_to_retention
from pipeline.problems import ColdMinutesError
from pipeline.warehouse import newest_schema, open_warehouse

NOW = datetime(2026, 2, 3, 6, 0, tzinfo=UTC)
DRIVER, NAME = "drv-ylva", "Ylva Fjörd"
DRIVERS = f'[drivers.{DRIVER}]\nname = "{NAME}"\n\n[drivers.drv-bo]\nname = "Bo Sand"\n'
KEY = "k" * 64


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """One van, one charge and the roster of two drivers, taken in and computed."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setenv("COLDMINUTES_PEOPLE_KEY", KEY)
        folder = fleets.write_fleet(tmp_path_factory.mktemp("backup") / "fleet", drivers=DRIVERS)
        fleets.drop(folder, fleets.drive_and_charge(interval_s=30))
        day = f"{fleets.MONDAY:%Y-%m-%d}"
        (folder / "inbox" / "roster_1.csv").write_text(
            f"vehicle,from,to,driver\nv1,{day}T05:00:00Z,{day}T12:00:00Z,{NAME}\n"
            f"v1,{day}T13:00:00Z,{day}T15:00:00Z,drv-bo\n"
        )
        (folder / "people.key").write_text("a key that somebody put here " + KEY)
        (folder / ".env").write_text("SMTP_PASSWORD=very-secret")
        run(folder)
        make_backup(load_fleet(folder), NOW)
        yield folder


@pytest.fixture
def saved(template: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of it with one backup, which `the_backup` finds."""
    monkeypatch.setenv("COLDMINUTES_PEOPLE_KEY", KEY)
    return shutil.copytree(template, tmp_path / "fleet")


def the_backup(folder: Path) -> Path:
    """The only backup of a fleet folder."""
    (kept,) = listed(folder / ".coldminutes" / "backups")
    return kept.path


@pytest.fixture
def folder(template: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of it without one."""
    monkeypatch.setenv("COLDMINUTES_PEOPLE_KEY", KEY)
    ignored = shutil.ignore_patterns("backups")
    return shutil.copytree(template, tmp_path / "fleet", ignore=ignored)


def run(folder: Path) -> int:
    """Take in and compute; how many files were new."""
    fleet = load_fleet(folder)
    with warehouse_of(fleet) as con:
        intake = take_in(con, fleet, fleets.NOW)
        compute(con, fleet)
    return intake.files_new_n


def warehouse(folder: Path) -> Path:
    return folder / ".coldminutes" / "warehouse.duckdb"


def tables(path: Path) -> dict[str, list[tuple[Any, ...]]]:
    """Every row of every stored table, in one order."""
    with duckdb.connect(str(path), read_only=True) as con:
        con.execute("set TimeZone = 'UTC'")
        names = con.execute("select table_name from duckdb_tables() where not temporary").fetchall()
        return {
            name: con.execute(f'select * from "{name}" order by all').fetchall()
            for (name,) in names
        }


def codes(caught: pytest.ExceptionInfo[ColdMinutesError]) -> list[str]:
    return [problem.code for problem in caught.value.problems]


def test_an_empty_machine_has_the_same_tables_after_a_restore_and_the_next_run(
    saved: Path, tmp_path: Path
) -> None:
    before = tables(warehouse(saved))
    new = tmp_path / "other" / "machine"
    done = restore(new, the_backup(saved), NOW)
    assert done.aside is None
    assert tables(warehouse(new)) == before
    assert before["stops"] and before["samples"] and before["driver_spans"]
    for name in ("fleet.toml", "drivers.toml", "sources/log.toml", "vehicles.toml"):
        assert (new / name).read_bytes() == (saved / name).read_bytes()
    # The exports come from where they come from; only what is new since is taken in, under the
    # next number.
    shutil.copytree(saved / "inbox", new / "inbox")
    later = fleets.drive_and_charge(plug_in=fleets.MONDAY + timedelta(days=1), interval_s=30)
    for each in (saved, new):
        fleets.drop(each, later, "log_2.csv")
        assert run(each) == 1
    after = tables(warehouse(new))
    assert [row[0] for row in after["files"]] == [1, 2, 3]
    for name, rows in tables(warehouse(saved)).items():
        if name != "inbox_files":  # holds the time of change of the copy
            assert after[name] == rows, name


def test_no_key_and_no_export_is_in_a_backup(saved: Path) -> None:
    backup = the_backup(saved)
    names = sorted(path.name for path in backup.rglob("*") if path.is_file())
    assert "people.key" not in names and ".env" not in names and "log_1.csv" not in names
    everything = b"".join(path.read_bytes() for path in backup.rglob("*") if path.is_file())
    assert KEY.encode() not in everything and b"very-secret" not in everything
    assert backup.parent.stat().st_mode & 0o077 == 0


def test_a_backup_waits_for_a_run_and_then_says_who_holds_the_lock(folder: Path) -> None:
    code = (
        "import duckdb, sys, time; c = duckdb.connect(sys.argv[1]); print('held', flush=True); "
        "time.sleep(float(sys.argv[2]))"
    )

    def holder(seconds: str) -> subprocess.Popen[str]:
        process = subprocess.Popen(
            [sys.executable, "-c", code, str(warehouse(folder)), seconds],
            stdout=subprocess.PIPE,
            text=True,
        )
        assert process.stdout is not None and process.stdout.readline().strip() == "held"
        return process

    fleet = load_fleet(folder)
    with holder("60") as process:
        with pytest.raises(ColdMinutesError) as caught:
            make_backup(fleet, NOW, wait_s=0.3)
        assert codes(caught) == ["WAREHOUSE-01"] and str(process.pid) in str(caught.value)
        backup = backups_folder(fleet)
        assert not backup.exists()
        # A restore keeps away from a run as well, and changes nothing.
        process.kill()
    saved = make_backup(fleet, NOW)
    before = warehouse(folder).read_bytes()
    with holder("60") as process:
        with pytest.raises(ColdMinutesError) as caught:
            restore(folder, saved, NOW)
        assert codes(caught) == ["WAREHOUSE-01"]
        process.kill()
    assert warehouse(folder).read_bytes() == before
    assert not (folder / ".coldminutes" / "restoring").exists()
    with holder("0.6"):
        assert make_backup(fleet, NOW + timedelta(seconds=1), wait_s=30).is_dir()


def killed_after_a_commit(folder: Path) -> None:
    """A run killed after a commit leaves rows in the write-ahead log only."""
    code = (
        "import duckdb, os, sys; c = duckdb.connect(sys.argv[1]); "
        "c.execute(\"insert into driver_spans values ('v1', '2026-01-01', '2026-01-02', 'late', "
        'null, 2, 9)"); os._exit(9)'
    )
    subprocess.run([sys.executable, "-c", code, str(warehouse(folder))], check=False)
    assert warehouse(folder).with_name("warehouse.duckdb.wal").stat().st_size > 0


def test_a_log_of_the_state_before_does_not_meet_what_is_restored(saved: Path) -> None:
    backup = the_backup(saved)
    killed_after_a_commit(saved)
    done = restore(saved, backup, NOW)
    assert not warehouse(saved).with_name("warehouse.duckdb.wal").exists()
    assert tables(warehouse(saved)) == tables(backup / "warehouse.duckdb")
    assert done.aside is not None
    laid_aside = [row[3] for row in tables(done.aside / "warehouse.duckdb")["driver_spans"]]
    assert "late" in laid_aside


def test_what_a_run_left_in_its_log_is_in_the_backup(folder: Path) -> None:
    killed_after_a_commit(folder)
    backup = make_backup(load_fleet(folder), NOW)
    drivers = [row[3] for row in tables(backup / "warehouse.duckdb")["driver_spans"]]
    assert "late" in drivers


@pytest.mark.parametrize("name", ["warehouse.duckdb", "fleet/fleet.toml", "manifest.json"])
def test_a_changed_backup_is_refused_and_nothing_is_touched(saved: Path, name: str) -> None:
    folder, backup = saved, the_backup(saved)
    before = {path: path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}
    damaged = bytearray((backup / name).read_bytes())
    damaged[len(damaged) // 2] ^= 0xFF
    (backup / name).write_bytes(bytes(damaged))
    with pytest.raises(ColdMinutesError) as caught:
        restore(folder, backup, NOW)
    assert codes(caught) == (["BACKUP-02"] if name == "manifest.json" else ["BACKUP-03"])
    after = {path: path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}
    after.pop(folder / ".coldminutes" / "round.lock", None)
    assert {p: c for p, c in after.items() if not p.is_relative_to(backup)} == {
        p: c for p, c in before.items() if not p.is_relative_to(backup)
    }


def test_names_in_a_backup_lead_nowhere_else(saved: Path) -> None:
    path = the_backup(saved) / "manifest.json"
    manifest = json.loads(path.read_text())
    read_manifest(path.parent)
    for name in (
        "../../evil.toml", "fleet/../../evil.toml", "/tmp/evil",
        "fleet/.git/hooks/x", "state/status.json", "fleet/inbox/x.csv", "fleet",
    ):  # fmt: skip
        files = manifest["files"] | {name: manifest["files"]["fleet/fleet.toml"]}
        path.write_text(json.dumps(manifest | {"files": files}))
        with pytest.raises(ColdMinutesError, match="a name that no backup holds"):
            restore(saved, path.parent, NOW)


def test_a_damaged_warehouse_is_told_and_never_becomes_a_backup(saved: Path) -> None:
    folder, good, fleet = saved, the_backup(saved), load_fleet(saved)
    content = bytearray(warehouse(folder).read_bytes())
    for at in range(len(content) // 2, len(content) - 4096, 4096):
        content[at] ^= 0xFF
    warehouse(folder).write_bytes(bytes(content))
    with pytest.raises(ColdMinutesError) as caught:
        make_backup(fleet, NOW + timedelta(hours=1))
    assert codes(caught) == ["WAREHOUSE-04"]
    assert [kept.path for kept in listed(good.parent)] == [good]
    assert list(good.parent.glob(".*")) == []
    done = restore(folder, good, NOW)
    assert done.aside is not None
    assert (done.aside / "warehouse.duckdb").read_bytes() == bytes(content), "laid aside as it was"
    assert tables(warehouse(folder)) == tables(good / "warehouse.duckdb")


def cut(content: bytes) -> bytes:
    return content[: len(content) // 2]


def emptied(_: bytes) -> bytes:
    return b""


def flipped(content: bytes) -> bytes:
    return bytes(byte ^ 0xFF if at % 4096 == 5 else byte for at, byte in enumerate(content))


def foreign(_: bytes) -> bytes:
    return b"PK\x03\x04 no database at all" * 500


@pytest.mark.parametrize(
    "spoil",
    [flipped, *(pytest.param(way, marks=pytest.mark.long) for way in (cut, emptied, foreign))],
)
def test_a_damaged_file_says_restore_or_rebuild_and_both_work(
    saved: Path, spoil: Callable[[bytes], bytes]
) -> None:
    folder, backup = saved, the_backup(saved)
    before = tables(warehouse(folder))
    warehouse(folder).write_bytes(spoil(warehouse(folder).read_bytes()))
    for command, exit_code in ((["retain"], 5), (["status"], 1)):
        told = CliRunner().invoke(app, [*command, str(folder)])
        assert told.exit_code == exit_code, told.output
        assert "WAREHOUSE-04" in told.output and "restore FLEET newest" in told.output
        assert "move the file and its .wal away" in told.output.replace("\n      ", " ")
        assert told.exception is None or isinstance(told.exception, SystemExit)
    assert backup == chosen(folder, "newest") == chosen(folder, backup.name)
    restore(folder, backup, NOW)
    assert tables(warehouse(folder)) == before
    warehouse(folder).unlink()
    assert run(folder) == 2
    assert len(tables(warehouse(folder))["stops"]) == len(before["stops"])


def test_configuration_comes_back_and_what_was_new_is_laid_aside(saved: Path) -> None:
    folder, backup = saved, the_backup(saved)
    (folder / "sites.toml").write_text("not toml at all [")
    (folder / "sources" / "late.toml").write_text(fleets.ROSTER_TOML)
    (folder / "notes.txt").write_text("mine")
    # Its configuration is broken, so this must not depend on it.
    done = restore(folder, chosen(folder, "newest"), NOW)
    assert done.manifest == read_manifest(backup)
    assert done.config_aside == ["sources/late.toml"]
    assert (folder / "sites.toml").read_text() == fleets.SITES_TOML
    assert done.aside is not None
    assert (done.aside / "fleet" / "sites.toml").read_text() == "not toml at all ["
    assert (done.aside / "fleet" / "sources" / "late.toml").exists()
    assert (folder / "notes.txt").read_text() == "mine"


@pytest.mark.parametrize(
    "step", [pytest.param("_lay_aside", marks=pytest.mark.long), "_put_config", "_swap_warehouse"]
)
def test_a_restore_broken_off_is_finished_by_saying_it_again(
    saved: Path, step: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder, backup = saved, the_backup(saved)
    as_saved = tables(warehouse(folder))
    with duckdb.connect(str(warehouse(folder))) as con:
        con.execute("insert into dirty_weeks values ('v1', '2026-W03')")
    grown = tables(warehouse(folder))

    def killed(*_: Any) -> Any:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(f"pipeline.backup.restoring.{step}", killed)
        with pytest.raises(KeyboardInterrupt):
            restore(folder, backup, NOW)
    assert tables(warehouse(folder)) == grown, "the warehouse is swapped last, in one step"
    done = restore(folder, backup, NOW)
    assert tables(warehouse(folder)) == as_saved != grown
    assert done.aside is not None
    assert tables(done.aside / "warehouse.duckdb") == grown


def test_a_backup_broken_off_leaves_nothing(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fleet = load_fleet(folder)

    def killed(*_: Any) -> Any:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr("pipeline.backup.make._look_through", killed)
        with pytest.raises(KeyboardInterrupt):
            make_backup(fleet, NOW)
    place = backups_folder(fleet)
    assert list(place.iterdir()) == []
    # A kill that leaves no time to tidy: the next one does.
    (place / ".2026-02-01T060000Z-round.part").mkdir()
    made = make_backup(fleet, NOW)
    assert list(place.iterdir()) == [made]


def test_a_backup_that_another_process_writes_is_no_leftover(saved: Path) -> None:
    fleet = load_fleet(saved)
    place = backups_folder(fleet)
    part = place / ".2026-02-01T060000Z-round.part"
    part.mkdir()
    with folder_lock(place, waits=True) as is_ours:
        assert is_ours
        with pytest.raises(ColdMinutesError, match=r"BACKUP-05 .*another backup is being written"):
            make_backup(fleet, NOW)
        rotate(fleet, NOW)
        assert part.is_dir()
    rotate(fleet, NOW)
    assert not part.exists()


def test_without_room_for_it_no_backup_and_no_trace(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fleet = load_fleet(folder)
    usage = shutil.disk_usage(folder)
    with monkeypatch.context() as patched:
        patched.setattr("shutil.disk_usage", lambda _: usage._replace(free=1_000_000))
        with pytest.raises(ColdMinutesError, match=r"ENV-03 .*needs about \d+ MB, 1 MB are free"):
            make_backup(fleet, NOW)
    assert list(backups_folder(fleet).iterdir()) == []
    starved = subprocess.run(
        [sys.executable, "-m", "pipeline", "backup", str(folder)],
        cwd=ROOT, capture_output=True, text=True, check=False,
        preexec_fn=lambda: __import__("resource").setrlimit(
            __import__("resource").RLIMIT_FSIZE, (600_000, 600_000)
        ),
    )  # fmt: skip
    assert starved.returncode == 4, starved.stderr
    assert "ENV-02" in starved.stderr and "Traceback" not in starved.stderr
    assert list(backups_folder(fleet).iterdir()) == []


def kept_at(day: int, hour: int = 6, kind: str = "round") -> Kept:
    at = datetime(2026, 1, 1, hour, tzinfo=UTC) + timedelta(days=day)
    return Kept(Path(f"{at:%Y%m%dT%H}-{kind}"), at, kind)


def test_rotation_keeps_days_weeks_and_upgrades() -> None:
    settings = Backup(daily_n=3, weekly_n=2, keep_days=35)
    zone = load_zone()
    kept = [kept_at(day, hour) for day in range(30) for hour in (6, 18)]
    kept.append(kept_at(1, 7, "upgrade"))
    gone = to_remove(kept, settings, zone, datetime(2026, 1, 31, tzinfo=UTC))
    left = {each.path.name for each in kept} - {each.path.name for each in gone}
    # 30 January 2026 is a Friday: the newest of its week and of the week before.
    assert left == {
        "20260130T18-round", "20260129T18-round", "20260128T18-round", "20260125T18-round",
        "20260102T07-upgrade",
    }  # fmt: skip
    assert gone == sorted(gone, key=lambda each: each.made_at)
    late = datetime(2026, 3, 31, tzinfo=UTC)
    assert to_remove(kept, settings, zone, late) == sorted(kept, key=lambda each: each.made_at)


def load_zone() -> Any:
    from zoneinfo import ZoneInfo

    return ZoneInfo("Europe/Stockholm")


def test_rotation_removes_only_its_own(folder: Path) -> None:
    (folder / "fleet.toml").write_text(
        fleets.FLEET_TOML + '[backup]\nfolder = "../disk"\ndaily_n = 1\nweekly_n = 0\n'
    )
    fleet = load_fleet(folder)
    place = backups_folder(fleet)
    assert place.parent.name == "disk" and place.name.startswith("fleet-")
    first = make_backup(fleet, NOW)
    shutil.copytree(first, place / "my own copy")
    shutil.copytree(first, place.parent / "2026-01-01T060000Z-round")
    second = make_backup(fleet, NOW + timedelta(days=1))
    mine = make_backup(fleet, NOW + timedelta(hours=1), to=folder.parent / "elsewhere")
    assert rotate(fleet, NOW + timedelta(days=1)) == [first]
    assert second.is_dir() and mine.is_dir() and (place / "my own copy").is_dir()
    assert (place.parent / "2026-01-01T060000Z-round").is_dir()


def test_retention_takes_old_backups(saved: Path) -> None:
    folder, old = saved, the_backup(saved)
    done, _ = keep_to_retention(load_fleet(folder), NOW + timedelta(days=36))
    assert done.backups == [old] and not old.exists()
    assert any("1  backups past" in line for line in retained_lines(done, dry_run=False))


def held_bytes(place: Path, *words: str) -> list[str]:
    """Files below a folder in which one of the words stands, in any usual encoding and case."""
    needles = {
        cased.encode(code)
        for word in words
        for cased in (word, word.lower(), word.upper())
        for code in ("utf-8", "latin-1", "utf-16-le")
    }
    return [
        path.relative_to(place).as_posix()
        for path in sorted(place.rglob("*"))
        if path.is_file() and any(needle in path.read_bytes() for needle in needles)
    ]


def test_who_is_forgotten_is_in_no_backup_either(saved: Path, tmp_path: Path) -> None:
    folder, first = saved, the_backup(saved)
    restore(folder, first, NOW)  # lays the present state aside
    elsewhere = make_backup(load_fleet(folder), NOW, to=tmp_path / "disk")
    state = folder / ".coldminutes"
    sought = (DRIVER, NAME, "Ylva", "Fj\\u00f6rd")
    assert len(held_bytes(state / "backups", *sought)) >= 1
    assert len(held_bytes(state / "aside", *sought)) >= 1
    done = forget(load_fleet(folder), NAME, "tester", NOW + timedelta(hours=1))
    assert done.backups_n == 2 and done.remains == [] and done.no_backup == ""
    assert held_bytes(folder, *sought) == []
    assert not first.exists() and list((state / "aside").iterdir()) == []
    assert any(str(tmp_path / "disk") in line for line in done.departures)
    kept = listed(state / "backups")
    assert len(kept) == 1 and tables(kept[0].path / "warehouse.duckdb")["driver_spans"]
    # The copy that was out of reach still holds the person, but cannot bring them back.
    assert held_bytes(elsewhere, *sought)
    back = restore(folder, elsewhere, NOW + timedelta(hours=2))
    assert back.forgotten_n == 1
    assert [row[3] for row in tables(warehouse(folder))["driver_spans"]] == ["forgotten", "drv-bo"]
    assert (
        held_bytes(folder, *sought)
        == [f".coldminutes/aside/{path}" for path in held_bytes(state / "aside", *sought)]
        == []
    )
    run(folder)
    assert held_bytes(folder, *sought) == []


def test_without_the_key_a_restore_that_would_bring_people_back_is_refused(
    saved: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder, elsewhere = saved, tmp_path / "elsewhere"
    shutil.move(the_backup(folder), elsewhere)
    block(load_fleet(folder), [NAME], NOW.date())
    before = warehouse(folder).read_bytes()
    monkeypatch.setenv("COLDMINUTES_PEOPLE_KEY", "n" * 40)
    with pytest.raises(ColdMinutesError, match="PEOPLE-02"):
        restore(folder, elsewhere, NOW)
    assert warehouse(folder).read_bytes() == before


def test_a_folder_that_is_not_there_is_told_when_somebody_is_forgotten(saved: Path) -> None:
    (saved / "fleet.toml").write_text(fleets.FLEET_TOML + '[backup]\nfolder = "../disk"\n')
    fleet = load_fleet(saved)
    assert drop_all(fleet) == (1, [backups_folder(fleet)])
    (saved.parent / "disk").mkdir()
    assert drop_all(fleet) == (0, [])


def made_older(folder: Path, method: str = "0.9") -> None:
    """As an earlier version would have left it: another method, one schema less."""
    with duckdb.connect(str(warehouse(folder))) as con:
        con.execute("update computed_with set method_version = $m", {"m": method})


def test_an_upgrade_backs_up_once_says_so_and_can_be_rolled_back(
    folder: Path, caplog: pytest.LogCaptureFixture
) -> None:
    made_older(folder)
    old = tables(warehouse(folder))
    with warehouse_of(load_fleet(folder)):
        pass
    kept = listed(folder / ".coldminutes" / "backups")
    assert [each.kind for each in kept] == ["upgrade"]
    assert f"coldminutes restore FLEET {kept[0].path.name}" in caplog.text
    assert "method 0.9" in caplog.text and f"method {METHOD_VERSION}" in caplog.text
    with warehouse_of(load_fleet(folder)):  # broken off before the first run: no second one
        pass
    run(folder)
    run(folder)
    assert listed(folder / ".coldminutes" / "backups") == kept
    assert tables(warehouse(folder))["computed_with"][0][0] == METHOD_VERSION
    restore(folder, kept[0].path, NOW)
    assert tables(warehouse(folder)) == old, "not migrated: the earlier version opens it"
    # It has grown under the earlier version: the next upgrade saves that too.
    with duckdb.connect(str(warehouse(folder))) as con:
        con.execute("insert into dirty_weeks values ('v1', '2026-W03')")
    with warehouse_of(load_fleet(folder)):
        pass
    assert len(listed(folder / ".coldminutes" / "backups")) == 2


def test_an_upgrade_without_room_changes_nothing(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made_older(folder)
    with duckdb.connect(str(warehouse(folder))) as con:
        con.execute("delete from schema_versions where version = (select max(version) from "
                    "schema_versions)")  # fmt: skip
    before = warehouse(folder).read_bytes()
    usage = shutil.disk_usage(folder)
    monkeypatch.setattr("shutil.disk_usage", lambda _: usage._replace(free=1_000_000))
    with pytest.raises(ColdMinutesError, match="ENV-03"), warehouse_of(load_fleet(folder)):
        pass
    assert warehouse(folder).read_bytes() == before


def test_nothing_to_save_makes_no_backup(folder: Path) -> None:
    fleet = load_fleet(folder)
    with warehouse_of(fleet):
        pass
    path = folder.parent / "new.duckdb"
    con = open_warehouse(path, Limits())
    assert before_upgrade(con, fleet, newest_schema() + 1, METHOD_VERSION, NOW) is None
    con.close()
    assert listed(folder / ".coldminutes" / "backups") == []


def test_commands_and_their_refusals(folder: Path, tmp_path: Path) -> None:
    def told(*arguments: str, code: int = 0) -> str:
        done = CliRunner().invoke(app, list(arguments))
        assert done.exit_code == code, done.output
        return done.output

    assert "looked through" in told("backup", str(folder), "--to", str(tmp_path / "disk"))
    (made,) = listed(tmp_path / "disk")
    assert "BACKUP-02" in told("restore", str(folder), "nothing", "--yes", code=2)
    new = tmp_path / "new"
    assert "8 rows" not in told("restore", str(new), str(made.path), "--yes")
    log = (new / ".coldminutes" / "commands.log").read_text()
    assert '"command": "restore"' in log
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "thesis.txt").write_text("mine")
    assert "BACKUP-04" in told("restore", str(tmp_path / "other"), str(made.path), "--yes", code=2)
    assert "BACKUP-02" in told("restore", str(folder), str(tmp_path / "other"), "--yes", code=5)
    manifest = json.loads((made.path / "manifest.json").read_text())
    (made.path / "manifest.json").write_text(json.dumps(manifest | {"schema_no": 9999}))
    assert "WAREHOUSE-02" in told("restore", str(folder), str(made.path), "--yes", code=5)
    (tmp_path / "file").write_text("")
    assert "BACKUP-05" in told("backup", str(folder), "--to", str(tmp_path / "file"), code=4)
    warehouse(folder).unlink()
    assert "BACKUP-01" in told("backup", str(folder), code=3)
    assert os.access(folder, os.W_OK)
