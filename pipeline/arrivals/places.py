"""Places elsewhere, opened through fsspec: SFTP, object stores, folders.

Secrets come from the environment, and what a library says of a failure is told without them. A
server that speaks SFTP must show a key that is known.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any
from urllib.parse import urlsplit

from pipeline.arrival_config import Fetch
from pipeline.problems import ColdMinutesError, Problem

MOST_FOLDERS_DEEP = 8
_CONNECT_S = 30
_CHANGE_KEYS = ("mtime", "LastModified", "last_modified", "modified", "created", "ETag", "etag")
_RETRY = "The next round tries again; what lies in the inbox is taken in all the same."


class Place:
    """A folder elsewhere."""

    def __init__(self, fs: Any, root: str, fetch: Fetch, secrets: list[str]) -> None:
        from fsspec.utils import glob_translate

        self._fs, self._root, self._secrets = fs, root, secrets
        self._patterns = [re.compile(glob_translate(pattern)) for pattern in fetch.files]
        depths = [
            MOST_FOLDERS_DEEP if "**" in pattern else pattern.count("/") + 1
            for pattern in fetch.files
        ]
        self._deep = min(max(depths), MOST_FOLDERS_DEEP)

    def files(self) -> Iterator[tuple[str, str, tuple[int, str]]]:
        """Path there, name below the root, and size with what is told of its change."""
        # As a walk and not at once: a place may hold any number.
        for _, _, files in self._fs.walk(self._root, maxdepth=self._deep, detail=True,
                                         on_error="raise"):  # fmt: skip
            for info in files.values():
                path = str(info["name"])
                name = _below(path, self._root)
                if info.get("type") == "file" and any(p.match(name) for p in self._patterns):
                    yield path, name, _told(info)

    def told(self, path: str) -> tuple[int, str]:
        """Size and change of one file as it is now."""
        with self._as_os_error():
            self._fs.invalidate_cache()
            return _told(self._fs.info(path))

    @contextmanager
    def reading(self, path: str) -> Iterator[Any]:
        """The bytes of one file; any failure of the library is an OSError."""
        with self._as_os_error(), self._fs.open(path, "rb") as stream:
            yield stream

    def shown(self, error: BaseException) -> str:
        """What went wrong, in one line without secrets."""
        return _without(self._secrets, error)

    @contextmanager
    def _as_os_error(self) -> Iterator[None]:
        try:
            yield
        except OSError:
            raise
        except Exception as error:
            # Each file system raises what its own library has.
            raise OSError(f"{type(error).__name__}: {error}") from error


@contextmanager
def opened_place(fetch: Fetch, where: str) -> Iterator[Place]:
    """Connect to a place; whatever fails on the way is told as a problem.

    Raises
    ------
    ColdMinutesError
        ARRIVE-03, where it cannot be reached; ARRIVE-05, where a library is missing; ARRIVE-06,
        where a variable of the environment is.
    """
    secrets = _secrets(fetch, where)
    try:
        fs, root = _file_system(fetch, secrets)
    except ImportError as error:
        problem = Problem(
            "ARRIVE-05",
            "exclude",
            where,
            f"needs a library that is not installed ({error})",
            'Install it: `pip install "coldminutes[remote]"` brings SFTP; object stores need '
            "s3fs, gcsfs or adlfs.",
        )
        raise ColdMinutesError([problem], exit_code=4) from error
    except Exception as error:
        # Each file system raises what its own library has.
        raise _unreached(where, _without(list(secrets.values()), error)) from error
    place = Place(fs, root, fetch, list(secrets.values()))
    try:
        yield place
    except ColdMinutesError:
        raise
    except Exception as error:
        raise _unreached(where, place.shown(error)) from error
    finally:
        client = getattr(fs, "client", None)
        if client is not None and hasattr(client, "close"):
            client.close()


def _secrets(fetch: Fetch, where: str) -> dict[str, str]:
    missing = [name for name in fetch.options_env.values() if not os.environ.get(name)]
    if missing:
        problem = Problem(
            "ARRIVE-06",
            "exclude",
            where,
            f"the environment holds no {', '.join(missing)}",
            "Set it where the program is started: an EnvironmentFile of the service that only "
            "its account may read.",
        )
        raise ColdMinutesError([problem], exit_code=4)
    return {option: os.environ[name] for option, name in fetch.options_env.items()}


def _file_system(fetch: Fetch, secrets: dict[str, str]) -> tuple[Any, str]:
    import fsspec

    protocol = urlsplit(fetch.url).scheme
    options: dict[str, Any] = {**fetch.options, **secrets}
    kind = fsspec.get_filesystem_class(protocol)
    if protocol in ("sftp", "ssh"):
        from pipeline.arrivals.host_keys import known_only

        options = {"timeout": _CONNECT_S, "banner_timeout": _CONNECT_S, "auth_timeout": _CONNECT_S,
                   **options, "host_key_policy": known_only(fetch.known_hosts)}  # fmt: skip
    told = kind._get_kwargs_from_urls(fetch.url)
    # Not from a cache of the library: a connection may be stale, and a secret changed.
    fs = kind(**{**told, **options}, skip_instance_cache=True)
    if hasattr(fs, "ftp"):
        fs.ftp.get_channel().settimeout(2 * _CONNECT_S)
    return fs, str(fs._strip_protocol(fetch.url)).rstrip("/") or "/"


def _told(info: dict[str, Any]) -> tuple[int, str]:
    size = info.get("size")
    change = next((str(info[key]) for key in _CHANGE_KEYS if info.get(key)), "")
    if not isinstance(size, int) or size < 0:
        raise OSError("the other side does not say how large it is")
    return size, f"{size} {change}"


def _below(path: str, root: str) -> str:
    bare = path.removeprefix(root) if root != "/" else path
    return bare.removeprefix("/")


def _without(secrets: list[str], error: BaseException) -> str:
    text = " ".join(str(error).split()) or type(error).__name__
    for secret in secrets:
        text = text.replace(secret, "***")
    return text[:300]


def _unreached(where: str, why: str) -> ColdMinutesError:
    problem = Problem(
        "ARRIVE-03",
        "exclude",
        where,
        f"could not be looked into ({why})",
        f"Look at the address, the account and the network. {_RETRY}",
    )
    return ColdMinutesError([problem], exit_code=4)
