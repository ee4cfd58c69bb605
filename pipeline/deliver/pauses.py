"""When to try again, and when to give up: pure arithmetic on instants."""

from __future__ import annotations

from datetime import datetime, timedelta

FIRST_PAUSE = timedelta(minutes=5)
LONGEST_PAUSE = timedelta(hours=6)
GIVE_UP_AFTER = timedelta(days=5)
"""RFC 5321 section 4.5.4.1: the give-up time generally needs to be at least 4 to 5 days."""
LEAST_TRIES_N = 3
"""A machine that was off for a week has not tried for a week. Our choice, no source."""


def pause_after(tries_n: int) -> timedelta:
    """The pause after so many tries: 5 min, doubled each time, 6 h at most.

    >>> [pause_after(n).total_seconds() / 60 for n in (1, 2, 7, 8)]
    [5.0, 10.0, 320.0, 360.0]
    """
    doubled = min(max(tries_n, 1) - 1, 16)
    return min(FIRST_PAUSE * (1 << doubled), LONGEST_PAUSE)


def is_given_up(first_tried_at: datetime | None, tries_n: int, now: datetime) -> bool:
    """Whether the try just made, the ``tries_n``-th, was the last one."""
    if first_tried_at is None or tries_n < LEAST_TRIES_N:
        return False
    return now - first_tried_at >= GIVE_UP_AFTER
