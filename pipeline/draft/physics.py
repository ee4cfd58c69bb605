"""What columns say of each other: distance against speed, energy against charge, sign of power.

Arrays are in file order, one vehicle after the other or mixed; `Track` keeps only steps within
one vehicle that are short enough to be believed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
STEP_S = 180.0
CHARGE_STEP_S = 900.0
NEARBY_N = 20


@dataclass(frozen=True)
class Track:
    """Rows ordered by vehicle and time.

    Parameters
    ----------
    order
        Positions of the rows in that order.
    step_s
        Seconds from each row to the next; NaN at a vehicle's last row.
    """

    order: npt.NDArray[np.int64]
    step_s: Array

    def of(self, values: Array) -> Array:
        """A column in this order."""
        return values[self.order]


def track(at_s: Array, vehicle: npt.NDArray[np.int64]) -> Track:
    """Order rows by vehicle and time; rows without a time come last and count nowhere."""
    order = np.lexsort((at_s, vehicle))
    step_s = np.full(len(order), np.nan)
    sorted_at, sorted_vehicle = at_s[order], vehicle[order]
    step_s[:-1] = np.diff(sorted_at)
    step_s[:-1][np.diff(sorted_vehicle) != 0] = np.nan
    step_s[step_s <= 0] = np.nan
    return Track(order, step_s)


def distance_ratio(road: Track, speed: Array, odometer: Array) -> tuple[float, int]:
    """Odometer travelled over speed x hours, on the same steps, in the units of the export.

    Returns
    -------
    tuple
        The ratio (1 for km and km/h, 0.62 for mi and km/h, ...), NaN where nothing moved, and
        the number of steps it rests on.
    """
    v, d = road.of(speed), road.of(odometer)
    ahead = np.append(np.diff(d), np.nan)
    mean = 0.5 * (v + np.append(v[1:], np.nan))
    hours = road.step_s / 3600.0
    with np.errstate(invalid="ignore"):
        ok = (road.step_s <= STEP_S) & (ahead >= 0) & np.isfinite(mean)
        # A counter that jumps is no travel; a hundredfold of what speed says is a jump.
        moving = ok & (ahead > 0) & (mean > 1)
        if not moving.any():
            return np.nan, 0
        usual = np.median(ahead[moving] / (mean[moving] * hours[moving]))
        ok &= (ahead <= 50 * usual * np.maximum(mean, 1) * hours) | (ahead == 0)
    travelled, driven = ahead[ok].sum(), (mean * hours)[ok].sum()
    if not driven > 0 or not travelled > 0:
        return np.nan, 0
    return float(travelled / driven), int((mean[ok] > 0).sum())


def path_km(road: Track, latitude: Array, longitude: Array, metered: Array) -> tuple[float, float]:
    """Kilometres along positions, and what `metered` counted over the same stretches.

    `metered` is a counter (an odometer). Stretches are ten minutes or so, because positions are
    often rounded.
    """
    lat, lon, count = road.of(latitude), road.of(longitude), road.of(metered)
    whole = np.nancumsum(np.where(np.isfinite(road.step_s), road.step_s, 1e9))
    block = np.floor(whole / 600.0)
    first = np.flatnonzero(np.diff(block, prepend=-1.0) != 0)
    lat, lon, count, when = lat[first], lon[first], count[first], whole[first]
    with np.errstate(invalid="ignore"):
        mid = np.radians(0.5 * (lat[1:] + lat[:-1]))
        east = np.radians(np.diff(lon)) * np.cos(mid)
        km = 6371.0 * np.hypot(np.radians(np.diff(lat)), east)
        counted = np.diff(count)
        ok = (np.diff(when) < 1500) & np.isfinite(km) & (counted > 0) & (km > 1.0) & (km < 60)
    return float(km[ok].sum()), float(counted[ok].sum())


def charge_sign(road: Track, power: Array, soc: Array, speed: Array | None) -> tuple[float, int]:
    """Share of steps with rising charge while standing in which `power` is positive.

    Returns
    -------
    tuple
        Share (NaN where charge never rises while standing) and the number of steps.
    """
    p, s = road.of(power), road.of(soc)
    rise = np.append(np.diff(s), np.nan)
    with np.errstate(invalid="ignore"):
        ok = (road.step_s <= CHARGE_STEP_S) & (rise > 0) & np.isfinite(p) & (p != 0)
        if speed is not None:
            ok &= ~(road.of(speed) > 1)
    return (float((p[ok] > 0).mean()) if ok.any() else np.nan), int(ok.sum())


def drive_sign(power: Array, speed: Array) -> tuple[float, int]:
    """Share of rows at speed in which `power` is positive, and the number of rows."""
    fast = np.nanpercentile(speed, 90) if np.isfinite(speed).any() else np.nan
    with np.errstate(invalid="ignore"):
        ok = (speed > max(0.5 * fast, 1.0)) & np.isfinite(power) & (power != 0)
    return (float((power[ok] > 0).mean()) if ok.any() else np.nan), int(ok.sum())


def implied_capacity(road: Track, power: Array, soc_pct: Array) -> tuple[float, float]:
    """Energy into the pack for a rise of 100 % [unit of power x h], and per cents it rests on."""
    p, s = np.abs(road.of(power)), road.of(soc_pct)
    rise = np.append(np.diff(s), np.nan)
    hours = road.step_s / 3600.0
    with np.errstate(invalid="ignore"):
        near = road.step_s <= CHARGE_STEP_S
        # Displays show whole per cents: count stretches that rise within half an hour.
        window = np.nancumsum(np.where(near & (rise > 0), rise, 0.0))
        rising, falling = _nearby(near & (rise > 0)), _nearby(near & (rise < 0))
        ok = near & rising & ~falling & np.isfinite(p)
    gained = np.where(ok & (rise > 0), rise, 0.0).sum()
    if not gained > 1 or not window[-1] > 0:
        return np.nan, 0.0
    return float((p * hours)[ok].sum() / gained * 100.0), float(gained)


def _nearby(is_so: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Is it so in this row or within `NEARBY_N` rows of it?"""
    # Not mode "same", which is as long as the longer of the two: a file may be short.
    found = np.convolve(is_so.astype(np.float64), np.ones(2 * NEARBY_N + 1), "full")
    return found[NEARBY_N : NEARBY_N + len(is_so)] > 0.5
