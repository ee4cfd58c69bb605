"""What moves a budget: each driver taken to its own P10 and P90, all else as it is."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from pipeline.budget.given import Learned
from pipeline.budget.run import Budget
from pipeline.budget.scenario import Scenario
from pipeline.budget.starts import draw_starts

Z_80 = 1.2815515655446004
"""Normal quantile of 0.9: half the width of an 80 % interval in standard deviations."""

PRICE_STEP_RATE = 0.1
"""The price is the operator's own figure and has no interval: a tenth either way shows its lever.
"""

COLDER, WARMER = "\x1fcolder", "\x1fwarmer"
"""Names of the scenarios behind the driver *winter*; no scenario of an operator has them."""

SWUNG = ("cost", "cold_min")

_SCHEMA = {
    "driver": pl.String, "quantity": pl.String, "low_setting_value": pl.Float64,
    "high_setting_value": pl.Float64, "low_value": pl.Float64, "high_value": pl.Float64,
}  # fmt: skip


def winter_scenarios(shift_kelvin: float) -> list[Scenario]:
    """A winter as cold as one in ten, and as warm."""
    step = Z_80 * shift_kelvin
    return [
        Scenario(name=COLDER, winter_shift_kelvin=-step),
        Scenario(name=WARMER, winter_shift_kelvin=step),
    ]


@dataclass(frozen=True)
class StartRates:
    """Ends and middle of the share of stops at which warming is begun, over coming seasons."""

    low_rate: float
    middle_rate: float
    high_rate: float


def start_rates(learned: Learned, winters_n: int, seed: int) -> StartRates:
    """The fleet's rate over drawn seasons: P10, P50, P90."""
    ids = learned.given.vehicles["vehicle_id"].to_list()
    drawn = draw_starts(learned.starts, ids, winters_n, np.random.default_rng(seed))
    low, middle, high = np.quantile(drawn.mean(axis=1), (0.1, 0.5, 0.9))
    return StartRates(float(low), float(middle), float(high))


def swings(budget: Budget, learned: Learned, rates: StartRates) -> pl.DataFrame:
    """The season's mean with one driver at its P10 or P90, for each driver.

    `budget` holds ``as_today``, ``nobody`` and `winter_scenarios`. Stops, starts and energy act in
    proportion, so that no further simulation is needed for them: means are linear in each.

    Returns
    -------
    DataFrame
        ``driver`` (``winter, stops, starts, price, packs``), ``quantity``, its settings at both
        ends, and the mean at both, less the mean as it is; the widest of cost first.
    """
    facts = [learned.given.models[m] for m in learned.given.vehicles["model_id"].to_list()]
    heat = Z_80 * float(np.mean([one.heat_spread for one in facts]))
    cold = Z_80 * float(np.mean([one.cold_spread for one in facts]))

    def mean(scenario: str, quantity: str) -> float:
        return float(budget.draws(scenario, quantity).sum(axis=1, dtype=np.float64).mean())

    stops = budget.draws("as_today", "stops_n").sum(axis=1, dtype=np.float64)
    ends = np.quantile(stops, (0.1, 0.9)) / max(float(stops.mean()), 1e-9) - 1
    shift = Z_80 * budget.shift_kelvin
    rows: list[tuple[str, str, float, float, float, float]] = []
    for quantity in SWUNG:
        now, never = mean("as_today", quantity), mean("nobody", quantity)
        per_rate = (now - never) / max(rates.middle_rate, 1e-9)
        to_low, to_high = (
            per_rate * (rate - rates.middle_rate) for rate in (rates.low_rate, rates.high_rate)
        )
        warming = mean("as_today", "warming_cost") if quantity == "cost" else 0.0
        cold_part = mean("as_today", "cold_fees") if quantity == "cost" else now
        packs = (
            -heat * warming + cold_part * float(np.expm1(-cold)),
            heat * warming + cold_part * float(np.expm1(cold)),
        )
        rows += [
            ("winter", quantity, -shift, shift,
             mean(COLDER, quantity) - now, mean(WARMER, quantity) - now),
            ("stops", quantity, float(ends[0]), float(ends[1]), now * ends[0], now * ends[1]),
            ("starts", quantity, rates.low_rate, rates.high_rate, to_low, to_high),
            ("price", quantity, -PRICE_STEP_RATE, PRICE_STEP_RATE,
             -PRICE_STEP_RATE * warming, PRICE_STEP_RATE * warming),
            ("packs", quantity, -heat, heat, *packs),
        ]  # fmt: skip
    found = pl.DataFrame(rows, schema=_SCHEMA, orient="row")
    width = (pl.col("high_value") - pl.col("low_value")).abs()
    of_cost = found.filter(pl.col("quantity") == "cost").select("driver", width_cost=width)
    return (
        found.join(of_cost, on="driver", how="left", maintain_order="left")
        .sort("quantity", "width_cost", descending=[True, True], maintain_order=True)
        .drop("width_cost")
    )


def without_winters(budget: Budget) -> Budget:
    """The budget without the two scenarios that only its drivers need."""
    names = budget.scenarios["scenario"].to_list()
    kept = [at for at, name in enumerate(names) if name not in (COLDER, WARMER)]
    is_kept = ~pl.col("scenario").is_in([COLDER, WARMER])
    return replace(
        budget,
        table=budget.table.filter(is_kept),
        differences=budget.differences.filter(is_kept),
        fleet=budget.fleet[kept],
        scenarios=budget.scenarios.filter(is_kept),
    )
