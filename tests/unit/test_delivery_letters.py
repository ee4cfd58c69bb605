"""Mails as bytes, read back by the standard library's parser; hostile names and addresses."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import SMTP, strict
from email.utils import parsedate_to_datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.deliver.letter import file_name, letter
from pipeline.deliver.smtp import stuffed
from pipeline.delivery_config import mail_address

AT = datetime(2026, 1, 19, 6, 0, tzinfo=UTC)
HOSTILE = 'Skarnby\r\nBcc: thief@else.test\r\n\r\n<b>\x00\x85\u2028Vans, "A" <x@y> Ärger'
HEADERS = [
    "From", "To", "Subject", "Date", "Message-ID", "Auto-Submitted", "Content-Language",
    "MIME-Version", "Content-Type",
]  # fmt: skip


def made(**changed: object) -> bytes:
    told: dict = {
        "sender": "post@fleet.test", "sender_name": "Skarnby", "recipient": "a@depot.test",
        "subject": "Week 3", "text": "Hello\n.\n.dot\n", "language": "de", "message_id": "abc.1",
        "written_at": AT, "attachments": [("fleet.pdf", b"%PDF\r\n.\r\n\x00\xff")],
    }  # fmt: skip
    return letter(**(told | changed))


def read(content: bytes) -> EmailMessage:
    found = message_from_bytes(content, policy=SMTP + strict)  # raises on any defect
    assert isinstance(found, EmailMessage)
    return found


@pytest.mark.parametrize("name", [HOSTILE, "", "ж" * 300, "a" * 5000])
def test_hostile_names_stay_one_header_each(name: str) -> None:
    """RFC 5322 section 2.2 (no CR or LF in a field), 2.1.1 (998 octets a line), 3.6 (once each)."""
    content = made(sender_name=name, subject=name, text=name)
    mail = read(content)
    assert [key for key in mail.keys() if key not in HEADERS] == []  # noqa: SIM118
    assert all(len(mail.get_all(key, [])) == 1 for key in HEADERS)
    assert mail["To"].addresses[0].addr_spec == "a@depot.test" and len(mail["To"].addresses) == 1
    assert mail["From"].addresses[0].addr_spec == "post@fleet.test"
    assert len(mail["From"].addresses) == 1
    assert mail["Bcc"] is None
    lines = content.split(b"\r\n")
    assert max(map(len, lines)) <= 998
    assert all(b"\r" not in line and b"\n" not in line for line in lines), "RFC 5321 section 2.3.8"
    assert content.isascii(), "RFC 5321 section 2.4: 8-bit text needs a server that takes it"


def test_headers_are_what_the_standards_ask() -> None:
    mail = read(made())
    # RFC 5322 section 3.6.1 and 3.6.4.
    assert parsedate_to_datetime(mail["Date"]) == AT
    assert re.fullmatch(r"<[^\s<>@]+@fleet\.test>", mail["Message-ID"])
    # RFC 3834 section 5, so that no holiday answer comes back; RFC 3282 section 2; RFC 2045 4.
    assert mail["Auto-Submitted"] == "auto-generated"
    assert mail["Content-Language"] == "de"
    assert mail["MIME-Version"] == "1.0"


def test_attachments_come_out_as_they_went_in() -> None:
    """RFC 2045 section 6.8 (base64), RFC 2183 section 2.3 (file names)."""
    content = made(attachments=[("fleet.pdf", bytes(range(256)) * 50), ("a.csv", b"a;b\r\n.\r\n")])
    parts = list(read(content).iter_attachments())
    assert [part.get_filename() for part in parts] == ["fleet.pdf", "a.csv"]
    assert parts[0].get_content_type() == "application/pdf"
    assert parts[0].get_content_disposition() == "attachment"
    assert parts[0].get_payload(decode=True) == bytes(range(256)) * 50
    assert parts[1].get_payload(decode=True) == b"a;b\r\n.\r\n"


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("../../etc/passwd", "etc-passwd"),
        ('a"\r\nBcc: x@y.test\r\n.pdf', "a-Bcc-x-y.test-.pdf"),
        ("\u202efdp.exe", "fdp.exe"),
        ("....", "file"),
        ("vehicles/van-07.pdf", "vehicles-van-07.pdf"),
    ],
)
def test_file_names_are_plain(name: str, shown: str) -> None:
    assert file_name(name) == shown
    parts = list(read(made(attachments=[(name, b"x")])).iter_attachments())
    assert [part.get_filename() for part in parts] == [shown]


@settings(max_examples=25, deadline=None)
@given(st.text(max_size=60), st.text(max_size=60))
def test_any_text_makes_one_readable_mail(name: str, text: str) -> None:
    mail = read(made(sender_name=name, subject=name, text=text))
    assert sorted(mail.keys()) == sorted(HEADERS)
    said = mail.get_body().get_content()
    # Blanks and line ends are the only thing that the way there may change.
    assert said.split() == text.split()


@given(st.lists(st.sampled_from([b".", b"..", b"a", b"\r\n", b".\r\n"]), max_size=20))
def test_dots_are_doubled_and_no_line_is_a_dot_alone(pieces: list[bytes]) -> None:
    """RFC 5321 section 4.5.2."""
    content = b"".join(pieces)
    sent = stuffed(content)
    lines = sent.split(b"\r\n")[:-1]
    assert b"." not in lines, "a dot alone would end the mail"
    received = b"\r\n".join(line[1:] if line.startswith(b".") else line for line in lines) + b"\r\n"
    assert received in (content, content + b"\r\n")


@pytest.mark.parametrize(
    "text",
    [
        "a@b.test\r\nBcc: c@d.test", "a@b.test\n", "a@b.test, c@d.test", "a b@c.test", "@b.test",
        "a@", "a@@b.test", '"a b"@c.test', "a@[127.0.0.1]", "<a@b.test>", "a@b.test>", "å@b.test",
        "a@ö.test", "a@-b.test", "a@b..test", ".a@b.test", "a..b@c.test", "a@b.test\x00", "a;b@c d",
        "a" * 65 + "@b.test", "a@" + "b" * 64 + ".test", "a@" + "b." * 130 + "test",
    ],
)  # fmt: skip
def test_what_is_no_address_is_refused(text: str) -> None:
    """RFC 5321 sections 4.1.2 and 4.5.3.1, RFC 5322 section 3.4.1."""
    with pytest.raises(ValueError, match="mail address"):
        mail_address(text)


@pytest.mark.parametrize(
    "text", ["a@b.test", "first.last+tag@sub.b.test", "o'neil@b-c.test", "a@localhost"]
)
def test_what_is_an_address_is_taken(text: str) -> None:
    assert mail_address(text) == text
    assert mail_address("Anna@DEPOT.Test") == "Anna@depot.test"
