"""Refits on resampled sessions: what curve and cold limit might have been, had other sessions
of the same kind been seen."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from pipeline.charging import ChargeModel
from pipeline.learning.cold_limit import KNOTS_DEGC, cold_limit, excess_over
from pipeline.learning.fit import ModelFit, Prior
from pipeline.learning.warm_curve import warm_curve

REFIT_ROUNDS_N = 1


def refits(
    fit: ModelFit, prior: Prior, stops_n: int, draws_n: int, seed: int
) -> Iterator[ChargeModel]:
    """`draws_n` refits of one model, each on its sessions drawn with replacement.

    The form of the limit, the full-power temperature and what counts as shared stay as fitted;
    curve and limit are drawn together, from the same sessions.
    """
    generator = np.random.default_rng(seed)
    sessions = np.unique(np.concatenate([fit.curve_rows.session, fit.cold_rows.session]))
    configured = prior.cold_value if prior.cold_form == fit.model.cold_form else None
    is_cold_drawn = fit.cold is not None and fit.cold_source == "learned"
    # Each draw begins from the same limit, so the rows are sorted once for all of them.
    begun = excess_over(fit.cold_rows, fit.cold.value) if fit.cold and is_cold_drawn else None
    for _ in range(draws_n):
        weights = np.zeros(stops_n)
        if len(sessions):
            drawn = generator.integers(0, len(sessions), len(sessions))
            weights[sessions] = np.bincount(drawn, minlength=len(sessions))
        curve = warm_curve(fit.curve_rows, weights)
        model = replace(fit.model, reference_kw=curve.reference_kw)
        if fit.cold is not None and is_cold_drawn:
            limit = cold_limit(
                fit.cold_rows, weights, configured, fit.cold.value, REFIT_ROUNDS_N, begun
            )
            if limit is not None:
                value = limit.value
                if fit.model.cold_form == "factor":
                    value = np.where(fit.model.full_power_degc <= KNOTS_DEGC, 1.0, value)
                    value = np.minimum(value, 1.0)
                model = replace(model, cold_value=value)
        yield model
