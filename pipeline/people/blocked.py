"""The list of people forgotten: keyed hashes of their spellings, so that no export brings them
back. It lies in the fleet folder, outlives the warehouse, and says nothing without the key.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

import polars as pl

from pipeline.config import Fleet
from pipeline.people.keys import key_name, key_ring, word_hash
from pipeline.people.put import replace_file
from pipeline.people.words import FORGOTTEN
from pipeline.problems import ColdMinutesError, Problem

LIST_NAME = "forgotten.txt"
_HEAD = "# People forgotten: day, key, keyed hash of a spelling. Keep it; it blocks re-import.\n"


class Blocked:
    """The list, read once; knows whether a cell names somebody forgotten.

    Raises
    ------
    ColdMinutesError
        PEOPLE-02, where a line is no line, or its key is not on the ring: then nobody could say
        who must not come back, and nothing may be taken in.
    """

    def __init__(self, fleet: Fleet) -> None:
        lines = _lines(fleet)
        self._hashes: dict[bytes, set[str]] = {}
        self._said: dict[str, bool] = {}
        if not lines:
            return
        by_name = {key_name(key): key for key in key_ring(fleet)}
        for number, line in enumerate(lines, 1):
            parts = line.split()
            if len(parts) != 3:
                raise _refused(fleet, f"entry {number} is not a day, a key and a hash")
            if parts[1] not in by_name:
                raise _refused(fleet, f"entry {number} was made with key {parts[1]}, not at hand")
            self._hashes.setdefault(by_name[parts[1]], set()).add(parts[2])

    def __bool__(self) -> bool:
        return bool(self._hashes)

    def names(self, cell: str) -> bool:
        """Does this cell name somebody forgotten?"""
        word = cell.strip().lower()
        if word not in self._said:
            self._said[word] = any(
                word_hash(key, word) in hashes for key, hashes in self._hashes.items()
            )
        return self._said[word]

    def without(self, cells: pl.Series) -> pl.Series:
        """The cells with `FORGOTTEN` where somebody forgotten stood; hashes each word once."""
        if not self._hashes or cells.dtype != pl.String:
            return cells
        gone = [word for word in cells.unique().drop_nulls() if self.names(word)]
        return cells.replace(gone, [FORGOTTEN] * len(gone)) if gone else cells


def block(fleet: Fleet, words: Iterable[str], today: date) -> None:
    """Put the spellings of a person on the list; twice is once. Whole or not at all."""
    key = key_ring(fleet)[0]
    lines = _lines(fleet)
    known = {line.split()[-1] for line in lines}
    for word in words:
        hashed = word_hash(key, word.strip().lower())
        if hashed not in known:
            lines.append(f"{today.isoformat()} {key_name(key)} {hashed}")
    replace_file(fleet.folder / LIST_NAME, (_HEAD + "\n".join(lines) + "\n").encode())


def _lines(fleet: Fleet) -> list[str]:
    path = fleet.folder / LIST_NAME
    if not path.exists():
        return []
    text = path.read_text(encoding="ascii", errors="replace")
    return [line for line in text.splitlines() if line.strip() and not line.startswith("#")]


def _refused(fleet: Fleet, why: str) -> ColdMinutesError:
    problem = Problem(
        "PEOPLE-02",
        "stop",
        str(fleet.folder / LIST_NAME),
        why,
        "Bring the key back (an old one stays on the ring below the new one), or mend the list "
        "from a backup. Until then nobody knows who must not come back, and nothing is taken in.",
    )
    return ColdMinutesError([problem], exit_code=4)
