"""New exports pulled from elsewhere into the inbox, each whole or not at all.

What was fetched is remembered by a hash of its place and by what the other side says of its size
and change, so a changed export comes again and an unchanged one does not. No failure here stops a
round: what lies in the inbox is taken in all the same.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path, PurePosixPath
from typing import Any

from pipeline.arrival_config import Fetch
from pipeline.arrivals.places import Place, opened_place
from pipeline.arrivals.settle import mark_whole
from pipeline.config import Fleet
from pipeline.disk import disk_problem, is_disk_full
from pipeline.ingest.inbox import UNFINISHED_SUFFIXES, safe_name
from pipeline.people.put import replace_file
from pipeline.problems import ColdMinutesError, Problem

FETCHED_NAME = "fetched.json"
GB = 1_000_000_000
MOST_FILES_N = 100_000
"""So many of one place are looked at; a place with more needs a narrower URL."""

_NAME_BYTES = 200
_CHUNK_BYTES = 1 << 20
_SPARE_SHARE = 0.05
"""A disk is not filled further than this by what is fetched."""


@dataclass(frozen=True)
class Remote:
    """One export elsewhere: its path there, its name below the URL, size, and how it was told."""

    path: str
    name: str
    size_bytes: int
    told: str


def fetch_new(fleet: Fleet, now: datetime) -> list[Problem]:
    """Pull what is new from all places under ``[[fetch]]``.

    Parameters
    ----------
    now
        Kept with each export, for whoever reads the file.

    Returns
    -------
    list
        What could not be reached or fetched; it is tried again the next time.
    """
    problems: list[Problem] = []
    if not fleet.settings.fetch:
        return problems
    kept = _read(fleet.state / FETCHED_NAME)
    for number, fetch in enumerate(fleet.settings.fetch, 1):
        where = f"fleet.toml, fetch {number} ({fetch.url})"
        try:
            with opened_place(fetch, where) as place:
                problems += _fetch_all(place, fetch, fleet, where, kept, now)
        except ColdMinutesError as error:
            problems += error.problems
    return problems


def _fetch_all(
    place: Place, fetch: Fetch, fleet: Fleet, where: str, kept: dict[str, Any], now: datetime
) -> list[Problem]:
    problems: list[Problem] = []
    left_bytes = int(fetch.max_gb * GB)
    most_bytes = int(fleet.settings.limits.max_file_gb * GB)
    there = set()
    for remote in _listed(place, where, problems):
        key = _key(fetch.url, remote.name)
        there.add(key)
        if kept.get(key, {}).get("told") == remote.told:
            continue
        if remote.size_bytes > most_bytes:
            problems.append(
                _left(where, remote, f"has more than {most_bytes / GB:g} GB, the most for one file")
            )
            continue
        if remote.size_bytes > left_bytes:
            problems.append(_left(where, remote, f"would make it more than {fetch.max_gb:g} GB"))
            break
        try:
            target = _pull(place, remote, fetch, fleet, most_bytes)
        except OSError as error:
            if is_disk_full(error):
                return [*problems, disk_problem(error)]
            problems.append(_left(where, remote, place.shown(error)))
            continue
        left_bytes -= remote.size_bytes
        kept[key] = {"told": remote.told, "fetched_at": now.isoformat(), "url": fetch.url}
        # After each, so that a round broken off fetches no more than one of them again.
        _write(fleet.state / FETCHED_NAME, kept)
        mark_whole(fleet, [safe_name(target.relative_to(fleet.inbox).as_posix())])
    if not any(problem.code == "ARRIVE-03" for problem in problems):
        gone = [key for key, row in kept.items() if row["url"] == fetch.url and key not in there]
        for key in gone:
            del kept[key]
        if gone:
            _write(fleet.state / FETCHED_NAME, kept)
    return problems


def _listed(place: Place, where: str, problems: list[Problem]) -> Iterator[Remote]:
    """Exports that fit, by name; hidden and unfinished ones are passed over as in the inbox."""
    found = []
    for number, (path, name, told) in enumerate(place.files()):
        if number >= MOST_FILES_N:
            problems.append(
                Problem(
                    "ARRIVE-03",
                    "note",
                    where,
                    f"holds more than {MOST_FILES_N:,} files; those after them were not looked at",
                    "Name a narrower folder in url, or move old exports away there.",
                )
            )
            break
        parts = PurePosixPath(name).parts
        if any(part.startswith(".") for part in parts):
            if ".." in parts:
                problems.append(_hostile(where, name))
            continue
        if name.lower().endswith(UNFINISHED_SUFFIXES):
            continue
        has_odd = any(not part.isprintable() or len(os.fsencode(part)) > _NAME_BYTES
                      for part in parts)  # fmt: skip
        if has_odd or "\\" in name or not parts or name.startswith("/"):
            problems.append(_hostile(where, name))
            continue
        found.append(Remote(path, name, *told))
    yield from sorted(found, key=lambda remote: remote.name)


def _pull(place: Place, remote: Remote, fetch: Fetch, fleet: Fleet, most_bytes: int) -> Path:
    """One export under a hidden name, compared with what was announced, then under its own.

    Raises
    ------
    OSError
        When it cannot be read whole, or is still being written over there.
    """
    inbox = fleet.inbox
    target = inbox / fetch.into / remote.name
    target.parent.mkdir(parents=True, exist_ok=True)
    if not target.parent.resolve().is_relative_to(inbox.resolve()):
        raise OSError("its folder in the inbox is a link that leads out of the inbox")
    disk = shutil.disk_usage(inbox)
    if disk.free - remote.size_bytes < disk.total * _SPARE_SHARE:
        raise OSError(f"too little disk is free: {disk.free / GB:.1f} GB")
    made = target.parent / f".fetching-{hashlib.sha256(remote.name.encode()).hexdigest()[:16]}.part"
    try:
        size_bytes = 0
        before = place.told(remote.path)  # a list may tell of a file in other words
        with place.reading(remote.path) as stream, made.open("wb") as out:
            while chunk := stream.read(_CHUNK_BYTES):
                size_bytes += len(chunk)
                if size_bytes > min(remote.size_bytes, most_bytes):
                    raise OSError("holds more than was announced; it may still be written to")
                out.write(chunk)
            out.flush()
            os.fsync(out.fileno())
        if size_bytes != remote.size_bytes:
            raise OSError(f"ended after {size_bytes:,} of {remote.size_bytes:,} bytes")
        if place.told(remote.path) != before:
            raise OSError("changed while it was fetched; it may still be written to")
        made.replace(target)
    finally:
        made.unlink(missing_ok=True)
    return target


def _left(where: str, remote: Remote, why: str) -> Problem:
    return Problem(
        "ARRIVE-04",
        "exclude",
        f"{where}, {safe_name(remote.name)}",
        f"was not fetched: {why}",
        "The next round tries again. If it goes on, raise [limits] max_file_gb or the fetch's "
        "max_gb, or look at the file where it lies.",
    )


def _hostile(where: str, name: str) -> Problem:
    return Problem(
        "ARRIVE-04",
        "exclude",
        f"{where}, {safe_name(name)[:200]}",
        "was not fetched: a file of this name could not lie in the inbox",
        "Rename it where it lies. The others were fetched.",
    )


def _key(url: str, name: str) -> str:
    return hashlib.sha256(f"{url}\n{name}".encode("utf-8", "surrogateescape")).hexdigest()[:32]


def _read(path: Path) -> dict[str, Any]:
    """What was fetched; where that is not known all is fetched anew, and known by its content."""
    with suppress(OSError, ValueError, TypeError, KeyError, AttributeError):
        kept = json.loads(path.read_text(encoding="utf-8"))
        names = ("told", "url", "fetched_at")
        return {str(key): {name: str(row[name]) for name in names} for key, row in kept.items()}
    return {}


def _write(path: Path, kept: dict[str, Any]) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    replace_file(path, json.dumps(kept, indent=0).encode())
