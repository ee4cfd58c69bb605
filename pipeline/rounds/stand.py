"""The newest edition's fit stands: an older week made anew does not leave the year under its own.

Minutes of a stop are kept once, under the fit of whatever edition was made last. Where that was an
old week, `explain` and the curves of today would show an old fit, and the tables of a fleet would
depend on the order in which its files came.
"""

from __future__ import annotations

import duckdb

from pipeline.config import Fleet
from pipeline.minutes import minutes
from pipeline.rounds.kept import last_editions, week_facts
from pipeline.warehouse import query, run, transaction
from pipeline.weeks import weeks_before

YEAR_WEEKS_N = 52


def let_newest_fit_stand(
    con: duckdb.DuckDBPyConnection, fleet: Fleet, last_built: str | None = None
) -> None:
    """Fit the newest edition's week again, unless its fit stands and its year is as it was.

    Parameters
    ----------
    last_built
        The week that was built last, after everything was computed: its fit is the one that stands.
    """
    editions = last_editions(con)
    if not editions:
        return
    newest = editions[-1]["week_id"]
    weeks = [*weeks_before(newest, YEAR_WEEKS_N - 1), newest]
    facts = week_facts(con, fleet, weeks)
    params = {
        "fit_week_id": newest,
        "first_week_id": weeks[0],
        "facts_hash": " ".join(facts[week_id][0] for week_id in weeks),
    }
    if query(con, "rounds/fit_stands", params)["is_standing"][0]:
        return
    if last_built != newest:
        minutes(con, fleet, newest)
    with transaction(con):
        run(con, "rounds/clear_standing_fit")
        run(con, "rounds/record_standing_fit", params)
