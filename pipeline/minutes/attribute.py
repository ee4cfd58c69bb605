"""Minutes of every stop of the window, split by cause under the week's fits."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.charging import SOC_MID_PCT, ChargeModel
from pipeline.learning.steps import Array, Flags
from pipeline.losses import Limits, Losses, limits_of, split_losses
from pipeline.minutes.learn import Learned
from pipeline.minutes.window import Window

FIGURES = (
    "reference_min",
    "lost_min",
    "excess_min",
    "lost_cold_min",
    "lost_site_min",
    "lost_unexplained_min",
    "held_back_min",
    "split_doubt_min",
)


def attribute(window: Window, learned: Learned) -> pl.DataFrame:
    """One row per stop, in their order: minutes, their causes, and why any is null.

    Where the site's limit is not known, ``lost_min`` is the whole excess, unsplit: what the
    charge took beyond a warm pack at an unlimited charger.
    """
    stops_n = len(window.stops)
    figures = {name: np.full(stops_n, np.nan) for name in FIGURES}
    for name in learned.fits:
        mine = learned.of_model[name]
        _fill(figures, _losses_of_model(window, learned, name), mine)
    counted = np.bincount(learned.steps.stop, minlength=stops_n) > 0
    for values in figures.values():
        values[~counted] = np.nan
    is_site_known = ~np.isnan(learned.site_kw)
    for name in FIGURES[3:]:
        figures[name][~is_site_known] = np.nan
    return window.stops.select("stop_id", "vehicle_id", "plug_in_at", "week_id").with_columns(
        *(pl.Series(name, values).fill_nan(None) for name, values in figures.items()),
        pl.Series("lost_at_most_min", _at_most(window, learned)).fill_nan(None),
        pl.Series("lost_why_null", _why_lost_null(window, learned, figures)),
        pl.Series("split_why_null", _why_split_null(window, learned, figures, is_site_known)),
        pl.Series("is_site_learned", learned.is_site_learned),
    )


def _losses_of_model(window: Window, learned: Learned, name: str) -> Losses:
    fit = learned.fits[name]
    steps = learned.steps.where(learned.of_model[name][learned.steps.stop])
    scale = fit.scale[window.vehicle[steps.stop]]
    is_known = ~np.isnan(learned.site_kw[steps.stop])
    supply = np.where(is_known, steps.supply_kw, np.inf)
    limits = limits_of(fit.model, steps.soc_pct, steps.cell_temp_degc, supply, scale)
    return split_losses(
        steps.stop,
        len(window.stops),
        steps.step_min,
        steps.pack_kwh,
        limits,
        steps.is_held,
        steps.is_ramp,
        fit.is_held_back,
    )


def _fill(figures: dict[str, Array], losses: Losses, mine: Flags) -> None:
    for name, values in (
        ("reference_min", losses.reference_min),
        ("lost_min", losses.lost_min),
        ("excess_min", losses.excess_min),
        ("lost_cold_min", losses.cold_min),
        ("lost_site_min", losses.site_min),
        ("lost_unexplained_min", losses.unexplained_min),
        ("held_back_min", losses.held_back_min),
        ("split_doubt_min", losses.split_doubt_min),
    ):
        figures[name][mine] = values[mine]


def _at_most(window: Window, learned: Learned) -> Array:
    """Grade D: the stay less what a warm pack would have taken for the energy, spread evenly."""
    out = np.full(len(window.stops), np.nan)
    grade = window.stops["evidence_grade"].to_numpy()
    stay = window.numbers("stay_min")
    for name, fit in learned.fits.items():
        rows = np.flatnonzero(learned.of_model[name] & (grade == "D"))
        if not len(rows):
            continue
        site = learned.site_kw[rows]
        out[rows] = stay[rows] - summary_reference_min(
            fit.model,
            window.numbers("soc_start_pct")[rows],
            window.numbers("soc_end_pct")[rows],
            window.numbers("energy_kwh")[rows],
            np.where(np.isnan(site), np.inf, site),
            fit.scale[window.vehicle[rows]],
        )
    return out


def summary_reference_min(
    model: ChargeModel,
    soc_start_pct: Array,
    soc_end_pct: Array,
    energy_kwh: Array,
    site_kw: Array,
    scale: Array,
) -> Array:
    """Minutes of a warm pack for energy spread evenly over the charge gained; arrays of one shape.

    Bins of the curve at both ends count by their overlap. NaN without a gain of charge.
    """
    low, high = SOC_MID_PCT - 0.5, SOC_MID_PCT + 0.5
    overlap = np.clip(
        np.minimum(soc_end_pct[:, None], high) - np.maximum(soc_start_pct[:, None], low), 0, None
    )
    power = np.minimum(model.reference_kw[None, :] * scale[:, None], site_kw[:, None])
    gain = soc_end_pct - soc_start_pct
    with np.errstate(invalid="ignore", divide="ignore"):
        minutes = (overlap / power).sum(axis=1) * energy_kwh / gain * 60
    return np.where(gain > 0, minutes, np.nan)


def _why_lost_null(window: Window, learned: Learned, figures: dict[str, Array]) -> list[str | None]:
    has_curve = np.zeros(len(window.stops), dtype=bool)
    for name in learned.fits:
        has_curve |= learned.of_model[name]
    frame = window.stops.select(
        why=pl.when(pl.Series(np.isfinite(figures["lost_min"])))
        .then(None)
        .when(pl.col("evidence_grade") == "E")
        .then(pl.lit("no_soc"))
        .when(pl.col("model_id").is_null() & pl.col("is_reported_only"))
        .then(pl.lit("no_model"))
        .when(~pl.col("is_reported_only") & ~pl.col("has_power").fill_null(False))
        .then(pl.lit("no_power"))
        .when(pl.col("model_id").is_null())
        .then(pl.lit("no_model"))
        .when(~pl.Series(has_curve))
        .then(pl.lit("no_warm_curve"))
        .when(pl.col("is_reported_only"))
        .then(pl.lit("summary_only"))
        .when(pl.col("active_min").fill_null(0) <= 0)
        .then(pl.lit("no_active_minutes"))
        .otherwise(pl.lit("no_soc"))
    )
    return frame["why"].to_list()


def _why_split_null(
    window: Window, learned: Learned, figures: dict[str, Array], is_site_known: Flags
) -> list[str | None]:
    has_temp = window.stops["evidence_grade"].is_in(["A", "B"])
    frame = window.stops.select(
        why=pl.when(pl.Series(np.isfinite(figures["lost_cold_min"])))
        .then(None)
        .when(pl.Series(np.isnan(figures["lost_min"])))
        .then(pl.lit("minutes_not_known"))
        .when(~has_temp)
        .then(pl.lit("no_cell_temperature"))
        .when(~pl.Series(is_site_known))
        .then(pl.lit("site_limit_unknown"))
        .otherwise(pl.lit("cold_limit_unknown"))
    )
    return frame["why"].to_list()


def cold_of_week(
    window: Window, learned: Learned, name: str, model: ChargeModel, rows: Flags
) -> Array:
    """Cold minutes of the steps picked under another curve and limit, per stop (for resamples)."""
    steps = learned.steps.where(rows)
    scale = learned.fits[name].scale[window.vehicle[steps.stop]]
    limits: Limits = limits_of(model, steps.soc_pct, steps.cell_temp_degc, steps.supply_kw, scale)
    nothing = np.zeros(len(steps), dtype=bool)
    losses = split_losses(
        steps.stop,
        len(window.stops),
        steps.step_min,
        steps.pack_kwh,
        limits,
        steps.is_held,
        steps.is_ramp,
        nothing,
    )
    return np.stack([losses.cold_min, losses.site_min])
