"""Outcomes that a thermal model decides: what warming did, and whether there was any (grade B)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.learning.steps import Array, Flags
from pipeline.minutes.learn import Learned
from pipeline.minutes.window import Window
from pipeline.thermal import ThermalModel, drive_heat_limit

RISE_MARGIN_KELVIN = 2.0
"""Above the prediction limit of drive heat by this much, a rise is warming (method, section 2)."""
WARMING_LEAST_KWH = 0.1


@dataclass(frozen=True)
class Refined:
    """Per stop: ``outcome`` and ``why`` where the thermal model changes them (else None), the
    arrival temperature without the warming [degC], and by model how grade B did on trial."""

    outcome: list[str | None]
    why: list[str | None]
    unwarmed_degc: Array
    trial: dict[str, dict[str, int]]


def refine(window: Window, learned: Learned) -> Refined:
    """Apply every learned thermal model to the stops of its vehicles."""
    stops = window.stops
    count = len(stops)
    outcome: list[str | None] = [None] * count
    why: list[str | None] = [None] * count
    unwarmed = np.full(count, np.nan)
    trial: dict[str, dict[str, int]] = {}
    for name, model in learned.thermal.items():
        if model.source != "learned":
            continue
        mine = learned.of_model[name]
        unwarmed = np.where(mine, _unwarmed(window, model), unwarmed)
        verdict = rise_verdict(window, model)
        trial[name] = _trial(window, verdict, mine)
        _decide(window, verdict, unwarmed, mine, outcome, why)
    return Refined(outcome, why, unwarmed, trial)


def _unwarmed(window: Window, model: ThermalModel) -> Array:
    """The coldest cell at plug-in had the heater stayed off; NaN where nothing was warmed.

    From where warming began, driven on without heater in closed form; never above what was
    measured with it.
    """
    before_min = window.numbers("warming_before_min")
    began = window.numbers("unwarmed_cell_temp_min_degc")
    with np.errstate(invalid="ignore", divide="ignore"):
        i2 = window.numbers("unheated_current2_a2s") / (before_min * 60)
    ran = model.after(began, window.numbers("ambient_degc"), before_min, 0.0, np.nan_to_num(i2))
    has = window.numbers("warming_kwh") >= WARMING_LEAST_KWH
    arrived = window.numbers("arrival_cell_temp_min_degc")
    return np.where(has, np.minimum(ran, arrived), np.nan)


def rise_verdict(window: Window, model: ThermalModel) -> Array:
    """Grade B: 1 warming, 0 none, NaN not distinct, from the rise over the lead window alone."""
    hours = window.numbers("lead_min") / 60
    start = window.numbers("lead_cell_temp_min_degc")
    rise = window.numbers("arrival_cell_temp_min_degc") - start
    limit = drive_heat_limit(
        model,
        window.numbers("lead_current2_a2s"),
        hours,
        start,
        window.numbers("ambient_degc"),
    )
    with np.errstate(invalid="ignore"):
        verdict = np.where(rise >= limit + RISE_MARGIN_KELVIN, 1.0, np.nan)
        return np.where(rise <= limit, 0.0, verdict)


def _trial(window: Window, verdict: Array, mine: Flags) -> dict[str, int]:
    """How the rise alone judges stops whose heater is known: the stated error rate of grade B."""
    known = mine & (window.stops["evidence_grade"] == "A").to_numpy()
    known &= window.stops["is_approach_covered"].fill_null(False).to_numpy()
    known &= np.isfinite(window.numbers("lead_cell_temp_min_degc"))
    truth = window.numbers("warming_kwh") >= WARMING_LEAST_KWH
    told = known & np.isfinite(verdict)
    return {
        "grade_b_judged_n": int(told.sum()),
        "grade_b_wrong_n": int((told & ((verdict == 1.0) != truth)).sum()),
        "grade_b_open_n": int((known & ~told).sum()),
    }


def _decide(
    window: Window,
    verdict: Array,
    unwarmed: Array,
    mine: Flags,
    outcome: list[str | None],
    why: list[str | None],
) -> None:
    stops = window.stops
    grade = stops["evidence_grade"].to_numpy()
    first = stops["outcome"].to_list()
    covered = stops["is_approach_covered"].fill_null(False).to_numpy()
    warm_from = window.numbers("warm_from_degc")
    arrived = window.numbers("arrival_cell_temp_min_degc")
    at_lead = window.numbers("lead_cell_temp_min_degc")
    not_warmed = stops["not_warmed_outcome"].to_list()
    not_warmed_why = stops["not_warmed_why"].to_list()
    for row in np.flatnonzero(mine & ((grade == "A") | (grade == "B"))):
        if grade[row] == "A":
            if first[row] in ("warmed", "warmed_unneeded") and np.isfinite(unwarmed[row]):
                needed = unwarmed[row] < warm_from[row]
                outcome[row] = "warmed" if needed else "warmed_unneeded"
            continue
        if not covered[row] or not np.isfinite(at_lead[row]):
            continue
        is_cold = arrived[row] < warm_from[row]
        if np.isnan(verdict[row]):
            outcome[row], why[row] = "unknown", "rise_not_distinct"
        elif verdict[row] == 1.0:
            started_cold = at_lead[row] < warm_from[row]
            outcome[row] = (
                "part_warmed" if is_cold else "warmed" if started_cold else "warmed_unneeded"
            )
            why[row] = "no_evidence" if is_cold else None
        else:
            outcome[row] = not_warmed[row] if is_cold else "already_warm"
            why[row] = not_warmed_why[row] if outcome[row] == "not_warmed" else None
