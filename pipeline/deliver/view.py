"""The queue for people to read, and what a person says about an item."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from datetime import datetime
from typing import Literal

import duckdb
import polars as pl

from pipeline import warehouse
from pipeline.config import Fleet
from pipeline.deliver.documents import as_json, content_hash
from pipeline.deliver.queue import documents_of, edition_folder
from pipeline.deliver.state import Row, mark
from pipeline.deliver.wanted import wanted_of
from pipeline.problems import ColdMinutesError, Problem

_OPEN = ("waiting", "handing_over", "failed", "unsure")
_SHOWN_WEEKS_N = 4


def delivery_rows(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """One row per item, the newest edition first; ``is_for_a_person``: somebody must act.

    The address of a driver is not in it.
    """
    return warehouse.query(con, "deliver/delivery_rows")


def delivery_lines(con: duckdb.DuckDBPyConnection) -> Iterator[str]:
    """What is open, what is for a person, and the items of the newest weeks, in words."""
    rows = delivery_rows(con)
    if rows.is_empty():
        yield "Nothing is queued: [[deliver]] in fleet.toml says what goes to whom."
        return
    counts = Counter(rows["state"].to_list())
    yield ", ".join(f"{n} {state.replace('_', ' ')}" for state, n in sorted(counts.items())) + "."
    newest = rows["week_id"].unique().sort(descending=True)[:_SHOWN_WEEKS_N]
    shown = rows.filter(
        pl.col("state").is_in(_OPEN)
        | pl.col("is_for_a_person")
        | pl.col("week_id").is_in(newest.implode())
    )
    for row in shown.iter_rows(named=True):
        edition = f"{row['week_id']}" + (
            f" revised ({row['edition_no']})" if row["edition_no"] > 1 else ""
        )
        why = f" ({row['why'].replace('_', ' ')})" if row["why"] else ""
        yield (
            f"{row['item_id']:<6}{row['state'].replace('_', ' ')}{why}: {edition}, "
            f"{row['documents'].replace(',', ', ')} to {row['recipient']}"
        )
        if row["state"] == "failed":
            next_at = f"{row['next_try_at']:%Y-%m-%d %H:%M} UTC"
            yield f"      tried {row['tries_n']} times, next {next_at}"
        if row["state"] != "sent" and row["said"]:
            yield f"      {row['said']}"


def decide(
    con: duckdb.DuckDBPyConnection,
    fleet: Fleet,
    item_id: str,
    word: Literal["again", "settled"],
    now: datetime,
) -> str:
    """Do with an item what a person says; what was done, in words.

    Parameters
    ----------
    word
        ``again``: send it once more, with the documents as they lie there now, under the same
        Message-ID. ``settled``: it is done with; an *unsure* mail did arrive.

    Raises
    ------
    ColdMinutesError
        DELIVER-07, where there is no such item, it is not in question, or nothing lies there.
    """
    item = _item(con, item_id)
    if item["state"] not in ("unsure", "failed", "given_up", "closed"):
        state = item["state"].replace("_", " ")
        raise _refused(item_id, f"it is {state}, so there is nothing to decide")
    if word == "settled":
        if item["state"] == "unsure":
            mark(con, item, "sent", now, said="a person said that it arrived")
            return f"{item_id} counts as sent."
        mark(con, item, "closed", now, why="settled", said=item["said"])
        return f"{item_id} is closed; it was not sent."
    key = (item["channel"], item["recipient"], item["documents"], item["driver_id"])
    wanted = next((each for each in wanted_of(fleet) if each.key == key), None)
    if wanted is None:
        raise _refused(item_id, "fleet.toml does not send it there any more")
    documents = documents_of(fleet, edition_folder(fleet, item["folder"]), wanted)
    if not documents:
        raise _refused(item_id, f"no such document lies in {item['folder']}")
    params = {
        "item_id": item_id,
        "now": now,
        "files": as_json(documents),
        "content_sha256": content_hash(documents),
        "size_bytes": sum(each.bytes_n for each in documents),
    }
    warehouse.run(con, "deliver/renew_delivery", params)
    return f"{item_id} waits to be sent again."


def _item(con: duckdb.DuckDBPyConnection, item_id: str) -> Row:
    rows = warehouse.query(con, "deliver/delivery_item", {"item_id": item_id}).to_dicts()
    if not rows:
        raise _refused(item_id, "there is no item of that name")
    return dict(rows[0])


def _refused(item_id: str, why: str) -> ColdMinutesError:
    problem = Problem(
        "DELIVER-07",
        "stop",
        f"deliver, {item_id}",
        why,
        "`coldminutes deliver FLEET --dry-run` lists the items. Nothing was changed.",
    )
    return ColdMinutesError([problem])
