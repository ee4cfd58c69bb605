"""The keys behind pseudonyms and the list of people forgotten; they never lie with the data.

A ring of keys is a text with one key a line, the current one first. Pseudonyms are made with the
current key; the list of people forgotten is held against all, so that a key may be changed by
putting a new line on top. Where they come from, the first that is there:

1. the environment variable ``COLDMINUTES_PEOPLE_KEY`` (keys separated by blanks),
2. the file that ``privacy.key_file`` names,
3. a file of the user's own configuration folder, made on first use, one per fleet folder.

References
----------
RFC 2104 (HMAC), FIPS 180-4 (SHA-256); EDPB Guidelines 01/2025 on pseudonymisation, which want
such secrets kept apart from the data.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import os
import secrets
import tempfile
from pathlib import Path

from pipeline.config import Fleet
from pipeline.problems import ColdMinutesError, Problem

KEY_VARIABLE = "COLDMINUTES_PEOPLE_KEY"
LEAST_KEY_CHARS = 32
_OLD_KEY_NAME = "pseudonym.key"


def key_ring(fleet: Fleet) -> tuple[bytes, ...]:
    """The fleet's keys, the current one first; one is made where there is none.

    Raises
    ------
    ColdMinutesError
        PEOPLE-01, where keys are too short, lie in the fleet folder, or cannot be read or made.
    """
    told = os.environ.get(KEY_VARIABLE, "")
    if told.strip():
        return _parsed(told, KEY_VARIABLE)
    path = fleet.settings.privacy.key_file
    if path is None:
        path = default_key_path(fleet)
        _make(path, fleet)
    path = fleet.folder / path
    if path.resolve().is_relative_to(fleet.folder):
        raise _refused(str(path), "lies in the fleet folder, beside the data it protects")
    try:
        text = path.read_text(encoding="ascii")
    except (OSError, UnicodeDecodeError) as error:
        raise _refused(str(path), f"cannot be read as keys ({error})") from error
    return _parsed(text, str(path))


def default_key_path(fleet: Fleet) -> Path:
    """Where the keys of this fleet folder lie if nobody says otherwise."""
    home = os.environ.get("XDG_CONFIG_HOME", "")
    base = Path(home) if home else Path.home() / ".config"
    mark = hashlib.sha256(os.fsencode(fleet.folder)).hexdigest()[:16]
    return base / "coldminutes" / f"people-{mark}.key"


def pseudonym(key: bytes, driver_id: str) -> str:
    """Label of a driver: 30 bits of HMAC-SHA-256, the same as long as the key is."""
    digest = hmac.new(key, driver_id.encode(), hashlib.sha256).digest()
    return f"driver {base64.b32encode(digest).decode()[:6]}"


def key_name(key: bytes) -> str:
    """Which key a line of the list was made with; says nothing of the key."""
    return hmac.new(key, b"name of this key", hashlib.sha256).hexdigest()[:8]


def word_hash(key: bytes, word: str) -> str:
    """Keyed hash of one spelling of a person, apart from that of a pseudonym."""
    return hmac.new(key, b"forgotten\0" + word.encode(), hashlib.sha256).hexdigest()


def _parsed(text: str, where: str) -> tuple[bytes, ...]:
    keys = text.split()
    if not keys or any(len(key) < LEAST_KEY_CHARS for key in keys):
        raise _refused(where, f"holds a key of fewer than {LEAST_KEY_CHARS} characters, or none")
    return tuple(key.encode() for key in keys)


def _make(path: Path, fleet: Fleet) -> None:
    """Write a new key readable by its owner only; a key of an earlier version goes, unused.

    That one lay beside the data, so it counts as known to whoever had the folder.
    """
    try:
        if not path.exists():
            path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
            handle, made = tempfile.mkstemp(dir=path.parent, prefix=".key-")
            with os.fdopen(handle, "w", encoding="ascii") as file:
                file.write(secrets.token_hex(32) + "\n")
            try:
                os.link(made, path)  # whole or not at all, whoever else does the same
            except FileExistsError:
                pass
            finally:
                Path(made).unlink()
        (fleet.state / _OLD_KEY_NAME).unlink(missing_ok=True)
    except OSError as error:
        raise _refused(str(path), f"cannot be made ({error.strerror or error})") from error


def _refused(where: str, why: str) -> ColdMinutesError:
    problem = Problem(
        "PEOPLE-01",
        "stop",
        where,
        why,
        f"Set privacy.key_file to a file outside the fleet folder, or {KEY_VARIABLE} to a text of "
        f"{LEAST_KEY_CHARS} or more characters; `openssl rand -hex 32` makes one. Nothing was "
        "changed.",
    )
    return ColdMinutesError([problem], exit_code=4)
