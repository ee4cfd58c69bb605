"""The thermal model learned from stretches of warming, driving and parking (method, section 6).

Each stretch has constant inputs, so its rise follows in closed form, ``D (P b + I^2 r + a (T_out -
T_0))`` with ``D = (1 - exp(-a t)) / a``, ``b = eta/C``, ``r = R/C`` and ``a = UA/C``: linear in two
of three, and a stretch of twenty hours is as good as one of ten minutes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy import optimize

from pipeline.thermal import (
    HEAT_LIMITS_KJ_PER_KELVIN_KWH,
    NOMINAL_PACK_V,
    TAU_H,
    TAU_LIMITS_H,
    Array,
    ThermalModel,
)

KINDS = ("warming", "driving", "parked")
WARMING_LEAST_N = 10
CLUSTERS_LEAST_N = 4
TAU_SE_MOST = 0.3
"""Where the time constant is known no better than this part of itself, the default stands in."""

ITERATIONS_N = 12
HUBER_ITERATIONS_N = 5
HUBER_SCALES, TUKEY_SCALES = 1.345, 4.685
"""Tuning constants of 95 % efficiency under normal errors (Huber; Tukey's bisquare)."""

SCALE_LEAST_KELVIN = 0.05
RIDGE = 1e-10


@dataclass(frozen=True)
class Stretches:
    """Stretches as arrays of one length. `kind` indexes `KINDS`; `cluster` numbers vehicle-days,
    within which errors may go together."""

    kind: NDArray[np.int64]
    cluster: NDArray[np.int64]
    time_min: Array
    start_degc: Array
    end_degc: Array
    ambient_degc: Array
    heater_kwh: Array
    current2_a2s: Array


@dataclass(frozen=True)
class ThermalRefusal:
    """Why there is no fit: ``no_pack_temperature``, ``too_few_stretches``, ``heat_implausible`` or
    ``tau_implausible``, the last two with what was found (NaN otherwise)."""

    reason: str
    stretches_n: int
    heat_kj_per_kelvin: float = np.nan
    tau_h: float = np.nan


def stretches_of(frame: pl.DataFrame) -> Stretches:
    """Rows of table ``thermal_stretches`` as arrays; nulls become NaN and are not used."""
    cluster = pl.struct("vehicle_id", pl.col("from_at").dt.date()).rank("dense").cast(pl.Int64) - 1
    kind = pl.col("stretch_kind").replace_strict({k: i for i, k in enumerate(KINDS)})
    numbers = {
        name: frame[column].cast(pl.Float64).to_numpy()
        for name, column in {
            "time_min": "stretch_min",
            "start_degc": "cell_temp_start_degc",
            "end_degc": "cell_temp_end_degc",
            "ambient_degc": "ambient_degc",
            "heater_kwh": "heater_kwh",
            "current2_a2s": "current2_a2s",
        }.items()
    }
    return Stretches(
        kind=frame.select(kind.cast(pl.Int64)).to_series().to_numpy(),
        cluster=frame.select(cluster).to_series().to_numpy(),
        **numbers,
    )


def fit_thermal(
    stretches: Stretches,
    usable_kwh: float,
    heater_power_kw: float = 5.0,
    counts: Array | None = None,
    nominal_v: float = NOMINAL_PACK_V,
) -> ThermalModel | ThermalRefusal:
    """Fit ``C/eta``, ``R/eta`` and ``UA/eta``, none negative, or say why not.

    Gauss-Newton with a non-negative solve in each step. Weights: one scale per kind of stretch
    (1.4826 median absolute residuals, since a night's outside temperature is known worse than ten
    minutes of heating), then Huber's and in the end Tukey's weights, so that a van in a heated
    hall or a heater on a foreign cable does not count. Standard errors are of the sandwich kind
    over clusters. Where the time constant stays unknown, the default one is held and said so.

    Parameters
    ----------
    counts
        How often each stretch was drawn, for resampling; once each by default.
    """
    s, counts = _usable(stretches, counts)
    n = len(s.kind)
    if n == 0:
        return ThermalRefusal("no_pack_temperature", 0)
    if (
        counts[s.kind == 0].sum() < WARMING_LEAST_N
        or len(np.unique(s.cluster[s.kind == 0])) < CLUSTERS_LEAST_N
    ):
        return ThermalRefusal("too_few_stretches", n)
    fit = _solve(s, counts, held_decay=None)
    decay, decay_se = fit.theta[2], np.sqrt(max(fit.errors[2, 2], 0.0))
    is_tau_known = bool(decay > 0 and decay_se < TAU_SE_MOST * decay)
    if not is_tau_known:
        fit = _solve(s, counts, held_decay=1 / (3600 * TAU_H))
    per_heat, per_current, decay = fit.theta
    if not per_heat > 0:
        return ThermalRefusal("heat_implausible", n, np.inf)
    heat, tau_h = 1 / per_heat, 1 / (3600 * decay)
    low, high = HEAT_LIMITS_KJ_PER_KELVIN_KWH
    if not low <= heat / usable_kwh <= high:
        return ThermalRefusal("heat_implausible", n, float(heat), float(tau_h))
    if not TAU_LIMITS_H[0] <= tau_h <= TAU_LIMITS_H[1]:
        return ThermalRefusal("tau_implausible", n, float(heat), float(tau_h))
    heat_se, resistance_se, loss_se = _standard_errors(fit)
    return ThermalModel(
        heat_kj_per_kelvin=float(heat),
        resistance_ohm=float(1000 * per_current * heat),
        loss_w_per_kelvin=float(1000 * decay * heat),
        heat_se_kj_per_kelvin=heat_se,
        resistance_se_ohm=resistance_se,
        loss_se_w_per_kelvin=loss_se if is_tau_known else np.nan,
        nominal_v=nominal_v,
        heater_power_kw=heater_power_kw,
        source="learned",
        tau_source="learned" if is_tau_known else "default",
        stretches_n=n,
        drive_spread_kelvin_per_h=_drive_spread(s, fit.residuals),
    )


@dataclass(frozen=True)
class _Fit:
    theta: Array  # b [K/kJ], r [K/(A2 s)], a [1/s]
    errors: Array  # (3, 3) covariance
    residuals: Array


def _usable(s: Stretches, counts: Array | None) -> tuple[Stretches, Array]:
    counts = np.ones(len(s.kind)) if counts is None else np.asarray(counts, dtype=float)
    numbers = (s.start_degc, s.end_degc, s.ambient_degc, s.heater_kwh, s.current2_a2s)
    is_whole = np.isfinite(np.sum(numbers, axis=0)) & (s.time_min > 0) & (counts > 0)
    if is_whole.all():
        return s, counts
    kept = {name: values[is_whole] for name, values in vars(s).items()}
    return Stretches(**kept), counts[is_whole]


def _solve(s: Stretches, counts: Array, held_decay: float | None) -> _Fit:
    time_s = 60 * s.time_min
    power_kw = s.heater_kwh * 3600 / time_s
    i2_a2 = s.current2_a2s / time_s
    gap = s.ambient_degc - s.start_degc
    rise = s.end_degc - s.start_degc
    theta = np.array([1 / 500.0, 0.1 / 500e3, held_decay or 1 / (3600 * TAU_H)])
    weights = counts.copy()
    for turn in range(ITERATIONS_N):
        decay = theta[2]
        x = np.maximum(decay * time_s, 1e-12)
        lasting = -np.expm1(-x) / x * time_s
        push = theta[0] * power_kw + theta[1] * i2_a2 + decay * gap
        # d(lasting)/d(a) = (t exp(-x) - lasting) / a, with its limit -t^2/2 for short stretches.
        slope = np.where(x > 1e-4, (time_s * np.exp(-x) - lasting) / x * time_s, -(time_s**2) / 2)
        jacobian = np.column_stack(
            (lasting * power_kw, lasting * i2_a2, lasting * gap + slope * push)
        )
        residuals = rise - lasting * push
        weights = counts * _weights(residuals, s.kind, is_huber=turn < HUBER_ITERATIONS_N)
        theta, is_settled = _step(jacobian, residuals, weights, theta, held_decay is not None)
        if is_settled and turn > HUBER_ITERATIONS_N:
            break
    free = [0, 1] if held_decay is not None else [0, 1, 2]
    return _Fit(theta, _sandwich(jacobian[:, free], residuals, weights, s.cluster), residuals)


def _step(
    jacobian: Array, residuals: Array, weights: Array, theta: Array, is_decay_held: bool
) -> tuple[Array, bool]:
    """One Gauss-Newton step to a new non-negative theta, and whether it hardly moved."""
    free = slice(0, 2) if is_decay_held else slice(0, 3)
    part = jacobian[:, free]
    target = residuals + part @ theta[free]
    scale = np.sqrt((weights[:, None] * part**2).sum(axis=0))
    scale[scale == 0] = 1.0
    scaled = part / scale
    normal = scaled.T @ (weights[:, None] * scaled)
    # A trace of ridge keeps the root real where a column is empty (no driving, say).
    root = np.linalg.cholesky(normal + RIDGE * np.eye(len(normal)))
    moment = np.linalg.solve(root, scaled.T @ (weights * target))
    found, _ = optimize.nnls(root.T, moment)
    new = theta.copy()
    new[free] = found / scale
    return new, bool(np.allclose(new, theta, rtol=1e-4, atol=0))


def _weights(residuals: Array, kind: NDArray[np.int64], is_huber: bool) -> Array:
    weights = np.zeros(len(residuals))
    for code in range(len(KINDS)):
        mine = kind == code
        if not mine.any():
            continue
        scale = max(1.4826 * float(np.median(np.abs(residuals[mine]))), SCALE_LEAST_KELVIN)
        z = np.abs(residuals[mine]) / scale
        if is_huber:
            robust = np.minimum(1.0, HUBER_SCALES / np.maximum(z, 1e-12))
        else:
            robust = np.maximum(1 - (z / TUKEY_SCALES) ** 2, 0.0) ** 2
        weights[mine] = robust / scale**2
    return weights


def _sandwich(
    jacobian: Array, residuals: Array, weights: Array, cluster: NDArray[np.int64]
) -> Array:
    """Covariance over clusters, padded with zeros for what was held."""
    scale = np.sqrt((weights[:, None] * jacobian**2).sum(axis=0))
    scale[scale == 0] = 1.0
    scaled = jacobian / scale
    # The ridge of the solve: what the stretches cannot tell gets a huge error, not none.
    normal = scaled.T @ (weights[:, None] * scaled) + RIDGE * np.eye(jacobian.shape[1])
    bread = np.linalg.inv(normal) / np.outer(scale, scale)
    scores = jacobian * (weights * residuals)[:, None]
    _, place = np.unique(cluster, return_inverse=True)
    sums = np.column_stack([np.bincount(place, column) for column in scores.T])
    n = len(sums)
    covariance = np.zeros((3, 3))
    size = jacobian.shape[1]
    covariance[:size, :size] = bread @ (sums.T @ sums) @ bread * n / max(n - 1, 1)
    return covariance


def _standard_errors(fit: _Fit) -> tuple[float, float, float]:
    """Errors of C/eta = 1/b, R/eta = 1000 r/b and UA/eta = 1000 a/b, to first order."""
    b, r, a = fit.theta
    turn = np.array(
        [[-1 / b**2, 0, 0], [-1000 * r / b**2, 1000 / b, 0], [-1000 * a / b**2, 0, 1000 / b]]
    )
    heat_se, resistance_se, loss_se = np.sqrt(np.maximum(np.diag(turn @ fit.errors @ turn.T), 0.0))
    return float(heat_se), float(resistance_se), float(loss_se)


def _drive_spread(s: Stretches, residuals: Array) -> float:
    """Standard deviation of the driving residuals per hour; NaN for fewer than 20 stretches.

    Not the robust scale: a limit that is to hold 95 times in 100 must know the tails.
    """
    rates = residuals[s.kind == 1] * 60 / s.time_min[s.kind == 1]
    return float(np.std(rates, ddof=1)) if len(rates) >= 20 else np.nan
