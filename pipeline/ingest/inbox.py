"""What lies in the inbox, and which sources speak for it. Names are hostile input."""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Mapping
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path, PurePosixPath

from pipeline.problems import Problem
from pipeline.source_config import Source

EXPORT_SUFFIXES = frozenset(
    {".csv", ".tsv", ".txt", ".log", ".gz", ".zip", ".xlsx", ".xlsm", ".xlsb", ".xls", ".ods"}
    | {".parquet", ".pq", ".json", ".jsonl", ".ndjson", ".zst", ".mf4"}
)
UNFINISHED_SUFFIXES = (".part", ".tmp", ".filepart", ".crdownload")
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]")


@dataclass(frozen=True)
class InboxFile:
    """One regular file of the inbox.

    Parameters
    ----------
    path
        Where it lies.
    name
        Its path relative to the inbox, with ``/``, safe to store and to print.
    size_bytes, modified_ns
        As the file system says.
    """

    path: Path
    name: str
    size_bytes: int
    modified_ns: int


def safe_name(name: str) -> str:
    r"""A name as valid UTF-8 without control characters; what cannot be shown is escaped.

    >>> safe_name("van_\udcff.csv")
    'van_\\xff.csv'
    """
    valid = os.fsencode(name).decode("utf-8", "backslashreplace")
    return _CONTROL.sub(lambda found: f"\\u{ord(found.group()):04x}", valid)


def list_inbox(inbox: Path) -> tuple[list[InboxFile], list[Problem]]:
    """Files below the inbox in the order of their names, and what was refused.

    Hidden and unfinished files (`UNFINISHED_SUFFIXES`) are passed over without a word: whatever
    drops exports there may still be writing them. Nothing outside the inbox is ever opened.
    """
    try:
        is_there = stat.S_ISDIR(inbox.stat().st_mode)
    except (FileNotFoundError, NotADirectoryError):
        is_there = False
    except OSError as error:  # a share that is gone, a folder that is closed to this account
        return [], [_closed(inbox, error)]
    if not is_there:
        return [], [
            Problem(
                "INGEST-05",
                "note",
                f"{inbox.name}/",
                "there is no such folder, so there is nothing to take in",
                "Make the folder and drop the exports into it.",
            )
        ]
    files: list[InboxFile] = []
    problems: list[Problem] = []
    root = inbox.resolve()

    def unreadable(error: OSError) -> None:
        if error.filename is not None and Path(error.filename) == root:
            problems.append(_closed(inbox, error))
            return
        problems.append(_refused(safe_name(Path(error.filename).name), f"{error.strerror}"))

    for folder, folder_names, file_names in os.walk(root, onerror=unreadable):
        here = Path(folder)
        folder_names[:] = sorted(name for name in folder_names if not name.startswith("."))
        for name in folder_names:
            shown = _relative(here / name, root)
            if (here / name).is_symlink():
                # A link to a folder inside is walked under its own name; os.walk follows none.
                if not _is_inside(here / name, root):
                    problems.append(_refused(shown, "a link that leads out of the inbox"))
            elif Path(name).suffix.lower() in EXPORT_SUFFIXES:
                problems.append(
                    Problem(
                        "INGEST-06",
                        "note",
                        f"inbox/{shown}",
                        "is a folder, though its name is that of an export",
                        "Its files were looked at one by one, as in any folder. If it should be "
                        "a file, export it again.",
                    )
                )
        for name in sorted(file_names):
            if name.startswith(".") or name.lower().endswith(UNFINISHED_SUFFIXES):
                continue
            found = _regular(here / name, root)
            if isinstance(found, Problem):
                problems.append(found)
            else:
                files.append(found)
    files.sort(key=lambda file: file.name)
    return files, problems


def matching_sources(name: str, sources: Mapping[str, Source]) -> list[str]:
    """Ids of the sources one of whose ``files`` patterns fits this name, in order of id."""
    return [
        source_id
        for source_id, source in sorted(sources.items())
        if _fits(name.removeprefix("inbox/"), source.files)
    ]


def member_fits(name: str, source: Source) -> bool:
    """Does one of the ``members`` patterns fit this name inside a zip?"""
    return _fits(name, source.members)


def no_source(name: str, sources: Mapping[str, Source]) -> Problem:
    """Finding for a file that no source speaks for."""
    known = "; ".join(
        f"{source_id} reads {', '.join(source.files)}"
        for source_id, source in sorted(sources.items())
    )
    return Problem(
        "INGEST-01",
        "exclude",
        f"inbox/{name}",
        "no source speaks for a file of this name, so it was not read",
        f"Add its pattern to the key 'files' of a source, or write a new one under sources/. "
        f"Known: {known or '(none are configured)'}.",
    )


def _fits(name: str, patterns: tuple[str, ...]) -> bool:
    whole = name.casefold()
    bare = PurePosixPath(whole).name
    return any(
        fnmatchcase(whole, pattern.casefold()) or fnmatchcase(bare, pattern.casefold())
        for pattern in patterns
    )


def _regular(path: Path, root: Path) -> InboxFile | Problem:
    shown = _relative(path, root)
    if path.is_symlink() and not _is_inside(path, root):
        return _refused(shown, "a link that leads out of the inbox")
    try:
        found = path.stat()
    except OSError as error:
        return _refused(shown, str(error.strerror))
    if not stat.S_ISREG(found.st_mode):
        return _refused(shown, "not a regular file")
    return InboxFile(path, shown, found.st_size, found.st_mtime_ns)


def _is_inside(path: Path, root: Path) -> bool:
    try:
        return path.resolve(strict=True).is_relative_to(root)
    except (OSError, RuntimeError):
        return False


def _relative(path: Path, root: Path) -> str:
    return safe_name(path.relative_to(root).as_posix())


def _closed(inbox: Path, error: OSError) -> Problem:
    return Problem(
        "INGEST-15",
        "exclude",
        f"{inbox.name}/",
        f"cannot be looked into ({error.strerror or error}), so nothing was taken in",
        "If it lies on a share, connect that again; else let the account that runs the program "
        "read it. What was taken in before is kept, and the next run looks again.",
    )


def _refused(shown: str, why: str) -> Problem:
    return Problem(
        "INGEST-07",
        "exclude",
        f"inbox/{shown}",
        f"was not opened: {why}",
        "Put a plain, readable file in its place. The rest of the inbox was taken in.",
    )
