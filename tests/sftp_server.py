"""A small SFTP server on loopback over one folder, for tests: paramiko's own server side."""

from __future__ import annotations

import os
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import paramiko

USER, PASSWORD = "depot", "hunter2-hunter2"


class _Door(paramiko.ServerInterface):
    def check_auth_password(self, username: str, password: str) -> int:
        is_known = (username, password) == (USER, PASSWORD)
        return paramiko.AUTH_SUCCESSFUL if is_known else paramiko.AUTH_FAILED

    def check_channel_request(self, kind: str, chanid: int) -> int:
        return paramiko.OPEN_SUCCEEDED

    def get_allowed_auths(self, username: str) -> str:
        return "password"


def _files(root: Path) -> type[paramiko.SFTPServerInterface]:
    class Files(paramiko.SFTPServerInterface):
        def list_folder(self, path: str) -> Any:
            found = []
            for each in sorted((root / path.lstrip("/")).iterdir()):
                attributes = paramiko.SFTPAttributes.from_stat(each.stat())
                attributes.filename = each.name
                found.append(attributes)
            return found

        def stat(self, path: str) -> Any:
            try:
                return paramiko.SFTPAttributes.from_stat((root / path.lstrip("/")).stat())
            except FileNotFoundError:
                return paramiko.SFTP_NO_SUCH_FILE

        lstat = stat

        def open(self, path: str, flags: int, attr: Any) -> Any:
            handle = paramiko.SFTPHandle(flags)
            handle.readfile = (root / path.lstrip("/")).open("rb")
            return handle

    return Files


@contextmanager
def sftp_server(root: Path) -> Iterator[tuple[int, str]]:
    """Serve a folder for the block; port, and the line of a known_hosts file."""
    key = paramiko.ECDSAKey.generate()
    listener = socket.create_server(("127.0.0.1", 0))
    port = listener.getsockname()[1]
    transports: list[paramiko.Transport] = []

    def accept() -> None:
        while True:
            try:
                client, _ = listener.accept()
            except OSError:
                return
            transport = paramiko.Transport(client)
            transports.append(transport)
            transport.add_server_key(key)
            transport.set_subsystem_handler("sftp", paramiko.SFTPServer, _files(root))
            try:
                transport.start_server(server=_Door())
            except (paramiko.SSHException, EOFError, OSError):
                continue

    thread = threading.Thread(target=accept, daemon=True)
    thread.start()
    try:
        yield port, f"[127.0.0.1]:{port} {key.get_name()} {key.get_base64()}\n"
    finally:
        listener.shutdown(socket.SHUT_RDWR) if os.name == "posix" else None
        listener.close()
        for transport in transports:
            transport.close()
        thread.join(5)
