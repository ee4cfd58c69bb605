"""Issued editions that carry a person: tables rewritten, documents removed."""

from __future__ import annotations

import shutil
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.config import Fleet
from pipeline.people.put import replace_file
from pipeline.people.retention import EDITION_PARTS, SHEET_FOLDERS, editions
from pipeline.people.rewrite import Remover

DRIVER_COLUMNS = {"driver_id", "driver_label", "driver"}
"""Columns of an edition's tables that hold a driver's label."""


@dataclass
class Unissued:
    """What became of editions: weeks that carried the person, files rewritten and removed."""

    weeks: list[str] = field(default_factory=list)
    rewritten: list[Path] = field(default_factory=list)
    removed: list[Path] = field(default_factory=list)


def unissue(fleet: Fleet, remover: Remover) -> Unissued:
    """Take a person out of every edition in the fleet folder.

    CSV and JSON are rewritten. PDF, HTML, workbook and Parquet of such an edition are removed,
    pages included: what stands in a PDF cannot be told from its bytes. `coldminutes run --week`
    makes them again without the person. Files that are not the program's stay.
    """
    done = Unissued()
    for folder in editions(fleet):
        ours = [path for path in _files(folder) if not path.is_symlink()]
        named = [path for path in ours if remover.in_text(path.name) != path.name]
        changed = {path: new for path in ours if (new := _without(path, remover)) is not None}
        if not (named or changed or _is_on_page(ours, remover)):
            continue
        done.weeks.append(folder.name)
        for path in ours:
            if path in changed and path not in named:
                replace_file(path, changed[path])
                done.rewritten.append(path)
            elif path in named or path.suffix not in (".csv", ".json"):
                path.unlink()
                done.removed.append(path)
        for name in SHEET_FOLDERS:
            if (folder / name).is_dir() and not any((folder / name).iterdir()):
                shutil.rmtree(folder / name)
    return done


def carriers(fleet: Fleet, remover: Remover) -> list[str]:
    """Weeks whose editions carry the person, nothing changed."""
    return [
        folder.name
        for folder in editions(fleet)
        if _is_on_page(_files(folder), remover)
        or any(
            remover.in_text(path.name) != path.name or _without(path, remover) is not None
            for path in _files(folder)
        )
    ]


def _files(folder: Path) -> list[Path]:
    """Files of an edition that the program wrote."""
    found: list[Path] = []
    for part in (*EDITION_PARTS, *SHEET_FOLDERS):
        path = folder / part
        found += [path] if path.is_file() else sorted(p for p in path.rglob("*") if p.is_file())
    return found


def _is_on_page(paths: list[Path], remover: Remover) -> bool:
    pages = [path.read_text("utf-8", "replace") for path in paths if path.suffix == ".html"]
    return any(remover.in_text(page) != page for page in pages)


def _without(path: Path, remover: Remover) -> bytes | None:
    """The table without the person; None where it does not hold them, or is no CSV or JSON."""
    if path.suffix not in (".csv", ".json"):
        return None
    content = path.read_bytes()
    if not remover.may_hold(content):
        return None
    text = content.decode("utf-8", "replace")
    if path.suffix == ".csv":
        made = remover.in_csv(text, DRIVER_COLUMNS)
    else:
        made = remover.in_json_keys(text, DRIVER_COLUMNS)
    made = remover.in_text(made)
    # Quotes that the writer sets otherwise are no change.
    return made.encode() if _bare(made) != _bare(text) else None


def _bare(text: str) -> str:
    return text.replace('"', "").replace("\r\n", "\n")
