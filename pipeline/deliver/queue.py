"""The queue: what an edition has for whom, put down once."""

from __future__ import annotations

import os
import uuid
from datetime import datetime
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipeline import warehouse
from pipeline.config import Fleet
from pipeline.deliver.documents import Document, as_json, content_hash, documents_in, from_json
from pipeline.deliver.wanted import APPROVAL_CODE, Wanted, wanted_of

_KINDS = {
    "item_no": pl.Int64,
    "message_id": pl.String,
    "week_id": pl.String,
    "edition_no": pl.Int64,
    "documents": pl.String,
    "channel": pl.String,
    "recipient": pl.String,
    "driver_id": pl.String,
    "folder": pl.String,
    "files": pl.String,
    "content_sha256": pl.String,
    "size_bytes": pl.Int64,
    "has_people": pl.Boolean,
}


def queue_edition(
    con: duckdb.DuckDBPyConnection,
    fleet: Fleet,
    week_id: str,
    edition_no: int,
    folder: Path,
    now: datetime,
) -> int:
    """Queue what the recipients in ``fleet.toml`` are to have of an edition; how many items.

    Called again for the same edition it queues nothing. Items of earlier editions of the week that
    have not left give way. Nothing is sent here.

    Parameters
    ----------
    con
        The fleet's warehouse, no transaction open.
    edition_no
        1 for a week's first edition; a later one is a revised one.
    folder
        Of the edition, as it was written.
    """
    wanted = wanted_of(fleet)
    if not wanted:
        return 0
    rows: list[dict[str, Any]] = []
    for each in wanted:
        documents = _new_documents(con, fleet, folder, each)
        if documents:
            rows.append(_row(fleet, week_id, edition_no, folder, len(rows), each, documents))
    drivers = sorted({row["driver_id"] for row in rows} - {""})
    if drivers:
        _ask_for_approval(con, drivers, week_id, now)
    warehouse.register(con, "wanted_deliveries", pl.DataFrame(rows, schema=_KINDS))
    with warehouse.transaction(con):
        warehouse.run(con, "deliver/replace_deliveries")
        before_n = _items_n(con)
        warehouse.run(con, "deliver/insert_deliveries", {"now": now})
        return _items_n(con) - before_n


def documents_of(fleet: Fleet, folder: Path, wanted: Wanted) -> list[Document]:
    """The files that lie there now for a recipient."""
    stem = _driver_stem(fleet, wanted.driver_id) if wanted.driver_id else None
    return documents_in(
        folder, wanted.documents, budgets=fleet.folder / "budgets", driver_stem=stem
    )


def edition_folder(fleet: Fleet, told: str) -> Path:
    """The folder that a row of the queue names."""
    return fleet.folder / told


def _new_documents(
    con: duckdb.DuckDBPyConnection, fleet: Fleet, folder: Path, wanted: Wanted
) -> list[Document]:
    """The files, without a budget that this recipient has already."""
    found = documents_of(fleet, folder, wanted)
    if "budget" not in wanted.documents:
        return found
    rows = warehouse.query(con, "deliver/delivered_files", {"recipient": wanted.recipient})
    had = {each.sha256 for text in rows["files"] for each in from_json(text)}
    return [each for each in found if not (each.name.startswith("budget-") and each.sha256 in had)]


def _row(
    fleet: Fleet,
    week_id: str,
    edition_no: int,
    folder: Path,
    item_no: int,
    wanted: Wanted,
    documents: list[Document],
) -> dict[str, Any]:
    channel, recipient, kinds, driver_id = wanted.key
    inside = folder.resolve().is_relative_to(fleet.folder)
    told = folder.resolve().relative_to(fleet.folder) if inside else folder.resolve()
    return {
        "item_no": item_no,
        # Drawn once and kept: two fleets of one sender must not share one.
        "message_id": f"{uuid.uuid4().hex}.{week_id.lower()}.{edition_no}",
        "week_id": week_id,
        "edition_no": edition_no,
        "documents": kinds,
        "channel": channel,
        "recipient": recipient,
        "driver_id": driver_id,
        "folder": os.fspath(told),
        "files": as_json(documents),
        "content_sha256": content_hash(documents),
        "size_bytes": sum(each.bytes_n for each in documents),
        "has_people": wanted.has_people,
    }


def _ask_for_approval(
    con: duckdb.DuckDBPyConnection, drivers: list[str], week_id: str, now: datetime
) -> None:
    """Put the mailing of each driver's sheet before a person, once for all weeks."""
    from pipeline.people.findings import keep_findings

    found = pl.DataFrame({"driver_id": drivers, "code": [APPROVAL_CODE] * len(drivers)})
    keep_findings(con, found, week_id, now)


def _items_n(con: duckdb.DuckDBPyConnection) -> int:
    return int(con.execute("select count(*) from deliveries").fetchall()[0][0])


def _driver_stem(fleet: Fleet, driver_id: str) -> str | None:
    from pipeline.privacy import driver_labels
    from pipeline.report.sheets.driver import sheet_stem

    labels = dict(driver_labels(fleet, [driver_id]).iter_rows())
    label = labels.get(driver_id)
    return None if label is None else sheet_stem(fleet, driver_id, label)
