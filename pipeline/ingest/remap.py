"""Files whose mapping has changed are forgotten, so that the run takes them in anew.

Mending a unit or a time zone in ``sources/`` is the most common act of a fleet's first hour; it
must not leave rows behind that were read by the old mapping.
"""

from __future__ import annotations

import hashlib

import duckdb

from pipeline import warehouse
from pipeline.config import Fleet
from pipeline.ingest.archived import among_archived, want_archive
from pipeline.ingest.vss import is_built_in
from pipeline.ocpi_source import OCPI_CDRS
from pipeline.problems import Problem

FORGOTTEN = (
    "weeks",
    "samples",
    "nav_events",
    "reported_sessions",
    "driver_spans",
    "charger_readings",
    "quarantine",
    "mended_rows",
    "superseded",
    "reaches",
    "file_spans",
    "files",
    "inbox_files",
)
"""In order: weeks are marked while the spans are still there."""


def forget_changed(con: duckdb.DuckDBPyConnection, fleet: Fleet) -> list[Problem]:
    """Forget the files of each source whose mapping is not the one they were read by.

    All of it in one transaction. A file that lies neither in the inbox nor in the archive cannot be
    read again: its rows stay as they are, and a finding says so.
    """
    now = {source_id: _fingerprint(fleet, source_id) for source_id in fleet.sources}
    kept = dict(con.execute("select source_id, fingerprint from source_mappings").fetchall())
    changed = [
        source_id for source_id in now if kept.get(source_id, now[source_id]) != now[source_id]
    ]
    files = warehouse.query(con, "ingest/forgettable_files", {"source_ids": changed})
    here = [lies_in_inbox(fleet, path) for path in files["file_path"]]
    is_archive_wanted = not all(here)
    if is_archive_wanted:
        kept_away = among_archived(fleet, files["file_path"].to_list())
        is_archive_wanted = any(kept_away)
        here = [either or other for either, other in zip(here, kept_away, strict=True)]
    gone = files.filter([not is_here for is_here in here])
    # Files that a built-in source read; while they lie in the inbox, another speaks for them now.
    left_ids = [source_id for source_id in kept if source_id not in now and is_built_in(source_id)]
    left = warehouse.query(con, "ingest/forgettable_files", {"source_ids": left_ids})
    is_left_here = [lies_in_inbox(fleet, path) for path in left["file_path"]]
    params = {
        "file_ids": files.filter(here)["file_id"].to_list()
        + left.filter(is_left_here)["file_id"].to_list(),
        "zone": fleet.settings.time_zone,
    }
    with warehouse.transaction(con):
        if params["file_ids"]:
            for name in FORGOTTEN:
                warehouse.run(con, f"ingest/forget_{name}", params)
        if is_archive_wanted:
            want_archive(con)
        for source_id, fingerprint in now.items():
            row = {"source_id": source_id, "fingerprint": fingerprint}
            warehouse.run(con, "ingest/keep_source_mapping", row)
    if gone.is_empty():
        return []
    return [
        Problem(
            "INGEST-13",
            "note",
            f"sources/{', '.join(changed)}",
            f"the mapping has changed, but {gone.height} files read by the old one no longer lie "
            f"in the inbox, the first of them {gone['file_path'][0]}",
            "Their rows stay as the old mapping read them. Put the files back to have them read "
            "anew.",
            {"files_n": gone.height},
        )
    ]


def _fingerprint(fleet: Fleet, source_id: str) -> str:
    """Of all that decides how a file is read: the mapping, and the spellings it translates."""
    source = fleet.sources[source_id]
    # Of a built-in source the names follow what lies in the inbox; they do not change a row.
    names = {"files", "members"} if is_built_in(source_id) else None
    text = source.model_dump_json(exclude=names)
    if "site_id" in source.columns:
        text += repr(sorted((site_id, site.aliases) for site_id, site in fleet.sites.items()))
    if "driver_id" in source.columns:
        text += repr(sorted((name, d.name, d.aliases) for name, d in fleet.drivers.items()))
    if source.vehicle.card is not None:
        text += repr(sorted((name, card) for name, card in fleet.cards.items()))
    if source.kind == OCPI_CDRS:
        sites = fleet.sites.items()
        text += repr(sorted((name, s.name, s.latitude_deg, s.longitude_deg) for name, s in sites))
        text += fleet.settings.currency
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def lies_in_inbox(fleet: Fleet, file_path: str) -> bool:
    """Is the file, or the archive it is a member of, still there?"""
    path = fleet.inbox / file_path
    if ".." in path.parts or not path.is_relative_to(fleet.inbox):
        return False
    return path.is_file() or any(
        parent.is_file() for parent in path.parents if parent.is_relative_to(fleet.inbox)
    )
