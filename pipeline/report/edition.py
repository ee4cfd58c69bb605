"""One edition: gather, lay out, write beside the old one, swap."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Sequence
from pathlib import Path

import duckdb

from pipeline.config import Fleet
from pipeline.problems import ColdMinutesError, Problem
from pipeline.report.filters import one_line
from pipeline.report.language import speaking
from pipeline.report.pages import fleet_document
from pipeline.report.pdf import check_pdf_support
from pipeline.report.printing import Press, Printed, PrintJob
from pipeline.report.sheets.of_edition import FOLDERS, Imprint, edition_sheets
from pipeline.report.tables import (
    SCHEMA_VERSION,
    edition_tables,
    parquet_bytes,
    summary,
    tables,
)
from pipeline.report.weekdata import WeekData, document_instant, read_week
from pipeline.report.workbook import workbook_bytes

__all__ = ["SCHEMA_VERSION", "report"]

_OURS = frozenset({"fleet.pdf", "fleet.html", "summary.json", "tables", "tables.xlsx", *FOLDERS})


def report(
    con: duckdb.DuckDBPyConnection,
    fleet: Fleet,
    week_id: str,
    out_dir: Path,
    *,
    pdf: bool,
    method_version: str,
    version: str,
    problems: Sequence[Problem] = (),
    progress: Printed | None = None,
    with_sheets: bool = False,
) -> list[Path]:
    """Write ``out_dir/<week_id>/`` from the weekly tables of the connection.

    The folder is written beside its place and swapped in at the end; on any failure the edition
    before it stays as it was. Files in the old folder that are not ours are carried over.

    Parameters
    ----------
    pdf
        Write ``fleet.pdf`` and the sheets as well; needs Pango, see `check_pdf_support`.
    method_version, version
        Of the method and of this program, printed in every edition.
    problems
        Findings of the run, printed on the last page.
    progress
        Told of each document printed.
    with_sheets
        Add the one-page documents, with `pdf` only; they read more than the weekly tables.

    Returns
    -------
    list of Path
        Every file of the edition.

    Raises
    ------
    ColdMinutesError
        ``ENV-01`` no Pango, ``REPORT-01`` a page cannot be set cleanly, ``REPORT-02`` the
        tables hold no such week, ``REPORT-03`` the folder cannot be written.
    """
    if pdf and (problem := check_pdf_support()) is not None:
        raise ColdMinutesError([problem], exit_code=4)
    week = read_week(con, week_id, fleet)
    instant = document_instant(week_id, fleet, os.environ.get("SOURCE_DATE_EPOCH"))
    imprint = Imprint(instant, version, method_version)
    target = out_dir / week_id
    try:
        out_dir.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=f".{week_id}-", dir=out_dir) as scratch:
            fresh = Path(scratch) / "new"
            (fresh / "tables").mkdir(parents=True)
            # Processes of their own only for more than the report itself.
            with Press(None if pdf and with_sheets else 0) as press:
                with speaking(fleet.settings.language):
                    html, attached = fleet_document(week, fleet, problems=problems, **vars(imprint))
                printed = []
                if pdf:
                    # The longest first: the others are made while it is printed.
                    printed.append("fleet.pdf")
                    press.take(PrintJob(html, fresh / "fleet.pdf", tuple(attached), instant))
                if pdf and with_sheets:
                    for sheet in edition_sheets(con, fleet, week_id, imprint, week):
                        printed.append(f"{sheet.path}.pdf")
                        path = fresh / printed[-1]
                        path.parent.mkdir(exist_ok=True)
                        press.take(PrintJob(sheet.html, path, (), instant))
                outputs = _write_files(fresh, week, fleet, imprint, html, printed)
                press.finish(progress)
            _swap(fresh, target, Path(scratch) / "old")
    except OSError as error:
        raise ColdMinutesError(
            [
                Problem(
                    "REPORT-03",
                    "stop",
                    str(target),
                    f"the edition cannot be written ({error.strerror or error})",
                    "Free space, close files of this folder that are open elsewhere, or name "
                    "another place with --out. The edition before it is as it was.",
                )
            ],
            exit_code=4,
        ) from error
    return [target / name for name in outputs]


def _write_files(
    fresh: Path, week: WeekData, fleet: Fleet, imprint: Imprint, html: str, printed: Sequence[str]
) -> list[str]:
    """Write all but the PDFs; names of every file of the edition."""
    texts = {f"tables/{name}": text for name, text in tables(week).items()}
    made = edition_tables(week)
    binaries = {f"tables/{table.name}.parquet": parquet_bytes(table) for table in made}
    binaries["tables.xlsx"] = workbook_bytes(
        made,
        title=f"{one_line(fleet.settings.operator)}: Cold Minutes, {week.week_id}",
        week_id=week.week_id,
        currency=fleet.settings.currency,
        time_zone=fleet.settings.time_zone,
        method_version=imprint.method_version,
        version=imprint.version,
        instant=imprint.instant,
    )
    outputs = sorted([*texts, *binaries, "fleet.html", "summary.json", *printed])
    texts["fleet.html"] = html
    texts["summary.json"] = summary(
        week,
        currency=fleet.settings.currency,
        method_version=imprint.method_version,
        version=imprint.version,
        outputs=outputs,
    )
    for name, text in texts.items():
        (fresh / name).write_bytes(text.encode("utf-8", "replace"))
    for name, content in binaries.items():
        (fresh / name).write_bytes(content)
    return outputs


def _swap(fresh: Path, target: Path, old: Path) -> None:
    if target.exists():
        for entry in sorted(target.iterdir()):
            if entry.name in _OURS:
                continue
            if entry.is_dir():
                shutil.copytree(entry, fresh / entry.name)
            else:
                shutil.copy2(entry, fresh / entry.name)
        target.rename(old)
    try:
        fresh.rename(target)
    except OSError:
        if old.exists():
            old.rename(target)
        raise
