"""Which files of an edition a set of documents means, and what was in them."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

_SHEETS = {"vehicle sheets": "vehicles", "accounts": "accounts", "model cards": "models"}
_OURS = re.compile(r"[a-z0-9][a-z0-9_.-]*\.(pdf|html|csv|parquet|xlsx)", re.ASCII)
"""Names that the program gives its files; any other file in the folder is somebody else's."""


@dataclass(frozen=True)
class Document:
    """One file as it was when it was queued.

    Parameters
    ----------
    path
        Relative to the edition's folder; absolute for a budget, which lies elsewhere.
    name
        Under which it is delivered, with ``/`` between folders.
    sha256, bytes_n
        Of its content.
    """

    path: str
    name: str
    sha256: str
    bytes_n: int


def documents_in(
    folder: Path, kinds: Sequence[str], *, budgets: Path, driver_stem: str | None = None
) -> list[Document]:
    """The files of some kinds of documents that are there, in the order of the kinds.

    Parameters
    ----------
    folder
        Of one edition.
    budgets
        Folder of the fleet's budgets; the one written last goes.
    driver_stem
        File name, without suffix, of the sheet of the one driver it is about.

    Notes
    -----
    Only names that the program itself gives are taken, and no symbolic link, so that nothing that
    somebody laid into the folder leaves with the rest.
    """
    found: list[Document] = []
    for kind in kinds:
        if kind == "report":
            found += _first(folder, ("fleet.pdf", "fleet.html"))
        elif kind in _SHEETS:
            found += _files(folder, f"{_SHEETS[kind]}/*.pdf")
        elif kind == "driver sheets" and driver_stem is not None:
            found += _first(folder, (f"drivers/{driver_stem}.pdf",))
        elif kind == "tables":
            found += [*_first(folder, ("tables.xlsx",)), *_files(folder, "tables/*.csv")]
        elif kind == "budget":
            found += _newest_budget(budgets)
    return found


def content_hash(documents: Iterable[Document]) -> str:
    """SHA-256 over names and contents."""
    told = "".join(f"{each.name}\0{each.sha256}\n" for each in documents)
    return hashlib.sha256(told.encode()).hexdigest()


def as_json(documents: Sequence[Document]) -> str:
    """Documents as the queue keeps them."""
    return json.dumps([asdict(each) for each in documents])


def from_json(text: str) -> list[Document]:
    """Documents out of the queue."""
    return [Document(**each) for each in json.loads(text)]


def contents(folder: Path, documents: Sequence[Document]) -> list[bytes] | None:
    """What the files hold; None where one is gone or is not what was queued."""
    found = []
    for each in documents:
        path = folder / each.path
        try:
            content = path.read_bytes()
        except OSError:
            return None
        if path.is_symlink() or hashlib.sha256(content).hexdigest() != each.sha256:
            return None
        found.append(content)
    return found


def _first(folder: Path, names: Sequence[str]) -> list[Document]:
    return next(([_read(folder, folder / each)] for each in names if _is_file(folder / each)), [])


def _files(folder: Path, pattern: str) -> list[Document]:
    paths = sorted(path for path in folder.glob(pattern) if _is_file(path))
    return [_read(folder, path) for path in paths]


def _newest_budget(budgets: Path) -> list[Document]:
    paths = [path for path in budgets.glob("*/budget.pdf") if _is_file(path)]
    if not paths:
        return []
    newest = max(paths, key=lambda path: (path.stat().st_mtime_ns, path))
    season = re.sub(r"[^0-9A-Za-z_-]", "-", newest.parent.name)
    return [_document(newest, str(newest), f"budget-{season}.pdf")]


def _read(folder: Path, path: Path) -> Document:
    name = path.relative_to(folder).as_posix()
    return _document(path, name, name)


def _document(path: Path, told: str, name: str) -> Document:
    content = path.read_bytes()
    return Document(told, name, hashlib.sha256(content).hexdigest(), len(content))


def _is_file(path: Path) -> bool:
    return path.is_file() and not path.is_symlink() and _OURS.fullmatch(path.name) is not None
