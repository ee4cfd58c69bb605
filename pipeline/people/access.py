"""All that is held about one driver, as a file to hand over to them (and to nobody else)."""

from __future__ import annotations

import io
import json
import os
import zipfile
from collections.abc import Iterator
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipeline import warehouse
from pipeline.config import Fleet
from pipeline.ingest.archived import ARCHIVE, list_archive
from pipeline.ingest.inbox import list_inbox
from pipeline.people.editions import carriers
from pipeline.people.notice import notice_text
from pipeline.people.put import replace_file
from pipeline.people.rewrite import Remover
from pipeline.people.traces import suspects, text_columns
from pipeline.people.unpacked import unzstd
from pipeline.people.words import Person, person
from pipeline.problems import ColdMinutesError, Problem

_OWN_VIEW = ("stops", "people/driver_stop_rows")
"""Stops are given with their minutes, not as the bare table."""


def write_access(
    con: duckdb.DuckDBPyConnection, fleet: Fleet, told: str, path: Path, now: datetime
) -> dict[str, int]:
    """Write a zip of ``person.json``, one CSV per table that holds the driver, and the notice.

    The file can be read by its owner only.

    Returns
    -------
    dict
        Rows by table.

    Raises
    ------
    ColdMinutesError
        PEOPLE-06, where nothing is held about anybody of that name; PEOPLE-07, where the file
        cannot be written, is there already, or would lie in the fleet folder.
    """
    if path.resolve().is_relative_to(fleet.folder):
        raise _unwritten(path, "lies in the fleet folder, where it would be one more copy to find")
    if path.exists():
        raise _unwritten(path, "is there already")
    who = person(fleet, told)
    tables = dict(held_tables(con, fleet, who))
    entry = fleet.drivers.get(who.driver_id)
    exports = list(_exports(fleet, Remover(who)))
    weeks = carriers(fleet, Remover(who))
    if not (tables or entry or exports or weeks):
        problem = Problem(
            "PEOPLE-06",
            "stop",
            told,
            "nothing is held about a driver of this id, name or alias",
            "Look it up in drivers.toml or in the roster. Nothing was written.",
        )
        raise ColdMinutesError([problem])
    about = {
        "driver_id": who.driver_id,
        "configuration": entry.model_dump(mode="json") if entry else None,
        "pseudonyms": list(who.labels),
        "written_at": now.isoformat(),
        "rows_by_table": {name: frame.height for name, frame in tables.items()},
        "exports_that_name_the_person": exports,
        "editions_that_speak_of_the_person": weeks,
        "note": "Instants are in UTC; the last word of a column's name is its unit.",
    }
    content = io.BytesIO()
    with zipfile.ZipFile(content, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("person.json", json.dumps(about, indent=2, ensure_ascii=False))
        archive.writestr("notice.txt", notice_text(fleet))
        for name, frame in tables.items():
            archive.writestr(f"{name}.csv", frame.write_csv())
    try:
        replace_file(path, content.getvalue())
    except OSError as error:
        raise _unwritten(path, f"cannot be written ({error.strerror or error})") from error
    departed = {
        "now": now,
        "week_id": None,
        "what": "access",
        "channel": "file",
        "has_people": True,
    }
    warehouse.run(con, "people/insert_departure", departed)
    return {name: frame.height for name, frame in tables.items()}


def held_tables(
    con: duckdb.DuckDBPyConnection, fleet: Fleet, who: Person
) -> Iterator[tuple[str, pl.DataFrame]]:
    """Rows of every stored table that speak of the driver; tables without one are left out."""
    remover = Remover(who)
    keys = {"driver_id"} | {
        mapped.column
        for source in fleet.sources.values()
        if (mapped := source.columns.get("driver_id")) is not None and mapped.column is not None
    }
    columns: dict[str, dict[str, list[str]]] = {}
    for table, column in text_columns(con):
        values = [
            value
            for value in suspects(con, table, column, remover)
            if remover.is_person(value)
            or remover.in_text(remover.in_json_keys(value, keys)) != value
        ]
        # A short id may be a word of another column; only where a driver is meant it is them.
        if column not in ("driver_id", "value", "used_instead"):
            values = [value for value in values if not remover.is_person(value)]
        if values:
            columns.setdefault(table, {})[column] = values
    for table, found in columns.items():
        if table == _OWN_VIEW[0] and "driver_id" in found:
            yield table, warehouse.query(con, _OWN_VIEW[1], {"driver_id": who.driver_id})
            continue
        bound: dict[str, Any] = {f"v{n}": values for n, values in enumerate(found.values())}
        either = " or ".join(
            f'"{column}" in (select unnest($v{n}::varchar[]))' for n, column in enumerate(found)
        )
        # Names of our own catalogue; the values are bound.
        frame = con.sql(f'select * from "{table}" where {either}', params=bound).pl()  # noqa: S608
        yield table, frame


def _exports(fleet: Fleet, remover: Remover) -> Iterator[str]:
    """Exports that name the person: in a roster, or by a word of nobody else."""
    from pipeline.people.files import source_of

    for file in list_inbox(fleet.inbox)[0]:
        old = file.path.read_bytes()
        if remover.content(file.name, old, lambda name: source_of(fleet, name)) != old:
            yield file.name
    for archived in list_archive(fleet):
        old = archived.path.read_bytes()
        with suppress(OSError, ValueError):  # damaged: nobody can read it
            old = unzstd(old) if archived.is_packed else old
            if remover.content(archived.name, old, lambda name: source_of(fleet, name)) != old:
                yield f"{ARCHIVE}/{archived.sorting}/{archived.name}"


def _unwritten(path: Path, why: str) -> ColdMinutesError:
    problem = Problem(
        "PEOPLE-07",
        "stop",
        os.fspath(path),
        why,
        "Name a new file with --out in a folder that exists and may be written to.",
    )
    return ColdMinutesError([problem])
