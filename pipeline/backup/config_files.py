"""Which files of a fleet folder are its configuration. Keys are not, wherever they lie."""

from __future__ import annotations

import tomllib
from pathlib import Path, PurePosixPath
from typing import Any

from pipeline.people.blocked import LIST_NAME

_FOLDERS = {
    "sources": frozenset({".toml"}),
    "tariffs": frozenset({".json"}),
    "templates": frozenset({".j2", ".css"}),
}
MOST_BYTES = 64_000_000
"""Larger than any weather series; what is larger is no configuration."""


def config_files(folder: Path) -> list[PurePosixPath]:
    """Files that say what a fleet is, relative to its folder, in order of name.

    The ``.toml`` files, ``sources/``, ``tariffs/``, ``templates/``, the list of people forgotten,
    and the logo and weather series that ``fleet.toml`` names. Nothing through a link, nothing
    hidden, no exports, no reports; nothing else, so that no key that somebody put there is carried
    away.
    """
    found = [path for path in folder.glob("*.toml") if is_plain(path)]
    for name, suffixes in _FOLDERS.items():
        found += [
            path
            for path in (folder / name).rglob("*")
            if path.suffix.lower() in suffixes and is_plain(path)
        ]
    found += [path for path in (folder / LIST_NAME, *_named(folder)) if is_plain(path)]
    root = folder.resolve()
    inside = {
        PurePosixPath(path.relative_to(folder).as_posix())
        for path in found
        if path.resolve().is_relative_to(root)
    }
    return sorted(path for path in inside if is_safe(path))


def is_plain(path: Path) -> bool:
    """Is it a regular file of a size that a configuration has, and no link?"""
    return not path.is_symlink() and path.is_file() and path.stat().st_size <= MOST_BYTES


def is_safe(path: PurePosixPath) -> bool:
    """May a file of this name be written into a fleet folder? Not what leads out or is hidden.

    >>> [is_safe(PurePosixPath(p)) for p in ("sources/a.toml", "../a", "/a", ".git/config")]
    [True, False, False, False]
    """
    return (
        not path.is_absolute()
        and bool(path.parts)
        and not any(part.startswith(".") or "\0" in part for part in path.parts)
        and path.parts[0] not in ("inbox", "reports", "archive")
    )


def _named(folder: Path) -> list[Path]:
    """Files that ``fleet.toml`` names, if it can be read."""
    try:
        told: Any = tomllib.loads((folder / "fleet.toml").read_text(encoding="utf-8"))
        names = [told.get("look", {}).get("logo"), told.get("weather", {}).get("file")]
    except (OSError, ValueError, AttributeError):
        return []
    return [
        folder / name
        for name in names
        if isinstance(name, str) and name and is_safe(PurePosixPath(name))
    ]
