"""Who ran what: one line a command, each chained to the one before by a hash.

Options are kept by name, never by value, so that no driver and no path stands in the log. The
last hash is kept apart too: a cut in the middle breaks the chain, one at the end the count. This
shows tampering by hand; it does not stop somebody who rewrites both files.
"""

from __future__ import annotations

import fcntl
import getpass
import hashlib
import json
import os
import re
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from pipeline.people.put import replace_file
from pipeline.problems import ColdMinutesError, Problem

LOG_NAME = "commands.log"
HEAD_NAME = "commands.head"
START = "0" * 64
_OPTION = re.compile(r"--[a-z][a-z-]*")
QUIET = frozenset({"check", "demo", "draft", "schema", "signals", "start"})
"""Commands that show or change nothing of people in the warehouse."""


def log_command(arguments: Sequence[str], now: datetime) -> None:
    """Append a command as the shell gave it, if it is about a fleet folder that is there.

    Raises
    ------
    ColdMinutesError
        PEOPLE-05, where the log cannot be written: what cannot be recorded is not done.
    """
    command = next((each for each in arguments if not each.startswith("-")), None)
    wants_help = {"--help", "--version"} & set(arguments)
    if command is None or command in QUIET or not command.isalpha() or wants_help:
        return
    folder = next(
        (
            Path(each).resolve()
            for each in arguments
            if each != command and (Path(each) / "fleet.toml").is_file()
        ),
        None,
    )
    if folder is None:
        return
    named = (_OPTION.match(each) for each in arguments)
    options = sorted({each.group() for each in named if each})
    entry = {"at": f"{now:%Y-%m-%dT%H:%M:%SZ}", "user": user(), "command": command}
    append(folder / ".coldminutes", entry | {"options": " ".join(options)})


def append(state: Path, entry: dict[str, str]) -> None:
    """Add one entry behind the last, on the disk before this returns.

    Raises
    ------
    ColdMinutesError
        PEOPLE-05, as `log_command`.
    """
    try:
        state.mkdir(parents=True, exist_ok=True)
        with (state / LOG_NAME).open("a+", encoding="utf-8") as file:
            fcntl.flock(file, fcntl.LOCK_EX)
            file.seek(0)
            lines = file.read().splitlines()
            number, previous = _end(lines, state / HEAD_NAME)
            body = {"no": number + 1, **entry}
            file.write(json.dumps(body | {"hash": _hash(previous, body)}) + "\n")
            file.flush()
            os.fsync(file.fileno())
            head = f"{number + 1} {_hash(previous, body)}\n"
            replace_file(state / HEAD_NAME, head.encode())
    except (OSError, ValueError, KeyError, TypeError) as error:
        problem = Problem(
            "PEOPLE-05",
            "stop",
            str(state / LOG_NAME),
            f"the log of commands cannot be written ({error})",
            "Make the folder writable; move a damaged log away, beside a note why. Nothing was "
            "done.",
        )
        raise ColdMinutesError([problem], exit_code=4) from error


def entries(state: Path) -> tuple[list[dict[str, str]], list[str]]:
    """All entries, and what does not fit: a line changed, left out, added or cut off."""
    path = state / LOG_NAME
    texts = path.read_text(encoding="utf-8", errors="replace").splitlines() if path.exists() else []
    found, wrong = [], []
    previous = START
    for number, text in enumerate(texts, 1):
        try:
            entry = dict(json.loads(text))
            said = entry.pop("hash")
        except (ValueError, KeyError, TypeError):
            wrong.append(f"line {number} is no entry")
            continue
        if entry.get("no") != number or said != _hash(previous, entry):
            wrong.append(f"line {number} does not follow from the line before it")
        previous = said
        found.append(entry)
    head_path = state / HEAD_NAME
    head = head_path.read_text(encoding="ascii", errors="replace") if head_path.exists() else ""
    if head.split() != ([str(len(texts)), previous] if texts else []):
        wrong.append(f"the log ends with line {len(texts)}, but not as it was left")
    return found, wrong


def _end(lines: list[str], head_path: Path) -> tuple[int, str]:
    """Number and hash of the last entry, as it was left: a line cut off since stays missing."""
    if not head_path.exists():
        return (len(lines), str(json.loads(lines[-1])["hash"])) if lines else (0, START)
    number, previous = head_path.read_text(encoding="ascii").split()
    if lines:
        # A crash may have come between a line and its head; then the line follows from the head.
        last = dict(json.loads(lines[-1]))
        said = str(last.pop("hash"))
        if last.get("no") == int(number) + 1 and said == _hash(previous, last):
            return int(number) + 1, said
    return int(number), previous


def user() -> str:
    """The account that runs the program."""
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return f"uid {os.getuid()}"


def _hash(previous: str, body: dict[str, object] | dict[str, str]) -> str:
    return hashlib.sha256((previous + json.dumps(body, sort_keys=True)).encode()).hexdigest()
