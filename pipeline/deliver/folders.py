"""Putting documents into a folder or an object store; done twice it is done once.

Each file is written under a name of its own, read back, and only then given its name, so that
nobody who looks into the folder finds half a file.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from pipeline.delivery_config import folder_kind

_PIECE_BYTES = 1 << 20


class NotPutError(Exception):
    """A document could not be put there.

    Parameters
    ----------
    told
        One sentence.
    is_final
        Trying again is of no use before somebody mends it.
    """

    def __init__(self, told: str, *, is_final: bool = False) -> None:
        self.is_final = is_final
        super().__init__(told)


def put_documents(
    recipient: str, place: str, files: Sequence[tuple[str, bytes]], mark: str, fleet_folder: Path
) -> int:
    """Put files into ``recipient/place``; how many of them were not there already.

    Parameters
    ----------
    files
        Name, with ``/`` between folders, and content of each.
    mark
        Of the item, in names under which files are written first.

    Raises
    ------
    NotPutError
        Where the folder cannot be reached or holds another file of that name.
    """
    try:
        fs, root = _opened(recipient, fleet_folder)
        return sum(
            _put(fs, f"{root.rstrip('/')}/{place}/{name}", content, mark) for name, content in files
        )
    except ImportError as error:
        told = f"{folder_kind(recipient)}:// needs a library that is not installed ({error})"
        raise NotPutError(told) from error
    except NotPutError:
        raise
    except Exception as error:  # each kind of store has errors of its own
        raise NotPutError(_told(error)) from error


def place_of(week_id: str, edition_no: int) -> str:
    """Folder of an edition: a revised one lies beside the one before it.

    >>> place_of("2026-W03", 1), place_of("2026-W03", 2)
    ('2026-W03', '2026-W03-revised-2')
    """
    return week_id if edition_no <= 1 else f"{week_id}-revised-{edition_no}"


def _opened(recipient: str, fleet_folder: Path) -> tuple[Any, str]:
    # Imported only now: a run that delivers nothing into a folder does not pay for it.
    from fsspec.core import url_to_fs

    is_path = "://" not in recipient
    told = str((fleet_folder / recipient).resolve()) if is_path else recipient
    fs, root = url_to_fs(told)
    if folder_kind(recipient) == "file" and Path(root).resolve().is_relative_to(fleet_folder):
        raise NotPutError(
            "it lies in the fleet folder, where it would be one more copy to find; name a folder "
            "outside",
            is_final=True,
        )
    return fs, str(root)


def _put(fs: Any, path: str, content: bytes, mark: str) -> bool:
    wanted = hashlib.sha256(content).hexdigest()
    if fs.exists(path):
        if _hash(fs, path) == wanted:
            return False
        raise NotPutError(
            f"another file lies there as {path}; move it away, or give each fleet a folder of its "
            "own",
            is_final=True,
        )
    folder, _, name = path.rpartition("/")
    fs.makedirs(folder, exist_ok=True)
    beside = f"{folder}/.{name}.{mark}.part"
    with fs.open(beside, "wb") as file:
        file.write(content)
        _to_disk(file)
    if fs.size(beside) != len(content) or _hash(fs, beside) != wanted:
        raise NotPutError(f"{beside} was read back and is not what was written")
    fs.mv(beside, path)
    return True


def _hash(fs: Any, path: str) -> str:
    digest = hashlib.sha256()
    with fs.open(path, "rb") as file:
        while piece := file.read(_PIECE_BYTES):
            digest.update(piece)
    return digest.hexdigest()


def _to_disk(file: Any) -> None:
    """On a disk of this machine, past its caches; a store does it in its own way."""
    try:
        handle = file.fileno()
    except (OSError, AttributeError, NotImplementedError):
        return
    file.flush()
    os.fsync(handle)


def _told(error: Exception) -> str:
    text = " ".join(f"{type(error).__name__}: {error}".split())
    return "".join(letter if letter.isprintable() else " " for letter in text)[:200]
