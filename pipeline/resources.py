"""Where the SQL, the templates and the sample fleet lie, installed or in a checkout."""

from __future__ import annotations

from functools import cache
from pathlib import Path


@cache
def folder(name: str) -> Path:
    """Folder ``sql``, ``report_templates`` or ``sample_fleet``.

    A wheel carries them inside the package; in a checkout they lie beside it.

    Raises
    ------
    FileNotFoundError
        When the installation is incomplete.
    """
    package = Path(__file__).resolve().parent
    for candidate in (package / "bundled" / name, package.parent / name):
        if candidate.is_dir():
            return candidate
    raise FileNotFoundError(f"{name} is missing from this installation; install coldminutes again")


@cache
def statement(name: str) -> str:
    """Text of ``sql/<name>.sql``."""
    return (folder("sql") / f"{name}.sql").read_text(encoding="utf-8")
