"""Corrected exports: the rows of an older file that a newer one replaces move to the audit table.

What counts as a correction is the source's choice (``supersedes``): a name that says so, the
evidence of the rows, or never; and always what the operator has said of two files.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import duckdb
import polars as pl

from pipeline import warehouse
from pipeline.config import Fleet
from pipeline.ingest.put import put
from pipeline.ingest.tables import TABLES, Table
from pipeline.ingest.touched import touched_weeks
from pipeline.ingest.versions import version_of
from pipeline.source_config import SourceKind, Supersedes

COVERED_SHARE = 0.8
"""A later file that gives at least this share of an older one's instants speaks of the same."""


@dataclass(frozen=True)
class Replaced:
    """How a file stands to those taken in before.

    Parameters
    ----------
    older
        Files that it replaces, if it covers them.
    newer
        Files that replace it; those that came in before it, the latest version first.
    whole
        Of `older` and `newer`, those between which every row counts as covered.
    by_evidence
        Whether it must prove itself a correction by covering what it contradicts.
    keeps_reach
        Whether an older version may still come, and has to be held to the time this one covers.
    """

    older: tuple[int, ...] = ()
    newer: tuple[tuple[int, str], ...] = ()
    whole: frozenset[int] = frozenset()
    by_evidence: bool = False
    keeps_reach: bool = False


class Ledger:
    """Files taken in, by source, and what replaces what; asked once per file of a run."""

    def __init__(self, con: duckdb.DuckDBPyConnection, fleet: Fleet) -> None:
        self._modes: dict[str, Supersedes] = {
            source_id: source.supersedes for source_id, source in fleet.sources.items()
        }
        self._said = warehouse.query(con, "ingest/known_replacements").rows()
        self._files: list[tuple[int, str, str, SourceKind]] = []
        self._by_stem: dict[tuple[str, str], list[tuple[tuple[int, ...], int, str]]] = {}
        if self._said or set(self._modes.values()) != {"never"}:
            for row in warehouse.query(con, "ingest/files_of_source").iter_rows():
                self.add(*row)

    def add(self, file_id: int, name: str, source_id: str, kind: SourceKind) -> None:
        """Count a file in that has been taken in."""
        self._files.append((file_id, name, source_id, kind))
        if self._modes.get(source_id) == "name":
            stem, marks = version_of(name)
            self._by_stem.setdefault((source_id, stem), []).append((marks, file_id, name))

    def replaced(self, name: str, source_id: str, kind: SourceKind) -> Replaced:
        """How a file about to be taken in stands to those that are."""
        if not TABLES[kind].values:
            return Replaced()  # readings that no vehicle is named for
        mode = self._modes[source_id]
        older: set[int] = set()
        newer: list[tuple[tuple[int, ...], int, str]] = []
        whole: set[int] = set()
        if mode == "name":
            stem, marks = version_of(name)
            for other, file_id, path in self._by_stem.get((source_id, stem), ()):
                if other < marks:
                    older.add(file_id)
                elif other > marks:
                    newer.append((other, file_id, path))
        for old_path, new_path, is_whole in self._said:
            for file_id, path, _, other_kind in self._files:
                if TABLES[other_kind].name != TABLES[kind].name:
                    continue
                if (path, name) == (old_path, new_path):
                    older.add(file_id)
                elif (path, name) == (new_path, old_path):
                    newer.append(((), file_id, path))
                else:
                    continue
                whole |= {file_id} if is_whole else set()
        ranked = tuple((file_id, path) for _, file_id, path in sorted(newer, reverse=True))
        if mode == "newer" and not older and not newer:
            same = [row[0] for row in self._files if row[2] == source_id]
            return Replaced(tuple(same), by_evidence=True)
        keeps_reach = mode == "name" or any(name == new_path for _, new_path, _ in self._said)
        return Replaced(tuple(sorted(older)), ranked, frozenset(whole), keeps_reach=keeps_reach)


@dataclass
class Correction:
    """One file on its way in, as far as it replaces others or is replaced.

    All of it happens in the file's own transaction.
    """

    con: duckdb.DuckDBPyConnection
    kind: str
    table: Table
    replaced: Replaced
    zone: ZoneInfo
    now: datetime
    spans: pl.DataFrame | None = None
    weeks: list[pl.DataFrame] = field(default_factory=list)
    withdrawn_n: int = 0
    has_arrived: bool = False
    reach: list[pl.DataFrame] = field(default_factory=list)

    @property
    def ignored_ids(self) -> list[int]:
        """Files whose rows must not speak against this one's."""
        return [*self.replaced.older, *(file_id for file_id, _ in self.replaced.newer)]

    def arrive(self, rows: pl.DataFrame) -> None:
        """Remember what the file says, whether its rows are new or repeats."""
        if rows.height == 0:
            return
        if self.replaced.keeps_reach:
            start = pl.col(self.table.start)
            self.reach.append(
                rows.group_by("vehicle_id").agg(from_at=start.min(), to_at=start.max())
            )
        if not self.replaced.older:
            return
        prefix = "insert into arrived_rows " if self.has_arrived else _MAKE.format("arrived_rows")
        put(self.con, f"arrived_{self.table.name}", rows, prefix=prefix)
        self.has_arrived = True

    def settle(self, file_id: int, file_path: str) -> tuple[int, pl.DataFrame]:
        """Move what is replaced to the audit table.

        Returns
        -------
        tuple
            How many rows of the file itself newer ones replace, and its rows (``file_row``,
            ``first_at``) that contradict an older file without being its correction: these are
            removed, and the caller sets them aside.
        """
        params: dict[str, Any]
        rejected = pl.DataFrame(schema={"file_row": pl.Int64, "first_at": pl.Datetime("us", "UTC")})
        if self.reach:
            at = pl.concat(self.reach).group_by("vehicle_id")
            listed = at.agg(pl.col("from_at").min(), pl.col("to_at").max()).sort("vehicle_id")
            row = {**listed.to_dict(as_series=False), "file_id": file_id}
            warehouse.run(self.con, "ingest/insert_reaches", row)
        if self.has_arrived:
            self._stored("old_rows", list(self.replaced.older))
            if self.replaced.by_evidence:
                params = {"covered_share": COVERED_SHARE}
                warehouse.build(self.con, "ingest/contradictions", params)
                name = "ingest/superseded_by_newer"
                warehouse.run(self.con, name, prefix=_MAKE.format("superseded_now"))
                rejected = warehouse.query(self.con, "ingest/rejected_by_older")
            else:
                params = {
                    "whole_ids": sorted(self.replaced.whole),
                    "newer_id": file_id,
                    "held_ids": [newer_id for newer_id, _ in self.replaced.newer],
                }
                warehouse.build(self.con, "ingest/superseded_now", params)
            self.withdrawn_n = self._move(file_id, file_path)
            if rejected.height:
                gone = rejected.select(pl.lit(file_id, pl.Int32).alias("file_id"), "file_row")
                self._remove(gone)
        late_n = 0
        for newer_id, newer_path in self.replaced.newer:
            self._stored("old_rows", [file_id])
            self._stored("arrived_rows", [newer_id])
            whole_ids = [file_id] if newer_id in self.replaced.whole else []
            params = {"whole_ids": whole_ids, "newer_id": newer_id, "held_ids": []}
            warehouse.build(self.con, "ingest/superseded_now", params)
            late_n += self._move(newer_id, newer_path, is_own=True)
        if self.ignored_ids:
            self._stored("old_rows", [file_id])
            self.spans = warehouse.query(self.con, "ingest/stored_spans")
        return late_n, rejected

    def _move(self, file_id: int, file_path: str, is_own: bool = False) -> int:
        """`superseded_now` out of the table and the ledger, into the audit; how many.

        Rows of the file's own are not in the ledger yet; whoever loads it counts them.
        """
        gone: pl.DataFrame = self.con.sql("select file_id, file_row from superseded_now").pl()
        if gone.is_empty():
            return 0
        params: dict[str, Any] = {
            "kind": self.kind,
            "file_id": file_id,
            "file_path": file_path,
            "now": self.now,
        }
        warehouse.run(self.con, "ingest/insert_superseded_rows", params)
        self._remove(gone)
        if is_own:
            return gone.height
        warehouse.run(self.con, "ingest/count_superseded")
        old_ids = {"file_ids": sorted(gone["file_id"].unique())}
        self._stored("old_rows", old_ids["file_ids"])
        warehouse.run(self.con, "ingest/forget_file_spans", old_ids)
        warehouse.run(self.con, "ingest/insert_left_spans")
        wrong = warehouse.query(self.con, "ingest/miscounted_files", old_ids)
        if wrong.height:
            raise AssertionError(f"rows replaced do not add up: {wrong.row(0, named=True)}")
        changed = warehouse.query(self.con, "ingest/changed_spans")
        self.weeks.append(touched_weeks(changed, self.zone, self.now))
        return gone.height

    def _stored(self, name: str, file_ids: list[int]) -> None:
        statement = f"ingest/stored_{self.table.name}"
        warehouse.run(self.con, statement, {"file_ids": file_ids}, prefix=_MAKE.format(name))

    def _remove(self, gone: pl.DataFrame) -> None:
        warehouse.register(self.con, "removed_rows", gone)
        warehouse.run(self.con, f"ingest/remove_{self.table.name}")


_MAKE = "create or replace temp table {} as "
