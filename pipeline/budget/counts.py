"""Fast-charge stops a month: negative binomial, pooled over vehicles, depots and months."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy import linalg, sparse
from scipy.optimize import minimize_scalar
from scipy.sparse.linalg import splu
from scipy.special import gammaln

from pipeline.budget import priors

Array = NDArray[np.float64]
_LOG_DISPERSION = (-9.0, 3.0)
_WAVE = slice(1, 3)


@dataclass(frozen=True)
class CountModel:
    """Log rates of stops per vehicle and day, with what is not known about them.

    Attributes
    ----------
    mean, covariance
        Of the coefficients: level, a yearly wave (cosine and sine), 12 calendar months about it,
        depots, vehicles, months of history.
    depots, vehicles
        Names in the order of their coefficients.
    depot_of
        Depot of each vehicle, by number.
    spreads
        Standard deviations of log rates: ``season, depot, vehicle, month``.
    dispersion, log_dispersion_se
        ``Var = mu + dispersion mu^2`` of a vehicle's month.
    rows_n, days_n
        What it was learned from.
    """

    mean: Array
    covariance: Array
    depots: list[str]
    vehicles: list[str]
    depot_of: NDArray[np.int64]
    spreads: dict[str, float]
    dispersion: float
    log_dispersion_se: float
    rows_n: int
    days_n: float


def negative_binomial(
    counts: Array, design: sparse.csr_array, exposure: Array, precision: Array, dispersion: float,
    centre: Array | None = None, start: Array | None = None,
) -> tuple[Array, Array]:  # fmt: skip
    """Coefficients of a log-linear negative binomial mean, with a normal prior on each.

    Fisher scoring on ``y ~ NB(mu = exposure exp(X b), Var = mu + a mu^2)``.

    Parameters
    ----------
    counts, exposure
        (n,) counts, and what they are counted over (> 0).
    design
        (n, p).
    precision
        (p,) of the prior; 0 for none.
    centre
        (p,) mean of the prior; 0 by default.

    Returns
    -------
    coefficients (p,), covariance (p, p) of their normal approximation

    References
    ----------
    Hilbe, Negative Binomial Regression (2011), NB2 (from memory).
    """
    middle = np.zeros(design.shape[1]) if centre is None else centre
    coefficients = middle.copy() if start is None else start.copy()
    if start is None and len(counts) and not precision[0]:
        coefficients[0] += np.log(max(counts.sum(), 0.5) / exposure.sum())
    prior = sparse.diags_array(precision)
    # Every row names a handful of effects: sparse, and free of threads that wait for each other.
    factor = splu(sparse.csc_array(prior)) if not len(counts) else None
    for _ in range(60 if len(counts) else 0):
        mean = exposure * np.exp(np.clip(design @ coefficients, -30, 30))
        weight = mean / (1 + dispersion * mean)
        slope = design.T @ ((counts - mean) / (1 + dispersion * mean))
        slope -= precision * (coefficients - middle)
        weighted = design.T @ (sparse.diags_array(weight) @ design)
        factor = splu(sparse.csc_array(weighted + prior))
        step = factor.solve(slope)
        step *= min(1.0, 2.0 / max(float(np.abs(step).max()), 1e-12))
        coefficients = coefficients + step
        if np.abs(step).max() < 1e-8:
            break
    assert factor is not None
    return coefficients, factor.solve(np.eye(len(precision)))


def dispersion_of(counts: Array, mean: Array, weight: float = 1.0) -> tuple[float, float]:
    """Dispersion at given means by maximum likelihood, and the standard error of its logarithm.

    Parameters
    ----------
    weight
        Of the prior (`priors.DISPERSION`); 0 for the plain likelihood.
    """

    def cost(log_dispersion: float) -> float:
        size = np.exp(-log_dispersion)
        likelihood = (
            gammaln(counts + size) - gammaln(size) + size * np.log(size / (size + mean))
            + counts * np.log(mean / (size + mean))
        )  # fmt: skip
        away = (log_dispersion - np.log(priors.DISPERSION)) / priors.DISPERSION_SPREAD
        return float(-likelihood.sum() + weight * away**2 / 2)

    if not len(counts):
        return priors.DISPERSION, priors.DISPERSION_SPREAD
    best = minimize_scalar(cost, bounds=_LOG_DISPERSION, method="bounded",
                           options={"xatol": 1e-7})  # fmt: skip
    at, step = float(best.x), 0.05
    bend = (cost(at + step) - 2 * cost(at) + cost(at - step)) / step**2
    return float(np.exp(at)), float(1 / np.sqrt(max(bend, 1e-3)))


def fit_counts(exposure: pl.DataFrame, vehicles: pl.DataFrame) -> CountModel:
    """Learn a fleet's stops per vehicle and day; with no history, the priors come back.

    All effects are random, with variances that the data move away from `priors` by their weight
    (expectation-maximisation on the normal approximation), so that a vehicle with little history
    leans on its depot and the fleet, and a calendar month on the year until it was seen.

    Parameters
    ----------
    exposure
        ``vehicle_id``, ``month_date`` (first of the month), ``days_n`` with data, ``stops_n``.
    vehicles
        ``vehicle_id``, ``depot_id``: those of the budget; others in `exposure` help too.
    """
    rows = exposure.filter(pl.col("days_n") > 0)
    known = vehicles.select("vehicle_id", "depot_id").vstack(
        rows.join(vehicles, on="vehicle_id", how="anti")
        .select("vehicle_id", depot_id=pl.lit("", pl.String))
        .unique(maintain_order=True)
    )
    names = known["vehicle_id"].to_list()
    depots = sorted(set(known["depot_id"].fill_null("").to_list()))
    depot_number = {name: k for k, name in enumerate(depots)}
    depot_of = np.array([depot_number[d] for d in known["depot_id"].fill_null("")], dtype=np.int64)
    months = sorted(set(rows["month_date"].to_list()))
    vehicle_number = {name: k for k, name in enumerate(names)}
    vehicle = np.array([vehicle_number[v] for v in rows["vehicle_id"]], dtype=np.int64)
    block = _blocks(len(depots), len(names), len(months))
    design = _design(rows["month_date"].to_list(), vehicle, depot_of, months, block)
    counts = rows["stops_n"].cast(pl.Float64).to_numpy()
    days = rows["days_n"].cast(pl.Float64).to_numpy()
    spreads = {
        "season": priors.SEASON_SPREAD, "depot": priors.DEPOT_SPREAD,
        "vehicle": priors.VEHICLE_SPREAD, "month": priors.MONTH_SPREAD,
    }  # fmt: skip
    first = dict(spreads)
    centre = np.zeros(design.shape[1])
    centre[0] = np.log(priors.STOPS_PER_DAY)
    dispersion, error = priors.DISPERSION, priors.DISPERSION_SPREAD
    coefficients, covariance = centre, np.zeros((len(centre), len(centre)))
    # A year tells calendar months apart; less would take one month's work for the season's.
    has_year = len({month.month for month in months}) == 12
    for _ in range(25 if len(counts) else 1):
        before = dict(spreads)
        precision = np.empty(len(centre))
        precision[0] = priors.STOPS_PER_DAY_SPREAD**-2
        precision[_WAVE] = priors.WAVE_SPREAD**-2
        for name, where in block.items():
            precision[where] = spreads[name] ** -2
        coefficients, covariance = negative_binomial(
            counts, design, days, precision, dispersion, centre, coefficients
        )
        variance = coefficients**2 + np.diag(covariance)
        for name, where in block.items():
            size = where.stop - where.start
            if size < 2 or (name == "season" and not has_year):
                continue
            total = variance[where].sum() + priors.VARIANCE_WEIGHT * first[name] ** 2
            spreads[name] = float(np.sqrt(total / (size + priors.VARIANCE_WEIGHT)))
        if len(counts):
            dispersion, error = dispersion_of(counts, days * np.exp(design @ coefficients))
        if all(abs(spreads[name] - before[name]) < 1e-4 for name in spreads):
            break
    return CountModel(
        coefficients, covariance, depots, names, depot_of, spreads, dispersion, error,
        len(counts), float(days.sum()),
    )  # fmt: skip


@dataclass(frozen=True)
class RateDraws:
    """Log rates of one draw of everything that is not known.

    Attributes
    ----------
    common
        (draws, months): level, calendar month, single month and drift of the year together.
    vehicle
        (draws, vehicles): depot and vehicle together.
    dispersion
        (draws,).
    """

    common: NDArray[np.float32]
    vehicle: NDArray[np.float32]
    dispersion: NDArray[np.float32]


def draw_rates(
    model: CountModel, vehicle_ids: list[str], months: NDArray[np.int64], draws_n: int,
    rng: np.random.Generator,
) -> RateDraws:  # fmt: skip
    """Rates of coming months: what was learned, the error of it, and what a new year brings.

    Parameters
    ----------
    vehicle_ids
        Of `model`.
    months
        (months,) calendar months, 1 to 12.
    """
    block = _blocks(len(model.depots), len(model.vehicles), 0)
    kept = block["vehicle"].stop  # single months of the past do not come again
    root = linalg.cholesky(model.covariance[:kept, :kept] + 1e-12 * np.eye(kept), lower=True)
    drawn = model.mean[:kept] + rng.standard_normal((draws_n, kept)) @ root.T
    common = drawn[:, [0]] + drawn[:, _WAVE] @ _wave(months).T
    common = common + drawn[:, block["season"]][:, months - 1]
    common += model.spreads["month"] * rng.standard_normal(common.shape)
    common += priors.DRIFT_SPREAD * rng.standard_normal((draws_n, 1))
    number = {name: k for k, name in enumerate(model.vehicles)}
    which = np.array([number[name] for name in vehicle_ids], dtype=np.int64)
    vehicle = drawn[:, block["vehicle"]][:, which]
    vehicle = vehicle + drawn[:, block["depot"]][:, model.depot_of[which]]
    log_dispersion = np.log(model.dispersion) + model.log_dispersion_se * rng.standard_normal(
        draws_n
    )
    return RateDraws(
        common.astype(np.float32),
        vehicle.astype(np.float32),
        np.exp(np.clip(log_dispersion, *_LOG_DISPERSION)).astype(np.float32),
    )


def _blocks(depots_n: int, vehicles_n: int, months_n: int) -> dict[str, slice]:
    ends = np.cumsum([3, 12, depots_n, vehicles_n, months_n]).tolist()
    names = ("season", "depot", "vehicle", "month")
    return {name: slice(ends[k], ends[k + 1]) for k, name in enumerate(names)}


def _design(
    dates: list[date], vehicle: NDArray[np.int64], depot_of: NDArray[np.int64],
    months: list[date], block: dict[str, slice],
) -> sparse.csr_array:  # fmt: skip
    number = {month: k for k, month in enumerate(months)}
    of_year = np.array([d.month for d in dates], dtype=int)
    columns = np.column_stack(
        (
            *np.broadcast_to(np.arange(3)[:, None], (3, len(dates))),
            block["season"].start + of_year - 1,
            block["depot"].start + depot_of[vehicle],
            block["vehicle"].start + vehicle,
            block["month"].start + np.array([number[d] for d in dates], dtype=int),
        )
    )
    ends = np.arange(len(dates) + 1) * columns.shape[1]
    values = np.ones(columns.shape)
    values[:, 1:3] = _wave(of_year)
    return sparse.csr_array(
        (values.ravel(), columns.ravel(), ends), shape=(len(dates), block["month"].stop)
    )


def _wave(months: NDArray[np.int64]) -> Array:
    """(n, 2) cosine and sine of the middle of calendar months."""
    angle = 2 * np.pi * (months - 0.5) / 12
    return np.column_stack((np.cos(angle), np.sin(angle)))
