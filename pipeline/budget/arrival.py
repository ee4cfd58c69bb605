"""How cold a pack arrives that nothing warmed, by outside temperature and approach."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.budget import priors

Array = NDArray[np.float64]

LONGEST_APPROACH_H = 2.0
"""Beyond, a pack has found its level (method: approaches end at 3 h)."""

_HUBER = 1.5
_SPREAD_OF_MAD = 1.4826


@dataclass(frozen=True)
class ArrivalModel:
    """``T = b0 + b1 outside + b2 approach_h + vehicle + noise``, and what is not known of it.

    Attributes
    ----------
    mean, scaled_covariance
        Of ``b``: covariance is ``sigma^2`` times the latter.
    shape, rate
        Of the inverse gamma of ``sigma^2``.
    vehicle_kelvin, vehicle_se_kelvin
        Offset of each known vehicle, shrunk, and its error; others have 0 and `vehicle_spread`.
    rows_n
        Stops it was learned from.
    """

    mean: Array
    scaled_covariance: Array
    shape: float
    rate: float
    vehicle_kelvin: dict[str, float]
    vehicle_se_kelvin: dict[str, float]
    vehicle_spread_kelvin: float
    rows_n: int

    @property
    def residual_kelvin(self) -> float:
        """Scatter of single stops, at its expected variance."""
        return float(np.sqrt(self.rate / (self.shape - 1)))

    def predict(self, outside_degc: Array, approach_min: Array) -> Array:
        """Mean un-warmed arrival of a middling vehicle [degC]."""
        predicted: Array = features(outside_degc, approach_min) @ self.mean
        return predicted


def features(outside_degc: Array, approach_min: Array) -> Array:
    """(n, 3): one, outside temperature, approach in hours up to the longest that counts."""
    hours = np.clip(np.asarray(approach_min, dtype=float) / 60, 0.0, LONGEST_APPROACH_H)
    return np.column_stack((np.ones(len(hours)), outside_degc, hours))


def fit_arrivals(stops: pl.DataFrame) -> ArrivalModel:
    """Learn from stops of grade A and B; without any, the prior comes back.

    Bayesian linear regression with a normal and inverse-gamma prior. Outliers are weighted down
    (Huber 1964), the scatter is that of all residuals, cut at three times their middle spread.
    Stops of one vehicle agree: its offset is shrunk by the variance between vehicles, which also
    bounds how well few vehicles tell the fleet's level.

    Parameters
    ----------
    stops
        ``vehicle_id, outside_degc, approach_min, unwarmed_degc``; ``evidence_grade`` where it is
        there must be A or B. Rows with a null are passed over.
    """
    rows = stops
    if "evidence_grade" in rows.columns:
        rows = rows.filter(pl.col("evidence_grade").is_in(["A", "B"]))
    rows = rows.drop_nulls(["outside_degc", "approach_min", "unwarmed_degc"])
    x = features(rows["outside_degc"].to_numpy(), rows["approach_min"].to_numpy())
    y = rows["unwarmed_degc"].to_numpy()
    noise = priors.ARRIVAL_RESIDUAL_KELVIN**2
    prior_mean = np.array(priors.ARRIVAL_MEAN)
    prior_precision = np.diag(noise / np.array(priors.ARRIVAL_SPREAD) ** 2)
    shape = priors.ARRIVAL_RESIDUAL_WEIGHT / 2 + 1
    rate = noise * (shape - 1)
    if not len(y):
        return ArrivalModel(
            prior_mean, np.asarray(np.linalg.inv(prior_precision), dtype=np.float64), shape, rate,
            {}, {},
            priors.ARRIVAL_VEHICLE_KELVIN, 0,
        )  # fmt: skip
    groups, vehicle = np.unique(rows["vehicle_id"].to_numpy(), return_inverse=True)
    per_vehicle = np.bincount(vehicle)
    weight = np.ones(len(y))
    coefficients, offsets, errors = prior_mean, np.zeros(len(groups)), np.zeros(len(groups))
    spread, between = priors.ARRIVAL_RESIDUAL_KELVIN, priors.ARRIVAL_VEHICLE_KELVIN
    precision = prior_precision
    for _ in range(12):
        precision = prior_precision + (x.T * weight) @ x
        target = prior_precision @ prior_mean + (x.T * weight) @ (y - offsets[vehicle])
        coefficients = np.linalg.solve(precision, target)
        residual = y - x @ coefficients
        between = _between(residual, vehicle, per_vehicle, spread)
        ratio = spread**2 / between**2
        offsets = np.bincount(vehicle, weight * residual) / (np.bincount(vehicle, weight) + ratio)
        errors = np.sqrt(spread**2 / (per_vehicle + ratio))
        inner = residual - offsets[vehicle]
        # A handful of stops may agree by chance: the prior's scatter holds the scale up.
        middle = _SPREAD_OF_MAD * np.median(np.abs(inner))
        spread = float(np.sqrt((rate + len(y) * middle**2 / 2) / (shape - 1 + len(y) / 2)))
        weight = np.minimum(1.0, _HUBER * spread / np.maximum(np.abs(inner), 1e-9))
    inner = np.clip(y - x @ coefficients - offsets[vehicle], -3 * spread, 3 * spread)
    shape, rate = shape + len(y) / 2, rate + float(inner @ inner) / 2
    covariance = np.asarray(np.linalg.inv(precision), dtype=np.float64)
    # The offsets were taken as given above: what they leave open of the level comes back here.
    covariance[0, 0] += between**2 / len(groups) / (rate / (shape - 1))
    return ArrivalModel(
        coefficients, covariance, shape, rate,
        dict(zip(groups.tolist(), offsets.tolist(), strict=True)),
        dict(zip(groups.tolist(), errors.tolist(), strict=True)),
        between, len(y),
    )  # fmt: skip


@dataclass(frozen=True)
class ArrivalDraws:
    """One draw per winter: (draws, 3) coefficients, (draws,) scatter [K]."""

    coefficients: NDArray[np.float32]
    residual_kelvin: NDArray[np.float32]


def draw_arrivals(model: ArrivalModel, draws_n: int, rng: np.random.Generator) -> ArrivalDraws:
    """Coefficients and scatter from what was learned."""
    variance = model.rate / rng.gamma(model.shape, 1.0, draws_n)
    root = np.linalg.cholesky(model.scaled_covariance)
    moved = rng.standard_normal((draws_n, 3)) @ root.T * np.sqrt(variance)[:, None]
    return ArrivalDraws(
        (model.mean + moved).astype(np.float32), np.sqrt(variance).astype(np.float32)
    )


def station_offset(stops: pl.DataFrame, station_degc: Array) -> tuple[float, int]:
    """How much warmer vehicles read outside than the weather series [K], and stops compared.

    Median, counted against twenty stops of no offset (common practice, no source).

    Parameters
    ----------
    stops
        ``outside_degc``, as measured by the vehicle.
    station_degc
        The series at the same instants; NaN where it ends.
    """
    apart = stops["outside_degc"].cast(pl.Float64).fill_null(float("nan")).to_numpy()
    apart = apart - station_degc
    apart = apart[np.isfinite(apart)]
    if not len(apart):
        return 0.0, 0
    return float(np.median(apart) * len(apart) / (len(apart) + 20)), len(apart)


def _between(
    residual: Array, vehicle: NDArray[np.int64], per_vehicle: NDArray[np.int64], spread: float
) -> float:
    """Spread between vehicles by moments, held against the prior's by its weight."""
    means = np.bincount(vehicle, residual) / per_vehicle
    moment = np.mean(means**2 - spread**2 / per_vehicle) if len(means) > 1 else 0.0
    count = len(means) if len(means) > 1 else 0
    prior = priors.ARRIVAL_VEHICLE_KELVIN**2
    weight = priors.VARIANCE_WEIGHT
    return float(np.sqrt(max((count * moment + weight * prior) / (count + weight), 0.05)))
