"""Findings about drivers: kept, held back until somebody has approved them, and labelled."""

from __future__ import annotations

from datetime import datetime

import duckdb
import polars as pl

from pipeline.config import Fleet
from pipeline.people.findings import approved_only, keep_findings
from pipeline.privacy import driver_labels
from pipeline.warehouse import query

_OF_VERDICT = {"stands": "driver_never_starts", "cannot_tell": "driver_or_vehicle"}
_OF_SIGNAL = {"worse": "driver_starts_less", "better": "driver_starts_more"}


def people_found(never: pl.DataFrame, charts: pl.DataFrame) -> pl.DataFrame:
    """What a look found about drivers, by their ids: nothing that a document may carry yet.

    Parameters
    ----------
    never
        `pipeline.judgement.findings.never_starts`.
    charts
        `pipeline.judgement.control.control_chart` of the drivers; a signal is a finding too.

    Returns
    -------
    DataFrame
        ``driver_id, code`` and the columns of the finding, null where it has none.
    """
    said = never.filter(pl.col("verdict").is_in(list(_OF_VERDICT))).with_columns(
        driver_id=pl.col("subject_id"), code=pl.col("verdict").replace_strict(_OF_VERDICT)
    )
    changed = (
        charts.filter(pl.col("signal").is_not_null())
        .group_by("subject_id", maintain_order=True)
        .agg(pl.col("signal").last(), stop_ids=pl.col("stop_id"), stops_n=pl.len().cast(pl.Int64))
        .with_columns(
            driver_id=pl.col("subject_id"), code=pl.col("signal").replace_strict(_OF_SIGNAL)
        )
    )
    kept = ["driver_id", "code", "stops_n", "started_n", "expected_started_n", "p_value"]
    return pl.concat([said, changed], how="diagonal").select(*kept, "q_value", "stop_ids")


def approved(
    con: duckdb.DuckDBPyConnection, found: pl.DataFrame, week_id: str, now: datetime
) -> tuple[pl.DataFrame, int]:
    """The findings that were approved, and how many of this look wait for a word."""
    keep_findings(con, found, week_id, now)
    waits = query(con, "people/listed_findings").filter(pl.col("state") == "waiting")
    waiting = found.join(waits, on=["driver_id", "code"], how="semi")
    return approved_only(con, found), waiting.height


def labelled(fleet: Fleet, table: pl.DataFrame, driver_id: str) -> pl.DataFrame:
    """The rows with ``driver_label`` for the id, which is dropped; a driver without one goes."""
    ids = table[driver_id].drop_nulls().unique().sort().to_list()
    labels = driver_labels(fleet, ids)
    return table.join(labels, left_on=driver_id, right_on="driver_id", how="inner").drop(driver_id)
