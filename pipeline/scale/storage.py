"""Tables as Parquet on the storage that all workers share, in a folder of one fleet and one run."""

from __future__ import annotations

import hashlib
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote
from uuid import uuid4

import polars as pl

from pipeline.problems import ColdMinutesError, Problem

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pipeline.config import Fleet
    from pipeline.scale_config import Scale

RUN_PREFIX = "run-"
MOST_NAME_CHARS = 80


@dataclass(frozen=True)
class Storage:
    """A folder on the shared storage; travels to workers as its address.

    Parameters
    ----------
    url
        As fsspec takes it: a path, or ``s3://bucket/folder`` and the like. Credentials come from
        the environment of each machine.
    """

    url: str

    def write(self, place: str, frame: pl.DataFrame) -> str:
        """Keep a frame under a new name below `place`; the address to read it by.

        Never the same name twice: a worker that died half way leaves a file that nobody reads.
        """
        fs, root = self._opened()
        folder = f"{root}/{place}"
        path = f"{folder}/{uuid4().hex}.parquet"
        fs.makedirs(folder, exist_ok=True)
        with fs.open(path, "wb") as file:
            frame.write_parquet(file, compression="zstd")
        return path.removeprefix(f"{root}/")

    def read(self, path: str) -> pl.DataFrame:
        """The frame that `write` kept."""
        fs, root = self._opened()
        with fs.open(f"{root}/{path}", "rb") as file:
            return pl.read_parquet(file)

    def remove(self) -> None:
        """All of it, if it is there."""
        fs, root = self._opened()
        with suppress(FileNotFoundError):
            fs.rm(root, recursive=True)

    def runs(self) -> Iterator[Storage]:
        """Folders of runs below this one."""
        fs, root = self._opened()
        with suppress(FileNotFoundError):
            for path in fs.ls(root, detail=False):
                name = str(path).rstrip("/").rsplit("/", 1)[-1]
                if name.startswith(RUN_PREFIX):
                    yield Storage(f"{self.url}/{name}")

    def _opened(self) -> tuple[Any, str]:
        import fsspec  # type: ignore[import-untyped,unused-ignore]

        fs, root = fsspec.core.url_to_fs(self.url)
        return fs, str(root).rstrip("/")


def run_storage(fleet: Fleet) -> Storage:
    """A new folder for a run of this fleet; those of runs that were broken off are removed.

    The caller holds the fleet's warehouse, so no other run of it is at work.

    Raises
    ------
    ColdMinutesError
        SCALE-02, where the storage cannot be reached or written.
    """
    scale = fleet.settings.scale
    if scale is None:
        raise AssertionError("a run without [scale] has no shared storage")
    base = _base(fleet, scale)
    try:
        for left in list(base.runs()):
            left.remove()
        storage = Storage(f"{base.url}/{RUN_PREFIX}{uuid4().hex}")
        storage.write("tried", pl.DataFrame({"is_writable": [True]}))
    except Exception as error:
        # Whatever file system stands behind the address raises its own kinds of errors.
        told = str(error).splitlines()[0] if str(error) else type(error).__name__
        problem = Problem(
            "SCALE-02",
            "stop",
            f"fleet.toml, key scale.storage, '{scale.storage}'",
            f"cannot be written ({told:.200})",
            "Name a folder or an object store that this machine and every worker may write to, "
            "or remove [scale] to run on this machine alone. Nothing was changed.",
        )
        raise ColdMinutesError([problem], exit_code=4) from error
    return storage


def clear_storage(fleet: Fleet) -> None:
    """Remove what runs of this fleet left; the caller holds its warehouse.

    Positions and names lie there: nothing that forgetting or retention would have to look for may
    outlive a run. Where it cannot be reached now, the next run tries again.
    """
    if fleet.settings.scale is not None:
        with suppress(Exception):
            for left in list(_base(fleet, fleet.settings.scale).runs()):
                left.remove()


def fleet_folder(folder: Path) -> str:
    """Name of a fleet's folder on the storage, the same in every run of it."""
    return f"coldminutes-{hashlib.sha256(str(folder).encode()).hexdigest()[:16]}"


def partition(vehicle_id: str, week_id: str) -> str:
    """Place of a vehicle's week. Names are hostile input: what is no letter is escaped."""
    return f"samples/vehicle={quote(vehicle_id, safe='')[:MOST_NAME_CHARS]}/week={week_id}"


def _base(fleet: Fleet, scale: Scale) -> Storage:
    return Storage(f"{_absolute(scale.storage, fleet.folder)}/{fleet_folder(fleet.folder)}")


def _absolute(storage: str, folder: Path) -> str:
    return storage if "://" in storage else str((folder / storage).resolve())
