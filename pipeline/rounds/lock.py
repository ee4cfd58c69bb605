"""One round at a time on one fleet, whoever starts it: a lock that a dead process lets go."""

from __future__ import annotations

import fcntl
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.problems import ColdMinutesError, Problem

_LOOK_S = 0.25
NAME = "round.lock"


@contextmanager
def round_lock(state: Path, wait_s: float = 0.0) -> Iterator[int | None]:
    """Hold the fleet's round lock for the block.

    The kernel drops the lock with the process, so that a kill leaves none behind; the file itself
    stays, because removing it would let two processes lock two files of one name.

    Parameters
    ----------
    state
        The fleet's state folder; made where it is missing.
    wait_s
        How long to wait [s] for another round to end.

    Yields
    ------
    int or None
        None where the lock is ours; else the id of the process that holds it (0 where unknown).

    Raises
    ------
    ColdMinutesError
        ``ROUND-05`` where the lock's file cannot be opened.
    """
    until_s = time.monotonic() + wait_s
    try:
        state.mkdir(parents=True, exist_ok=True)
        handle = os.open(state / NAME, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o640)
    except OSError as error:
        problem = Problem(
            "ROUND-05",
            "stop",
            str(state / NAME),
            f"cannot be opened ({error.strerror or error}), so no round can begin",
            "Let the account that runs the program write there; it is an empty file of ours that "
            "may be removed. Nothing was changed.",
        )
        raise ColdMinutesError([problem], exit_code=4) from error
    try:
        while True:
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError:
                if time.monotonic() >= until_s:
                    yield _holder(handle)
                    return
                time.sleep(min(_LOOK_S, max(until_s - time.monotonic(), 0.01)))
            else:
                break
        os.ftruncate(handle, 0)
        os.pwrite(handle, str(os.getpid()).encode(), 0)
        yield None
    finally:
        os.close(handle)


def _holder(handle: int) -> int:
    text = os.pread(handle, 20, 0)
    return int(text) if text.isdigit() else 0
