"""A disk that is full, or a quota used up, told from all else that can go wrong."""

from __future__ import annotations

import errno
import os
from pathlib import Path

from pipeline.problems import ColdMinutesError, Problem

_ERRNOS = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG})
_WORDS = (
    "no space left",
    "file too large",
    "could not write",
    "quota exceeded",
    "max_temp_directory_size",
)


def is_disk_full(error: BaseException) -> bool:
    """Did a write fail for want of space?"""
    if isinstance(error, OSError):
        return error.errno in _ERRNOS
    text = str(error).lower()
    return any(word in text for word in _WORDS)


def disk_problem(error: BaseException) -> Problem:
    """ENV-02: the run cannot go on."""
    first = (str(error).splitlines() or [type(error).__name__])[0]
    return Problem(
        "ENV-02",
        "stop",
        "this machine",
        f"the database could not go on ({first[:300]})",
        "Free some disk, or raise [limits] memory_gb or temp_gb in fleet.toml; then run again. "
        "What was taken in before is kept, and no week is half-written.",
    )


def disk_full(error: BaseException) -> ColdMinutesError:
    """The same as the exception that ends a run."""
    return ColdMinutesError([disk_problem(error)], exit_code=4)


def sync(path: Path) -> None:
    """Wait until a file's content, or a folder's list of names, is on the disk itself."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
