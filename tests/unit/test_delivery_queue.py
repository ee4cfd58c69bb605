"""The queue: what an edition has for whom, folders, people, and what a person decides."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import fsspec
import pytest
from mail_server import Postbox, free_port, serving
from mailing_fleet import (
    NOW,
    RECORD,
    WEEK,
    departures,
    edition,
    mailing_fleet,
    post_office,
    states,
)
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.config import Fleet, load_fleet
from pipeline.deliver import folders, queue_edition, send_waiting
from pipeline.deliver.view import decide, delivery_rows
from pipeline.edition import warehouse_of
from pipeline.people.findings import decide as decide_finding
from pipeline.people.forget import forget
from pipeline.people.keys import KEY_VARIABLE
from pipeline.people.notice import notice_text
from pipeline.people.retention import retain

OWN = '[[deliver]]\ndriver = "nine"\nto = "nine@home.test"\n'


def into(to: str, documents: str = '["report", "vehicle sheets", "tables"]') -> str:
    return f'[[deliver]]\ndocuments = {documents}\nto = "{to}"\n'


def tree(folder: Path) -> dict[str, tuple[bytes, int]]:
    return {
        path.relative_to(folder).as_posix(): (path.read_bytes(), path.stat().st_mtime_ns)
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def codes(problems: list) -> list[str]:
    return [problem.code for problem in problems]


@pytest.mark.parametrize("kind", ["", "file://"])
def test_a_folder_gets_the_files_once(kind: str, tmp_path: Path) -> None:
    out = tmp_path / "out"
    fleet = mailing_fleet(tmp_path / "fleet", 25, into(f"{kind}{out}"))
    with post_office(fleet) as con:
        assert send_waiting(con, fleet, NOW) == []
        assert states(con)[0][2] == "sent"
        assert departures(con)[0][1].startswith("folder to ")
        first = tree(out)
        assert sorted(first) == [
            f"{WEEK}/{name}"
            for name in ("fleet.pdf", "tables.xlsx", "tables/stops.csv", "vehicles/van-1.pdf")
        ]
        for name, (content, _) in first.items():
            assert content == (fleet.folder / "reports" / name).read_bytes()
        # As if the program had ended before it could say that it was sent.
        con.execute("update deliveries set state = 'handing_over'")
        assert send_waiting(con, fleet, NOW) == []
        assert states(con)[0][2] == "sent"
        assert tree(out) == first, "what is there is not written again"


def test_an_object_store_gets_them_too_and_half_files_have_no_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = fsspec.filesystem("memory")
    fleet = mailing_fleet(tmp_path, 25, into("memory://bucket/out"))
    with post_office(fleet) as con:
        real, left = folders._to_disk, [1]

        def breaks(file: object) -> None:
            if not left:
                raise OSError("the line went dead")
            left.pop()
            real(file)

        monkeypatch.setattr(folders, "_to_disk", breaks)
        assert codes(send_waiting(con, fleet, NOW)) == ["DELIVER-02"]
        named = [name for name in store.find("/bucket/out") if not name.endswith(".part")]
        assert named == [f"/bucket/out/{WEEK}/fleet.pdf"]
        monkeypatch.setattr(folders, "_to_disk", real)
        assert send_waiting(con, fleet, NOW + timedelta(minutes=5)) == []
        found = store.find("/bucket/out")
        assert len(found) == 4 and not any(name.endswith(".part") for name in found)
        for name in found:
            assert store.cat(name) == (fleet.folder / "reports" / name[12:]).read_bytes()
    store.rm("/bucket", recursive=True)


def test_what_is_read_back_otherwise_is_not_delivered(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fleet = mailing_fleet(tmp_path / "fleet", 25, into(str(tmp_path / "out")))
    monkeypatch.setattr(folders, "_hash", lambda fs, path: "0" * 64)
    with post_office(fleet) as con:
        problems = send_waiting(con, fleet, NOW)
        assert codes(problems) == ["DELIVER-02"] and "not what was written" in problems[0].message
        assert not (tmp_path / "out" / WEEK / "fleet.pdf").exists()


@pytest.mark.parametrize(
    ("to", "code", "said"),
    [
        ("deliveries", "DELIVER-03", "lies in the fleet folder"),
        ("s3://bucket/x", "DELIVER-02", "a library that is not installed"),
        ("/proc/nowhere/x", "DELIVER-02", "could not be delivered now"),
    ],
)
def test_folders_that_cannot_be(to: str, code: str, said: str, tmp_path: Path) -> None:
    fleet = mailing_fleet(tmp_path, 25, into(to))
    with post_office(fleet) as con:
        problems = send_waiting(con, fleet, NOW)
        assert codes(problems) == [code] and said in problems[0].message


def test_a_file_of_somebody_else_is_not_written_over(tmp_path: Path) -> None:
    theirs = tmp_path / "out" / WEEK / "fleet.pdf"
    theirs.parent.mkdir(parents=True)
    theirs.write_bytes(b"of another fleet")
    fleet = mailing_fleet(tmp_path / "fleet", 25, into(str(tmp_path / "out")))
    with post_office(fleet) as con:
        problems = send_waiting(con, fleet, NOW)
        assert (
            codes(problems) == ["DELIVER-03"] and "another file lies there" in problems[0].message
        )
        assert theirs.read_bytes() == b"of another fleet"


def test_only_files_of_the_program_leave(tmp_path: Path) -> None:
    fleet = mailing_fleet(tmp_path / "fleet", 25, into(str(tmp_path / "out")))
    folder = fleet.folder / "reports" / WEEK
    secret = tmp_path / "secret.pdf"
    secret.write_bytes(b"secret")
    (folder / "vehicles" / "link.pdf").symlink_to(secret)
    (folder / "vehicles" / "Bcc: x\r\n.pdf").write_bytes(b"x")
    (folder / "vehicles" / "notes.txt").write_bytes(b"x")
    (folder / "drivers" / "other.pdf").write_bytes(b"x")
    with post_office(fleet) as con:
        assert send_waiting(con, fleet, NOW) == []
    names = sorted(path.name for path in (tmp_path / "out").rglob("*") if path.is_file())
    assert names == ["fleet.pdf", "stops.csv", "tables.xlsx", "van-1.pdf"]


def test_a_revised_edition_is_an_item_of_its_own_and_says_so(tmp_path: Path) -> None:
    postbox = Postbox(refused={"b@depot.test": "451 not now"})
    with serving(postbox) as port:
        fleet = mailing_fleet(tmp_path / "fleet", port)
        with post_office(fleet) as con:
            send_waiting(con, fleet, NOW)
            folder = edition(fleet.folder, "second")
            assert queue_edition(con, fleet, WEEK, 2, folder, NOW) == 2
            postbox.refused.clear()
            assert send_waiting(con, fleet, NOW, has_pauses=False) == []
            assert states(con) == [
                ("a@depot.test", 1, "sent"),
                ("b@depot.test", 1, "closed"),
                ("a@depot.test", 2, "sent"),
                ("b@depot.test", 2, "sent"),
            ]
            assert not any(delivery_rows(con)["is_for_a_person"])
    subjects = [(got.recipients[0], got.mail["Subject"]) for got in postbox.got]
    assert subjects == [
        ("a@depot.test", f"Cold Minutes, week {WEEK} (Test Vans)"),
        ("a@depot.test", f"Cold Minutes, week {WEEK}, revised (Test Vans)"),
        ("b@depot.test", f"Cold Minutes, week {WEEK}, revised (Test Vans)"),
    ]
    assert "revised edition" in postbox.got[1].mail.get_body().get_content()
    assert "revised" not in postbox.got[0].mail.get_body().get_content()
    assert len({got.mail["Message-ID"] for got in postbox.got}) == 3


def test_documents_that_changed_since_are_not_sent_unasked(tmp_path: Path) -> None:
    postbox = Postbox()
    with serving(postbox) as port:
        fleet = mailing_fleet(tmp_path, port, into("a@depot.test", '["report"]'))
        with post_office(fleet) as con:
            edition(tmp_path, "other")
            problems = send_waiting(con, fleet, NOW)
            assert codes(problems) == ["DELIVER-05"] and postbox.got == []
            decide(con, fleet, "d1", "again", NOW)
            assert send_waiting(con, fleet, NOW) == []
    part = next(postbox.got[0].mail.iter_attachments())
    assert b"other fleet.pdf" in part.get_content()


def test_whoever_was_taken_off_the_list_gets_nothing_any_more(tmp_path: Path) -> None:
    postbox = Postbox()
    with serving(postbox) as port:
        fleet = mailing_fleet(tmp_path, port)
        with post_office(fleet) as con:
            fewer = mailing_fleet(
                tmp_path, port, into("a@depot.test", '["report", "vehicle sheets"]')
            )
            assert send_waiting(con, fewer, NOW) == []
            assert [state for _, _, state in states(con)] == ["sent", "closed"]
    assert [got.recipients for got in postbox.got] == [["a@depot.test"]]


def approved(con: object, fleet: Fleet) -> None:
    ids = con.execute("select finding_id from people_findings order by driver_id").fetchall()  # type: ignore[attr-defined]
    decide_finding(con, fleet, ids[0][0], "approved", "tester", NOW)  # type: ignore[arg-type]


def test_a_drivers_sheet_goes_to_that_driver_after_a_persons_word(tmp_path: Path) -> None:
    postbox = Postbox()
    with serving(postbox) as port:
        fleet = mailing_fleet(tmp_path, port, OWN, before=RECORD)
        with post_office(fleet) as con:
            assert codes(send_waiting(con, fleet, NOW)) == ["DELIVER-06"]
            assert postbox.got == [] and departures(con) == []
            approved(con, fleet)
            assert send_waiting(con, fleet, NOW) == []
            assert departures(con) == [("driver sheets", "e-mail to the driver", True)]
            assert "nine@home.test" not in str(delivery_rows(con).to_dicts())
    (got,) = postbox.got
    assert got.recipients == ["nine@home.test"]
    (part,) = got.mail.iter_attachments()
    assert b"first drivers/driver-nine-nine" in part.get_content()
    outside = got.content.split(b"Content-Type: application/pdf")[0].lower()
    assert b"driver nine" not in outside and b"driver-nine" not in outside
    assert got.mail["Subject"] == f"Your charging page of week {WEEK} (Test Vans)"


def test_without_approval_the_sheet_is_dropped_after_five_days(tmp_path: Path) -> None:
    fleet = mailing_fleet(tmp_path, free_port(), OWN, before=RECORD)
    with post_office(fleet) as con:
        assert codes(send_waiting(con, fleet, NOW + timedelta(days=4))) == ["DELIVER-06"]
        assert send_waiting(con, fleet, NOW + timedelta(days=5)) == []
        assert states(con) == [("nine@home.test", 1, "closed")]


@pytest.mark.parametrize(
    "change", [{"driver_analysis": "totals"}, {"driver_analysis": "off"}, {"agreement": ""}]
)
def test_a_level_or_record_taken_back_stops_what_waits(change: dict, tmp_path: Path) -> None:
    """The second lock: a configuration that was not read from a file is held to the rules too."""
    deliver = OWN + into("a@depot.test", '["report"]') + "with_drivers = true\n"
    fleet = mailing_fleet(tmp_path, free_port(), deliver, before=RECORD)
    privacy = fleet.settings.privacy.model_copy(update=change)
    settings = fleet.settings.model_copy(update={"privacy": privacy})
    lowered = fleet.model_copy(update={"settings": settings})
    with post_office(fleet) as con:
        approved(con, fleet)
        send_waiting(con, lowered, NOW)
        by = {recipient: state for recipient, _, state in states(con)}
        assert by["nine@home.test"] == "closed"
        # Below pseudonyms a report shows no single driver, so it may go (here nobody listens).
        assert by["a@depot.test"] == ("closed" if change == {"agreement": ""} else "failed")


def test_a_report_that_shows_drivers_is_written_down_as_such(tmp_path: Path) -> None:
    postbox = Postbox()
    with serving(postbox) as port:
        deliver = into("a@depot.test", '["report"]') + "with_drivers = true\n"
        fleet = mailing_fleet(tmp_path, port, deliver, before=RECORD)
        with post_office(fleet) as con:
            assert send_waiting(con, fleet, NOW) == []
            assert departures(con) == [("report", "e-mail to a@depot.test", True)]


def test_a_budget_goes_to_each_recipient_once(tmp_path: Path) -> None:
    postbox = Postbox()
    with serving(postbox) as port:
        fleet = mailing_fleet(tmp_path, port, into("a@depot.test", '["report", "budget"]'))
        path = tmp_path / "budgets" / "2026-10_2027-04" / "budget.pdf"
        path.parent.mkdir(parents=True)
        path.write_bytes(b"%PDF budget")
        with post_office(fleet) as con:
            send_waiting(con, fleet, NOW)
            queue_edition(con, fleet, WEEK, 2, tmp_path / "reports" / WEEK, NOW)
            send_waiting(con, fleet, NOW)
    names = [[part.get_filename() for part in got.mail.iter_attachments()] for got in postbox.got]
    budget = f"{WEEK}-budget-2026-10_2027-04.pdf"
    assert names == [[f"{WEEK}-fleet.pdf", budget], [f"{WEEK}-fleet.pdf"]]


def test_forgetting_a_driver_takes_the_deliveries_and_names_what_left(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(KEY_VARIABLE, "k" * 40)
    postbox = Postbox()
    with serving(postbox) as port:
        fleet = mailing_fleet(tmp_path, port, OWN, before=RECORD)
        # The sheet's page names the driver, by which the edition is known to speak of them.
        (tmp_path / "reports" / WEEK / "fleet.html").write_text("Driver Nine", encoding="utf-8")
        with warehouse_of(fleet) as con:
            queue_edition(con, fleet, WEEK, 1, tmp_path / "reports" / WEEK, NOW)
            approved(con, fleet)
            assert send_waiting(con, fleet, NOW) == []
    # An address that holds no word of the driver: only the entry tells whose it is.
    told = (tmp_path / "fleet.toml").read_text(encoding="utf-8").replace("nine@home", "x1@home")
    own = '[[deliver]]\ndriver = "ten"\nto = "y2@home.test"\n'
    (tmp_path / "fleet.toml").write_text(told + own, encoding="utf-8")
    done = forget(load_fleet(tmp_path), "nine", "tester", NOW)
    left = (tmp_path / "fleet.toml").read_text(encoding="utf-8")
    assert "x1@home.test" not in left and left == told[: told.index("[[deliver]]")] + own
    assert done.departures == [f"driver sheets of {WEEK}, 2026-01-19, by e-mail to the driver"]
    with warehouse_of(fleet) as con:
        assert states(con) == []
        assert con.execute("select count(*) from people_findings").fetchall() == [(0,)]
    for path in tmp_path.rglob("*"):
        if path.is_file():
            assert b"nine@home.test" not in path.read_bytes(), path


def test_the_command_lists_sends_and_takes_a_word(tmp_path: Path) -> None:
    runner = CliRunner()
    postbox = Postbox(refused={"b@depot.test": "550 gone"})
    with serving(postbox) as port:
        fleet = mailing_fleet(tmp_path, port)
        empty = runner.invoke(app, ["deliver", str(tmp_path)])
        assert empty.exit_code == 0 and "Nothing is queued" in empty.output
        with warehouse_of(fleet) as con:
            queue_edition(con, fleet, WEEK, 1, tmp_path / "reports" / WEEK, NOW)
        looked = runner.invoke(app, ["deliver", str(tmp_path), "--dry-run"])
        assert looked.exit_code == 0 and "2 waiting." in looked.output and postbox.got == []
        sent = runner.invoke(app, ["deliver", str(tmp_path)])
        assert sent.exit_code == 1 and "1 given up, 1 sent." in sent.output
        assert "DELIVER-03 d2" in sent.output and "--again d2" in sent.output
        wrong = runner.invoke(app, ["deliver", str(tmp_path), "--settled", "d1"])
        assert wrong.exit_code == 2 and "DELIVER-07" in wrong.output
        closed = runner.invoke(app, ["deliver", str(tmp_path), "--settled", "d2"])
        assert closed.exit_code == 0 and "d2 is closed; it was not sent." in closed.output
    assert len(postbox.got) == 1


def test_the_mail_speaks_the_fleets_language(tmp_path: Path) -> None:
    postbox = Postbox()
    with serving(postbox) as port:
        fleet = mailing_fleet(tmp_path, port, into("a@depot.test"), before='language = "de"')
        with post_office(fleet) as con:
            assert send_waiting(con, fleet, NOW) == []
    mail = postbox.got[0].mail
    assert mail["Content-Language"] == "de"
    text = mail.get_body().get_content()
    assert "Januar 2026" in text
    # A word that the catalogues hold already.
    assert "did not respond" not in text


def test_the_notice_names_who_is_sent_what(tmp_path: Path) -> None:
    deliver = OWN + into("a@depot.test", '["report"]') + "with_drivers = true\n"
    said = " ".join(notice_text(mailing_fleet(tmp_path, 25, deliver, before=RECORD)).split())
    assert "- report, with rows about single drivers: a@depot.test" in said
    assert "nine@home.test" not in said and "- the own page of 1 driver" in said
    without = notice_text(mailing_fleet(tmp_path, 25, "", before=RECORD))
    assert "recipients by itself" not in without


def test_retention_forgets_who_was_sent_what(tmp_path: Path) -> None:
    deliver = OWN + into("a@depot.test", '["report"]') + "with_drivers = true\n"
    fleet = mailing_fleet(tmp_path, free_port(), deliver, before=RECORD)
    with post_office(fleet) as con:
        con.execute("update deliveries set state = 'sent'")
        for months, left in (
            (12, ["nine@home.test", "a@depot.test"]),
            (15, ["a@depot.test"]),
            (38, []),
        ):
            retain(con, fleet, NOW + timedelta(days=30.5 * months))
            assert [recipient for recipient, _, _ in states(con)] == left
