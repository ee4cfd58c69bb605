"""States of an item: written down in one transaction each, and told as findings."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import duckdb

from pipeline import warehouse
from pipeline.deliver.pauses import is_given_up, pause_after
from pipeline.problems import Problem

Row = dict[str, Any]

_AGAIN = "`coldminutes deliver FLEET --again {item_id}` sends it"
_SETTLED = "`coldminutes deliver FLEET --settled {item_id}` closes it"
_TOLD = {
    "unsure": (
        "DELIVER-01",
        "exclude",
        "it is not known whether the mail arrived ({said}), so it is not sent again",
        f"Ask the recipient. If it came, {_SETTLED}; if not, {_AGAIN}.",
    ),
    "failed": (
        "DELIVER-02",
        "note",
        "could not be delivered now ({said})",
        "It is tried again from {next_try_at:%Y-%m-%d %H:%M} UTC on; `coldminutes deliver FLEET` "
        "tries at once.",
    ),
    "refused": (
        "DELIVER-03",
        "exclude",
        "was refused for good ({said})",
        f"Mend address, [mail] or folder, then {_AGAIN}; {_SETTLED} unsent.",
    ),
    "five_days": (
        "DELIVER-04",
        "exclude",
        "given up after five days ({said})",
        f"Mend the way there, then {_AGAIN}; {_SETTLED} unsent.",
    ),
    "changed": (
        "DELIVER-05",
        "exclude",
        "was not sent, because {said}",
        f"Look at the edition; {_AGAIN} with what lies there now, {_SETTLED} unsent.",
    ),
    "approval": (
        "DELIVER-06",
        "note",
        "waits until somebody approves that this driver's sheet is mailed",
        "`coldminutes approve FLEET` lists it as sheet_by_mail.",
    ),
}


def mark(
    con: duckdb.DuckDBPyConnection,
    item: Row,
    state: str,
    now: datetime,
    *,
    why: str | None = None,
    said: str | None = None,
    next_try_at: datetime | None = None,
    is_try: bool = False,
    has_departed: bool = False,
) -> None:
    """Write down what became of an item, and with it that something left the folder.

    Parameters
    ----------
    has_departed
        The other side has the documents, or may have them: `coldminutes forget` then lists them.
    """
    params = {
        "item_id": item["item_id"],
        "state": state,
        "why": why,
        "said": said,
        "now": now,
        "next_try_at": next_try_at or item["next_try_at"],
        "tried_n": int(is_try),
    }
    with warehouse.transaction(con):
        warehouse.run(con, "deliver/mark_delivery", params)
        if has_departed:
            warehouse.run(con, "people/insert_departure", _departure(item, state, now))


def put_off(con: duckdb.DuckDBPyConnection, item: Row, now: datetime, said: str) -> Problem:
    """Let an item wait for its next try, or give it up after the last one."""
    tries_n = item["tries_n"] + 1
    if is_given_up(item["first_tried_at"], tries_n, now):
        mark(con, item, "given_up", now, why="five_days", said=said, is_try=True)
        return told_problem(item, "five_days", said)
    next_try_at = now + pause_after(tries_n)
    mark(con, item, "failed", now, said=said, next_try_at=next_try_at, is_try=True)
    return told_problem({**item, "next_try_at": next_try_at}, "failed", said)


def refuse(con: duckdb.DuckDBPyConnection, item: Row, now: datetime, said: str) -> Problem:
    """Give up an item that the other side will not take, however often it is tried."""
    mark(con, item, "given_up", now, why="refused", said=said, is_try=True)
    return told_problem(item, "refused", said)


def told_problem(item: Row, what: str, said: str) -> Problem:
    """The finding about an item; a driver is not named in it."""
    code, level, message, remedy = _TOLD[what]
    to = "the driver" if item["driver_id"] else item["recipient"]
    told = {
        "item_id": item["item_id"], "said": said, "next_try_at": item["next_try_at"]
    }  # fmt: skip
    return Problem(
        code,
        "exclude" if level == "exclude" else "note",
        f"{item['item_id']}, {item['week_id']} to {to}",
        message.format(**told),
        remedy.format(**told),
        {"item_id": item["item_id"]},
    )


def _departure(item: Row, state: str, now: datetime) -> dict[str, Any]:
    by = "e-mail" if item["channel"] == "mail" else "folder"
    to = "the driver" if item["driver_id"] else item["recipient"]
    return {
        "now": now,
        "week_id": item["week_id"],
        "what": item["documents"].replace(",", ", "),
        "channel": f"{by} to {to}" + (", perhaps" if state == "unsure" else ""),
        "has_people": item["has_people"],
    }
