"""Keys of SFTP servers: one that is not known is refused, never remembered on first sight."""

from __future__ import annotations

from pathlib import Path

import paramiko


class _KnownOnly(paramiko.MissingHostKeyPolicy):  # type: ignore[misc, unused-ignore]
    def __init__(self, path: Path) -> None:
        self._path = path

    def missing_host_key(
        self, client: paramiko.SSHClient, hostname: str, key: paramiko.PKey
    ) -> None:
        known = paramiko.HostKeys()
        if self._path.is_file():
            known.load(str(self._path))
        if not known.check(hostname, key):
            raise paramiko.SSHException(
                f"the key that {hostname} shows is not in {self._path}; if it is the right "
                f"server, add its line there (ssh-keyscan prints it)"
            )


def known_only(path: Path) -> paramiko.MissingHostKeyPolicy:
    """A policy that takes the keys of a known_hosts file only."""
    return _KnownOnly(path.expanduser())
