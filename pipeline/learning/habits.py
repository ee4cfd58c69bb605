"""What a vehicle model does by itself when it warms: power, end, and the charge it wants.

Learned from warming spells (``sql/stops/spell_facts.sql``) and held against the configuration,
because *did not respond* depends on them (method, section 6).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

Array = NDArray[np.float64]

SPELLS_LEAST_N = 5
ENDED_BEFORE_MIN = 2.0
"""A spell that ended nearer to plug-in than this may have been ended by it."""

STEADY_LEAST_MIN = 3.0
END_WINDOW_KELVIN = 1.5
END_AROUND_KELVIN = 5.0
CUTOFF_WINDOW_PCT = 2.0
CUTOFF_AROUND_PCT = 6.0

DIFFERS_FROM = {"heater_power_kw": 0.3, "warming_end_degc": 1.5, "warming_cutoff_soc_pct": 2.0}
"""Less than this is the rounding of displays and the vehicle's own hysteresis."""


def learn_habits(spells: pl.DataFrame, configured: Mapping[str, float]) -> list[dict[str, Any]]:
    """The habits of one vehicle model.

    Parameters
    ----------
    spells
        One row per spell: ``spell_min``, ``before_plug_in_min``, ``steady_heater_kw``,
        ``cell_temp_end_degc``, ``soc_end_pct``; nulls where not known.
    configured
        ``heater_power_kw``, ``warming_end_degc`` (the warm threshold) and
        ``warming_cutoff_soc_pct``.

    Returns
    -------
    list of dict
        One per quantity with ``quantity``, ``learned``, ``spread`` (1.4826 median absolute
        deviation), ``configured``, ``seen_n``, ``is_different``, ``why_null``: None, or
        ``too_few_spells`` or ``no_common_value``.
    """
    columns = {
        name: spells[name].cast(pl.Float64).to_numpy()
        for name in (
            "spell_min",
            "before_plug_in_min",
            "steady_heater_kw",
            "cell_temp_end_degc",
            "soc_end_pct",
        )
    }
    heater = columns["steady_heater_kw"][columns["spell_min"] >= STEADY_LEAST_MIN]
    is_ended = columns["before_plug_in_min"] >= ENDED_BEFORE_MIN
    end_degc, soc_pct = columns["cell_temp_end_degc"][is_ended], columns["soc_end_pct"][is_ended]
    is_charged = ~(soc_pct <= configured["warming_cutoff_soc_pct"] + CUTOFF_WINDOW_PCT)
    end = _habit(end_degc[is_charged], _highest_common)
    warm = end["learned"] if end["learned"] is not None else configured["warming_end_degc"]
    cold_ends = soc_pct[end_degc < warm - END_WINDOW_KELVIN]
    return [
        _held_against(configured, name, habit)
        for name, habit in (
            ("heater_power_kw", _habit(heater, lambda values: values)),
            ("warming_end_degc", end),
            ("warming_cutoff_soc_pct", _habit(cold_ends, _commonest_low)),
        )
    ]


def _habit(values: Array, common: Callable[[Array], Array]) -> dict[str, Any]:
    """Median and spread of those values that `common` takes for the vehicle's own."""
    known = values[np.isfinite(values)]
    mine = common(np.sort(known)) if len(known) >= SPELLS_LEAST_N else known
    habit: dict[str, Any] = {"learned": None, "spread": None, "seen_n": len(mine)}
    if len(known) < SPELLS_LEAST_N:
        return habit | {"why_null": "too_few_spells"}
    if len(mine) < SPELLS_LEAST_N:
        return habit | {"why_null": "no_common_value"}
    middle = float(np.median(mine))
    spread = float(1.4826 * np.median(np.abs(mine - middle)))
    return habit | {"learned": middle, "spread": spread, "why_null": None}


def _highest_common(ends: Array) -> Array:
    """The ends within `END_WINDOW_KELVIN` of the highest decile, if most of what ended there or up
    to `END_AROUND_KELVIN` below did; otherwise none. Drivers end spells earlier, and at any
    temperature, but nobody ends one later than the vehicle does."""
    top = np.quantile(ends, 0.9)
    found: Array = ends[np.abs(ends - top) <= END_WINDOW_KELVIN]
    around_n = np.count_nonzero(ends >= top - END_AROUND_KELVIN)
    return found if 3 * len(found) >= 2 * around_n else found[:0]


def _commonest_low(ends: Array) -> Array:
    """The fullest window of `CUTOFF_WINDOW_PCT` of charge, if half of what ended near it ended
    in it and hardly a spell went on below it; otherwise none: ends of drivers lie anywhere."""
    inside_n = np.searchsorted(ends, ends + CUTOFF_WINDOW_PCT, side="right") - np.arange(len(ends))
    low = ends[int(np.argmax(inside_n))]
    window = ends[(ends >= low) & (ends <= low + CUTOFF_WINDOW_PCT)]
    around_n = np.count_nonzero(np.abs(ends - low) <= CUTOFF_AROUND_PCT)
    below_n = np.count_nonzero(ends < low - CUTOFF_WINDOW_PCT)
    is_common = 2 * len(window) > around_n and 10 * below_n <= len(ends)
    found: Array = window if is_common else window[:0]
    return found


def _held_against(
    configured: Mapping[str, float], quantity: str, habit: dict[str, Any]
) -> dict[str, Any]:
    told = configured[quantity]
    learned = habit["learned"]
    is_different = learned is not None and bool(abs(learned - told) > DIFFERS_FROM[quantity])
    return {"quantity": quantity, "configured": told, "is_different": is_different, **habit}
