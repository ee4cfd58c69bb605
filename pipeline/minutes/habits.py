"""The habits of each vehicle model, held against what is configured."""

from __future__ import annotations

from typing import Any

from pipeline.config import Fleet
from pipeline.learning.habits import learn_habits
from pipeline.minutes.window import Window


def habit_rows(window: Window, fleet: Fleet) -> list[dict[str, Any]]:
    """Rows of ``fitted_habits``: one per model with stops in the window, and quantity."""
    rows = []
    for name in sorted(name for name in window.stops["model_id"].unique() if name is not None):
        model = fleet.models[name]
        found = learn_habits(
            window.spells.filter(window.spells["model_id"] == name),
            {
                "heater_power_kw": model.heater_power_kw,
                "warming_end_degc": model.warm_threshold_degc,
                "warming_cutoff_soc_pct": model.warming_cutoff_soc_pct,
            },
        )
        rows += [
            {
                "model_id": name,
                "quantity": habit["quantity"],
                "learned_value": habit["learned"],
                "spread_value": habit["spread"],
                "configured_value": habit["configured"],
                "seen_n": habit["seen_n"],
                "is_different": habit["is_different"],
                "why_null": habit["why_null"],
            }
            for habit in found
        ]
    return rows
