"""The model card: one page per vehicle model, to hang in a cab or depot."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Any

import duckdb
import polars as pl

from pipeline.advice import ADVICE_WEEKS_N
from pipeline.config import Fleet
from pipeline.fits import StoredFit, load_fits
from pipeline.problems import ColdMinutesError
from pipeline.report.filters import kw, name, one_line, quantity_filters
from pipeline.report.language import _
from pipeline.report.sheets.model_sure import LEAST_RISE_KELVIN, LEAST_SPELL_MIN, Spread, spread_of
from pipeline.report.sheets.model_words import charge_words, sure_words
from pipeline.report.sheets.paper import Sheet, file_stem, sheet_html
from pipeline.warehouse import query
from pipeline.weeks import weeks_before

Row = Mapping[str, Any]
Show = Callable[..., str]

_MOST_POWERS = 3
_MOST_LETTERS = 70
_BAR = {"left": 1.0, "width": 98.0}
"""Of the drawing's hundred parts, the room from the longest warming to arrival."""
_SCALE_STEP_MIN = 15


def model_sheets(
    con: duckdb.DuckDBPyConnection,
    fleet: Fleet,
    week_id: str,
    *,
    instant: datetime,
    version: str,
    method_version: str,
) -> list[Sheet]:
    """One card per vehicle model of which it can be told when to begin.

    Reads ``weekly_card`` of `pipeline.advice`, the week's fit and ``judged_stops``. A model that
    ``weekly_no_advice`` names gets no card.
    """
    rows = con.sql(
        "select * from weekly_card order by model_id, parked, outside_degc desc, site_power_kw"
    ).pl()
    if rows.is_empty():
        return []
    try:
        fits = load_fits(con, fleet, week_id)
    except ColdMinutesError:
        return []
    weeks = [*weeks_before(week_id, ADVICE_WEEKS_N - 1), week_id]
    evidence = {
        row["model_id"]: row
        for row in query(con, "sheets/model_evidence", {"week_ids": weeks}).iter_rows(named=True)
    }
    warmings = query(
        con,
        "sheets/model_warmings",
        {
            "week_ids": weeks,
            "least_spell_min": LEAST_SPELL_MIN,
            "least_rise_kelvin": LEAST_RISE_KELVIN,
        },
    )
    made = []
    for model_id in rows["model_id"].unique(maintain_order=True):
        fit = fits[model_id]
        context = _context(
            fleet,
            fit,
            rows.filter(pl.col("model_id") == model_id).to_dicts(),
            evidence[model_id],
            spread_of(fit.thermal, warmings.filter(pl.col("model_id") == model_id)),
        )
        html = sheet_html(
            "model.html.j2",
            fleet,
            context,
            title=_("When to begin warming: {model}", model=context["model_name"]),
            running=_(
                "{operator}, {week}, method {method}",
                operator=name(fleet.settings.operator, 60),
                week=week_id,
                method=method_version,
            ),
            instant=instant,
            version=version,
            method_version=method_version,
        )
        made.append(Sheet(f"models/{file_stem(model_id)}", html))
    return made


def _context(
    fleet: Fleet, fit: StoredFit, rows: Sequence[Row], evidence: Row, spread: Spread | None
) -> dict[str, Any]:
    filters = quantity_filters(fleet.settings)
    model = fleet.models[fit.model_id]
    powers = _spread_out(sorted({row["site_power_kw"] for row in rows}), _MOST_POWERS)
    longest = max((row["needed_min"] or 0.0 for row in rows), default=0.0)
    if spread is not None:
        longest *= max(1.0, spread.high)
    scale_min = max(_SCALE_STEP_MIN, _up_to(longest, _SCALE_STEP_MIN))
    panels = [
        {
            "title": title,
            "text": text,
            "rows": [
                _row([row for row in mine if row["outside_degc"] == outside], powers, scale_min,
                     spread, filters)
                for outside in sorted({row["outside_degc"] for row in mine}, reverse=True)
            ],
        }
        for title, text, mine in (
            (
                _("Parked outdoors"),
                _("battery as cold as the air"),
                [row for row in rows if row["parked"] == "outdoors"],
            ),
            (
                _("Parked indoors"),
                _("battery at {temperature}", temperature=filters["temperature"](_indoors(rows))),
                [row for row in rows if row["parked"] == "indoors"],
            ),
        )
    ]  # fmt: skip
    return {
        "model_name": name(fit.model_name, _MOST_LETTERS),
        "is_long_name": len(one_line(fit.model_name)) > 34,
        "panels": panels,
        "columns_n": 3 + len(powers),
        "powers": [kw(power) for power in powers],
        "ticks": _ticks(scale_min),
        "has_beyond": any(row["is_extrapolated"] for row in rows),
        "charge": charge_words(fit, model, filters),
        "drive": filters["minutes"](evidence["approach_min"]),
        "sure": sure_words(fit, evidence, spread, filters),
        "least_saved": filters["minutes"](fleet.settings.expected_saving_min),
        "typical": _(
            "For the charge this model usually takes here: {energy} from {soc} %.",
            energy=filters["kwh"](evidence["energy_kwh"], 0),
            soc=filters["soc"](evidence["soc_start_pct"]),
        ),
    }


def _indoors(rows: Sequence[Row]) -> float:
    """Temperature of the battery in a hall."""
    return next(float(row["pack_degc"]) for row in rows if row["parked"] == "indoors")


def _row(
    rows: Sequence[Row],
    powers: Sequence[float],
    scale_min: float,
    spread: Spread | None,
    filters: Mapping[str, Show],
) -> Row:
    """One outside temperature: how long warming takes, and what it saves by charger."""
    first = rows[0]
    by_power = {row["site_power_kw"]: row for row in rows}
    needed = first["needed_min"]
    is_worth_it = any(by_power[power]["verdict"] == "begin" for power in powers)
    return {
        "outside": filters["temperature"](first["outside_degc"]),
        "is_beyond": first["is_extrapolated"],
        "dashes": "1.6 1.2" if first["is_extrapolated"] else "none",
        "needed": _needed_words(first, filters),
        "is_worth_it": is_worth_it,
        "bar": None if needed is None or needed <= 0 else _bar(needed, scale_min, spread),
        "bar_words": "" if not needed else _bar_words(needed, spread, filters["minutes"]),
        "cells": [_cell(by_power[power], filters) for power in powers],
    }


def _needed_words(row: Row, filters: Mapping[str, Show]) -> str:
    if row["verdict"] == "never_warm":
        return _("never")
    if row["verdict"] == "already_warm":
        return _("is warm")
    needed = row["begin_min"] if row["begin_min"] is not None else row["needed_min"]
    return filters["minutes"](needed)


def _bar(needed_min: float, scale_min: float, spread: Spread | None) -> Row:
    """The warming on a line that ends at arrival, with the range of how long it took."""

    def x(minutes: float) -> float:
        return round(_BAR["left"] + _BAR["width"] * (1 - minutes / scale_min), 2)

    end = _BAR["left"] + _BAR["width"]
    bar: dict[str, Any] = {
        "x": x(needed_min),
        "width": round(end - x(needed_min), 2),
        "range": None,
    }
    if spread is not None:
        low_x, high_x = x(needed_min * spread.high), x(needed_min * spread.low)
        bar["range"] = {"x": low_x, "width": round(high_x - low_x, 2), "end_x": high_x}
    return bar


def _bar_words(needed_min: float, spread: Spread | None, minutes: Show) -> str:
    if spread is None:
        return minutes(needed_min)
    return _(
        "{time}, in nine of ten warmings {low} to {high}",
        time=minutes(needed_min),
        low=minutes(needed_min * spread.low),
        high=minutes(needed_min * spread.high),
    )


def _cell(row: Row, filters: Mapping[str, Show]) -> Row:
    if row["verdict"] == "begin":
        return {"saves": filters["minutes"](row["net_saved_min"]), "words": ""}
    words = {
        "not_worth_it": _("not worth it"),
        "never_warm": _("never warm"),
        "already_warm": _("is warm"),
    }.get(row["verdict"], _("not known"))
    return {"saves": "", "words": words}


def _ticks(scale_min: float) -> list[Row]:
    step = _SCALE_STEP_MIN if scale_min <= 4 * _SCALE_STEP_MIN else 2 * _SCALE_STEP_MIN
    return [
        {
            "x": round(_BAR["left"] + _BAR["width"] * (1 - at / scale_min), 2),
            "minutes": at,
        }
        for at in range(0, int(scale_min) + 1, step)
    ]


def _up_to(value: float, step: int) -> float:
    return float(-(-value // step) * step)


def _spread_out(values: Sequence[float], most: int) -> list[float]:
    """Lowest, highest and what lies evenly between them in the list."""
    if len(values) <= most:
        return list(values)
    return [values[round(at * (len(values) - 1) / (most - 1))] for at in range(most)]
