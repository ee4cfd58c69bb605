"""Rounds: missed weeks, late data, kills between any two steps, the clock, two at once, upgrades.

A tiny fleet, real stages, and a report that writes one small file: the documents have their own
tests. The neighbours (delivery, backup, heartbeat) are stood in for and asked what they were told.
"""

from __future__ import annotations

import json
import shutil
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pytest
from fleets import FLEET_TOML, MONDAY, drive_and_charge, drop, write_fleet
from typer.testing import CliRunner

from pipeline import cli, edition
from pipeline.config import Fleet, load_fleet
from pipeline.edition import make_edition, warehouse_of
from pipeline.method import CONSTANTS
from pipeline.problems import ColdMinutesError
from pipeline.rounds import Round, kept, look_ahead, make, make_round, neighbours, stand
from pipeline.rounds.due import SILENT_WEEKS_N
from pipeline.rounds.figures import DIGITS
from pipeline.rounds.lock import round_lock
from pipeline.rounds.times import next_edition_at
from pipeline.weeks import span_of

Row = dict[str, Any]
WEEK = "2026-W03"
AFTER = datetime(2026, 1, 19, 5, 0, tzinfo=UTC)


class Killed(BaseException):
    """As a kill: no `except Exception` sees it."""


@dataclass
class Told:
    """What the neighbours were told, in order."""

    queued: list[tuple[str, int]] = field(default_factory=list)
    beats_n: int = 0
    backups_n: int = 0
    failures: list[str] = field(default_factory=list)
    pages: list[Row] = field(default_factory=list)


@pytest.fixture
def told(monkeypatch: pytest.MonkeyPatch) -> Told:
    """The neighbours, stood in for, and a report of one file."""
    told = Told()
    stand_in(monkeypatch, told)
    return told


def stand_in(monkeypatch: pytest.MonkeyPatch, told: Told) -> None:
    """Put what is not the rounds' own out of the way."""

    def queue(con: Any, fleet: Fleet, week_id: str, edition_no: int, *rest: Any) -> int:
        told.queued.append((week_id, edition_no))
        return 1

    def beat(*rest: Any) -> list[Any]:
        told.beats_n += 1
        return []

    def back_up(*rest: Any) -> None:
        told.backups_n += 1

    def report(
        con: duckdb.DuckDBPyConnection, fleet: Fleet, week_id: str, out_dir: Path, **rest: Any
    ) -> list[Path]:
        page = {
            "edition": con.sql("select * from weekly_edition").pl().to_dicts()[0],
            "moved": con.sql("select * from weekly_moved").pl().to_dicts(),
            "fits": con.execute(
                "select distinct fit_week_id from stop_minutes where week_id <= $week_id",
                {"week_id": week_id},
            ).fetchall(),
        }
        told.pages.append(page | {"week_id": week_id})
        path = out_dir / week_id / "fleet.html"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps(page, default=str), encoding="utf-8")
        return [path]

    monkeypatch.setattr(neighbours, "queue", queue)
    monkeypatch.setattr(neighbours, "send", lambda *rest: [])
    monkeypatch.setattr(neighbours, "beat", beat)
    monkeypatch.setattr(neighbours, "back_up", back_up)
    monkeypatch.setattr(
        neighbours, "tell_failure", lambda fleet, error, now: told.failures.append(str(error))
    )
    monkeypatch.setattr("pipeline.report.report", report)
    monkeypatch.setattr(edition, "build_week", light_week)
    monkeypatch.setattr(make, "build_week", light_week)
    monkeypatch.setattr(stand, "minutes", stand_under)
    monkeypatch.setattr("pipeline.actions.keep_actions", lambda con, week_id: None)
    monkeypatch.setattr("pipeline.report.check_look", lambda fleet: None)


def light_week(con: duckdb.DuckDBPyConnection, fleet: Fleet, week_id: str, *rest: Any) -> None:
    """What rounds read of the weekly tables, counted from the stops; the real ones cost a second.

    The long soak and `test_flows` go all the way.
    """
    names = [name for name in DIGITS if name not in ("stops_n", "silent_n")]
    con.execute(
        "create or replace temp table weekly_fleet as select true as is_edition, "
        f"{', '.join(f'null::double as {name}' for name in names)}, count(*) as stops_n "
        "from stops where week_id = $week_id",
        {"week_id": week_id},
    )
    span = span_of(week_id, fleet.zone)
    con.execute(
        "create or replace temp table weekly_vehicles as select not exists (from samples "
        "where sampled_at >= $from_at and sampled_at < $to_at) as is_silent",
        span._asdict(),
    )
    stand_under(con, fleet, week_id)


def stand_under(con: duckdb.DuckDBPyConnection, fleet: Fleet, week_id: str) -> None:
    """As the real stage: minutes of all stops up to a week stand under its fit."""
    con.execute("delete from stop_minutes where week_id <= $week_id", {"week_id": week_id})
    con.execute(
        "insert into stop_minutes by name select stop_id, vehicle_id, plug_in_at, week_id, "
        "$week_id as fit_week_id, false as is_site_learned "
        "from stops where week_id <= $week_id",
        {"week_id": week_id},
    )


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """One van with one stop in week 3, before its first round."""
    folder = write_fleet(tmp_path / "fleet")
    drop(folder, stop_on(1))
    return folder


@pytest.fixture(scope="module")
def first_round(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Round]:
    """The same after it: migrated, taken in, computed once for all tests."""
    folder = write_fleet(tmp_path_factory.mktemp("begun") / "fleet")
    drop(folder, stop_on(1))
    with pytest.MonkeyPatch.context() as patch:
        stand_in(patch, Told())
        return folder, go(folder, AFTER)


@pytest.fixture
def begun(first_round: tuple[Path, Round], told: Told, tmp_path: Path) -> Path:
    """A copy of the fleet after its first round, whose edition is told."""
    told.queued.append((WEEK, 1))
    return shutil.copytree(first_round[0], tmp_path / "begun")


def stop_on(day: int, **changes: Any) -> Any:
    """A journey to a charger, so many days after Monday of week 3."""
    return drive_and_charge(
        plug_in=MONDAY + timedelta(days=day, hours=2),
        approach_min=20,
        charge_min=12,
        interval_s=30,
        **changes,
    )


def go(folder: Path, now: datetime, **changes: Any) -> Round:
    return make_round(load_fleet(folder), now, pdf=False, take_all=True, **changes)


def made(done: Round) -> list[tuple[str, int, str]]:
    return [(note.week_id, note.edition_no, note.reason) for note in done.editions]


def rows(folder: Path, sql: str) -> list[tuple[Any, ...]]:
    with warehouse_of(load_fleet(folder)) as con:
        return con.execute(sql).fetchall()


def changed(page: Row) -> dict[str, tuple[float | None, float | None]]:
    found = json.loads(page["edition"]["changes"])
    return {each["figure"]: (each["before"], each["now"]) for each in found}


def test_missed_weeks_late_data_and_a_second_round(
    begun: Path, told: Told, first_round: tuple[Path, Round]
) -> None:
    assert made(first_round[1]) == [(WEEK, 1, "first")]
    assert made(go(begun, AFTER + timedelta(hours=1))) == []
    # Two weeks off, no data: each has its edition, and so much is told before it is done.
    later = AFTER + timedelta(weeks=2)
    ahead = look_ahead(load_fleet(begun), later)
    assert [(item.week_id, item.has_data) for item in ahead] == [
        ("2026-W04", False),
        ("2026-W05", False),
    ]
    assert made(go(begun, later)) == [("2026-W04", 1, "first"), ("2026-W05", 1, "first")]
    # A late file with a stop of week 3: that week again, no other.
    drop(begun, stop_on(2), "log_2.csv")
    assert made(go(begun, later)) == [(WEEK, 2, "late_data")]
    page = told.pages[-1]
    assert page["edition"]["reason"] == "late_data"
    assert changed(page)["stops_n"] == (1.0, 2.0)
    # The same samples again, and some of a parked van in week 4: no figure changes.
    drop(begun, stop_on(2), "log_3.csv")
    parked = stop_on(8).head(4)
    drop(begun, parked, "log_4.csv")
    # A week is issued again at most once a day: files that trickle in are one revision.
    assert made(go(begun, later + timedelta(hours=19))) == []
    done = go(begun, later + timedelta(hours=20))
    assert made(done) == [("2026-W04", 2, "late_data")]  # one vehicle fewer is silent
    assert changed(told.pages[-1])["silent_n"] == (1.0, 0.0)
    assert made(go(begun, later + timedelta(hours=21))) == []
    assert told.queued == [
        (WEEK, 1),
        ("2026-W04", 1),
        ("2026-W05", 1),
        (WEEK, 2),
        ("2026-W04", 2),
    ]
    assert told.beats_n == 6
    assert told.backups_n == 1  # weekly, not with every round
    # The newest week's fit stands, though an older week was made last.
    assert rows(begun, "select distinct fit_week_id from stop_minutes") == [("2026-W05",)]


def test_a_week_is_closed_at_the_hour_of_the_report(begun: Path, told: Told) -> None:
    week = timedelta(weeks=1)
    # Monday, from midnight on: Sunday's files are still on their way.
    for early in (timedelta(hours=5, minutes=59), timedelta(minutes=1)):
        assert look_ahead(load_fleet(begun), AFTER + week - early) == []
    assert [item.week_id for item in look_ahead(load_fleet(begun), AFTER + week)] == ["2026-W04"]
    toml = (begun / "fleet.toml").read_text()
    (begun / "fleet.toml").write_text(toml + '[schedule]\nreport = "30 16 * * 5"\n')
    fleet = load_fleet(begun)
    friday = AFTER + week + timedelta(days=4, hours=10, minutes=30)
    assert look_ahead(fleet, friday - timedelta(minutes=1)) == []
    assert len(look_ahead(fleet, friday)) == 1
    assert next_edition_at(fleet, WEEK) == friday
    # Over the change of the clocks on 29 March 2026 it stays half past four by the clock.
    assert next_edition_at(fleet, "2026-W12") == datetime(2026, 4, 3, 14, 30, tzinfo=UTC)


def test_late_samples_that_change_no_figure_issue_nothing(begun: Path, told: Told) -> None:
    before = (begun / "reports" / WEEK / "fleet.html").stat().st_mtime_ns
    # A slow charge: facts of the week change, what the report says of fast ones does not.
    charge = stop_on(3, charge_kw=7.0, site="depot")
    charge = charge.with_columns(pl.col("mode").replace("dc", "ac"))
    drop(begun, charge, "log_2.csv")
    done = go(begun, AFTER + timedelta(hours=21))
    assert made(done) == []
    assert done.same == [WEEK]
    assert (begun / "reports" / WEEK / "fleet.html").stat().st_mtime_ns == before
    assert go(begun, AFTER + timedelta(hours=22)).same == []
    assert told.queued == [(WEEK, 1)]


STEPS = [
    (make, "compare_editions", "before"),
    (make, "take_in", "after"),
    (make, "compute", "after"),
    (make, "build_week", "after"),
    (make, "write_edition", "before"),
    ("pipeline.report", "report", "after"),
    ("pipeline.actions", "keep_actions", "after"),
    ("pipeline.rounds.kept", "keep_edition", "after"),
    (neighbours, "queue", "before"),
    (neighbours, "queue", "after"),
    (neighbours, "archive", "before"),
    (neighbours, "keep_to_retention", "after"),
    (neighbours, "back_up", "after"),
    (neighbours, "beat", "before"),
]


def tables(folder: Path) -> dict[str, Any]:
    """All tables but the times at which something was done."""
    found = {}
    with warehouse_of(load_fleet(folder)) as con:
        names = con.execute(
            "select table_name from duckdb_tables() where database_name = 'warehouse'"
        ).fetchall()
        for (name,) in names:
            rows = con.sql(f"from warehouse.{name}").pl()
            left = ("taken_in_at", "made_at", "modified_ns", "compared_at", "ran_at")
            rows = rows.drop([column for column in rows.columns if column in left])
            found[name] = sorted(map(str, rows.rows()))
    return found


def test_a_kill_at_any_step_is_made_good_by_the_next_round(
    begun: Path, folder: Path, told: Told, monkeypatch: pytest.MonkeyPatch
) -> None:
    expected = tables(begun)  # of a round that nothing disturbed
    told.queued.clear()
    for module, name, when in STEPS:
        with monkeypatch.context() as patch:
            patch.setattr(*_deadly(module, name, when))
            with pytest.raises(Killed):
                go(folder, AFTER)
    done = go(folder, AFTER)
    assert done.editions == []  # it was recorded before the last kills, and is not made again
    assert tables(folder) == expected
    # Told twice where the kill came before it was noted; the delivery knows the edition then.
    assert set(told.queued) == {(WEEK, 1)}
    assert len(told.queued) == 2
    assert told.beats_n == 1
    assert told.backups_n == 2  # again, because the kill came before it was noted
    assert rows(folder, "select count(*) from made_editions where is_queued") == [(1,)]
    assert rows(folder, "from tidied_weeks") == [(WEEK,)]


def _deadly(module: Any, name: str, when: str) -> tuple[str, Any]:
    """A function that is killed before or after its work, for `monkeypatch.setattr`."""
    import importlib

    if isinstance(module, str):
        module = importlib.import_module(module)
    works = getattr(module, name)

    def killed(*args: Any, **kwargs: Any) -> Any:
        if when == "after":
            works(*args, **kwargs)
        raise Killed(name)

    return f"{module.__name__}.{name}", killed


def test_a_failure_is_told_and_what_was_made_before_it_is_handed_on(
    begun: Path, told: Told, monkeypatch: pytest.MonkeyPatch
) -> None:
    told.queued.clear()
    works = make.build_week

    def fails(con: Any, fleet: Fleet, week_id: str, progress: Any) -> None:
        if week_id == "2026-W05":
            raise ColdMinutesError([make.words.nothing_yet(fleet)])
        works(con, fleet, week_id, progress)

    sent: list[int] = []
    monkeypatch.setattr(neighbours, "send", lambda *rest: sent.append(1) or [])
    monkeypatch.setattr(make, "build_week", fails)
    with pytest.raises(ColdMinutesError):
        go(begun, AFTER + timedelta(weeks=2))
    assert told.queued == [("2026-W04", 1)]
    assert sent == [1]
    assert len(told.failures) == 1
    assert told.beats_n == 0  # the failed round is not a sign of life


def test_a_second_round_beside_it_says_so_and_does_nothing(
    folder: Path, told: Told, monkeypatch: pytest.MonkeyPatch
) -> None:
    with round_lock(load_fleet(folder).state) as holder:
        assert holder is None
        done = go(folder, AFTER)
        assert done.is_skipped
        assert [problem.code for problem in done.problems] == ["ROUND-01"]
        assert "process" in str(done.problems[0])
        assert not (folder / "reports").exists()
        ran = CliRunner().invoke(cli.app, ["due", str(folder), "--no-pdf"])
        assert ran.exit_code == 0
        assert "ROUND-01" in ran.output
        with round_lock(load_fleet(folder).state, wait_s=0.3) as again:
            assert again is not None
    with round_lock(load_fleet(folder).state) as holder:
        assert holder is None
    assert told.beats_n == 0


def test_a_clock_behind_the_newest_sample_closes_nothing_and_takes_nothing_in(
    begun: Path, told: Told
) -> None:
    before = tables(begun)
    drop(begun, stop_on(2), "log_2.csv")
    for back in (AFTER - timedelta(days=7), datetime(2000, 1, 1, tzinfo=UTC)):
        with pytest.raises(ColdMinutesError) as stopped:
            go(begun, back)
        text = str(stopped.value)
        assert "ROUND-02" in text
        assert f"{back.astimezone(load_fleet(begun).zone):%Y-%m-%d %H:%M}" in text
        assert "2026-01-13 09:1" in text  # the newest sample: 12 minutes after 08:00 UTC, local
    assert tables(begun) == before
    assert len(told.failures) == 2
    # Ten minutes are a logger's own error, as at the door.
    newest = MONDAY + timedelta(days=1, hours=2, minutes=12)
    with warehouse_of(load_fleet(begun)) as con:
        make.check_clock(con, load_fleet(begun), newest - timedelta(minutes=9))
        with pytest.raises(ColdMinutesError):
            make.check_clock(con, load_fleet(begun), newest - timedelta(minutes=11))


def test_a_long_silence_asks_for_a_look_at_the_clock(begun: Path, told: Told) -> None:
    with pytest.raises(ColdMinutesError, match="ROUND-03") as stopped:
        go(begun, AFTER + timedelta(weeks=SILENT_WEEKS_N + 1))
    assert "2026-W04 to" in str(stopped.value)
    assert rows(begun, "select count(*) from made_editions") == [(1,)]
    with warehouse_of(load_fleet(begun)) as con:
        items = make.due_now(con, load_fleet(begun), AFTER + timedelta(weeks=SILENT_WEEKS_N))
    assert len(items) == SILENT_WEEKS_N  # so many are still made


def test_a_fleet_without_data_has_nothing_due(tmp_path: Path, told: Told) -> None:
    folder = write_fleet(tmp_path / "fleet")
    done = go(folder, AFTER)
    assert done.editions == []
    assert [problem.code for problem in done.problems] == ["ROUND-04"]
    assert look_ahead(load_fleet(folder), AFTER) == []


def test_an_upgrade_issues_nothing_again_and_the_next_edition_tells_what_moved(
    begun: Path, told: Told, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(edition, "METHOD_VERSION", "9.9")
    monkeypatch.setattr(kept, "METHOD_VERSION", "9.9")
    monkeypatch.setitem(CONSTANTS, "plugged_min_kw", 1000.0)  # a method that sees no charge
    drop(begun, stop_on(8), "log_2.csv")
    done = go(begun, AFTER + timedelta(weeks=1))
    assert made(done) == [("2026-W04", 1, "first")]
    (moved,) = told.pages[0]["moved"]
    assert (moved["reason"], moved["week_id"]) == ("upgrade", WEEK)
    assert (moved["before_method_version"], moved["method_version"]) == ("1.1", "9.9")
    assert moved["has_new_data"] is False
    changes = {each["figure"]: each for each in json.loads(moved["changes"])}
    assert changes["stops_n"] == {"figure": "stops_n", "before": 1.0, "now": 0.0}
    # Once told it is told: another week later nothing is.
    done = go(begun, AFTER + timedelta(weeks=2))
    assert made(done) == [("2026-W05", 1, "first")]
    assert told.pages[-1]["week_id"] == "2026-W05"
    assert told.pages[-1]["moved"] == []


def test_other_settings_are_told_as_that(begun: Path, told: Told) -> None:
    text = FLEET_TOML.replace("0.40", "0.80") + "expected_saving_min = 1.0\n"
    (begun / "fleet.toml").write_text(text, encoding="utf-8")
    done = go(begun, AFTER + timedelta(weeks=1))
    assert made(done) == [("2026-W04", 1, "first")]
    assert told.pages[-1]["moved"][0]["reason"] == "configuration"


def test_a_run_by_hand_records_its_edition(folder: Path, told: Told) -> None:
    fleet = load_fleet(folder)
    make_edition(fleet, pdf=False, now=AFTER)
    make_edition(fleet, pdf=False, now=AFTER + timedelta(hours=1))  # says the same: the same one
    make_edition(fleet, "2025-W40", pdf=False, now=AFTER)
    known = rows(folder, "select week_id, edition_no, reason from made_editions order by 1")
    assert known == [("2025-W40", 1, "asked"), (WEEK, 1, "first")]
    assert told.queued == []  # a person looks first
    assert made(go(folder, AFTER + timedelta(hours=2))) == []
    assert told.queued == [(WEEK, 1)]  # recipients get the week's, not what was asked of the past


def test_a_lock_that_cannot_be_opened_is_a_sentence(tmp_path: Path) -> None:
    (tmp_path / "round.lock").mkdir()
    with pytest.raises(ColdMinutesError, match="ROUND-05") as refused, round_lock(tmp_path):
        raise AssertionError("never held")
    assert refused.value.exit_code == 4
