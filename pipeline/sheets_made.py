"""One-page documents on request, from what is taken in already."""

from __future__ import annotations

import os
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.config import Fleet
from pipeline.edition import (
    Progress,
    check_week,
    compute,
    newest_week,
    program_version,
    warehouse_of,
)
from pipeline.method import METHOD_VERSION, parameters
from pipeline.problems import ColdMinutesError, Problem

if TYPE_CHECKING:
    from pipeline.report.sheets.of_edition import SheetsWanted


def make_sheets(
    fleet: Fleet,
    week_id: str | None,
    wanted: SheetsWanted,
    out_dir: Path,
    pdf: bool = True,
    progress: Progress | None = None,
    wait_s: float = 0.0,
) -> list[Path]:
    """Write the one-page documents asked for, from what is taken in already.

    Parameters
    ----------
    week_id
        As in `make_edition`.
    out_dir
        Receives ``vehicles/<name>.pdf`` and the like.
    pdf
        False writes HTML.

    Raises
    ------
    ColdMinutesError
        ``SHEETS-01`` where there is nothing to write for what was asked; otherwise as
        `make_edition`.
    """
    from pipeline.minutes import minutes
    from pipeline.report import check_pdf_support
    from pipeline.report.sheets.of_edition import Imprint, wanted_sheets, write_sheets
    from pipeline.report.weekdata import document_instant
    from pipeline.weekly import weekly

    if week_id is not None:
        check_week(week_id)
    if pdf and (problem := check_pdf_support()):
        raise ColdMinutesError([problem], exit_code=4)
    with warehouse_of(fleet, wait_s=wait_s) as con:
        compute(con, fleet, progress)
        week_id = week_id or newest_week(con, fleet, datetime.now(UTC))
        minutes(con, fleet, week_id)
        weekly(con, fleet, week_id, parameters(fleet))
        instant = document_instant(week_id, fleet, os.environ.get("SOURCE_DATE_EPOCH"))
        imprint = Imprint(instant, program_version(), METHOD_VERSION)
        sheets = wanted_sheets(con, fleet, week_id, wanted, imprint)
    if not sheets:
        problem = Problem(
            "SHEETS-01",
            "stop",
            f"{fleet.folder}, {week_id}",
            "there is no sheet for what was asked",
            "Look up names in the report of that week; sheets of drivers need privacy."
            "driver_analysis = 'pseudonyms' or 'names' with purpose, agreed_on and agreement, "
            "those of models a learned curve.",
        )
        raise ColdMinutesError([problem])
    return write_sheets(sheets, out_dir, pdf=pdf, printed=progress)


def write_stop_sheet(fleet: Fleet, stop_id: str, path: Path) -> None:
    """Write one stop on one page, from the figures of the last run; no file where there is none.

    Raises
    ------
    ColdMinutesError
        ``ENV-01`` without PDF support, ``REPORT-03`` where the file cannot be written.
    """
    from pipeline.report import check_pdf_support
    from pipeline.report.language import speaking
    from pipeline.report.pdf import write_pdf
    from pipeline.report.sheets.stop import stop_sheets
    from pipeline.report.weekdata import document_instant

    if problem := check_pdf_support():
        raise ColdMinutesError([problem], exit_code=4)
    with warehouse_of(fleet) as con:
        found = con.execute(
            "select week_id from judged_stops where stop_id = $stop_id", {"stop_id": stop_id}
        ).fetchall()
        week_id = str(found[0][0])
        with speaking(fleet.settings.language):
            sheets = stop_sheets(
                con,
                fleet,
                week_id,
                stop_ids=[stop_id],
                instant=document_instant(week_id, fleet, os.environ.get("SOURCE_DATE_EPOCH")),
                version=program_version(),
                method_version=METHOD_VERSION,
            )
    try:
        write_pdf(sheets[0].html, path)
    except OSError as error:
        problem = Problem(
            "REPORT-03",
            "stop",
            str(path),
            f"cannot be written ({error.strerror or error})",
            "Name a file in a folder that exists and may be written to.",
        )
        raise ColdMinutesError([problem], exit_code=4) from error
