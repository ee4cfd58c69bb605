"""Budget against actual as the season runs: on course, why not, and where it will end."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import numpy as np
import polars as pl

from pipeline.budget.cover import only_covered
from pipeline.budget.given import Learned
from pipeline.budget.run import Budget, Tables, run_budget
from pipeline.budget.scenario import Scenario
from pipeline.budget.season import Season
from pipeline.budget.summary import QUANTITIES, SEASON_ID
from pipeline.budget.variance import REFERENCES, variance_table
from pipeline.budget.weather import Array, Weather

_YARDSTICKS = (
    Scenario(name="everyone", warming="everyone"),
    Scenario(name="nobody", warming="nobody"),
)


def months_done(season: Season, as_of: date) -> Season | None:
    """The whole months of a season that lie before a day; None where there are none."""
    edges = tuple(edge for edge in season.edges if edge <= as_of)
    return Season(edges) if len(edges) > 1 else None


def monthly(actual: pl.DataFrame, season: Season) -> pl.DataFrame:
    """Sums of daily actuals by month of the season; a month without rows is 0.

    Parameters
    ----------
    actual
        ``local_day`` and quantities, several rows a day allowed; null counts as 0.
    """
    names = [name for name in QUANTITIES if name in actual.columns]
    months = pl.DataFrame({"month_id": season.month_ids}, schema={"month_id": pl.String})
    sums = (
        actual.filter(
            (pl.col("local_day") >= season.first_day) & (pl.col("local_day") < season.end_day)
        )
        .group_by(month_id=pl.col("local_day").dt.strftime("%Y-%m"))
        .agg(pl.col(name).sum() for name in names)
    )
    joined = months.join(sums, on="month_id", how="left", maintain_order="left")
    return joined.with_columns(pl.col(names).fill_null(0.0))


def on_course(
    budget: Budget,
    actual: pl.DataFrame,
    as_of: date,
    rest: Budget | None,
    scenario: str = "as_today",
    covered: Array | None = None,
) -> pl.DataFrame:
    """Actual so far against the budget's interval, and where the season will end.

    Only whole months count; what came in since is left to the next comparison. Where data do not
    cover a month, or a part of one, that part leaves both sides of the comparison, and the
    forecast takes it as it was budgeted.

    Parameters
    ----------
    budget
        As it was set before the season.
    actual
        As in `monthly`.
    rest
        A budget of the months that are left, made with all data up to `as_of`; None at the end.
    covered
        (months done,) of `pipeline.budget.cover.covered_rates`; all of them by default.

    Returns
    -------
    DataFrame
        One row per quantity: ``actual_value`` so far, ``budget_p10_value`` to ``budget_p90_value``
        of the same days, ``is_outside``, and of the whole season ``forecast_p10_value`` to
        ``forecast_p90_value`` beside ``season_p10_value`` to ``season_p90_value`` of the budget.

    Raises
    ------
    ValueError
        When no month has ended, or `rest` does not begin where the months done end.
    """
    done = months_done(budget.season, as_of)
    if done is None:
        raise ValueError(f"no month of the season has ended by {as_of}")
    if (rest is None) != (done.end_day == budget.season.end_day) or (
        rest is not None and rest.season.edges != budget.season.starting(done.end_day).edges
    ):
        raise ValueError("rest must hold the months of the season that are left")
    part = np.ones(done.months_n) if covered is None else covered
    sums = monthly(only_covered(actual, done, part), done)
    rows = []
    for quantity in (name for name in QUANTITIES if name in sums.columns):
        so_far = float(sums[quantity].sum())
        drawn = budget.draws(scenario, quantity)
        past = drawn[:, : done.months_n]
        to_date = np.quantile(past @ part, (0.1, 0.5, 0.9))
        whole = np.quantile(drawn.sum(axis=1), (0.1, 0.5, 0.9))
        unseen, coming = past @ (1 - part), np.zeros(1)
        if rest is not None:
            coming = rest.draws(scenario, quantity).sum(axis=1)
            # A budget that was kept may have been drawn more or less often than the rest.
            unseen = np.resize(unseen, len(coming))
        forecast = so_far + np.quantile(unseen + coming, (0.1, 0.5, 0.9))
        is_outside = bool(so_far < to_date[0] or so_far > to_date[2])
        rows.append((quantity, so_far, *to_date, is_outside, *forecast, *whole))
    levels = ("p10", "p50", "p90")
    names = [
        "quantity", "actual_value", *(f"budget_{level}_value" for level in levels), "is_outside",
        *(f"forecast_{level}_value" for level in levels),
        *(f"season_{level}_value" for level in levels),
    ]  # fmt: skip
    return pl.DataFrame(rows, schema=names, orient="row")


def explained(
    budget: Budget,
    learned: Learned,
    actual: pl.DataFrame,
    observed: Weather,
    as_of: date,
    scenario: str = "as_today",
    winters_n: int = 200,
    seed: int = 1,
    covered: Array | None = None,
) -> pl.DataFrame:
    """Actual less budget by month and quantity, split into weather, volume, price and behaviour.

    What the weather asked for is simulated twice with what the budget had learned: over drawn
    winters and over the season's own days. Price is cost per kWh of warming; where nothing was
    warmed it is the budget's.

    Parameters
    ----------
    learned
        What `budget` was made from.
    observed
        The season's temperatures, as the budget's series.
    covered
        As in `on_course`: months that data do not cover have no row, and the budget of others is
        that of their covered part.
    """
    done = months_done(budget.season, as_of)
    if done is None:
        raise ValueError(f"no month of the season has ended by {as_of}")
    tables: Tables = {}
    planned = run_budget(learned, done, _YARDSTICKS, winters_n, seed, tables=tables)
    came = run_budget(learned, done, _YARDSTICKS, winters_n, seed, observed=observed, tables=tables)
    part = np.ones(done.months_n) if covered is None else covered
    sums = monthly(actual, done)
    mean = _means(budget.table, scenario, done)
    rows = []
    for quantity, (yardstick, asked) in REFERENCES.items():
        if quantity not in sums.columns:
            continue
        priced = quantity == "warming_cost"
        for at, month in enumerate(done.month_ids):
            if part[at] == 0:
                continue
            row = {"month_id": month, "quantity": quantity}
            budget_price = (
                _ratio(mean[month, quantity], mean[month, "warming_kwh"]) if priced else 1.0
            )
            spent, kwh = float(sums[quantity][at]), float(sums["warming_kwh"][at])
            actual_price = _ratio(spent, kwh, budget_price) if priced else 1.0
            rows.append(
                row
                | {
                    "budget_value": mean[month, quantity] * part[at],
                    "budget_stops_n": mean[month, "stops_n"] * part[at],
                    "budget_weather_per_stop": _per_stop(planned, yardstick, asked, month),
                    "budget_price": budget_price,
                    "actual_value": spent,
                    "actual_stops_n": float(sums["stops_n"][at]),
                    "actual_weather_per_stop": _per_stop(came, yardstick, asked, month),
                    "actual_price": actual_price,
                }
            )
    return variance_table(pl.DataFrame(rows))


def forecast_rest(
    learned_now: Learned, season: Season, as_of: date, scenarios: Sequence[Scenario],
    winters_n: int = 1000, seed: int = 1,
) -> Budget | None:  # fmt: skip
    """A budget of the months that have not ended, from all that is known now; None at the end."""
    done = months_done(season, as_of)
    start = season.first_day if done is None else done.end_day
    if start >= season.end_day:
        return None
    return run_budget(learned_now, season.starting(start), scenarios, winters_n, seed)


def _means(table: pl.DataFrame, scenario: str, done: Season) -> dict[tuple[str, str], float]:
    rows = table.filter(
        (pl.col("unit_kind") == "fleet") & (pl.col("scenario") == scenario)
        & pl.col("month_id").is_in(done.month_ids) & (pl.col("month_id") != SEASON_ID)
    )  # fmt: skip
    keys = zip(rows["month_id"], rows["quantity"], strict=True)
    return dict(zip(keys, rows["mean_value"].to_list(), strict=True))


def _per_stop(budget: Budget, scenario: str, quantity: str, month: str) -> float:
    mean = _means(budget.table, scenario, budget.season)
    return _ratio(mean[month, quantity], mean[month, "stops_n"])


def _ratio(top: float, below: float, otherwise: float = 0.0) -> float:
    return top / below if below > 0 else otherwise
