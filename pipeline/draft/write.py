"""A drafted mapping as TOML: each guess with its evidence above it, each doubt as ``# UNSURE:``.

Names and values of an export are hostile: strings are quoted with every control character
escaped, and comments never hold one.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

_BARE = re.compile(r"[A-Za-z0-9_-]+")
WIDTH = 98


def toml_string(text: str) -> str:
    r"""A TOML basic string that reads back as `text`.

    >>> toml_string('a "b"\n')
    '"a \\"b\\"\\n"'
    """
    out = []
    short = {'"': '\\"', "\\": "\\\\", "\n": "\\n", "\t": "\\t", "\r": "\\r"}
    for letter in text:
        code = ord(letter)
        if letter in short:
            out.append(short[letter])
        elif 0xD800 <= code <= 0xDFFF:
            out.append("\\ufffd")  # half a character: TOML has no way to write it
        elif letter.isprintable():
            out.append(letter)
        else:
            out.append(f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}")
    return '"' + "".join(out) + '"'


def toml_key(text: str) -> str:
    """A key, bare where it may be."""
    return text if _BARE.fullmatch(text) else toml_string(text)


def toml_value(value: object) -> str:
    """A value: flag, number, string, list or inline table."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, Mapping):
        inner = ", ".join(f"{toml_key(str(k))} = {toml_value(v)}" for k, v in value.items())
        return f"{{ {inner} }}" if inner else "{}"
    if isinstance(value, Sequence) and not isinstance(value, str):
        return "[" + ", ".join(toml_value(item) for item in value) + "]"
    return toml_string(str(value))


def comment(text: str, mark: str = "") -> list[str]:
    """Comment lines of at most `WIDTH` characters, none of which can leave its line."""
    safe = "".join(c if c.isprintable() and not 0xD800 <= ord(c) <= 0xDFFF else " " for c in text)
    lines: list[str] = []
    line = f"# {mark}".rstrip()
    for word in safe.split():
        if len(line) + 1 + len(word) > WIDTH and line != "#":
            lines.append(line)
            line = "#"
        line += f" {word[:500]}"
    return [*lines, line]


def doubts(sentences: Iterable[str]) -> list[str]:
    """``# UNSURE:`` lines."""
    return [line for sentence in sentences for line in comment(sentence, "UNSURE:")]


def document(
    head: Sequence[str],
    source: Mapping[str, Any],
    evidence: Mapping[str, Sequence[str]],
    unsure: Mapping[str, Sequence[str]],
    zone_question: str,
    foot: Sequence[str],
) -> str:
    """The whole file.

    Parameters
    ----------
    head, foot
        Comment lines, made by `comment`.
    source
        As `pipeline.source_config.Source` takes it.
    evidence, unsure
        Key of the source, or signal, -> sentences.
    zone_question
        Asked where stamps have no offset and no zone was given; empty where there is nothing to
        ask.
    """
    lines = list(head)

    def told(key: str) -> list[str]:
        found = evidence.get(key, ())
        said = comment("; ".join(found)) if found else []
        return [*said, *doubts(unsure.get(key, ()))]

    for key, value in source.items():
        if key == "columns":
            continue
        lines += ["", *told(key), f"{key} = {toml_value(value)}"]
        if key == "time" and zone_question:
            lines += doubts([zone_question])
            lines.append(
                '# time.zone = "Europe/Stockholm"   # an IANA name; until then UTC is used'
            )
    lines += ["", "[columns]"]
    for signal, mapped in source["columns"].items():
        lines += [*told(signal), f"{toml_key(signal)} = {toml_value(mapped)}"]
    return "\n".join([*lines, *foot]) + "\n"
