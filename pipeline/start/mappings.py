"""One mapping per layout among the files given, and what had to be left out."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from fnmatch import fnmatchcase
from pathlib import Path

from pipeline.draft.make import Draft, draft_file
from pipeline.draft.sniff import opened
from pipeline.file_names import files_pattern
from pipeline.ingest.inbox import safe_name
from pipeline.ingest.read_json import JSON_SUFFIXES
from pipeline.ingest.vss import vss_source
from pipeline.problems import ColdMinutesError, Problem

QUICK_BYTES = 200_000
QUICK_ROWS_N = 200
APART = JSON_SUFFIXES | {".zip", ".parquet"}
"""Files of these kinds are of another layout than any other, whatever their columns."""


@dataclass
class Mappings:
    """Drafts by source id, files to take in, and findings about the others."""

    drafts: dict[str, Draft] = field(default_factory=dict)
    files: list[Path] = field(default_factory=list)
    left_out: list[Problem] = field(default_factory=list)


def mappings(files: Sequence[Path], zone: str) -> Mappings:
    """Draft a mapping for each layout among the files, from its largest file."""
    made = Mappings()
    layouts: dict[tuple[object, ...], list[Path]] = {}
    for path in sorted(files, key=lambda path: (-path.stat().st_size, path.name)):
        try:
            if vss_source(path) is not None:
                made.files.append(path)
                continue
            with opened(path, QUICK_BYTES, QUICK_ROWS_N) as table:
                key = (
                    table.header,
                    table.layout.delimiter,
                    table.sheet,
                    table.layout.skip_rows,
                    table.records,
                )
            suffixes = tuple(s.lower() for s in path.suffixes if s.lower() in APART)
            layouts.setdefault((*key, suffixes), []).append(path)
        except ColdMinutesError as error:
            made.left_out += _left_out(error)
    patterns = [sorted({files_pattern(path.name) for path in group}) for group in layouts.values()]
    if _overlap(list(layouts.values()), patterns):
        patterns = [[_literal(path.name) for path in group] for group in layouts.values()]
    for group, names in zip(layouts.values(), patterns, strict=True):
        try:
            draft = draft_file(group[0], zone, names)
        except ColdMinutesError as error:
            made.left_out += _left_out(error)
            continue
        made.drafts[_source_id(draft, names[0], made.drafts)] = draft
        made.files += group
    made.files.sort()
    return made


def _overlap(groups: list[list[Path]], patterns: list[list[str]]) -> bool:
    """Would a file of one layout be taken for one of another?"""
    return any(
        fnmatchcase(path.name.casefold(), pattern.casefold())
        for at, group in enumerate(groups)
        for other, names in enumerate(patterns)
        if other != at
        for path in group
        for pattern in names
    )


def _left_out(error: ColdMinutesError) -> list[Problem]:
    remedy = (
        "It was left out; the others do not depend on it. `coldminutes signals` says what helps."
    )
    return [replace(problem, level="exclude", remedy=remedy) for problem in error.problems]


def _literal(name: str) -> str:
    return re.sub(r"([\[*?])", r"[\1]", safe_name(name))


def _source_id(draft: Draft, pattern: str, taken: dict[str, Draft]) -> str:
    words = re.findall(r"[a-z0-9]+", pattern.partition(".")[0].lower())
    bare = "-".join(words)[:40] or draft.source.kind.replace("_", "-")
    name, number = bare, 2
    while name in taken:
        name, number = f"{bare}-{number}", number + 1
    return name
