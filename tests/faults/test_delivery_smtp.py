"""Mail to a real server on the loopback, with what goes wrong with mail: nothing twice, none lost.

Section numbers are those of RFC 5321 (the mail protocol) unless another is named.
"""

from __future__ import annotations

import smtplib
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import timedelta
from itertools import pairwise
from pathlib import Path

import pytest
from conftest import ROOT
from mail_server import PASSWORD, Postbox, certificates, free_port, scripted, serving
from mailing_fleet import NOW, TWO, WEEK, departures, edition, mailing_fleet, post_office, states

from pipeline.deliver import queue_edition, send_waiting, smtp
from pipeline.deliver import send as send_module
from pipeline.deliver.view import decide, delivery_lines, delivery_rows
from pipeline.edition import warehouse_of
from pipeline.problems import ColdMinutesError

ONE = '[[deliver]]\ndocuments = ["report"]\nto = ["a@depot.test"]\n'
LATER = NOW + timedelta(hours=7)


def codes(problems: list) -> list[str]:
    return [problem.code for problem in problems]


def test_each_recipient_gets_one_mail_and_a_second_call_sends_nothing(tmp_path: Path) -> None:
    postbox = Postbox()
    with serving(postbox) as port:
        fleet = mailing_fleet(tmp_path, port)
        with post_office(fleet) as con:
            assert send_waiting(con, fleet, NOW) == []
            assert queue_edition(con, fleet, WEEK, 1, tmp_path / "reports" / WEEK, NOW) == 0
            assert send_waiting(con, fleet, LATER, has_pauses=False) == []
            assert states(con) == [("a@depot.test", 1, "sent"), ("b@depot.test", 1, "sent")]
            assert departures(con) == [
                ("report, vehicle sheets", "e-mail to a@depot.test", False),
                ("report, vehicle sheets", "e-mail to b@depot.test", False),
            ]
    assert [got.recipients for got in postbox.got] == [["a@depot.test"], ["b@depot.test"]]
    for got in postbox.got:
        assert got.sender == "post@fleet.test"
        names = [part.get_filename() for part in got.mail.iter_attachments()]
        assert names == [f"{WEEK}-fleet.pdf", f"{WEEK}-vehicles-van-1.pdf"]
        for part, name in zip(
            got.mail.iter_attachments(), ("fleet.pdf", "vehicles/van-1.pdf"), strict=True
        ):
            assert part.get_content() == (tmp_path / "reports" / WEEK / name).read_bytes()
        text = got.mail.get_body().get_content()
        assert "Van One (did not respond)" in text
        assert "driver" not in text.lower() and "nine" not in text, "a mail names no driver"
        assert "31" not in text, "no figure stands in the mail"


@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_mail_goes_encrypted_and_logged_in(
    security: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """RFC 3207 section 4 for STARTTLS, RFC 8314 section 3 for TLS from the first byte."""
    made = certificates(tmp_path)
    kind = {"tls_context": made.context, "require_starttls": True, "has_account": True}
    if security == "tls":
        # aiosmtpd counts only STARTTLS as encrypted, so that it would offer no login here.
        kind = {"ssl_context": made.context}
    account = {"user": "post", "password_env": "MAIL_TEST_SECRET"} if security == "starttls" else {}
    monkeypatch.setenv("MAIL_TEST_SECRET", PASSWORD)
    postbox = Postbox()
    with serving(postbox, **kind) as port:
        fleet = mailing_fleet(
            tmp_path / "fleet", port, ONE, security=security, ca_file=made.ca_file, **account
        )
        with post_office(fleet) as con:
            assert send_waiting(con, fleet, NOW) == []
            if security == "starttls":
                monkeypatch.setenv("MAIL_TEST_SECRET", "wrong")
                edition(tmp_path / "fleet", "second")
                queue_edition(con, fleet, WEEK, 2, tmp_path / "fleet/reports" / WEEK, NOW)
                problems = send_waiting(con, fleet, NOW)
                assert codes(problems) == ["DELIVER-02"]
                assert "refused the account (535" in problems[0].message
                assert "wrong" not in str(problems) and PASSWORD not in str(problems)
    assert [got.was_encrypted for got in postbox.got] == [
        security == "starttls"
    ] or security == "tls"
    assert len(postbox.got) == 1


def test_a_server_without_starttls_gets_nothing(tmp_path: Path) -> None:
    postbox = Postbox()
    with serving(postbox) as port:
        fleet = mailing_fleet(tmp_path, port, ONE, security="starttls")
        with post_office(fleet) as con:
            problems = send_waiting(con, fleet, NOW)
            assert codes(problems) == ["DELIVER-02"]
            assert "nothing is sent in the open" in problems[0].message
            assert states(con) == [("a@depot.test", 1, "failed")]
    assert postbox.got == []


def test_a_certificate_of_nobody_gets_nothing(tmp_path: Path) -> None:
    made = certificates(tmp_path)
    postbox = Postbox()
    with serving(postbox, tls_context=made.context) as port:
        fleet = mailing_fleet(tmp_path / "fleet", port, ONE, security="starttls")
        with post_office(fleet) as con:
            problems = send_waiting(con, fleet, NOW)
            assert codes(problems) == ["DELIVER-02"]
            assert "certificate" in problems[0].message.lower()
    assert postbox.got == []


def test_451_waits_and_goes_the_next_time_under_the_same_message_id(tmp_path: Path) -> None:
    """Section 4.2.1: a first digit 4 is a transient refusal, to be tried again."""
    postbox = Postbox(data_answers=["451 greylisted, come back"])
    with serving(postbox) as port:
        fleet = mailing_fleet(tmp_path, port, ONE)
        with post_office(fleet) as con:
            problems = send_waiting(con, fleet, NOW)
            assert codes(problems) == ["DELIVER-02"] and "451 greylisted" in problems[0].message
            assert departures(con) == [], "what the server refused has not left"
            wanted = con.execute("select message_id from deliveries").fetchall()[0][0]
            assert send_waiting(con, fleet, NOW + timedelta(minutes=4)) == []
            assert postbox.got == [], "the pause of five minutes is held"
            assert send_waiting(con, fleet, NOW + timedelta(minutes=5)) == []
            assert states(con) == [("a@depot.test", 1, "sent")]
    assert [got.mail["Message-ID"] for got in postbox.got] == [f"<{wanted}@fleet.test>"]


def test_550_for_one_of_two_holds_up_only_that_one(tmp_path: Path) -> None:
    """Section 4.2.1: a first digit 5 is for good. Section 3.3: each RCPT is answered alone."""
    postbox = Postbox(refused={"a@depot.test": "550 no such user\x1b[31m"})
    with serving(postbox) as port:
        fleet = mailing_fleet(tmp_path, port)
        with post_office(fleet) as con:
            problems = send_waiting(con, fleet, NOW)
            assert codes(problems) == ["DELIVER-03"]
            assert states(con) == [("a@depot.test", 1, "given_up"), ("b@depot.test", 1, "sent")]
            assert "\x1b" not in str(problems), "an answer cannot steer the terminal"
            assert send_waiting(con, fleet, LATER, has_pauses=False) == []
            assert any("550 no such user" in line for line in delivery_lines(con))
            rows = {
                row["recipient"]: row["is_for_a_person"] for row in delivery_rows(con).to_dicts()
            }
            assert rows == {"a@depot.test": True, "b@depot.test": False}
            postbox.refused.clear()
            decide(con, fleet, "d1", "again", LATER)
            assert send_waiting(con, fleet, LATER) == []
    assert [got.recipients for got in postbox.got] == [["b@depot.test"], ["a@depot.test"]]


GREETING = (
    b"220 here\r\n",
    b"250 here\r\n",
    b"250 sender\r\n",
    b"250 recipient\r\n",
    b"354 go\r\n",
)


@pytest.mark.parametrize(
    ("cut_after", "state"),
    [
        (b"mail FROM", "failed"),
        (b"rcpt TO", "failed"),
        (b"DATA\r\n", "failed"),
        (b"\r\n.\r\n", "unsure"),
    ],
    ids=["mail", "rcpt", "data", "final dot"],
)
def test_a_connection_cut_is_unsure_only_after_the_final_dot(
    cut_after: bytes, state: str, tmp_path: Path
) -> None:
    """Sections 3.8 and 4.1.1.5: what was not ended by the dot is thrown away by the server."""
    with scripted(GREETING, cut_after) as (port, heard):
        fleet = mailing_fleet(tmp_path, port, ONE)
        with post_office(fleet) as con:
            problems = send_waiting(con, fleet, NOW)
            assert codes(problems) == ["DELIVER-01" if state == "unsure" else "DELIVER-02"]
            assert states(con) == [("a@depot.test", 1, state)]
            left = [("report", "e-mail to a@depot.test, perhaps", False)]
            assert departures(con) == (left if state == "unsure" else [])
            assert cut_after in heard
            again = send_waiting(con, fleet, LATER, has_pauses=False)
            # Nobody listens any more: what waits is tried, what is unsure is not.
            assert codes(again) == ([] if state == "unsure" else ["DELIVER-02"])


def test_a_cut_in_the_middle_of_the_data_is_tried_again(tmp_path: Path) -> None:
    """Section 4.1.1.5: a server that hears no dot must not deliver, so it is safe to send again."""
    postbox = Postbox()
    with scripted(GREETING, b"Content-Transfer-Encoding: base64") as (port, heard):
        fleet = mailing_fleet(tmp_path, port, ONE)
        folder = tmp_path / "reports" / WEEK
        (folder / "fleet.pdf").write_bytes(b"%PDF" + bytes(5_000_000))
        with post_office(fleet) as con:
            problems = send_waiting(con, fleet, NOW)
            assert codes(problems) == ["DELIVER-02"]
            assert b"\r\n.\r\n" not in heard
            with serving(postbox) as again_port:
                moved = fleet.settings.mail.model_copy(update={"port": again_port})
                settings = fleet.settings.model_copy(update={"mail": moved})
                fleet = fleet.model_copy(update={"settings": settings})
                assert send_waiting(con, fleet, LATER) == []
    assert len(postbox.got) == 1


def test_unsure_is_left_to_a_person(tmp_path: Path) -> None:
    postbox = Postbox(hangs_up_after_dot=True)
    with serving(postbox) as port:
        fleet = mailing_fleet(tmp_path, port, TWO)
        with post_office(fleet) as con:
            assert codes(send_waiting(con, fleet, NOW)) == ["DELIVER-01", "DELIVER-01"]
            assert len(postbox.got) == 2, "it did arrive, which the sender cannot know"
            for days in range(1, 30):
                assert send_waiting(con, fleet, NOW + timedelta(days=days)) == []
            assert len(postbox.got) == 2
            postbox.hangs_up_after_dot = False
            assert "counts as sent" in decide(con, fleet, "d1", "settled", LATER)
            decide(con, fleet, "d2", "again", LATER)
            assert send_waiting(con, fleet, LATER) == []
            assert states(con) == [("a@depot.test", 1, "sent"), ("b@depot.test", 1, "sent")]
            with pytest.raises(ColdMinutesError, match="nothing to decide"):
                decide(con, fleet, "d2", "again", LATER)
            with pytest.raises(ColdMinutesError, match="DELIVER-07"):
                decide(con, fleet, "d99", "settled", LATER)
    ids = [got.mail["Message-ID"] for got in postbox.got]
    assert ids[1] == ids[2], "sent again it is the same mail, which the far end may know"


def test_a_server_down_for_an_hour_costs_an_hour_and_one_down_for_good_is_given_up(
    tmp_path: Path,
) -> None:
    port = free_port()
    fleet = mailing_fleet(tmp_path, port, ONE)
    tried_at, now = [], NOW
    with post_office(fleet) as con:
        while states(con)[0][2] in ("waiting", "failed"):
            early = now - timedelta(seconds=1)
            assert not tried_at or send_waiting(con, fleet, early) == [], "a pause is held"
            problems = send_waiting(con, fleet, now)
            tried_at.append(now)
            now = con.execute("select next_try_at from deliveries").fetchall()[0][0]
        pauses = [(b - a) / timedelta(minutes=1) for a, b in pairwise(tried_at)]
        assert pauses[:8] == [5, 10, 20, 40, 80, 160, 320, 360]
        assert set(pauses[8:]) == {360}
        # Section 4.5.4.1: "the give-up time generally needs to be at least 4-5 days".
        assert timedelta(days=5) <= tried_at[-1] - NOW < timedelta(days=5, hours=6)
        assert codes(problems) == ["DELIVER-04"]
        assert "given_up" in states(con)[0] and delivery_rows(con)["is_for_a_person"][0]
    postbox = Postbox()
    with post_office(fleet) as con:
        for minutes in (0, 5, 15, 35):
            send_waiting(con, fleet, NOW + timedelta(minutes=minutes))
        with serving(postbox) as other:
            moved = fleet.settings.mail.model_copy(update={"port": other})
            settings = fleet.settings.model_copy(update={"mail": moved})
            later = fleet.model_copy(update={"settings": settings})
            assert send_waiting(con, later, NOW + timedelta(minutes=80)) == []
    assert len(postbox.got) == 1


def test_a_machine_that_was_off_for_a_week_tries_before_it_gives_up(tmp_path: Path) -> None:
    fleet = mailing_fleet(tmp_path, free_port(), ONE)
    with post_office(fleet) as con:
        for weeks in (1, 2):
            assert codes(send_waiting(con, fleet, NOW + timedelta(weeks=weeks))) == ["DELIVER-02"]
        assert codes(send_waiting(con, fleet, NOW + timedelta(weeks=3))) == ["DELIVER-04"]


def test_a_pause_set_by_a_clock_gone_wrong_is_not_waited_for(tmp_path: Path) -> None:
    postbox = Postbox(data_answers=["451 later"])
    with serving(postbox) as port:
        fleet = mailing_fleet(tmp_path, port, ONE)
        with post_office(fleet) as con:
            assert send_waiting(con, fleet, NOW + timedelta(days=4000)) != []
            assert send_waiting(con, fleet, NOW) == []
    assert len(postbox.got) == 1


class Killed(BaseException):
    """Stands for the end of the process."""


def dying_at(state_before_death: str) -> Callable[..., None]:
    """The real `mark`, until an item is to be marked so."""
    real = send_module.mark

    def mark(con, item, state, *rest, **named) -> None:
        if state == state_before_death:
            raise Killed
        real(con, item, state, *rest, **named)

    return mark


def test_a_crash_before_the_dot_loses_nothing_and_sends_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    postbox = Postbox()
    with serving(postbox) as port:
        fleet = mailing_fleet(tmp_path, port, ONE)
        with post_office(fleet) as con:
            real = send_module.mark

            monkeypatch.setattr(send_module, "mark", dying_at("handing_over"))
            with pytest.raises(Killed):
                send_waiting(con, fleet, NOW)
            assert postbox.got == [], "the server had all but the dot, and throws it away"
            assert states(con) == [("a@depot.test", 1, "waiting")]
            monkeypatch.setattr(send_module, "mark", real)
            assert send_waiting(con, fleet, NOW) == []
    assert len(postbox.got) == 1


def test_a_crash_after_the_dot_leaves_it_unsure(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    postbox = Postbox()
    with serving(postbox) as port:
        fleet = mailing_fleet(tmp_path, port, TWO)
        with post_office(fleet) as con:
            real = send_module.mark

            monkeypatch.setattr(send_module, "mark", dying_at("sent"))
            with pytest.raises(Killed):
                send_waiting(con, fleet, NOW)
            assert states(con)[0][2] == "handing_over"
            monkeypatch.setattr(send_module, "mark", real)
            assert codes(send_waiting(con, fleet, NOW)) == ["DELIVER-01"]
            assert [state for _, _, state in states(con)] == ["unsure", "sent"]
            assert (
                "report, vehicle sheets",
                "e-mail to a@depot.test, perhaps",
                False,
            ) in departures(con)
    assert [got.recipients for got in postbox.got] == [["a@depot.test"], ["b@depot.test"]]


def test_a_crash_while_the_answer_is_awaited_leaves_it_unsure(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    postbox = Postbox()
    with serving(postbox) as port:
        fleet = mailing_fleet(tmp_path, port, ONE)
        with post_office(fleet) as con:
            real = smtplib.SMTP.send

            def killed(self: smtplib.SMTP, data: bytes) -> None:
                real(self, data)
                if data == b".\r\n":
                    raise Killed

            monkeypatch.setattr(smtplib.SMTP, "send", killed)
            with pytest.raises(Killed):
                send_waiting(con, fleet, NOW)
            monkeypatch.setattr(smtplib.SMTP, "send", real)
            assert codes(send_waiting(con, fleet, NOW)) == ["DELIVER-01"]
            assert states(con) == [("a@depot.test", 1, "unsure")]


def test_no_more_than_the_dot_is_outstanding_when_handing_over_is_written(tmp_path: Path) -> None:
    """The window in which it is not known is the dot and its answer, and nothing else."""
    seen: list[tuple[list[tuple], int]] = []
    postbox = Postbox()
    with serving(postbox) as port:
        client = smtplib.SMTP("localhost", port, timeout=10)
        sent: list[bytes] = []
        client.send = lambda data, send=client.send: (sent.append(data), send(data))[1]  # type: ignore[method-assign]
        client.ehlo()
        answer = smtp.hand_over(
            client, "post@fleet.test", "a@depot.test", b"To: a@depot.test\r\n\r\n.dot\r\n",
            lambda: seen.append((list(postbox.got), len(sent))),
        )  # fmt: skip
        smtp.quit_politely(client)
    assert answer.outcome == "sent"
    got_before, sent_before_n = seen[0]
    assert got_before == [] and sent[sent_before_n] == b".\r\n"
    # Section 4.5.2: the doubled dot is taken out again by the receiver.
    assert postbox.got[0].content.endswith(b"\r\n\r\n.dot\r\n")


def test_a_mail_too_large_is_refused_before_it_is_sent(tmp_path: Path) -> None:
    """By our own limit, and by what the server announces (RFC 1870 section 6.1)."""
    postbox = Postbox()
    with serving(postbox, data_size_limit=2_000_000) as port:
        fleet = mailing_fleet(tmp_path, port, ONE, max_mb=3)
        path = tmp_path / "reports" / WEEK / "fleet.pdf"
        path.write_bytes(bytes(2_500_000))
        with post_office(fleet) as con:
            problems = send_waiting(con, fleet, NOW)
            assert codes(problems) == ["DELIVER-03"]
            assert "3.4 MB, more than max_mb = 3" in problems[0].message
        path.write_bytes(bytes(1_700_000))
        with post_office(fleet) as con:
            problems = send_waiting(con, fleet, NOW)
            assert codes(problems) == ["DELIVER-03"]
            assert "552 the server takes mails of at most 2,000,000 bytes" in problems[0].message
    assert postbox.got == []


def test_a_server_that_says_goodbye_does_not_hold_up_the_next(tmp_path: Path) -> None:
    """Section 3.8 and 4.2.1: 421 ends the session, and the mail was not taken."""
    postbox = Postbox(data_answers=["421 going down"])
    with serving(postbox) as port:
        fleet = mailing_fleet(tmp_path, port)
        with post_office(fleet) as con:
            assert codes(send_waiting(con, fleet, NOW)) == ["DELIVER-02"]
            assert [state for _, _, state in states(con)] == ["failed", "sent"]


def test_two_processes_at_once_send_one_mail_each_recipient(tmp_path: Path) -> None:
    """The other process finds the warehouse held, waits for it, and has nothing left to send.

    So it has no use for what talks to the network, and does not load it.
    """
    code = (
        "import sys\nfrom pipeline.cli import main\ntry:\n    main(sys.argv[1:])\nfinally:\n"
        "    print(sorted({'smtplib', 'fsspec', 'prefect', 'dask'} & set(sys.modules)))"
    )
    postbox = Postbox()
    with serving(postbox) as port:
        fleet = mailing_fleet(tmp_path, port)
        command = [sys.executable, "-c", code, "deliver", str(tmp_path), "--wait", "60"]
        with warehouse_of(fleet) as con:
            queue_edition(con, fleet, WEEK, 1, tmp_path / "reports" / WEEK, NOW)
            other = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True)
            deadline = time.monotonic() + 20
            while not (tmp_path / ".coldminutes/commands.log").exists():
                assert time.monotonic() < deadline
                time.sleep(0.02)
            assert send_waiting(con, fleet, NOW) == []
        said, _ = other.communicate(timeout=60)
    assert other.returncode == 0 and said.startswith("2 sent.\n") and said.endswith("\n[]\n")
    assert sorted(got.recipients[0] for got in postbox.got) == ["a@depot.test", "b@depot.test"]
