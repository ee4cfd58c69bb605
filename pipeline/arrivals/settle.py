"""Which new files of the inbox have arrived: renamed from an unfinished name, or still for a while.

The inbox is polled, because no share on a network tells of changes. What was seen at the last look
is kept in the state folder, timed by this machine's clock: the share's may be wrong. Names are
kept as hashes only, since an export may be named after a person.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pipeline.config import Fleet
from pipeline.ingest.inbox import UNFINISHED_SUFFIXES, InboxFile, safe_name
from pipeline.people.put import replace_file

STILL_S = 60.0
"""Size and time of change must have been the same for so long."""

LOOK_AGAIN_S = 61.0
SEEN_NAME = "arrivals.json"
_RANDOM_END = re.compile(r"\.[A-Za-z0-9]{6}")
"""What common transfer programs put behind a hidden name while they write (common practice)."""


def settled(
    files: Sequence[InboxFile], now: datetime, fleet: Fleet
) -> tuple[list[InboxFile], list[InboxFile]]:
    """Look at new files once; those that have arrived, and those that wait for another look.

    Parameters
    ----------
    files
        New files as `pipeline.ingest.inbox.list_inbox` gives them.
    now
        By this machine's clock. One that was set back only makes a file wait anew.
    fleet
        Whose state folder remembers what was seen.

    Returns
    -------
    tuple
        Files to take, files that wait; both in the order given.
    """
    path = fleet.state / SEEN_NAME
    before = _read(path)
    seen: dict[str, list[float]] = {}
    coming = {key: 1 for name in _unfinished(fleet.inbox) for key in map(_key, _finals(name))}
    finished = {key for key in before["coming"] if key not in coming}
    taken: list[InboxFile] = []
    waiting: list[InboxFile] = []
    for file in files:
        key = _key(file.name)
        size_bytes, modified_ns, since_s = before["seen"].get(key, (-1, -1, 0.0))
        is_same = (size_bytes, modified_ns) == (file.size_bytes, file.modified_ns)
        if not is_same or since_s > now.timestamp():
            since_s = now.timestamp()
        seen[key] = [file.size_bytes, file.modified_ns, since_s]
        is_still = now.timestamp() - since_s >= STILL_S
        (taken if is_still or key in finished else waiting).append(file)
        if key in finished:
            coming[key] = 1  # until it is known: a round may break off before it is taken in
    _write(path, {"seen": seen, "coming": coming})
    return taken, waiting


def ready(
    fleet: Fleet,
    clock: Callable[[], datetime] = lambda: datetime.now(UTC),
    sleep: Callable[[float], None] | None = time.sleep,
) -> Callable[[list[InboxFile]], list[InboxFile]]:
    """The `ready` of an unattended ingest.

    Where files wait, it looks once more after `LOOK_AGAIN_S`, so that what was whole before the
    round began comes in with it.

    Parameters
    ----------
    sleep
        None looks only once.
    """

    def choose(files: list[InboxFile]) -> list[InboxFile]:
        taken, waiting = settled(files, clock(), fleet)
        if waiting and sleep is not None:
            sleep(LOOK_AGAIN_S)
            again = [seen for file in files if (seen := _again(file)) is not None]
            taken, _ = settled(again, clock(), fleet)
        return taken

    return choose


def mark_whole(fleet: Fleet, names: Iterable[str]) -> None:
    """Files of these names come by a rename of ours, so the next look takes them."""
    path = fleet.state / SEEN_NAME
    told = _read(path)
    told["coming"] |= {_key(name): 1 for name in names}
    _write(path, told)


def _again(file: InboxFile) -> InboxFile | None:
    with suppress(OSError):
        state = file.path.stat()
        return InboxFile(file.path, file.name, state.st_size, state.st_mtime_ns)
    return None


def _unfinished(inbox: Path) -> Iterator[str]:
    """Names below the inbox under which something is still being written."""
    for folder, folder_names, names in os.walk(inbox):
        folder_names[:] = [name for name in folder_names if not name.startswith(".")]
        for name in names:
            if name.startswith(".") or name.lower().endswith(UNFINISHED_SUFFIXES):
                path = Path(folder, name).relative_to(inbox)
                yield safe_name(path.as_posix())


def _finals(name: str) -> Iterator[str]:
    """Names that a file may get when it is finished.

    >>> list(_finals("a/.van.csv.Qx12Zb")), list(_finals("van.csv.part"))
    (['a/van.csv.Qx12Zb', 'a/van.csv'], ['van.csv'])
    """
    folder, slash, bare = name.rpartition("/")
    for suffix in UNFINISHED_SUFFIXES:
        if bare.lower().endswith(suffix):
            bare = bare[: -len(suffix)]
            break
    shown = bare.lstrip(".")
    yield folder + slash + shown
    if bare.startswith(".") and (found := _RANDOM_END.search(shown, len(shown) - 7)):
        yield folder + slash + shown[: found.start()]


def _key(name: str) -> str:
    return hashlib.sha256(name.encode("utf-8", "surrogateescape")).hexdigest()[:32]


def _read(path: Path) -> dict[str, dict[str, Any]]:
    """What was seen; nothing where the file is missing or damaged: files then wait once more."""
    try:
        told = json.loads(path.read_text(encoding="utf-8"))
        seen = {str(key): (int(s), int(m), float(t)) for key, (s, m, t) in told["seen"].items()}
        return {"seen": seen, "coming": {str(key): 1 for key in told["coming"]}}
    except (OSError, ValueError, TypeError, KeyError, AttributeError):
        return {"seen": {}, "coming": {}}


def _write(path: Path, told: dict[str, Any]) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    replace_file(path, json.dumps(told | {"coming": sorted(told["coming"])}).encode())
