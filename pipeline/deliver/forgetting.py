"""A forgotten driver's entries of ``[[deliver]]``, with the address that stands in them."""

from __future__ import annotations

import re
import tomllib
from itertools import pairwise

_HEAD = re.compile(r"^[ \t]*\[", re.MULTILINE)


def without_deliveries(text: str, driver_id: str) -> str:
    """``fleet.toml`` without the entries that send this driver's sheet; the rest as it was.

    An entry written in a way that cannot be cut by lines stays, and the text comes back unchanged
    where cutting would change anything else.
    """
    starts = [0, *(found.start() for found in _HEAD.finditer(text)), len(text)]
    kept = "".join(part for a, b in pairwise(starts) if not _is_of(part := text[a:b], driver_id))
    try:
        wanted, made = tomllib.loads(text), tomllib.loads(kept)
    except tomllib.TOMLDecodeError:
        return text
    entries = [each for each in wanted.pop("deliver", []) if each.get("driver") != driver_id]
    return kept if made == (wanted | ({"deliver": entries} if entries else {})) else text


def _is_of(part: str, driver_id: str) -> bool:
    try:
        entries = tomllib.loads(part).get("deliver")
    except tomllib.TOMLDecodeError:
        return False
    return isinstance(entries, list) and any(each.get("driver") == driver_id for each in entries)
