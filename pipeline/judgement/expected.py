"""What was to be expected of a stop, had another driver, vehicle or site been in its place.

A penalised logistic model, not indirect standardisation by cells: drivers, vehicles and sites
cross each other, and 20 stops of a driver spread over vehicle, site, hour and cold leave most
cells empty. Effects held towards zero are the continuous form of it, and a rule that multiplies
the chances of single stops needs one for each.
"""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.sparse import csr_array
from scipy.special import expit

from pipeline.judgement.logistic import Array, penalised_logistic, without_rows

FACTORS = ("driver_id", "vehicle_id", "site_id")
FACTOR_SD = 2.0
"""Of the log odds between drivers, vehicles or sites: habits lie far apart, from one in ten to
nine in ten within one such deviation (own choice, no source)."""
CONDITION_SD = 1.0
"""Of the log odds by one standard deviation of a condition (own choice, no source)."""
LEVEL_SD = 5.0
"""Of the whole level: wide, yet finite, so that a fleet that never starts can be fitted."""


def conditions(stops: pl.DataFrame) -> Array:
    """Outside temperature, approach and time of day, shape (stops, 4), standardised.

    A missing figure counts as the mean: it says nothing. The hour is on a circle.
    """
    turn = stops["local_h"].fill_null(float("nan")).to_numpy() * (2 * np.pi / 24)
    columns = np.column_stack(
        [
            stops["ambient_degc"].fill_null(float("nan")).to_numpy(),
            np.log1p(np.maximum(stops["approach_min"].fill_null(float("nan")).to_numpy(), 0.0)),
            np.sin(turn),
            np.cos(turn),
        ]
    )
    known = np.isfinite(columns)
    count = np.maximum(known.sum(axis=0), 1)
    centred = np.where(known, columns - np.where(known, columns, 0.0).sum(axis=0) / count, 0.0)
    spread = np.sqrt((centred**2).sum(axis=0) / count)
    scaled: Array = centred / np.where(spread > 1e-9, spread, 1.0)
    return scaled


def numbered(names: pl.Series) -> tuple[NDArray[np.intp], list[str]]:
    """Number of each name among those known, sorted; -1 for null."""
    known = sorted(names.drop_nulls().unique().to_list())
    numbers = names.replace_strict(known, list(range(len(known))), default=-1)
    return numbers.cast(pl.Int64).fill_null(-1).to_numpy().astype(np.intp), known


def indicators(numbers: NDArray[np.intp], count: int) -> Array:
    """One column per name, 1 where a row bears it; a row of -1 bears none."""
    found: Array = (numbers[:, None] == np.arange(count)[None, :]).astype(float)
    return found


def full_design(stops: pl.DataFrame) -> tuple[Array, Array, dict[str, slice]]:
    """Design of level, conditions and the three factors; prior deviations; where factors lie."""
    parts = [np.ones((len(stops), 1)), conditions(stops)]
    prior = [LEVEL_SD] + [CONDITION_SD] * parts[1].shape[1]
    places: dict[str, slice] = {}
    for factor in FACTORS:
        numbers, known = numbered(stops[factor])
        places[factor] = slice(len(prior), len(prior) + len(known))
        parts.append(indicators(numbers, len(known)))
        prior += [FACTOR_SD] * len(known)
    return np.hstack(parts), np.array(prior), places


def chance_by_others(stops: pl.DataFrame, factor: str) -> Array:
    """Start probability of each stop had it been another of `factor`, fitted without its own.

    Parameters
    ----------
    stops
        ``is_started`` and the columns of conditions and factors, for stops that count.
    factor
        ``driver_id``, ``vehicle_id`` or ``site_id``.

    Returns
    -------
    array of shape (stops,)
        The mean over the others of that factor, each with its own effect, the other two factors
        and the conditions being what they were. NaN where there is no other.
    """
    chances = np.full(len(stops), np.nan)
    if stops.is_empty():
        return chances
    design, prior, places = full_design(stops)
    is_started = stops["is_started"].to_numpy().astype(bool)
    own, names = numbered(stops[factor])
    place = places[factor]
    if len(names) < 2:
        return chances
    whole = penalised_logistic(design, is_started, prior)
    sparse = csr_array(design)
    without = design.copy()
    without[:, place] = 0.0
    for number in range(len(names)):
        mine = own == number
        effects = without_rows(whole, sparse, is_started, prior, mine | (own < 0))
        of_others = np.delete(effects[place], number)
        chances[mine] = expit(without[mine] @ effects[:, None] + of_others[None, :]).mean(axis=1)
    return chances


def observed_and_expected(stops: pl.DataFrame, factor: str, why_not: str) -> pl.DataFrame:
    """Starts of each driver, vehicle or site beside those to be expected of others in its place.

    Parameters
    ----------
    stops
        Rows of `pipeline.judgement.tables.judged`.
    factor, why_not
        The factor's column, and the column that is null where a stop counts for it.

    Returns
    -------
    DataFrame
        ``group_id, stops_n, started_n, expected_started_n, variance_value``, sorted by
        ``group_id``; the variance is ``sum p (1 - p)``. Groups without a figure are left out.
    """
    counted = stops.filter(pl.col(why_not).is_null() & pl.col(factor).is_not_null())
    chance = pl.Series("chance", chance_by_others(counted, factor), dtype=pl.Float64)
    return (
        counted.with_columns(chance)
        .filter(pl.col("chance").is_not_nan())
        .group_by(pl.col(factor).alias("group_id"))
        .agg(
            stops_n=pl.len().cast(pl.Int64),
            started_n=pl.col("is_started").sum().cast(pl.Int64),
            expected_started_n=pl.col("chance").sum(),
            variance_value=(pl.col("chance") * (1 - pl.col("chance"))).sum(),
        )
        .sort("group_id")
    )
