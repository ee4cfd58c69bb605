"""Status, forecast, room, heartbeat, and who is told of a failure."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import threading
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import pytest
from pydantic import ValidationError
from typer.testing import CliRunner

from pipeline.backup import make_backup
from pipeline.cli import app
from pipeline.config import Fleet, load_fleet
from pipeline.delivery_config import Mail
from pipeline.edition import take_in, warehouse_of
from pipeline.health import beat, note_run, require_room, tell_failure
from pipeline.health.forecast import weeks_until_full, with_size
from pipeline.health.room import SPARE_BYTES, needed_bytes, plain_bytes
from pipeline.health.state_file import change_state, read_state
from pipeline.health.status import Status, status_of
from pipeline.health.status_words import status_json, status_lines
from pipeline.health_config import Heartbeat, Notify
from pipeline.problems import ColdMinutesError, Problem
from tests.mail_server import Postbox, serving
from tests.small_fleet import drop, row, text, write_fleet

DATA_AT = datetime(2026, 1, 5, 11, 0, tzinfo=UTC)  # as `small_fleet.row` counts
NOW = datetime(2026, 1, 6, 6, 0, tzinfo=UTC)
VEHICLES = "[vehicles.a]\n\n[vehicles.b]\n"


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two vans of which one sent an hour of data."""
    folder = write_fleet(tmp_path_factory.mktemp("health") / "fleet", vehicles=VEHICLES)
    drop(folder, "van_a.csv", text(*(row(minute) for minute in range(61))))
    fleet = load_fleet(folder)
    with warehouse_of(fleet) as con:
        take_in(con, fleet, NOW)
        note_run(con, fleet, NOW)
    make_backup(fleet, NOW)
    return folder


@pytest.fixture
def fleet(template: Path, tmp_path: Path) -> Fleet:
    """A copy of it."""
    return load_fleet(shutil.copytree(template, tmp_path / "fleet"))


def with_settings(fleet: Fleet, **settings: Any) -> Fleet:
    return fleet.model_copy(update={"settings": fleet.settings.model_copy(update=settings)})


def changed(fleet: Fleet, statement: str) -> None:
    with duckdb.connect(str(fleet.state / "warehouse.duckdb")) as con:
        con.execute("set TimeZone = 'UTC'")
        con.execute(statement)


def acts(status: Status) -> list[str]:
    return sorted(problem.code for problem in status.problems if problem.level == "stop")


def test_a_line_is_drawn_through_the_last_eight_weeks() -> None:
    start = date(2026, 1, 1)
    # 100 bytes a day; long ago a backlog came in at once, which says nothing of now.
    sizes = [(start - timedelta(days=300), 0), (start - timedelta(days=299), 10**9)]
    sizes += [(start + timedelta(days=day), 10**9 + 100 * day) for day in range(0, 57, 3)]
    assert weeks_until_full(sizes, 7_000) == pytest.approx(10.0)
    # Against numpy's least squares, on sizes that do not lie on a line.
    noisy = [(start + timedelta(days=day), 500 * day + 4000 * (day % 5)) for day in range(40)]
    slope = np.polyfit(range(40), [size for _, size in noisy], 1)[0]
    assert weeks_until_full(noisy, 10**6) == pytest.approx(10**6 / (slope * 7))
    assert weeks_until_full(list(reversed(noisy)), 0) == 0


def test_no_forecast_where_nothing_can_be_said() -> None:
    day = date(2026, 1, 1)
    assert weeks_until_full([], 1) is None
    assert weeks_until_full([(day, 5)], 1) is None
    assert weeks_until_full([(day, 5), (day + timedelta(days=6), 50)], 1) is None
    assert weeks_until_full([(day, 5), (day + timedelta(days=9), 5)], 1) is None
    assert weeks_until_full([(day, 5), (day + timedelta(days=9), 1)], 1) is None
    sizes = with_size([(day, 5), (day + timedelta(days=1), 6)], day + timedelta(days=1), 7)
    assert sizes == [(day, 5), (day + timedelta(days=1), 7)]


def test_all_is_well(fleet: Fleet) -> None:
    (fleet.folder / "vehicles.toml").write_text("[vehicles.a]\n")
    status = status_of(load_fleet(fleet.folder), NOW)
    assert status.problems == [] and not status.wants_a_person
    assert status.facts["files_n"] == 1 and status.run_at == NOW
    assert [(v.vehicle_id, v.last_data_at) for v in status.vehicles] == [("a", DATA_AT)]
    assert "all is well" in next(status_lines(status, fleet.zone))


def test_an_inbox_that_never_held_anything_wants_a_person(fleet: Fleet) -> None:
    changed(fleet, "delete from file_spans")
    assert acts(status_of(fleet, NOW))[0] == "STATUS-01"
    assert "nothing usable has ever come in" in "\n".join(
        status_lines(status_of(fleet, NOW), fleet.zone)
    )


def test_what_wants_a_person_comes_first(fleet: Fleet) -> None:
    changed(fleet, "insert into made_editions (week_id, edition_no, made_at, program_version, "
            "method_version, fingerprint, reason, changes, folder, facts_hash, stop_list_hash, "
            "is_for_delivery, is_queued) values ('2026-W01', 2, '2026-01-05 05:00:00+00', '1', "
            "'1', '1', 'first', '[]', 'x', '', '', true, true)")  # fmt: skip
    changed(fleet, "insert into deliveries select 'd' || i, 'm', '2026-W01', 1, 'report', 'mail', "
            "'x' || i, '', 'f', '[]', '', 0, false, ['sent', 'unsure', 'failed'][i], null, null, "
            "1, now(), null, null, now() from range(1, 4) as r(i)")  # fmt: skip
    changed(fleet, "insert into forgettings values (now(), 'h', null, 'me', 0, 0, 0, 0)")
    late = NOW + timedelta(days=20)
    drop(fleet.folder, "van_a2.csv", text(row(70)))
    drop(fleet.folder, "stranger.csv", "x\n")
    size = 10**15
    change_state(fleet.state, sizes=[["2026-01-01", 0], ["2026-01-15", size]])
    tell_failure(fleet, ColdMinutesError([Problem("X-01", "stop", "here", "it broke")]), NOW)
    status = status_of(fleet, late)
    assert acts(status) == [
        "STATUS-01", "STATUS-02", "STATUS-03", "STATUS-04", "STATUS-05", "STATUS-06",
        "STATUS-07", "STATUS-09",
    ]  # fmt: skip
    lines = list(status_lines(status, fleet.zone))
    assert "8 things need a person" in lines[0]
    assert "2 of 2 vehicles sent nothing for 7 days: a, b" in "\n".join(lines)
    assert "1 failed, 1 sent, 1 unsure" in "\n".join(lines)
    assert "2 files waiting" in "\n".join(lines) and "issue 2" in "\n".join(lines)
    told = json.loads(json.dumps(status_json(status)))
    assert told["wants_a_person"] is True
    assert told["waiting_files_n"] == 2 and told["full_in_weeks"] < 4
    assert {v["vehicle_id"]: v["silent_days"] for v in told["vehicles"]} == {"a": 20.79, "b": None}
    assert status.next_due_at == datetime(2026, 1, 12, 5, tzinfo=UTC), "Monday at 6 in Stockholm"
    # A day before the grace of two days is over, nobody is called.
    assert "STATUS-01" not in acts(status_of(fleet, datetime(2026, 1, 13, 22, tzinfo=UTC)))
    assert "STATUS-01" in acts(status_of(fleet, datetime(2026, 1, 14, 6, tzinfo=UTC)))


def test_a_clock_behind_the_data_is_told_and_a_roster_of_next_month_is_not(fleet: Fleet) -> None:
    assert "STATUS-08" in acts(status_of(fleet, DATA_AT - timedelta(hours=1)))
    changed(fleet, "insert into files (file_path, content_sha256, source_id, kind, size_bytes, "
            "rows_read_n, rows_used_n, rows_repeated_n, rows_set_aside_n, taken_in_at) values "
            "('r', 'r', 'r', 'driver_spans', 1, 1, 1, 0, 0, '2026-01-05')")  # fmt: skip
    changed(fleet, "insert into file_spans select max(file_id), 'b', '2026-02-01', '2026-02-02', 1 "
            "from files")  # fmt: skip
    status = status_of(fleet, NOW)
    assert acts(status) == ["STATUS-03"]
    assert [v.is_silent for v in status.vehicles] == [False, True]


@contextmanager
def held(fleet: Fleet) -> Iterator[None]:
    code = (
        "import duckdb, sys, time; c = duckdb.connect(sys.argv[1]); print('held', flush=True); "
        "time.sleep(60)"
    )
    path = fleet.state / "warehouse.duckdb"
    with subprocess.Popen(
        [sys.executable, "-c", code, str(path)], stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None and process.stdout.readline().strip() == "held"
        try:
            yield
        finally:
            process.kill()


def test_while_a_run_holds_the_warehouse_the_last_one_speaks(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pipeline.health.status.LOCK_WAIT_S", 0.0)
    live = status_of(fleet, NOW)
    with held(fleet):
        left = status_of(fleet, NOW)
    assert not left.is_live and live.is_live
    assert left.facts == live.facts
    assert acts(left) == acts(live) == ["STATUS-03"]
    assert any("a run is at work" in problem.message for problem in left.problems)
    assert "Below is what the last run left" in "\n".join(status_lines(left, fleet.zone))


@pytest.mark.parametrize("content", ["", "[1, 2]", '{"sizes": [["x"], 5, null]}', '{"facts": 3}'])
def test_a_spoilt_state_file_hides_nothing(fleet: Fleet, content: str) -> None:
    (fleet.state / "status.json").write_text(content)
    status = status_of(fleet, NOW)
    assert status.facts["files_n"] == 1
    change_state(fleet.state, run_at="x")
    assert read_state(fleet.state)["run_at"] == "x"


def test_one_broken_fleet_does_not_hide_the_others(fleet: Fleet, tmp_path: Path) -> None:
    broken = tmp_path / "broken"
    broken.mkdir()
    (broken / "fleet.toml").write_text("not toml [")
    done = CliRunner().invoke(app, ["status", str(broken), str(fleet.folder), "--json"])
    assert done.exit_code == 1
    told = json.loads(done.stdout)
    assert [entry["folder"] for entry in told] == [str(broken), str(fleet.folder)]
    assert told[0]["problems"][0]["code"] == "CONFIG-02"
    plain = CliRunner().invoke(app, ["status", str(broken), str(fleet.folder)])
    assert "cannot be looked at" in plain.stdout and "Test Vans" in plain.stdout


def test_a_run_that_cannot_fit_stops_before_it_writes(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    drop(fleet.folder, "van_b.csv", text(*(row(minute, van="b") for minute in range(100))))
    path = fleet.state / "warehouse.duckdb"
    usage = shutil.disk_usage(fleet.folder)
    size = (fleet.inbox / "van_b.csv").stat().st_size
    monkeypatch.setattr(
        "shutil.disk_usage", lambda _: usage._replace(free=needed_bytes([size]) - 1)
    )
    before = path.read_bytes()
    with pytest.raises(ColdMinutesError) as caught, warehouse_of(fleet) as con:
        take_in(con, fleet, NOW)
    (problem,) = caught.value.problems
    assert problem.code == "ENV-03" and "1 files wait in the inbox" in problem.message
    assert problem.data["needed_bytes"] == needed_bytes([size])
    assert path.read_bytes() == before
    monkeypatch.setattr("shutil.disk_usage", lambda _: usage._replace(free=needed_bytes([size])))
    with warehouse_of(fleet) as con:
        assert take_in(con, fleet, NOW).rows_used_n == 100
        monkeypatch.setattr("shutil.disk_usage", lambda _: usage._replace(free=0))
        require_room(con, fleet)  # nothing waits, so nothing is needed


def test_how_much_an_export_unpacks_to(tmp_path: Path) -> None:
    path = tmp_path / "a.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("a.csv", "x" * 1_000_000)
    assert plain_bytes(path, path.stat().st_size) == 1_000_000
    (tmp_path / "b.zip").write_bytes(b"no archive")
    assert plain_bytes(tmp_path / "b.zip", 10) == 10
    assert plain_bytes(tmp_path / "c.csv.gz", 10) == 120
    assert plain_bytes(tmp_path / "c.csv", 10) == 10
    assert needed_bytes([100, 300]) == 280 + 300 + SPARE_BYTES


class Watcher(BaseHTTPRequestHandler):
    """Answers 200, or with a pointer to a file of this machine."""

    seen: list[str]

    def do_GET(self) -> None:
        type(self).seen.append(self.path)
        targets = {"/to-a-file": "file:///etc/passwd", "/elsewhere": "/followed"}
        if self.path in targets:
            self.send_response(302)
            self.send_header("Location", targets[self.path])
        else:
            self.send_response(500 if self.path == "/broken" else 200)
        self.end_headers()

    def log_message(self, *_: Any) -> None:
        pass


@pytest.fixture
def watcher(monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    monkeypatch.setenv("no_proxy", "*")
    Watcher.seen = []
    server = HTTPServer(("127.0.0.1", 0), Watcher)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}"
    server.shutdown()
    server.server_close()


def test_a_good_round_gives_a_sign_of_life_and_ends_a_failure(
    fleet: Fleet, watcher: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tell_failure(fleet, RuntimeError("broke"), NOW - timedelta(hours=1))
    assert "STATUS-02" in acts(status_of(fleet, NOW))
    file = tmp_path / "alive"
    heard = with_settings(fleet, heartbeat=Heartbeat(file=str(file), url=f"{watcher}/secret-7"))
    assert beat(heard, object(), NOW) == []
    assert file.read_text() == f"{NOW.isoformat()} ok\n"
    assert Watcher.seen == ["/secret-7"]
    assert acts(status_of(fleet, NOW)) == ["STATUS-03"]
    assert read_state(fleet.state)["round_at"] == NOW.isoformat()
    monkeypatch.setenv("BEAT", f"{watcher}/by-name")
    assert beat(with_settings(fleet, heartbeat=Heartbeat(url_variable="BEAT")), 1, NOW) == []
    assert Watcher.seen[-1] == "/by-name"


@pytest.mark.parametrize(
    ("way", "why"),
    [
        ("/elsewhere", "answered 302"),
        ("/to-a-file", "answered 302"),
        ("/broken", "answered 500"),
        (None, "url"),
    ],
)
def test_a_sign_that_does_not_get_through_is_noted_and_stops_nothing(
    fleet: Fleet, watcher: str, way: str | None, why: str
) -> None:
    url = f"{watcher}{way}" if way else "http://127.0.0.1:9/secret-9"
    dumb = Heartbeat(url=url, file=str(fleet.folder / "no" / "folder" / "alive"), timeout_s=2)
    problems = beat(with_settings(fleet, heartbeat=dumb), object(), NOW)
    assert [problem.code for problem in problems] == ["HEALTH-02", "HEALTH-02"]
    assert why in str(problems[1]) and "/followed" not in Watcher.seen
    assert "secret" not in str(problems), "the address may be a secret"
    notes = [problem for problem in status_of(fleet, NOW).problems if problem.level == "note"]
    assert [problem.code for problem in notes] == ["STATUS-10", "STATUS-10"]
    assert read_state(fleet.state).get("round_at") == NOW.isoformat()


@pytest.mark.parametrize(
    "settings",
    [{"url": "file:///etc/passwd"}, {"url": "http://example.org/x"}, {"url": "ftp://127.0.0.1/"},
     {"url": "https://"}, {"url": "https://example.org/x", "url_variable": "BEAT"},
     {"url_variable": "A B"}],
)  # fmt: skip
def test_only_https_and_only_one_address(settings: dict[str, str]) -> None:
    with pytest.raises(ValidationError):
        Heartbeat(**settings)


def test_a_variable_is_held_to_the_same(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    for told in ("", "file:///etc/passwd"):
        monkeypatch.setenv("BEAT", told)
        problems = beat(with_settings(fleet, heartbeat=Heartbeat(url_variable="BEAT")), 1, NOW)
        assert [problem.code for problem in problems] == ["HEALTH-02"]


def test_only_plain_addresses_are_told() -> None:
    for bad in ("a@b\nBcc: c@d", "a", "a@b, c@d", "A <a@b>"):
        with pytest.raises(ValidationError):
            Notify(to=(bad,))


@pytest.fixture
def sent(monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, str]]:
    """Subjects and texts of what would be mailed; the door itself is `pipeline.deliver`'s."""
    found: list[tuple[str, str]] = []

    def send(fleet: Fleet, subject: str, body: str, now: datetime) -> list[str]:
        found.append((subject, body))
        return []

    monkeypatch.setattr("pipeline.health.signs.send_notice", send)
    return found


def test_a_failure_is_told_once_a_day_and_another_at_once(
    fleet: Fleet, sent: list[tuple[str, str]]
) -> None:
    error = ColdMinutesError([Problem("ENV-02", "stop", "this machine", "no space left")])
    for hour in (0, 1, 23, 24.5):
        tell_failure(fleet, error, NOW + timedelta(hours=hour))
    assert [subject for subject, _ in sent] == ["Cold Minutes: no round for Test Vans (ENV-02)"] * 2
    assert "ENV-02 this machine: no space left" in sent[0][1]
    tell_failure(fleet, RuntimeError("other"), NOW + timedelta(hours=25))
    assert sent[-1][0].endswith("(RuntimeError)")
    # A clock set back by a year must not silence it.
    tell_failure(fleet, RuntimeError("other"), NOW - timedelta(days=365))
    assert len(sent) == 4
    failure = read_state(fleet.state)["failure"]
    assert failure["since_at"] == NOW.isoformat() and failure["text"] == "other"


def test_a_failure_that_cannot_be_told_is_tried_again(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    tried = []

    def refused(*_: Any) -> list[str]:
        tried.append(1)
        return ["no connection to mail.example, port 587"]

    monkeypatch.setattr("pipeline.health.signs.send_notice", refused)
    for _ in range(2):
        (problem,) = tell_failure(fleet, RuntimeError("x"), NOW)
        assert problem.code == "HEALTH-01"
    assert len(tried) == 2
    assert any(problem.code == "STATUS-10" for problem in status_of(fleet, NOW).problems)


def test_rounds_that_bring_no_report_are_told(fleet: Fleet, sent: list[tuple[str, str]]) -> None:
    changed(fleet, "insert into made_editions (week_id, edition_no, made_at, program_version, "
            "method_version, fingerprint, reason, changes, folder, facts_hash, stop_list_hash, "
            "is_for_delivery, is_queued) values ('2026-W01', 1, '2026-01-05 05:00:00+00', '1', "
            "'1', '1', 'first', '[]', 'x', '', '', true, true)")  # fmt: skip
    made_at = datetime(2026, 1, 5, 5, tzinfo=UTC)
    beat(fleet, 1, made_at + timedelta(days=8.9))
    assert sent == []
    beat(fleet, 1, made_at + timedelta(days=9))
    beat(fleet, 1, made_at + timedelta(days=9.5))
    assert [subject for subject, _ in sent] == ["Cold Minutes: no report for Test Vans in 9 days"]
    assert "2026-01-05" in sent[0][1]
    beat(fleet, 1, made_at + timedelta(days=10.1))
    assert len(sent) == 2


def test_a_notice_without_a_mail_server_says_so(fleet: Fleet) -> None:
    told = with_settings(fleet, notify=Notify(to=("depot@example.org",)))
    (problem,) = tell_failure(told, RuntimeError("x"), NOW)
    assert "no [mail]" in problem.message


def test_a_failure_is_mailed_to_each_address_and_one_refused_is_told(fleet: Fleet) -> None:
    """Over a real server on the loopback; the mail is read back by the standard library's parser
    (RFC 5322 section 2.2: a header is one line, whatever the operator is called)."""
    postbox = Postbox(refused={"gone@example.org": "550 no such user"})
    with serving(postbox) as port:
        settings = {
            "operator": "Vans\r\nBcc: all@example.org",
            "notify": Notify(to=("gone@example.org", "depot@example.org")),
            "mail": Mail.model_validate(
                {"host": "localhost", "port": port, "security": "none", "from": "post@fleet.test"}
            ),
        }
        told = with_settings(fleet, **settings)
        error = ColdMinutesError([Problem("ENV-02", "stop", "disk", "is full", "Free some.")])
        (problem,) = tell_failure(told, error, NOW)
    assert "gone@example.org: 550 no such user" in problem.message
    (got,) = postbox.got
    assert got.recipients == ["depot@example.org"]
    assert got.mail["Subject"] == "Cold Minutes: no round for Vans Bcc: all@example.org (ENV-02)"
    assert got.mail["Bcc"] is None
    body = got.mail.get_body()
    assert body is not None
    assert "ENV-02 disk: is full" in body.get_content() and "Free some." in body.get_content()


def test_a_full_disk_does_not_hide_the_failure(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: Any) -> None:
        raise OSError(28, "No space left on device")

    before = (fleet.state / "status.json").read_bytes()
    monkeypatch.setattr("pipeline.health.state_file.replace_file", full)
    assert tell_failure(fleet, OSError(28, "No space left on device"), NOW) == []
    assert (fleet.state / "status.json").read_bytes() == before
    assert not list(fleet.state.glob(".forget-*"))
