"""Real mail servers on the loopback, one that behaves and one that does what a script says."""

from __future__ import annotations

import socket
import ssl
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import SMTP as SMTP_POLICY
from pathlib import Path
from typing import Any, NamedTuple

import trustme
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session

PASSWORD = "not-a-real-one"


class Got(NamedTuple):
    """One mail as the server had it."""

    sender: str
    recipients: list[str]
    content: bytes
    was_encrypted: bool

    @property
    def mail(self) -> EmailMessage:
        """As the standard library reads it."""
        found = message_from_bytes(self.content, policy=SMTP_POLICY)
        assert isinstance(found, EmailMessage)
        return found


@dataclass
class Postbox:
    """Handler that keeps mails, after the answers it was told to give first."""

    data_answers: list[str] = field(default_factory=list)
    refused: dict[str, str] = field(default_factory=dict)
    hangs_up_after_dot: bool = False
    got: list[Got] = field(default_factory=list)

    async def handle_RCPT(  # noqa: N802
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        if address in self.refused:
            return self.refused[address]
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:  # noqa: N802
        if self.data_answers and not (first := self.data_answers.pop(0)).startswith("250"):
            return first
        content = envelope.original_content
        assert envelope.mail_from is not None and content is not None
        sent = Got(envelope.mail_from, envelope.rcpt_tos, content, session.ssl is not None)
        self.got.append(sent)
        if self.hangs_up_after_dot:
            server.transport.abort()
        return "250 taken"


class Certificates(NamedTuple):
    """A certificate of ``localhost`` and the file of the authority that signed it."""

    context: ssl.SSLContext
    ca_file: Path


def certificates(folder: Path) -> Certificates:
    """Made now, for this test: no key lies in the tree."""
    authority = trustme.CA()
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert("localhost").configure_cert(context)
    authority.cert_pem.write_to_path(str(folder / "ca.pem"))
    return Certificates(context, folder / "ca.pem")


def _authenticate(
    server: SMTP, session: Session, envelope: Envelope, mechanism: str, given: Any
) -> AuthResult:
    is_right = isinstance(given, LoginPassword) and given.password == PASSWORD.encode()
    return AuthResult(success=is_right, handled=False)


@contextmanager
def serving(postbox: Postbox, **options: Any) -> Iterator[int]:
    """A server that takes mail; its port."""
    if options.pop("has_account", False):
        options |= {"authenticator": _authenticate, "auth_required": True}
    controller = Controller(postbox, hostname="localhost", port=free_port(), **options)
    controller.start()
    try:
        yield controller.port
    finally:
        controller.stop()


def free_port() -> int:
    """A port of the loopback on which nobody listens."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def scripted(answers: Sequence[bytes], cut_after: bytes) -> Iterator[tuple[int, bytearray]]:
    """A server of one connection: it answers until it has read `cut_after`, then hangs up.

    Yields its port and all that it was told.
    """
    listener = socket.create_server(("127.0.0.1", 0))
    # What is under way must not fit into buffers, or the sender would not notice.
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 16_384)
    port = int(listener.getsockname()[1])
    heard = bytearray()

    def serve() -> None:
        peer, _ = listener.accept()
        listener.close()
        with peer:
            peer.settimeout(5)
            peer.sendall(answers[0])
            left = list(answers[1:])
            while cut_after not in heard:
                piece = peer.recv(65536)
                if not piece:
                    return
                heard.extend(piece)
                if left and cut_after not in heard:
                    peer.sendall(left.pop(0))

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        yield port, heard
    finally:
        thread.join(5)
        listener.close()
