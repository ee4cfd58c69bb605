"""Which sheets an edition has, and which can be asked for."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.config import Fleet
from pipeline.report.language import speaking
from pipeline.report.printing import Printed, PrintJob, print_all
from pipeline.report.sheets.accounts import accounts_sheets
from pipeline.report.sheets.driver import driver_sheets
from pipeline.report.sheets.model import model_sheets
from pipeline.report.sheets.paper import Sheet
from pipeline.report.sheets.stop import stop_sheets
from pipeline.report.sheets.vehicle import vehicle_sheets
from pipeline.report.weekdata import WeekData

if TYPE_CHECKING:
    import duckdb

FOLDERS = ("vehicles", "drivers", "models", "accounts")
"""Folders of an edition that hold sheets."""


@dataclass(frozen=True)
class SheetsWanted:
    """Sheets asked for by name."""

    vehicle_ids: tuple[str, ...] = ()
    stop_ids: tuple[str, ...] = ()
    has_drivers: bool = False
    has_models: bool = False
    has_accounts: bool = False


@dataclass(frozen=True)
class Imprint:
    """What every sheet of an edition carries."""

    instant: datetime
    version: str
    method_version: str


def edition_sheets(
    con: duckdb.DuckDBPyConnection,
    fleet: Fleet,
    week_id: str,
    imprint: Imprint,
    week: WeekData | None = None,
) -> list[Sheet]:
    """Vehicles with a finding, drivers as far as the level of analysis allows, models, the month.

    Needs the weekly tables of the connection.
    """
    printed_on = vars(imprint)
    with speaking(fleet.settings.language):
        return [
            *vehicle_sheets(con, fleet, week_id, week=week, **printed_on),
            *driver_sheets(con, fleet, week_id, **printed_on),
            *model_sheets(con, fleet, week_id, **printed_on),
            *accounts_sheets(con, fleet, week_id, **printed_on),
        ]


def wanted_sheets(
    con: duckdb.DuckDBPyConnection,
    fleet: Fleet,
    week_id: str,
    wanted: SheetsWanted,
    imprint: Imprint,
) -> list[Sheet]:
    """The sheets asked for; one of an unknown name is missing in the answer."""
    printed_on = vars(imprint)
    sheets: list[Sheet] = []
    with speaking(fleet.settings.language):
        if wanted.vehicle_ids:
            chosen = wanted.vehicle_ids
            sheets += vehicle_sheets(con, fleet, week_id, vehicle_ids=chosen, **printed_on)
        if wanted.stop_ids:
            sheets += stop_sheets(con, fleet, week_id, stop_ids=wanted.stop_ids, **printed_on)
        if wanted.has_drivers:
            sheets += driver_sheets(con, fleet, week_id, **printed_on)
        if wanted.has_models:
            sheets += model_sheets(con, fleet, week_id, **printed_on)
        if wanted.has_accounts:
            sheets += accounts_sheets(con, fleet, week_id, **printed_on)
    return sheets


def write_sheets(
    sheets: list[Sheet], out_dir: Path, *, pdf: bool, printed: Printed | None = None
) -> list[Path]:
    """Write sheets below a folder, as PDF or as HTML; the paths written.

    Raises
    ------
    ColdMinutesError
        Where one cannot be set cleanly.
    """
    paths = [out_dir / f"{sheet.path}.{'pdf' if pdf else 'html'}" for sheet in sheets]
    for path in paths:
        path.parent.mkdir(parents=True, exist_ok=True)
    if pdf:
        jobs = [PrintJob(sheet.html, path) for sheet, path in zip(sheets, paths, strict=True)]
        print_all(jobs, printed)
    else:
        for sheet, path in zip(sheets, paths, strict=True):
            path.write_bytes(sheet.html.encode("utf-8", "replace"))
    return paths
