"""Two copies of a fleet, one of which shares its work out, and their warehouses side by side."""

from __future__ import annotations

import os
import pickle
import shutil
import signal
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pytest
from polars.testing import assert_frame_equal

PASSING = ("taken_in_at", "made_at", "folder")
"""Columns that tell when and where a run was."""


class InProcess:
    """A cluster of one process. Jobs and answers travel as bytes, as they would to a worker."""

    def __init__(self) -> None:
        self.jobs: list[Any] = []

    def done(
        self,
        work: Callable[[Any], Any],
        jobs: Sequence[Any],
        told: Callable[[int], None] | None = None,
    ) -> list[Any]:
        self.jobs += jobs
        return [pickle.loads(pickle.dumps(work(pickle.loads(pickle.dumps(job))))) for job in jobs]


def without_cluster(monkeypatch: pytest.MonkeyPatch) -> InProcess:
    """Let the work be done in this process."""
    cluster = InProcess()

    @contextmanager
    def started(_scale: object) -> Iterator[InProcess]:
        yield cluster

    for module in ("intake", "computing"):
        monkeypatch.setattr(f"pipeline.scale.{module}.cluster_of", started)
    return cluster


def shared_out(one: Path, many: Path, vehicles_n: int = 2, more: str = "") -> Path:
    """A copy of a fleet folder with ``[scale]`` in its settings."""
    shutil.copytree(one, many, ignore=shutil.ignore_patterns(".coldminutes", "reports"))
    settings = many / "fleet.toml"
    # A table of its own at the end, whatever table stood last.
    settings.write_text(
        settings.read_text(encoding="utf-8")
        + f'\n[scale]\nstorage = "../shared"\nvehicles_n = {vehicles_n}\n{more}',
        encoding="utf-8",
    )
    return many


def tables_of(folder: Path) -> dict[str, pl.DataFrame]:
    """All tables of a fleet's warehouse, with files by their names and rows in a fixed order.

    A file's id is a running number: files that the workers could not settle get theirs later.
    """
    with duckdb.connect(str(folder / ".coldminutes" / "warehouse.duckdb"), read_only=True) as con:
        con.execute("set TimeZone = 'UTC'")
        names = con.execute("select table_name from duckdb_tables() where not temporary").fetchall()
        paths = dict(con.execute("select file_id, file_path from files").fetchall())
        return {name: _comparable(con.table(name).pl(), paths) for (name,) in names}


def assert_same_tables(one: Path, many: Path) -> None:
    """Equal in every table and column, but for the last bits of sums of fractions.

    Those already differ between one and two threads of the database on one machine.
    """
    expected, found = tables_of(one), tables_of(many)
    assert set(found) == set(expected)
    for name, rows in expected.items():
        try:
            assert_frame_equal(found[name], rows, rel_tol=1e-12, abs_tol=1e-12)
        except AssertionError as error:
            raise AssertionError(f"table {name}: {error}") from error


def _comparable(rows: pl.DataFrame, paths: dict[int, str]) -> pl.DataFrame:
    rows = rows.drop(name for name in PASSING if name in rows.columns)
    rows = rows.with_columns(
        pl.col(name).replace_strict(paths, default=None, return_dtype=pl.String)
        for name in rows.columns
        if name.endswith("file_id")
    )
    # Keys first: a sum that differs in its last bit must not decide the order.
    keys = [name for name, kind in rows.schema.items() if not kind.is_float()]
    return rows.sort([*keys, *(n for n in rows.columns if n not in keys)], nulls_last=True)


def killed_once(work: Callable[[Any], Any], marker: Path, job: Any) -> Any:
    """Do a job; the first process that has done one dies before it can say so."""
    answer = work(job)
    try:
        marker.touch(exist_ok=False)
    except FileExistsError:
        return answer
    os.kill(os.getpid(), signal.SIGKILL)
    return None
