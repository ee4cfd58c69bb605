"""`start` on a real terminal (a pseudo-terminal of the system) asks for what was not told."""

from __future__ import annotations

import json
import os
import select
import subprocess
import sys
import time
from pathlib import Path

import pytest

pty = pytest.importorskip("pty", reason="there are no pseudo-terminals on this system")

PATIENCE_S = 30.0  # a fraction of a second is usual; the machine may be busy
CHILD = """
import json, os, sys, types
import pipeline
from pipeline.cli import main
from pipeline.problems import ColdMinutesError, Problem
told = sys.argv[1]
def start(folder, files, options, pdf, progress):
    with open(told, "w") as out:
        json.dump([folder.name, [file.name for file in files], vars(options), pdf], out)
    raise ColdMinutesError([Problem("TEST-01", "stop", "here", "as far as this test goes")], 3)
class Late(types.ModuleType):  # what is heavy is not there before the questions, as in the program
    def __getattr__(self, name):
        from pipeline.start.begin import StartOptions
        return {"StartOptions": StartOptions, "start": start}[name]
late = Late("pipeline.start")
late.__path__ = [os.path.join(pipeline.__path__[0], "start")]
sys.modules["pipeline.start"] = late
main(sys.argv[2:])
"""
ZONE, CURRENCY = "Time zone of the fleet", "Currency (ISO code"
PRICE, DRIVERS = "Price of a kWh", "What may be said of drivers"


def on_terminal(
    folder: Path, arguments: list[str], answers: list[tuple[str, str]]
) -> tuple[int, str, Path]:
    """Run `start` on a terminal: wait for each question, type its answer.

    Returns
    -------
    tuple
        Exit status, all that the terminal showed, and where the options were written, if they
        were.
    """
    export = folder / "van-1.csv"
    export.write_text("time,soc\n")
    told = folder / "told.json"
    ours, theirs = pty.openpty()
    command = [sys.executable, "-c", CHILD, str(told), "start", str(folder / "fleet"), str(export)]
    child = subprocess.Popen(
        [*command, *arguments],
        stdin=theirs, stdout=theirs, stderr=theirs, start_new_session=True, close_fds=True,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path)), "COLUMNS": "200"},
    )  # fmt: skip
    os.close(theirs)
    shown = ""
    left = list(answers)
    ends = time.monotonic() + PATIENCE_S
    try:
        while time.monotonic() < ends:
            if not select.select([ours], [], [], 0.2)[0]:
                continue
            try:
                got = os.read(ours, 4096)
            except OSError:  # Linux: the other end is closed
                break
            if not got:
                break
            shown += got.decode("utf-8", "replace")
            if left and left[0][0] in shown:
                os.write(ours, left.pop(0)[1].encode())
        status = child.wait(timeout=max(0.1, ends - time.monotonic()))
    finally:
        child.kill()
        child.wait()
        os.close(ours)
    unasked = [question for question, _ in left]
    assert not unasked, f"never asked: {unasked[0]!r}; shown: {shown}"
    assert "Traceback" not in shown
    return status, shown, told


def test_four_questions_are_asked_and_the_answers_are_used(tmp_path: Path) -> None:
    answers = [
        (ZONE, "Europe/Stockholm\n"), (CURRENCY, "SEK\n"), (PRICE, "4.2\n"), (DRIVERS, "totals\n"),
    ]  # fmt: skip
    status, shown, told = on_terminal(tmp_path, ["--no-pdf"], answers)
    assert json.loads(told.read_text()) == [
        "fleet",
        ["van-1.csv"],
        {
            "time_zone": "Europe/Stockholm",
            "currency": "SEK",
            "energy_price_per_kwh": 4.2,
            "driver_analysis": "totals",
            "operator": None,
        },
        False,
    ]
    assert status == 3 and "as far as this test goes" in shown
    places = [shown.index(question) for question in (ZONE, CURRENCY, PRICE, DRIVERS)]
    assert places == sorted(places), "asked in the order of the guide"


def test_what_was_told_is_not_asked(tmp_path: Path) -> None:
    """Nothing to pay is an answer too."""
    _, shown, told = on_terminal(
        tmp_path, ["--zone", "UTC", "--price", "0", "--drivers", "off"], [(CURRENCY, "EUR\n")]
    )
    assert json.loads(told.read_text())[2]["energy_price_per_kwh"] == 0.0
    assert not any(question in shown for question in (ZONE, PRICE, DRIVERS))


@pytest.mark.parametrize(
    ("answers", "status", "says"),
    [
        ([(CURRENCY, "kronor\n"), (PRICE, "dear\n")], 2, ("--currency", "--price")),
        ([(CURRENCY, "\x04")], 1, ("Aborted",)),  # the end of input
    ],
    ids=["answers that cannot be", "end of input"],
)
def test_nothing_is_made_of_answers_that_cannot_be(
    tmp_path: Path, answers: list[tuple[str, str]], status: int, says: tuple[str, ...]
) -> None:
    left, shown, told = on_terminal(tmp_path, ["--zone", "UTC", "--drivers", "off"], answers)
    assert left == status, shown
    assert all(word in shown for word in says)
    assert not told.exists()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["van-1.csv"]
