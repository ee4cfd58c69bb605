"""Findings about single drivers: none stands in a document before somebody has approved it."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import Literal

import duckdb
import polars as pl

from pipeline import warehouse
from pipeline.config import Fleet
from pipeline.privacy import driver_labels
from pipeline.problems import ColdMinutesError, Problem

State = Literal["waiting", "approved", "withdrawn"]


def keep_findings(
    con: duckdb.DuckDBPyConnection, found: pl.DataFrame, week_id: str, now: datetime
) -> None:
    """Remember what a week found about drivers; what is new waits for a person's word.

    Whoever finds calls this with all findings of the week, before `approved_only`.

    Parameters
    ----------
    found
        One row per finding, with at least ``driver_id`` and ``code``.
    """
    warehouse.register(con, "found_people", found.select("driver_id", "code").drop_nulls())
    params = {"week_id": week_id, "now": now}
    with warehouse.transaction(con):
        warehouse.run(con, "people/renew_findings", params)
        warehouse.run(con, "people/insert_findings", params)


def approved_only(con: duckdb.DuckDBPyConnection, found: pl.DataFrame) -> pl.DataFrame:
    """Those rows of findings about drivers that a document may carry; columns and order kept.

    Rows without a driver are not about a person, and stay.
    """
    approved = warehouse.query(con, "people/approved_findings")
    is_person = pl.col("driver_id").is_not_null()
    marked = found.join(
        approved.with_columns(is_approved=pl.lit(True)),
        on=["driver_id", "code"],
        how="left",
        maintain_order="left",
    )
    return marked.filter(~is_person | pl.col("is_approved").fill_null(False)).drop("is_approved")


def finding_lines(con: duckdb.DuckDBPyConnection, fleet: Fleet) -> Iterator[str]:
    """The findings about people and their state, drivers under the label the level allows.

    Raises
    ------
    ColdMinutesError
        PEOPLE-04, where the level or the record does not allow findings about single drivers.
    """
    require_record(fleet)
    rows = warehouse.query(con, "people/listed_findings")
    if rows.is_empty():
        yield "There is no finding about a person."
        return
    labels = dict(driver_labels(fleet, rows["driver_id"].unique().sort().to_list()).iter_rows())
    waiting_n = rows.filter(pl.col("state") == "waiting").height
    yield f"{rows.height} findings about a person, {waiting_n} of them waiting."
    yield "Before you approve one: look at its stops, and speak with the driver."
    yield ""
    for row in rows.iter_rows(named=True):
        decided = ""
        if row["decided_at"] is not None:
            decided = f", {row['decided_at']:%Y-%m-%d} by {row['decided_by']}"
        yield (
            f"{row['finding_id']:<6}{row['state']:<11}{labels[row['driver_id']]}: {row['code']}, "
            f"{row['first_week_id']} to {row['last_week_id']}{decided}"
        )


def decide(
    con: duckdb.DuckDBPyConnection,
    fleet: Fleet,
    finding_id: str,
    state: State,
    said_by: str,
    now: datetime,
) -> None:
    """Approve a finding about a person, or withdraw the approval.

    It holds for the same finding about the same driver in later weeks too, until it is withdrawn.

    Raises
    ------
    ColdMinutesError
        PEOPLE-03 for an id that is none; PEOPLE-04 as `finding_lines`.
    """
    require_record(fleet)
    known = warehouse.query(con, "people/listed_findings")["finding_id"].to_list()
    if finding_id not in known:
        problem = Problem(
            "PEOPLE-03",
            "stop",
            "approve",
            f"there is no finding '{finding_id}'",
            "`coldminutes approve FLEET` lists them. Nothing was changed.",
        )
        raise ColdMinutesError([problem])
    params = {"finding_id": finding_id, "state": state, "said_by": said_by, "now": now}
    warehouse.run(con, "people/decide_finding", params)


def require_record(fleet: Fleet) -> None:
    """Refuse work on single drivers without level, purpose, date and agreement.

    Raises
    ------
    ColdMinutesError
        PEOPLE-04, naming the keys that are missing.
    """
    privacy = fleet.settings.privacy
    lacking = list(privacy.missing_record)
    if privacy.driver_analysis not in ("pseudonyms", "names"):
        lacking.insert(0, "driver_analysis = 'pseudonyms' or 'names'")
    if lacking:
        problem = Problem(
            "PEOPLE-04",
            "stop",
            "fleet.toml, [privacy]",
            f"nothing is found about single drivers without {', '.join(lacking)}",
            "Agree on it with your staff or their representatives first, then record purpose, day "
            "and agreement there; `coldminutes notice` prints what is processed.",
        )
        raise ColdMinutesError([problem])
