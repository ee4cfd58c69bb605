"""Whether trying again later can help."""

from __future__ import annotations

from pipeline.problems import ColdMinutesError

_HELPED_BY_WAITING = frozenset({"WAREHOUSE-01"})


def waiting_helps(error: BaseException | None) -> bool:
    """Is it worth trying again later, with nobody doing anything about it?

    So it is where another run holds the warehouse, or the network is away.
    """
    if isinstance(error, ColdMinutesError):
        return bool(error.problems) and all(p.code in _HELPED_BY_WAITING for p in error.problems)
    return isinstance(error, ConnectionError | TimeoutError)
