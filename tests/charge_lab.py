"""Charges made up step by step for tests of what is learned; formulas of their own."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.learning.steps import ChargeSteps, charge_steps

Array = NDArray[np.float64]
STEP_MIN = 0.5


@dataclass
class Lab:
    """Charges of one pack. ``warm_kw(soc)`` and ``cold(temp)`` say what it takes."""

    warm_kw: Callable[[float], float]
    cold: Callable[[float], float]
    form: str = "factor"
    usable_kwh: float = 60.0
    noise: float = 0.01
    seed: int = 1
    rows: list[dict[str, object]] = field(default_factory=list)
    site_kw: list[float] = field(default_factory=list)
    vehicle: list[int] = field(default_factory=list)

    def charge(
        self,
        soc_from_pct: float,
        soc_to_pct: float,
        temp_degc: float,
        warms_kelvin_per_min: float = 0.6,
        site_kw: float = float("nan"),
        shared_kw: tuple[float, float, float] | None = None,
        vehicle: int = 0,
        level: float = 1.0,
        is_rating_known: bool = True,
    ) -> None:
        """Add one charge; ``shared_kw`` is (from minute, to minute, power)."""
        generator = np.random.default_rng([self.seed, len(self.site_kw)])
        soc, temp, minute, number = soc_from_pct, temp_degc, 0.0, 0
        while soc < soc_to_pct and number < 1000:
            warm = self.warm_kw(soc) * level
            value = self.cold(temp)
            kw = warm * value if self.form == "factor" else min(warm, value * self.usable_kwh)
            kw *= 1 + generator.normal(0, self.noise)
            if np.isfinite(site_kw):
                kw = min(kw, site_kw)
            if shared_kw and shared_kw[0] <= minute < shared_kw[1]:
                kw = min(kw, shared_kw[2])
            self.rows.append(
                {
                    "stop_no": len(self.site_kw),
                    "step_no": number,
                    "step_min": STEP_MIN,
                    "pack_kwh": kw * STEP_MIN / 60,
                    "heater_kwh": 0.0,
                    "soc_mid_pct": soc + kw * STEP_MIN / 60 / self.usable_kwh * 50,
                    "cell_temp_min_degc": temp,
                    "is_held": False,
                    "is_ramp": number < 2,
                }
            )
            soc += kw * STEP_MIN / 60 / self.usable_kwh * 100
            temp += warms_kelvin_per_min * STEP_MIN
            minute += STEP_MIN
            number += 1
        self.site_kw.append(site_kw if is_rating_known else float("nan"))
        self.vehicle.append(vehicle)

    @property
    def steps(self) -> ChargeSteps:
        return charge_steps(pl.DataFrame(self.rows)).with_site_kw(np.array(self.site_kw))

    @property
    def stops_n(self) -> int:
        return len(self.site_kw)

    @property
    def vehicles(self) -> NDArray[np.intp]:
        return np.array(self.vehicle, dtype=np.intp)
