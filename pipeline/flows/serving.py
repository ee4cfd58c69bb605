"""Keeps a Prefect server on loopback and the process that runs the plan alive, and says so.

Knows nothing of Prefect but how to start it: the two are processes of their own, so that a killed
one is started again while this goes on.
"""

from __future__ import annotations

import ctypes
import fcntl
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from threading import Event
from urllib.error import URLError
from urllib.request import urlopen

from pipeline.flows.environment import HOST, environment
from pipeline.problems import ColdMinutesError, Problem

START_WITHIN_S = 180.0
STOP_WITHIN_S = 30.0
FIRST_PAUSE_S = 2.0
LONGEST_PAUSE_S = 300.0
WELL_AFTER_S = 600.0
"""Having run so long, a process that ends is started again at once."""

_PR_SET_PDEATHSIG = 1
LOG_NAME = "serve.log"
MOST_LOG_BYTES = 20_000_000

Say = Callable[[str], None]


def serve_fleets(
    folders: Sequence[Path], home: Path, port: int, history_days: int, say: Say, stop: Event
) -> None:
    """Run the server and the plan of some fleets until `stop` is set.

    Parameters
    ----------
    folders
        Fleet folders, checked already.
    home
        Folder of the server's database; one server at a time uses it.
    history_days
        How long the server keeps what runs said.
    say
        Told in one sentence what happens.

    Raises
    ------
    ColdMinutesError
        ``SERVE-01``, where another holds the folder; ``SERVE-02``, where the port is taken or the
        server does not start at all.
    """
    home.mkdir(parents=True, exist_ok=True, mode=0o700)
    with _only_one(home):
        env = environment(home, port, history_days)
        pause_s = FIRST_PAUSE_S
        is_first = True
        while not stop.is_set():
            began_s = time.monotonic()
            what = _both(folders, home, port, env, say, stop, is_first)
            is_first = False
            if stop.is_set():
                break
            pause_s = FIRST_PAUSE_S if time.monotonic() - began_s > WELL_AFTER_S else pause_s
            say(
                f"{what} Nothing is lost: what was under way is finished by the next run. Starting "
                f"both again in {pause_s:g} s; what they said is in {home / LOG_NAME}."
            )
            stop.wait(pause_s)
            pause_s = min(2 * pause_s, LONGEST_PAUSE_S)
    say("Stopped.")


def _both(
    folders: Sequence[Path],
    home: Path,
    port: int,
    env: dict[str, str],
    say: Say,
    stop: Event,
    is_first: bool,
) -> str:
    """Start both, wait until one of them ends or `stop` is set; which one ended, in words."""
    server_command = ["-m", "prefect", "server", "start", "--host", HOST, "--port", str(port)]
    with _process(server_command, home, env) as server:
        if not _is_up(server, port, stop):
            if stop.is_set():
                return ""
            if is_first:
                raise _not_started(home, port)
            return f"The Prefect server ended with status {server.poll()} while starting."
        runner_command = ["-m", "pipeline.flows.runner", *map(str, folders)]
        with _process(runner_command, home, env) as runner:
            say(f"The Prefect server listens on http://{HOST}:{port} (process {server.pid}).")
            while not stop.wait(0.5):
                if server.poll() is not None:
                    return f"The Prefect server ended ({_how(server)})."
                if runner.poll() is not None:
                    return f"The process that runs the plan ended ({_how(runner)})."
    return ""


def _how(process: subprocess.Popen[bytes]) -> str:
    code = process.returncode
    return f"killed by signal {-code}" if code < 0 else f"status {code}"


def _is_up(server: subprocess.Popen[bytes], port: int, stop: Event) -> bool:
    until_s = time.monotonic() + START_WITHIN_S
    while time.monotonic() < until_s and server.poll() is None and not stop.wait(0.5):
        # Our own loopback address, never a URL from outside.
        with (
            suppress(URLError, OSError),
            urlopen(f"http://{HOST}:{port}/api/health", timeout=5) as answer,
        ):
            if answer.status == 200:
                return server.poll() is None
    return False


@contextmanager
def _process(
    command: Sequence[str], home: Path, env: dict[str, str]
) -> Iterator[subprocess.Popen[bytes]]:
    """A child that dies with this process, and is asked to stop when the block ends."""
    log = home / LOG_NAME
    if log.exists() and log.stat().st_size > MOST_LOG_BYTES:
        log.replace(log.with_suffix(".old.log"))
    with log.open("ab") as out:
        process = subprocess.Popen(
            [sys.executable, *command],
            cwd=home,
            env=env,
            stdin=subprocess.DEVNULL,
            stdout=out,
            stderr=subprocess.STDOUT,
            preexec_fn=_die_with_parent if sys.platform == "linux" else None,
        )
    try:
        yield process
    finally:
        if process.poll() is None:
            process.terminate()
            try:
                process.wait(STOP_WITHIN_S)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


_LIBC = ctypes.CDLL(None, use_errno=True) if sys.platform == "linux" else None


def _die_with_parent() -> None:
    """Else a killed `serve` would leave a server on its port, and a runner waiting for it."""
    if _LIBC is not None:
        _LIBC.prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)


@contextmanager
def _only_one(home: Path) -> Iterator[None]:
    handle = os.open(home / "serve.lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            problem = Problem(
                "SERVE-01",
                "stop",
                str(home),
                "another `coldminutes serve` uses this folder",
                "Stop that one first, or give this one a folder of its own with --home.",
            )
            raise ColdMinutesError([problem], exit_code=4) from error
        yield
    finally:
        os.close(handle)


def _not_started(home: Path, port: int) -> ColdMinutesError:
    problem = Problem(
        "SERVE-02",
        "stop",
        f"{HOST}:{port}",
        "the Prefect server did not start",
        f"If the port is taken, name another with --port; the end of {home / LOG_NAME} says more. "
        "`coldminutes due FLEET` and the timer that `coldminutes service FLEET` prints need no "
        "server.",
    )
    return ColdMinutesError([problem], exit_code=4)
