"""What an edition asked somebody to do, kept, and what became of it by the next edition.

The page cannot know who did what. It knows the stops since, and says by one rule what they show:
*done*, *not done* or *cannot tell*.
"""

from __future__ import annotations

import duckdb
import numpy as np
import polars as pl

from pipeline.rates import correlation_of
from pipeline.statistics import effective_number, wilson_interval
from pipeline.warehouse import query, register, run, transaction
from pipeline.weeks import weeks_before

ACTIONS_N = 3
"""Actions that the first page names at most."""
CHANCES_LEAST_N = 3
"""Stops that can tell, below which nothing is told."""
CONFIDENCE = 0.9
"""Two-sided, of the interval that the verdict stands on."""
EVEN_RATE = 0.5
SPARED_MIN = 3.0
"""Minutes that a site's limit or sharing may take of a stop that counts as spared."""
_WEEKS_N = 5
"""Weeks that an edition looks at, its own among them."""
_BY_STATE = ("vehicle_unconfigured", "vehicle_silent")


def follow_up(con: duckdb.DuckDBPyConnection, week_id: str) -> None:
    """Make ``weekly_followups``: the actions of the last edition before this week, judged.

    Reads ``weekly_vehicles``, so it comes after the weekly stage. One row per action, in the order
    it was printed; none where no edition was made before. See `judged` for the columns.
    """
    listed = query(con, "actions/last_list", {"week_id": week_id})["week_id"][0]
    params = {
        "week_id": week_id,
        "listed_week_id": listed,
        "week_ids_before": [*weeks_before(listed, _WEEKS_N - 1), listed] if listed else [],
        "spared_min": SPARED_MIN,
    }
    chances = query(con, "actions/action_chances", params)
    weeks = [*weeks_before(week_id, _WEEKS_N - 1), week_id]
    clusters = query(con, "weekly/weekly_clusters", {"week_ids": weeks})
    register(con, "weekly_followups", judged(chances, correlation_of(clusters)["hit_rate"]))


def judged(chances: pl.DataFrame, correlation: float) -> pl.DataFrame:
    """Add ``good_rate`` with its interval, ``verdict`` and ``why``.

    Parameters
    ----------
    chances
        Rows of ``sql/actions/action_chances.sql``.
    correlation
        How far the stops of one driver go together, 0 to 1.

    Returns
    -------
    table
        ``verdict`` is ``done``, ``not_done`` or ``cannot_tell``; ``why`` of the last is
        ``gone``, ``no_stop``, ``few_stops`` or ``mixed``.

    Notes
    -----
    With at least `CHANCES_LEAST_N` stops that can tell, *done* where the 90 % Wilson interval of
    the share that went as asked lies above one half and above the share of the weeks that the
    edition looked at, *not done* where it lies below the larger of both, else *cannot tell*: what
    went well before the action was named is no effect of it. At a site the stops of one driver
    count by their effective number; at a vehicle they count singly, since the vehicle, with who
    drives it, is what was asked about. A vehicle that was to be configured, or to send data, is or
    is not, whatever the number of its stops.

    References
    ----------
    The interval: `statistics.wilson_interval`. One half, three stops and 90 % are our choice, no
    source: three of three lie above one half with 90 % (53 to 100 %), two of two do not.
    """
    trials = chances["chances_n"].to_numpy().astype(float)
    good = chances["good_n"].to_numpy().astype(float)
    by_driver = effective_number(trials, chances["clusters_n"].to_numpy(), correlation)
    effective = np.where((chances["kind"] == "site").to_numpy(), by_driver, trials)
    with np.errstate(invalid="ignore", divide="ignore"):
        rate = np.where(trials > 0, good / trials, np.nan)
    interval = wilson_interval(np.nan_to_num(rate) * effective, effective, CONFIDENCE)
    frame = chances.with_columns(
        *(
            pl.Series(name, values, dtype=pl.Float64).fill_nan(None)
            for name, values in (
                ("good_rate", rate),
                ("good_rate_low", interval.low),
                ("good_rate_high", interval.high),
            )
        )
    )
    bar_rate = pl.max_horizontal(
        pl.lit(EVEN_RATE), pl.col("good_before_n") / pl.col("chances_before_n").replace(0, None)
    )
    has_enough = pl.col("chances_n") >= CHANCES_LEAST_N
    by_state = pl.col("code").is_in(_BY_STATE)
    state = (
        pl.when(pl.col("code") == "vehicle_unconfigured")
        .then("is_configured")
        .otherwise(~pl.col("is_silent"))
    )
    is_done = (
        pl.when(by_state).then(state).otherwise(has_enough & (pl.col("good_rate_low") > bar_rate))
    ).fill_null(False)
    is_not_done = (
        pl.when(by_state).then(~state).otherwise(has_enough & (pl.col("good_rate_high") < bar_rate))
    ).fill_null(False)
    why = (
        pl.when(by_state)
        .then(pl.lit("gone"))
        .when(pl.col("stops_n") == 0)
        .then(pl.lit("no_stop"))
        .when(~has_enough)
        .then(pl.lit("few_stops"))
        .otherwise(pl.lit("mixed"))
    )
    return frame.with_columns(
        verdict=pl.when(is_done)
        .then(pl.lit("done"))
        .when(is_not_done)
        .then(pl.lit("not_done"))
        .otherwise(pl.lit("cannot_tell")),
        why=pl.when(~is_done & ~is_not_done).then(why),
    )


def keep_actions(con: duckdb.DuckDBPyConnection, week_id: str) -> None:
    """Record the actions of an edition that was made; a remade edition replaces its own."""
    params = {"week_id": week_id, "actions_n": ACTIONS_N}
    with transaction(con):
        for name in (
            "clear_edition_actions",
            "clear_edition_lists",
            "record_edition_actions",
            "record_edition_lists",
        ):
            run(con, f"actions/{name}", params)
