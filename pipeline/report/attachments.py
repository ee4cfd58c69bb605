"""The tables inside the fleet report: the rows and columns that it prints, as files.

Nothing goes in that does not stand on the pages, and of that never a driver: a document is handed
on more freely than a folder of tables.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.report.language import N_, _
from pipeline.report.pdf import Attached
from pipeline.report.tables import csv_text
from pipeline.report.weekdata import Row

_SAME_OF_BOTH = (
    "stops_n", "needed_warming_n", "warmed_n", "part_warmed_n", "not_warmed_n", "hit_rate",
    "hit_rate_low", "hit_rate_high", "lost_cold_min", "avoidable_min", "lost_site_min",
    "lost_unexplained_min",
)  # fmt: skip
_COLUMNS: dict[str, tuple[str, ...]] = {
    "vehicles": (
        "vehicle_name", "is_silent", "is_configured", *_SAME_OF_BOTH, "lost_at_most_min",
        "warming_kwh", "warming_cost",
    ),
    "sites": (
        "site_name", "power_kw", *_SAME_OF_BOTH, "held_back_min",
        "mean_arrival_cell_temp_min_degc",
    ),
    "stops": (
        "stop_id", "plug_in_date", "plug_in_time", "vehicle_name", "site_name", "site_power_kw",
        "outcome", "why", "soc_start_pct", "soc_end_pct", "arrival_cell_temp_min_degc",
        "ambient_degc", "warming_min", "warming_kwh", "is_warming_kwh_estimated", "active_min",
        "excess_min", "lost_at_most_min", "lost_cold_min", "avoidable_min", "expected_why_not",
        "evidence_grade",
    ),
    "attention": (
        "subject", "label", "lost_cold_min", "avoidable_min", "stops_n", "evidence", "advice",
        "stop_ids",
    ),
    "coverage": (
        "vehicle_name", "days_with_data_n", "samples_n", "median_interval_s", "missing_min",
        "dc_stops_n", "ac_charges_n", "missing_words", "unlocks",
    ),
}  # fmt: skip
_DESCRIPTIONS = {
    "vehicles": N_("Vehicles of the week, as printed"),
    "sites": N_("Sites of the week, as printed"),
    "stops": N_("Fast-charge stops of the week, as printed"),
    "attention": N_("What needs attention, as printed"),
    "coverage": N_("What the report rests on, as printed"),
}


def fleet_attachments(context: Mapping[str, Any]) -> list[Attached]:
    """CSV files of what the fleet report prints; a table without a row is left out.

    Parameters
    ----------
    context
        Variables of the template, of `pages.page_context`.
    """
    printed: dict[str, Sequence[Row]] = {"coverage": context["coverage"]}
    if context["has_stops"]:
        stops = [_timed(row) for group in context["stop_groups"] for row in group]
        printed |= {
            "vehicles": context["vehicles"],
            "sites": context["sites"],
            "stops": stops,
            "attention": context["findings"],
        }
    return [
        Attached(
            f"{name}.csv",
            _(_DESCRIPTIONS[name]),
            csv_text(printed[name], {column: column for column in columns}).encode(
                "utf-8", "replace"
            ),
        )
        for name, columns in _COLUMNS.items()
        if printed.get(name)
    ]


def _timed(stop: Row) -> Row:
    """The stop with its local time as printed; a rental has none."""
    local = None if stop["is_rental"] else stop["plug_in_local"]
    return {**stop, "plug_in_time": None if local is None else f"{local:%H:%M}"}
