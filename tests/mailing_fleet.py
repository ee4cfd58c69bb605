"""A fleet that delivers, with an edition made by hand: no run is needed to test the post."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

import duckdb
from small_fleet import write_fleet

from pipeline.config import Fleet, Limits, load_fleet
from pipeline.deliver import queue_edition
from pipeline.report.sheets.paper import file_stem
from pipeline.warehouse import open_warehouse

NOW = datetime(2026, 1, 19, 6, 0, tzinfo=UTC)
WEEK = "2026-W03"
RECORD = (
    '[privacy]\ndriver_analysis = "names"\npurpose = "coaching"\nagreed_on = 2026-01-05\n'
    'agreement = "works agreement 3"\n'
)
TWO = (
    '[[deliver]]\ndocuments = ["report", "vehicle sheets"]\nto = ["a@depot.test", "b@depot.test"]\n'
)


def mail_table(port: int, **more: object) -> str:
    """``[mail]`` of a server on this machine without encryption, or as told."""
    keys = {
        "host": "localhost",
        "port": port,
        "security": "none",
        "from": "post@fleet.test",
        **more,
    }
    return "[mail]\n" + "".join(
        f"{key} = {value if isinstance(value, int) else repr(str(value))}\n"
        for key, value in keys.items()
    )


def mailing_fleet(
    folder: Path, port: int, deliver: str = TWO, before: str = "", **mail: object
) -> Fleet:
    """A fleet folder with `deliver`, and an edition of `WEEK` in it."""
    settings = f"{before}\n{mail_table(port, **mail)}\n{deliver}"
    vehicles = '[vehicles.van-1]\nname = "Van One"\n'
    drivers = '[drivers.nine]\nname = "Driver Nine"\n[drivers.ten]\nname = "Driver Ten"\n'
    write_fleet(folder, settings=settings, vehicles=vehicles, drivers=drivers)
    edition(folder)
    return load_fleet(folder)


def edition(folder: Path, mark: str = "first") -> Path:
    """Files such as an edition has; `mark` makes their contents differ."""
    made = folder / "reports" / WEEK
    for name in (
        "fleet.pdf", "vehicles/van-1.pdf", "models/van-60.pdf", "accounts/2026-01.pdf",
        f"drivers/{file_stem('Driver Nine nine')}.pdf",
        f"drivers/{file_stem('Driver Ten ten')}.pdf", "tables/stops.csv", "tables.xlsx",
    ):  # fmt: skip
        path = made / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(f"%PDF-1.7 {mark} {name}\n.\n..dots\n".encode() * 20)
    return made


@contextmanager
def post_office(fleet: Fleet, edition_no: int = 1) -> Iterator[duckdb.DuckDBPyConnection]:
    """A warehouse in memory in which the edition is queued."""
    con = _warehouse()
    for table in ("deliveries", "departures", "edition_actions", "people_findings"):
        con.execute(f"delete from {table}")
    con.execute("create or replace sequence delivery_item_ids start 1")
    con.execute("create or replace sequence people_finding_ids start 1")
    con.execute(
        "insert into edition_actions values "
        "($week, 1, 'vehicle', 'van-1', 'vehicle_did_not_respond', 31.0),"
        "($week, 2, 'driver', 'nine', 'driver_never_starts', 30.0)",
        {"week": WEEK},
    )
    queue_edition(con, fleet, WEEK, edition_no, fleet.folder / "reports" / WEEK, NOW)
    yield con


@cache
def _warehouse() -> duckdb.DuckDBPyConnection:
    """Made once in a process: its schema costs more than what a test does with it."""
    return open_warehouse(None, Limits())


def states(con: duckdb.DuckDBPyConnection) -> list[tuple[Any, ...]]:
    """Recipient, edition and state of every item, in the order queued."""
    return con.execute(
        "select recipient, edition_no, state from deliveries order by length(item_id), item_id"
    ).fetchall()


def departures(con: duckdb.DuckDBPyConnection) -> list[tuple[Any, ...]]:
    """What left, in the order it did."""
    return con.execute(
        "select what, channel, has_people from departures order by channel"
    ).fetchall()
