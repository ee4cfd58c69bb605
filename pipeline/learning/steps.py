"""Steps of fast charges as arrays, in the order of stop and time."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

Array = NDArray[np.float64]
Ints = NDArray[np.intp]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class ChargeSteps:
    """Arrays of one length, sorted by stop and time; NaN is not known.

    ``stop`` numbers the stops from 0. ``power_kw`` is the mean into the pack. ``supply_kw`` is
    what the charger has left for the pack: the site's rating less the heater it also feeds; inf
    where no limit is known. ``is_held`` marks minutes below 1 kW while the pack is heated,
    ``is_ramp`` the first minute.
    """

    stop: Ints
    soc_pct: Array
    cell_temp_degc: Array
    power_kw: Array
    heater_kw: Array
    step_min: Array
    pack_kwh: Array
    supply_kw: Array
    is_ramp: Flags
    is_held: Flags

    @property
    def is_edge(self) -> Flags:
        """The last two steps of each stop, in which power falls whatever the pack would take."""
        edge = np.ones(len(self), dtype=bool)
        edge[:-2] = self.stop[2:] != self.stop[:-2]
        return edge

    def __len__(self) -> int:
        return len(self.stop)

    def where(self, mask: Flags) -> ChargeSteps:
        """The steps picked; stops keep their numbers."""
        return ChargeSteps(**{name: getattr(self, name)[mask] for name in self.__dict__})

    def with_site_kw(self, site_kw: Array) -> ChargeSteps:
        """The same with a site limit per stop [kW], NaN where none is known."""
        supply = site_kw[self.stop] - self.heater_kw
        return replace(self, supply_kw=np.where(np.isnan(supply), np.inf, np.maximum(supply, 1.0)))


def charge_steps(frame: pl.DataFrame) -> ChargeSteps:
    """Arrays from rows of ``charge_steps`` with a column ``stop_no``, sorted by it and step_no.

    A hole in the coldest cell's temperature is closed from the step before, else the step
    after; a stop without any stays NaN. A heater that is not logged counts as off.
    """
    filled = frame.with_columns(
        pl.col("cell_temp_min_degc").forward_fill().backward_fill().over("stop_no"),
        heater_kw=(pl.col("heater_kwh") / pl.col("step_min") * 60).fill_null(0.0),
        power_kw=pl.col("pack_kwh") / pl.col("step_min") * 60,
    )

    def numbers(name: str) -> Array:
        return filled[name].cast(pl.Float64).fill_null(float("nan")).to_numpy()

    return ChargeSteps(
        stop=filled["stop_no"].cast(pl.Int64).to_numpy().astype(np.intp),
        soc_pct=numbers("soc_mid_pct"),
        cell_temp_degc=numbers("cell_temp_min_degc"),
        power_kw=numbers("power_kw"),
        heater_kw=numbers("heater_kw"),
        step_min=numbers("step_min"),
        pack_kwh=numbers("pack_kwh"),
        supply_kw=np.full(len(filled), np.inf),
        is_ramp=filled["is_ramp"].to_numpy().astype(bool),
        is_held=filled["is_held"].to_numpy().astype(bool),
    )
