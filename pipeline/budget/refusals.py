"""The problems that stop a budget, in one shape."""

from __future__ import annotations

from pipeline.problems import ColdMinutesError, Problem


def refuse(
    code: str, where: str, message: str, remedy: str, exit_code: int = 2
) -> ColdMinutesError:
    """One problem that stops, ready to raise; nothing has been written by then."""
    return ColdMinutesError([Problem(code, "stop", where, message, remedy)], exit_code)
