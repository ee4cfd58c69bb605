"""What went wrong or was noticed, as data, and the one exception that stops a run.

A `Problem` is a finding: the run goes on and the finding is printed and stored. A
`ColdMinutesError` carries problems that stop the run; the command line prints them without a
traceback and exits non-zero.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

Level = Literal["stop", "exclude", "note"]


@dataclass(frozen=True)
class Problem:
    """One finding: where, what was got, what was expected, what to do next.

    Parameters
    ----------
    code
        Stable identifier such as ``INGEST-03``; the contributors' guide lists them.
    level
        ``stop`` ends the run, ``exclude`` leaves something out, ``note`` only tells.
    where
        File, row, key: as exact as known.
    message
        What was got and what was expected, one sentence.
    remedy
        What the user does next, and what state was left behind.
    data
        The numbers behind the sentence.
    """

    code: str
    level: Level
    where: str
    message: str
    remedy: str = ""
    data: dict[str, Any] = field(default_factory=dict)

    def __str__(self) -> str:
        text = f"{self.code} {self.where}: {self.message}"
        return f"{text}\n  {self.remedy}" if self.remedy else text


class ColdMinutesError(Exception):
    """Stops the run. Collect all findings first, then raise once.

    Parameters
    ----------
    problems
        At least one finding of level ``stop``.
    exit_code
        Exit status of the command line: 2 configuration or usage, 3 input, 4 environment,
        5 the warehouse.
    """

    def __init__(self, problems: list[Problem], exit_code: int = 2) -> None:
        self.problems = problems
        self.exit_code = exit_code
        super().__init__("\n".join(str(problem) for problem in problems))
