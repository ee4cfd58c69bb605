"""The budget that was issued for a season: kept in the warehouse, read back for *on course?*."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import duckdb
import numpy as np
import polars as pl

from pipeline.budget import Budget
from pipeline.budget.season import Season
from pipeline.budget.summary import F32, QUANTITIES, SEASON_ID, percentiles, tidy, with_season
from pipeline.method import METHOD_VERSION
from pipeline.warehouse import query, register, run, transaction

_TABLES = ("draws", "vehicles")


@dataclass(frozen=True)
class Issued:
    """A budget as it was issued.

    Attributes
    ----------
    vehicles
        ``scenario, vehicle_id, month_id, quantity, mean_value``.
    """

    budget: Budget
    as_of: date
    winters_n: int
    seed: int
    vehicles: pl.DataFrame


def season_id_of(season: Season) -> str:
    """First and last month, as `pipeline.budget.season.parse_season` reads them."""
    months = season.month_ids
    return f"{months[0]}..{months[-1]}"


def is_issued(con: duckdb.DuckDBPyConnection, season: Season) -> bool:
    """Whether the season has a budget that was kept."""
    return query(con, "budget/issued", {"season_id": season_id_of(season)}).height > 0


def keep(
    con: duckdb.DuckDBPyConnection, budget: Budget, as_of: date, seed: int, weather_name: str
) -> None:
    """Keep a budget as the one of its season, in place of any before; all of it or nothing."""
    season_id = season_id_of(budget.season)
    register(con, "fresh_issued_budget_draws", _draws(budget, season_id))
    register(con, "fresh_issued_budget_vehicles", _vehicles(budget.table, season_id))
    params = {
        "season_id": season_id,
        "as_of_date": as_of,
        "winters_n": budget.fleet.shape[1],
        "seed_no": seed,
        "method_version": METHOD_VERSION,
        "weather_name": weather_name,
    }
    with transaction(con):
        run(con, "budget/forget_issued", params)
        run(con, "budget/record_issued", params)
        for table in _TABLES:
            run(con, f"budget/forget_issued_{table}", params)
            run(con, f"budget/record_issued_{table}")


def read_issued(con: duckdb.DuckDBPyConnection, season: Season) -> Issued | None:
    """The season's budget as it was issued; None where none was."""
    params = {"season_id": season_id_of(season)}
    heads = query(con, "budget/issued", params)
    if heads.is_empty():
        return None
    head = heads.row(0, named=True)
    draws = query(con, "budget/issued_draws", params)
    names = draws["scenario"].unique(maintain_order=True).to_list()
    # As the tests of the budget itself have it: what is there today comes first.
    names.sort(key=lambda name: (name != "as_today", name))
    quantities = pl.DataFrame(
        {"quantity": QUANTITIES, "at_n": range(len(QUANTITIES))},
        schema={"quantity": pl.String, "at_n": pl.Int64},
    )
    places = pl.DataFrame(
        {"scenario": names, "scenario_n": range(len(names))},
        schema={"scenario": pl.String, "scenario_n": pl.Int64},
    )
    rows = (
        draws.join(quantities, on="quantity")
        .join(places, on="scenario")
        .sort("scenario_n", "winter_no", "month_id", "at_n")
    )
    shape = (len(names), int(head["winters_n"]), season.months_n, len(QUANTITIES))
    fleet = rows["drawn_value"].to_numpy().astype(np.float32).reshape(shape)
    return Issued(
        as_budget(fleet, names, season),
        head["as_of_date"],
        int(head["winters_n"]),
        int(head["seed_no"]),
        query(con, "budget/issued_vehicles", params),
    )


def as_budget(fleet: F32, scenarios: list[str], season: Season) -> Budget:
    """A budget of the fleet alone from its draws, (scenarios, winters, months, quantities)."""
    table = tidy("fleet", ["fleet"], [percentiles(with_season(fleet))], scenarios, season.month_ids)
    described = pl.DataFrame({"scenario": scenarios}, schema={"scenario": pl.String})
    return Budget(season, table, table.clear(), fleet, described, 0.0, 0, 1.0, 0)


def of_vehicles(issued: Issued, vehicle_ids: list[str]) -> Budget:
    """The issued budget of some of its vehicles: their share of each month's mean.

    Draws of single vehicles are not kept, so the whole fleet's are scaled; its interval is a little
    narrower than theirs would be, since fewer vehicles even out less.
    """
    season, names = issued.budget.season, issued.budget.scenarios["scenario"].to_list()
    parts = (
        issued.vehicles.group_by("scenario", "month_id", "quantity")
        .agg(
            whole=pl.col("mean_value").sum(),
            part=pl.col("mean_value").filter(pl.col("vehicle_id").is_in(vehicle_ids)).sum(),
        )
        .with_columns(share=pl.when(pl.col("whole") > 0).then(pl.col("part") / pl.col("whole")))
    )
    axes = (names, season.month_ids, list(QUANTITIES))
    order = pl.DataFrame({"scenario": names}).join(
        pl.DataFrame({"month_id": season.month_ids}), how="cross"
    ).join(pl.DataFrame({"quantity": list(QUANTITIES)}), how="cross")  # fmt: skip
    found = order.join(
        parts, on=["scenario", "month_id", "quantity"], how="left", maintain_order="left"
    )
    share = found["share"].fill_null(1.0).to_numpy().reshape([len(axis) for axis in axes])
    scaled = (issued.budget.fleet * share[:, None].astype(np.float32)).astype(np.float32)
    return as_budget(scaled, names, season)


def _draws(budget: Budget, season_id: str) -> pl.DataFrame:
    names, months = budget.scenarios["scenario"].to_list(), budget.season.month_ids
    index = np.unravel_index(np.arange(budget.fleet.size), budget.fleet.shape)
    return pl.DataFrame(
        {
            "scenario": pl.Series(names, dtype=pl.String).gather(index[0]),
            "winter_no": index[1].astype(np.int32),
            "month_id": pl.Series(months, dtype=pl.String).gather(index[2]),
            "quantity": pl.Series(list(QUANTITIES), dtype=pl.String).gather(index[3]),
            "drawn_value": budget.fleet.ravel().astype(np.float64),
        }
    ).with_columns(season_id=pl.lit(season_id, pl.String))


def _vehicles(table: pl.DataFrame, season_id: str) -> pl.DataFrame:
    return table.filter(
        (pl.col("unit_kind") == "vehicle") & (pl.col("month_id") != SEASON_ID)
    ).select(
        "scenario", "month_id", "quantity", "mean_value", vehicle_id="unit_id",
        season_id=pl.lit(season_id, pl.String),
    )  # fmt: skip
