"""Handing a mail to a server, so that what is not known afterwards is as little as can be.

Up to the line with the single dot the server must throw the mail away if the connection breaks;
from its answer on it has taken or refused it. Only between the two is it not known.

References
----------
RFC 5321 sections 3.3 (the mail is accepted by the answer to the end of the data), 3.8 and 4.1.1.5
(a transaction that is broken off is cancelled), 4.2.1 (first digit of an answer), 4.5.2 (dots),
4.5.3.2 (how long to wait); RFC 3207 and 8314 (TLS); RFC 1870 (sizes).
"""

from __future__ import annotations

import smtplib
import ssl
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from pipeline.delivery_config import Mail, password_of

CONNECT_S = 60.0
COMMAND_S = 300.0
FINAL_S = 600.0
"""How long to wait for an answer [s]: to connect, to a command, to the end of the data."""
_SAID_LETTERS_N = 200

Outcome = Literal["sent", "later", "refused", "unsure"]


@dataclass(frozen=True)
class Answer:
    """What became of a mail.

    Parameters
    ----------
    outcome
        ``sent``: the server has it. ``later``: it has it not, and may take it another time.
        ``refused``: it will not take it. ``unsure``: it may have it.
    said
        What it said, on one line.
    is_broken
        The connection is of no use any more.
    """

    outcome: Outcome
    said: str
    is_broken: bool = False


class NoServerError(Exception):
    """No mail can be handed over now: no connection, no TLS, no account."""


@contextmanager
def session(mail: Mail, fleet_folder: Path) -> Iterator[smtplib.SMTP]:
    """A connection ready for a mail: encrypted as configured, never less, and logged in.

    Raises
    ------
    NoServerError
        With a sentence; it never holds the password.
    """
    try:
        password = password_of(mail, fleet_folder)
    except ValueError as error:
        raise NoServerError(f"no password: {error}") from error
    smtp = _opened(mail, fleet_folder)
    try:
        _made_ready(smtp, mail, fleet_folder, password)
        smtp.timeout = COMMAND_S
        if smtp.sock is not None:
            smtp.sock.settimeout(COMMAND_S)
        yield smtp
    finally:
        # No QUIT where data may be under way: it would become part of the mail.
        smtp.close()


def hand_over(
    smtp: smtplib.SMTP,
    sender: str,
    recipient: str,
    content: bytes,
    before_dot: Callable[[], None],
) -> Answer:
    """Hand one mail to the server.

    Parameters
    ----------
    content
        The mail, lines ended by CR LF.
    before_dot
        Called when everything but the last line is with the server; what it raises ends the
        connection, and nothing was sent.
    """
    try:
        for code, said in _offers(smtp, sender, recipient, len(content)):
            if code // 100 not in (2, 3):
                return _refusal(smtp, code, said)
        smtp.send(stuffed(content))
    except (OSError, smtplib.SMTPException) as error:
        smtp.close()
        return Answer("later", _told(error), is_broken=True)
    try:
        before_dot()
    except BaseException:
        smtp.close()
        raise
    try:
        if smtp.sock is not None:
            smtp.sock.settimeout(FINAL_S)
        smtp.send(b".\r\n")
        code, said = smtp.getreply()
    except (OSError, smtplib.SMTPException) as error:
        smtp.close()
        return Answer("unsure", _told(error), is_broken=True)
    if smtp.sock is not None:
        smtp.sock.settimeout(COMMAND_S)
    if code // 100 == 2:
        return Answer("sent", _line(code, said))
    if code // 100 in (4, 5):
        return _refusal(smtp, code, said, has_transaction=False)
    smtp.close()
    return Answer("unsure", _line(code, said), is_broken=True)


def quit_politely(smtp: smtplib.SMTP) -> None:
    """Say goodbye; whether the server answers changes nothing."""
    try:
        if smtp.sock is not None:
            smtp.sock.settimeout(5.0)
            smtp.quit()
    except (OSError, smtplib.SMTPException):
        smtp.close()


def stuffed(content: bytes) -> bytes:
    """The mail as data: a dot doubled at the start of a line, the last line ended.

    >>> stuffed(b"a\\r\\n.b\\r\\n")
    b'a\\r\\n..b\\r\\n'
    """
    ended = content if content.endswith(b"\r\n") else content + b"\r\n"
    doubled = ended.replace(b"\r\n.", b"\r\n..")
    return b"." + doubled if doubled.startswith(b".") else doubled


def _offers(
    smtp: smtplib.SMTP, sender: str, recipient: str, size_bytes: int
) -> Iterator[tuple[int, bytes]]:
    """The commands before the data, one at a time: a refusal ends them."""
    limit = smtp.esmtp_features.get("size", "")
    if limit.isdigit() and 0 < int(limit) < size_bytes:
        yield 552, f"the server takes mails of at most {int(limit):,} bytes".encode()
    yield smtp.mail(sender, [f"SIZE={size_bytes}"] if "size" in smtp.esmtp_features else [])
    yield smtp.rcpt(recipient)
    yield smtp.docmd("DATA")


def _refusal(smtp: smtplib.SMTP, code: int, said: bytes, *, has_transaction: bool = True) -> Answer:
    """A first digit 4 is for now, 5 for good; 421 and an answer that is none end the session."""
    told = _line(code, said)
    if code == 421 or code // 100 not in (4, 5):
        smtp.close()
        return Answer("later", told, is_broken=True)
    if has_transaction:
        try:
            smtp.rset()
        except (OSError, smtplib.SMTPException):
            smtp.close()
    return Answer("later" if code // 100 == 4 else "refused", told, is_broken=smtp.sock is None)


def _opened(mail: Mail, fleet_folder: Path) -> smtplib.SMTP:
    try:
        if mail.security == "tls":
            return smtplib.SMTP_SSL(
                mail.host, mail.port_used, timeout=CONNECT_S, context=_context(mail, fleet_folder)
            )
        return smtplib.SMTP(mail.host, mail.port_used, timeout=CONNECT_S)
    except (OSError, smtplib.SMTPException, ValueError) as error:
        where = f"{mail.host}, port {mail.port_used}"
        raise NoServerError(f"no connection to {where} ({_told(error)})") from error


def _made_ready(smtp: smtplib.SMTP, mail: Mail, fleet_folder: Path, password: str) -> None:
    try:
        smtp.ehlo_or_helo_if_needed()
        if mail.security == "starttls":
            smtp.starttls(context=_context(mail, fleet_folder))
            smtp.ehlo_or_helo_if_needed()
    except (OSError, smtplib.SMTPException, ValueError) as error:
        raise NoServerError(
            f"{mail.host} would not speak {mail.security} ({_told(error)}); nothing is sent in "
            "the open"
        ) from error
    if not mail.user:
        return
    try:
        smtp.login(mail.user, password)
    except UnicodeError:
        # Its text would show the password.
        raise NoServerError("user and password must be ASCII for this server") from None
    except (OSError, smtplib.SMTPException) as error:
        raise NoServerError(f"{mail.host} refused the account ({_told(error)})") from error


def _context(mail: Mail, fleet_folder: Path) -> ssl.SSLContext:
    """Certificate and name are checked, TLS 1.2 is the least (RFC 8996)."""
    file = None if mail.ca_file is None else str(fleet_folder / mail.ca_file)
    context = ssl.create_default_context(cafile=file)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    return context


def _told(error: Exception) -> str:
    if isinstance(error, smtplib.SMTPResponseException):
        return _line(error.smtp_code, error.smtp_error)
    return _line(None, str(error) or type(error).__name__)


def _line(code: int | None, said: bytes | str) -> str:
    text = said.decode("utf-8", "replace") if isinstance(said, bytes) else said
    clean = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    return (f"{code} {clean}" if code is not None else clean)[:_SAID_LETTERS_N]
