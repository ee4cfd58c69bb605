"""*Place not recognised*: sites that the vehicles do not know as charging places."""

from __future__ import annotations

import numpy as np
import polars as pl
from scipy.stats import binom, false_discovery_control

from pipeline.judgement.findings import METHOD_RULE, Rule
from pipeline.judgement.tables import NEEDED, STARTED, judged

NOT_RECOGNISED = "destination_not_recognised"
LEAST_UNKNOWN_N = 3

PLACE_SCHEMA = pl.Schema(
    {
        "subject_id": pl.String(),
        "verdict": pl.String(),
        "stops_n": pl.Int64(),
        "started_n": pl.Int64(),
        "expected_started_n": pl.Float64(),
        "p_value": pl.Float64(),
        "q_value": pl.Float64(),
        "stop_ids": pl.List(pl.String()),
    }
)
"""One row per site at which the vehicle was asked to warm.

``stops_n`` stops at which it was, ``started_n`` those of them at which it knew the place and
began, ``expected_started_n`` had the place been as well known as the others; ``verdict`` is
``recognised`` (always) | ``too_few`` | ``not_distinct`` | ``stands``; ``stop_ids`` are the stops
at which the place was not recognised.
"""


def not_recognised(stops: pl.DataFrame, rule: Rule = METHOD_RULE) -> pl.DataFrame:
    """Sites, and whether it may be said of one that the vehicles do not recognise it.

    Parameters
    ----------
    stops
        Rows in `pipeline.judgement.tables.JUDGED_SCHEMA` of the weeks that are judged. Without
        recorded destinations there is nothing to tell it by, and every site is left out.

    Returns
    -------
    DataFrame
        `PLACE_SCHEMA`, sorted by ``subject_id``: no ranking.

    Notes
    -----
    Counted are stops that needed warming at which it began, or at which a destination was set
    that the vehicle did not know as a charging place. The p-value is the binomial chance of so
    many unknown ones at the share seen at all other sites (with one known and one unknown stop
    added, so that it is never 0), compared by Benjamini and Hochberg over the sites with enough
    stops.
    """
    rows = judged(stops).filter(
        pl.col("site_id").is_not_null()
        & pl.col("outcome").is_in(NEEDED)
        & (pl.col("outcome").is_in(STARTED) | (pl.col("why") == NOT_RECOGNISED).fill_null(False))
    )
    unknown = (pl.col("why") == NOT_RECOGNISED).fill_null(False)
    if not rows.filter(unknown).height:
        return pl.DataFrame(schema=PLACE_SCHEMA)
    sums = (
        rows.group_by(pl.col("site_id").alias("subject_id"))
        .agg(
            stops_n=pl.len().cast(pl.Int64),
            unknown_n=unknown.sum().cast(pl.Int64),
            stop_ids=pl.col("stop_id").filter(unknown),
        )
        .sort("subject_id")
    )
    n, k = sums["stops_n"].to_numpy(), sums["unknown_n"].to_numpy()
    elsewhere = (k.sum() - k + 1) / (n.sum() - n + 2)
    p_value = np.asarray(binom.sf(k - 1, n, elsewhere), dtype=float)
    is_compared = n >= rule.least_stops_n
    adjusted = np.full(len(n), np.nan)
    if is_compared.any():
        adjusted[is_compared] = false_discovery_control(p_value[is_compared], method="bh")
    table = sums.with_columns(
        started_n=pl.col("stops_n") - pl.col("unknown_n"),
        expected_started_n=pl.Series(n * (1 - elsewhere), dtype=pl.Float64),
        p_value=pl.Series(p_value, dtype=pl.Float64),
        q_value=pl.Series(adjusted, dtype=pl.Float64).fill_nan(None),
    ).with_columns(
        verdict=pl.when(pl.col("unknown_n") == 0)
        .then(pl.lit("recognised"))
        .when((pl.col("stops_n") < rule.least_stops_n) | (pl.col("unknown_n") < LEAST_UNKNOWN_N))
        .then(pl.lit("too_few"))
        .when((pl.col("q_value") <= rule.false_discovery_rate).fill_null(False))
        .then(pl.lit("stands"))
        .otherwise(pl.lit("not_distinct"))
    )
    return table.select(PLACE_SCHEMA.keys()).cast(PLACE_SCHEMA)
