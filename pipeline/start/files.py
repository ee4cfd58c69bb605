"""The TOML of a new fleet folder: what was told stands plainly, what is assumed is a comment."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from pydantic import BaseModel

from pipeline.config import FleetSettings, VehicleModel
from pipeline.draft.write import comment, toml_key, toml_string, toml_value
from pipeline.start.places import FoundModel, FoundSite

MARK = "# assumed"
_HEAD = "Made by `coldminutes start`. Lines that are comments are defaults in use, marked assumed: "
_HEAD += "take the # away and mend the value where you know better."


def fleet_toml(told: dict[str, Any], driver_analysis: str, is_operator_told: bool) -> str:
    """``fleet.toml``."""
    lines = [*comment(_HEAD), ""]
    for key, value in told.items():
        mark = f"   {MARK}" if key == "operator" and not is_operator_told else ""
        lines.append(f"{key} = {toml_value(value)}{mark}")
    lines += _defaults(FleetSettings, set(told))
    lines += ["", "[privacy]", f"driver_analysis = {toml_string(driver_analysis)}"]
    if driver_analysis not in ("off", "totals"):
        lines += comment("Until these three are filled in, drivers appear in sums only.")
        lines += ['# purpose = ""', "# agreed_on = 2026-01-31", '# agreement = ""']
    return "\n".join(lines) + "\n"


def models_toml(models: Sequence[FoundModel]) -> str:
    """``models.toml``."""
    lines = comment(_HEAD)
    for model in models:
        lines += ["", f"[models.{toml_key(model.model_id)}]"]
        if model.usable_kwh is not None:
            lines += comment(
                f"Energy into the pack over charge gained, {len(model.vehicle_ids)} vehicles."
            )
            lines.append(f"usable_kwh = {model.usable_kwh:g}   {MARK}")
        else:
            lines.append(f"# usable_kwh = 60   {MARK} unknown: the charge given up is not computed")
        lines += _defaults(VehicleModel, {"usable_kwh"})
    return "\n".join(lines) + "\n"


def vehicles_toml(models: Sequence[FoundModel]) -> str:
    """``vehicles.toml``."""
    lines = comment(_HEAD)
    for model in models:
        for vehicle_id in model.vehicle_ids:
            lines += [
                "",
                f"[vehicles.{toml_key(vehicle_id)}]",
                f"model = {toml_string(model.model_id)}   {MARK}",
                f'# use = "delivery"   {MARK}',
            ]
    return "\n".join(lines) + "\n"


def sites_toml(sites: Sequence[FoundSite]) -> str:
    """``sites.toml``."""
    lines = comment(_HEAD)
    for site in sites:
        seen = f"{site.visits_n} fast charges" if site.visits_n else "fast charges"
        if site.power_max_kw is not None:
            seen += f", up to {site.power_max_kw:.0f} kW"
        lines += ["", *comment(f"Found in the data: {seen}.")]
        lines += [f"[sites.{toml_key(site.site_id)}]", f"name = {toml_string(site.name)}   {MARK}"]
        if site.latitude_deg is not None and site.longitude_deg is not None:
            lines += [f"latitude_deg = {site.latitude_deg:.5f}"]
            lines += [f"longitude_deg = {site.longitude_deg:.5f}"]
            lines += [f"radius_m = {site.radius_m:g}   {MARK}"]
        if site.words:
            lines.append(f"aliases = {toml_value(list(site.words))}")
        lines += [f"# power_kw = 150   {MARK} unknown: write the rating of one outlet"]
        lines += [f'mode = "dc"   {MARK}']
    return "\n".join(lines) + "\n"


def _defaults(kind: type[BaseModel], told: set[str]) -> list[str]:
    """Each plain default of a table as a comment, so that none is hidden."""
    lines = []
    for key, field in kind.model_fields.items():
        value = field.default
        if key not in told and isinstance(value, bool | int | float | str) and value != "":
            lines.append(f"# {key} = {toml_value(value)}   {MARK}")
    return lines
