"""What a round has to say to a person."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from pipeline.config import Fleet
from pipeline.problems import Problem


def under_way(fleet: Fleet, pid: int) -> Problem:
    """Another round works on this fleet."""
    who = f"process {pid}" if pid else "another process"
    return Problem(
        "ROUND-01",
        "note",
        str(fleet.folder),
        f"a round is under way already ({who}), so this one did nothing",
        "Nothing is lost: that round does what is due. If two timers serve this fleet, stop one.",
        {"pid": pid},
    )


def clock_behind(fleet: Fleet, now: datetime, newest_at: datetime) -> Problem:
    """The clock is behind the newest sample."""
    return Problem(
        "ROUND-02",
        "stop",
        str(fleet.folder),
        f"this machine's clock says {_shown(now, fleet)}, but the newest sample was measured at "
        f"{_shown(newest_at, fleet)}",
        "Set the clock (timedatectl shows it), then run `coldminutes due` again. No file was taken "
        "in and no week was closed. If a logger's clock was ahead instead, `coldminutes "
        "supersede` replaces its file.",
        {"now": now.isoformat(), "newest_sample": newest_at.isoformat()},
    )


def long_silence(fleet: Fleet, silent: Sequence[str], newest_at: datetime | None) -> Problem:
    """More weeks without data are over than a round closes by itself."""
    newest = _shown(newest_at, fleet) if newest_at else "never"
    return Problem(
        "ROUND-03",
        "stop",
        str(fleet.folder),
        f"{len(silent)} weeks without any data would be closed at once, {silent[0]} to "
        f"{silent[-1]}; the newest sample is of {newest}",
        "Look at the machine's clock, which may be ahead, and at the exports. If both are right, "
        "`coldminutes due --after-silence` makes these editions. None was made.",
    )


def nothing_yet(fleet: Fleet) -> Problem:
    """A fleet that never sent anything."""
    return Problem(
        "ROUND-04",
        "note",
        str(fleet.inbox),
        "no usable data ever came in, so no edition is due yet",
        "Put exports into inbox/; the first edition is that of the newest week that is over.",
    )


def _shown(instant: datetime, fleet: Fleet) -> str:
    return f"{instant.astimezone(fleet.zone):%Y-%m-%d %H:%M %Z}"
