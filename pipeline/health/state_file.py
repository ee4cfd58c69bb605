"""``status.json`` in the state folder: what the last run saw, for when the warehouse is held.

DuckDB lets nobody read a file that another process writes (2.0.1: "Conflicting lock is held"), so
every run and round leaves what `coldminutes status` needs.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from pipeline.people.put import replace_file

NAME = "status.json"
Told = dict[str, Any]


def read_state(state: Path) -> Told:
    """What the file says; nothing where it is missing or cannot be read."""
    try:
        told = json.loads((state / NAME).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return told if isinstance(told, dict) else {}


def change_state(state: Path, **changes: Any) -> None:
    """Put some keys anew, whole or not at all; None takes a key away.

    A disk that is full must not hide what was done or went wrong: then the file stays as it was.
    """
    told = read_state(state) | changes
    kept = {key: value for key, value in told.items() if value is not None}
    try:
        state.mkdir(parents=True, exist_ok=True)
        replace_file(state / NAME, (json.dumps(kept, indent=1) + "\n").encode())
    except OSError:
        return
