"""Names that lead to plain values in JSON records, as a mapping writes them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

DEPTH = 12
"""Deeper objects are left out; the VSS path of a cable has seven names."""
SHORT_LIST_N = 4
"""A list of so many plain values is named by position, such as a place; longer ones are not."""


def plain_values(records: Iterable[Any]) -> tuple[dict[str, Any], list[str]]:
    """Dotted names of plain values in some records, and names of what is none.

    Returns
    -------
    tuple
        Name -> its first value that is not null, in the order the names were met; and the names
        that lead to lists, or that no mapping can write.

    >>> plain_values([{"a": {"b.c": None}, "d": [7, 8]}, {"a": {"b.c": 1}, "e": [{}]}])
    ({'a."b.c"': 1, 'd.0': 7, 'd.1': 8}, ['e'])
    """
    names: dict[str, Any] = {}
    left_out: dict[str, None] = {}

    def keep(name: str, value: Any) -> None:
        if names.setdefault(name, value) is None:
            names[name] = value

    def walk(value: Any, way: tuple[str, ...]) -> None:
        if isinstance(value, dict) and len(way) < DEPTH:
            for key, inner in value.items():
                if written(key) is None:
                    left_out[str(key)] = None
                else:
                    walk(inner, (*way, key))
        elif isinstance(value, list) and way and 0 < len(value) <= SHORT_LIST_N and _plain(value):
            for at, inner in enumerate(value):
                keep(dotted((*way, str(at))), inner)
        elif isinstance(value, dict | list):
            if way and value:
                left_out[dotted(way)] = None
        elif way:
            keep(dotted(way), value)

    for record in records:
        if isinstance(record, dict):
            walk(record, ())
    return names, [name for name in left_out if name not in names]


def dotted(way: Iterable[str]) -> str:
    """The dotted name of a way through objects, by keys that can be written."""
    return ".".join(written(key) or "" for key in way)


def written(key: str) -> str | None:
    """A key as one part of a dotted name; None where no mapping can write it."""
    if not key or '"' in key or not _is_whole(key):
        return None
    # A leading / would lead into the document around the records.
    return f'"{key}"' if "." in key or key.startswith("/") else key


def _is_whole(key: str) -> bool:
    """JSON can hold half a character (a lone surrogate); no other text can."""
    return not any(0xD800 <= ord(letter) <= 0xDFFF or letter == "\0" for letter in key)


def _plain(values: list[Any]) -> bool:
    return not any(isinstance(value, dict | list) for value in values)
