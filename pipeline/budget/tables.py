"""What every typical stop costs at every un-warmed arrival temperature, worked out once.

A simulated stop then is one look-up: template, level of warming, temperature. The physics is that
of the report: `pipeline.thermal` for the approach, `pipeline.forward` for the charge,
`pipeline.worth` for what of it counts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.budget.starts import SHARES
from pipeline.charging import ChargeModel
from pipeline.forward import PlugHeater, charge_forward
from pipeline.method import CONSTANTS
from pipeline.thermal import Array, ThermalModel
from pipeline.worth import valued_minutes

FIGURES = (
    "stops_n", "needed_n", "warmed_n", "warming_kwh", "cold_min", "driver_min", "warming_cost",
    "cold_fees",
)  # fmt: skip
"""Columns of the table."""

COLDEST_DEGC, STEP_KELVIN, BINS_N = -35.0, 0.5, 151
"""Un-warmed arrival from -35 to 40 degC; beyond, the ends hold."""

BIN_DEGC: Array = COLDEST_DEGC + STEP_KELVIN * np.arange(BINS_N, dtype=np.float64)
_KNOT_DEGC: Array = np.concatenate((np.arange(-35.0, 31.0, 1.5), [35.0, 40.0]))
"""Charges are simulated at these and drawn straight between."""

_REFILL_KWH = 3.0
"""Enough above the steps of a charge, near what warming takes."""


@dataclass(frozen=True)
class ModelFacts:
    """What is known of a vehicle model.

    Attributes
    ----------
    least_lead_min
        Time before arrival within which the vehicle no longer begins to warm.
    heat_spread, cold_spread
        Relative uncertainty of warming energy and (of the logarithm) of cold minutes.
    """

    charge: ChargeModel
    thermal: ThermalModel
    plug_heater: PlugHeater | None
    warm_threshold_degc: float = 21.0
    warm_tolerance_kelvin: float = 0.5
    least_lead_min: float = 5.0
    heat_spread: float = 0.05
    cold_spread: float = 0.06
    can_warm: bool = True


def stop_table(
    facts: dict[str, ModelFacts],
    templates: pl.DataFrame,
    outside_offset_kelvin: float,
    price_per_kwh: float | None = None,
    earlier_min: float = 0.0,
    model_id: str | None = None,
) -> NDArray[np.float32]:
    """The look-up table, one row per template, level of warming and temperature.

    Parameters
    ----------
    templates
        ``pipeline.budget.templates.Templates.rows``.
    outside_offset_kelvin
        How much warmer than outside a pack arrives un-warmed, for the heat that heater and charge
        lose on the way: 5 K of it are 1.5 % of a heater's power.
    price_per_kwh
        In place of the templates' own.
    earlier_min
        Warming begins so much earlier, as far as the approach allows.
    model_id
        Every stop is made by this model; it takes as much energy as its pack has room for.

    Returns
    -------
    (templates * levels * bins + 1, figures) float32
        Row ``(template * levels + level) * bins + bin``; the last row is all 0, for stops that a
        scenario does not make.
    """
    table = np.zeros((templates.height * len(SHARES) * BINS_N + 1, len(FIGURES)), np.float32)
    shaped = table[:-1].reshape(templates.height, len(SHARES), BINS_N, len(FIGURES))
    if price_per_kwh is not None:
        templates = templates.with_columns(price_per_kwh=pl.lit(price_per_kwh))
    if model_id is not None:
        room_kwh = (1 - pl.col("soc_start_pct") / 100) * facts[model_id].charge.usable_kwh
        templates = templates.with_columns(
            model_id=pl.lit(model_id, pl.String),
            energy_kwh=pl.min_horizontal("energy_kwh", room_kwh),
        )
    for name in templates["model_id"].unique(maintain_order=True).to_list():
        rows = templates.filter(pl.col("model_id") == name)
        shaped[rows["template_no"].to_numpy()] = _model_table(
            facts[name], rows, outside_offset_kelvin, earlier_min
        )
    return table


def _model_table(
    facts: ModelFacts, rows: pl.DataFrame, outside_offset_kelvin: float, earlier_min: float
) -> Array:
    """(templates, levels, bins, figures) of one model."""
    col = {
        name: rows[name].to_numpy()[:, None, None] for name in rows.columns if name != "model_id"
    }
    # Earlier gains time only while there was a drive to begin in, and charge to warm with.
    longest_min = np.maximum(col["approach_min"], col["able_min"])
    could_min = np.minimum(col["able_min"] + earlier_min, longest_min)
    could_min = np.where(col["able_min"] > 0, could_min, 0.0)
    could_min = np.where(could_min >= facts.least_lead_min, could_min, 0.0)
    run_min = could_min * np.array(SHARES)[None, :, None]
    unwarmed = BIN_DEGC[None, None, :]
    outside = unwarmed - outside_offset_kelvin
    arrived, heater_min = _warmed(facts, unwarmed, outside, run_min, col["drive_i2_a2"])
    warming_kwh = facts.thermal.heater_power_kw * heater_min / 60
    has_warmed = warming_kwh >= float(CONSTANTS["warming_min_kwh"])
    warm_from = facts.warm_threshold_degc - facts.warm_tolerance_kelvin
    needed = (unwarmed < warm_from) & np.ones_like(arrived, dtype=bool)
    charge = _charge_minutes(facts, rows, outside_offset_kelvin)
    cold_min = _at(charge.cold_min, arrived)
    refill_min = warming_kwh * _at(charge.refill_min_per_kwh, arrived)
    longer_min = _at(charge.longer_min, arrived) + refill_min
    idle, pause = (np.broadcast_to(col[c], longer_min.shape) for c in ("idle_min", "break_min"))
    driver_min = valued_minutes(longer_min, idle, pause, is_done=True)
    figures = (
        np.ones_like(cold_min),
        needed,
        needed & has_warmed & (arrived >= warm_from),
        warming_kwh,
        cold_min,
        driver_min,
        warming_kwh * col["price_per_kwh"],
        np.maximum(cold_min, 0.0) * col["fee_per_min"],
    )
    return np.stack([np.broadcast_to(f, cold_min.shape) for f in figures], axis=-1)


def _warmed(
    facts: ModelFacts, unwarmed: Array, outside: Array, run_min: Array, i2_a2: Array
) -> tuple[Array, Array]:
    """Arrival [degC] and heater minutes when warming may run for the last `run_min`.

    The temperature at the begin of warming is the one from which driving alone leads to the
    un-warmed arrival: the closed form run backwards.
    """
    thermal, threshold = facts.thermal, facts.warm_threshold_degc
    kept = 1 - run_min / (60 * thermal.tau_h) if np.isinf(thermal.tau_h) else np.exp(
        -run_min / (60 * thermal.tau_h)
    )  # fmt: skip
    from_zero = thermal.after(0.0, outside, run_min, 0.0, i2_a2)
    began = (unwarmed - from_zero) / np.maximum(kept, 1e-6)
    needed_min = thermal.minutes_to(threshold, began, outside, thermal.heater_power_kw, i2_a2)
    heater_min = np.minimum(needed_min, run_min)
    led_to = thermal.after(began, outside, heater_min, thermal.heater_power_kw, i2_a2)
    # Done before arrival: driving goes on, and the vehicle holds what it has reached.
    drifted = thermal.after(led_to, outside, run_min - heater_min, 0.0, i2_a2)
    arrived = np.where(heater_min < run_min, np.maximum(drifted, np.minimum(led_to, threshold)),
                       led_to)  # fmt: skip
    return np.maximum(arrived, np.broadcast_to(unwarmed, arrived.shape)), heater_min


@dataclass(frozen=True)
class _ChargeMinutes:
    """(templates, knots) each, over the temperature at plug-in."""

    cold_min: Array
    longer_min: Array
    refill_min_per_kwh: Array


def _charge_minutes(
    facts: ModelFacts, rows: pl.DataFrame, outside_offset_kelvin: float
) -> _ChargeMinutes:
    """Cold minutes, longer charge, and minutes per kWh put back.

    Cold minutes are Shapley's over {cold, site} (method, section 5), from four simulated charges;
    what a charge takes longer is the difference at this site.
    """
    soc, energy, site = (
        rows[name].to_numpy()[:, None] for name in ("soc_start_pct", "energy_kwh", "site_power_kw")
    )
    knots = _KNOT_DEGC[None, :]

    def minutes(extra_kwh: float, cell_degc: Array, site_kw: Array | float) -> Array:
        shape = np.broadcast_shapes(soc.shape, cell_degc.shape)
        start = np.maximum(soc - extra_kwh / facts.charge.usable_kwh * 100, 0.0)
        start, energy_kwh, cell, site = (
            np.broadcast_to(value, shape).ravel()
            for value in (start, energy + extra_kwh, cell_degc, np.asarray(site_kw, dtype=float))
        )
        found = charge_forward(
            facts.charge,
            facts.thermal,
            start,
            energy_kwh,
            cell,
            cell - outside_offset_kelvin,
            site,
            heater=facts.plug_heater,
            step_s=60.0,
        )
        return found.reshape(shape)

    warm = np.full((1, 1), max(facts.charge.full_power_degc, facts.warm_threshold_degc) + 1.0)
    here, here_warm = minutes(0.0, knots, site), minutes(0.0, warm, site)
    free, free_warm = minutes(0.0, knots, np.inf), minutes(0.0, warm, np.inf)
    fuller = minutes(_REFILL_KWH, knots, site)
    cold = ((here - here_warm) + (free - free_warm)) / 2
    is_warm = knots >= facts.charge.full_power_degc
    return _ChargeMinutes(
        cold_min=np.where(is_warm, 0.0, np.maximum(_finite(cold), 0.0)),
        longer_min=np.where(is_warm, 0.0, np.maximum(_finite(here - here_warm), 0.0)),
        refill_min_per_kwh=_finite((fuller - here) / _REFILL_KWH),
    )


def _finite(minutes: Array) -> Array:
    """A charge that never ends costs no more than the longest that does; none: nothing known."""
    longest = np.max(minutes, axis=1, keepdims=True, initial=0.0, where=np.isfinite(minutes))
    return np.where(np.isfinite(minutes), minutes, longest)


def _at(per_knot: Array, arrived: Array) -> Array:
    """Values at temperatures, straight between knots: (templates, knots) at (templates, l, b)."""
    place = np.clip(np.searchsorted(_KNOT_DEGC, arrived) - 1, 0, len(_KNOT_DEGC) - 2)
    low = _KNOT_DEGC[place]
    share = np.clip((arrived - low) / (_KNOT_DEGC[place + 1] - low), 0.0, 1.0)
    which = np.arange(len(per_knot))[:, None, None]
    between: Array = per_knot[which, place] * (1 - share) + per_knot[which, place + 1] * share
    return between
