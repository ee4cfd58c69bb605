"""One item of the queue as a mail: plain text and attachments, nothing in it but what was meant.

References
----------
RFC 5322 (headers), RFC 2045 and 2183 (parts and attachments), RFC 2231 (names of files), RFC 3834
(a mail that no machine should answer), all by the standard library's ``email``.
"""

from __future__ import annotations

import mimetypes
import re
from collections.abc import Sequence
from datetime import datetime
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime

_NAME = re.compile(r"[^A-Za-z0-9_.-]+")
_MAIN_TYPES = frozenset({"application", "text"})
_DISPLAY_LETTERS_N = 100


def letter(
    *,
    sender: str,
    sender_name: str,
    recipient: str,
    subject: str,
    text: str,
    language: str,
    message_id: str,
    written_at: datetime,
    attachments: Sequence[tuple[str, bytes]] = (),
) -> bytes:
    """The mail as it goes over the wire, lines ended by CR LF, every line ASCII.

    Parameters
    ----------
    sender, recipient
        Addresses that `delivery_config.mail_address` let through.
    sender_name, subject
        Any text; what would end or start a header goes.
    message_id
        The part before the sign; the sender's domain comes after it.
    attachments
        Name and content of each.
    """
    mail = EmailMessage(policy=SMTP)
    local, _, domain = sender.rpartition("@")
    shown = _line(sender_name)[:_DISPLAY_LETTERS_N]
    mail["From"] = Address(display_name=shown, username=local, domain=domain)
    mail["To"] = Address(addr_spec=recipient)
    mail["Subject"] = _line(subject)
    mail["Date"] = format_datetime(written_at)
    mail["Message-ID"] = f"<{_NAME.sub('-', message_id)}@{domain}>"
    mail["Auto-Submitted"] = "auto-generated"
    mail.set_content(text, cte="quoted-printable")
    for name, content in attachments:
        kind = mimetypes.guess_type(name)[0] or "application/octet-stream"
        main, _, sub = kind.partition("/")
        if main not in _MAIN_TYPES:
            main, sub = "application", "octet-stream"
        mail.add_attachment(content, maintype=main, subtype=sub, filename=file_name(name))
    # Last: putting content in takes earlier headers about content out.
    mail["Content-Language"] = language
    return mail.as_bytes()


def file_name(name: str) -> str:
    """A name that any system can store, on one level.

    >>> file_name("vehicles/van-07.pdf")
    'vehicles-van-07.pdf'
    """
    return _NAME.sub("-", name).strip(".-") or "file"


def _line(text: str) -> str:
    """Text on one line: control characters and line ends of any alphabet become blanks."""
    kept = "".join(letter if letter.isprintable() else " " for letter in text)
    return " ".join(kept.split())
