"""What a model card says beside its table: the least charge, and how sure it is."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import polars as pl

from pipeline.config import VehicleModel
from pipeline.fits import StoredFit
from pipeline.report.language import _, ngettext
from pipeline.report.sheets.model_sure import Spread

Row = Mapping[str, Any]
Show = Callable[..., str]


def charge_words(fit: StoredFit, model: VehicleModel, filters: Mapping[str, Show]) -> str:
    """The least charge; where the vehicles were seen to refuse above what is configured, that."""
    configured = model.warming_cutoff_soc_pct
    seen = fit.habits.filter(
        (pl.col("quantity") == "warming_cutoff_soc_pct") & pl.col("is_different")
    )["learned_value"].to_list()
    least = max([configured, *(value for value in seen if value is not None)])
    said = _(
        "Charge above {least} %: at or below it the vehicle does not warm the battery.",
        least=filters["soc"](least),
    )
    if "warming_cutoff_soc_pct" not in model.model_fields_set and least == configured:
        said += " " + _("(Assumed: nobody has set it.)")
    return said


def sure_words(
    fit: StoredFit, evidence: Row, spread: Spread | None, filters: Mapping[str, Show]
) -> list[str]:
    """How sure the card is, and from what."""
    counts = fit.counts
    said = [
        ngettext(
            "{n} fast charge by {vehicles} in a quarter of a year; {cold} of those learned from "
            "were cold.",
            "{n} fast charges by {vehicles} in a quarter of a year; {cold} of those learned from "
            "were cold.",
            evidence["stops_n"],
            vehicles=ngettext("{n} vehicle", "{n} vehicles", evidence["vehicles_n"]),
            cold=filters["count"](counts["cold_sessions_n"]),
        )
    ]
    if counts["thermal_source"] == "learned":
        said.append(
            ngettext(
                "How fast the battery warms: learned from {n} stretch of warming, driving and "
                "standing.",
                "How fast the battery warms: learned from {n} stretches of warming, driving and "
                "standing.",
                counts["stretches_n"],
            )
        )
    else:
        said.append(
            _(
                "How fast the battery warms was not learned yet: general values stand in, which "
                "may be far out."
            )
        )
    if spread is not None:
        said.append(
            ngettext(
                "Held against {n} warming seen: it took {low} to {high} of what this card says in "
                "nine of ten.",
                "Held against {n} warmings seen: they took {low} to {high} of what this card says "
                "in nine of ten.",
                spread.warmings_n,
                low=filters["rate"](spread.low),
                high=filters["rate"](spread.high),
            )
        )
    else:
        said.append(_("Too few warmings were seen to hold the card against; no range is drawn."))
    if counts["cold_source"] != "learned":
        said.append(_("What the cold takes off the charging power is configured, not learned."))
    if evidence["coldest_outside_degc"] is not None:
        said.append(
            _(
                "Coldest charge seen: {temperature} outside.",
                temperature=filters["temperature"](evidence["coldest_outside_degc"]),
            )
        )
    if evidence["part_warmed_n"] and evidence["part_saved_min"] is not None:
        said.append(
            ngettext(
                "At {n} stop the battery was warmed only in part: {time} saved all the same.",
                "At {n} stops the battery was warmed only in part: {time} saved on average all "
                "the same.",
                evidence["part_warmed_n"],
                time=filters["minutes"](evidence["part_saved_min"]),
            )
        )
    return said
