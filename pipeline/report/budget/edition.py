"""Writes a budget: beside its place first, then swapped in, so that nothing stays half-written."""

from __future__ import annotations

import shutil
import tempfile
from datetime import datetime
from pathlib import Path

from pipeline.config import Fleet
from pipeline.problems import ColdMinutesError, Problem
from pipeline.report.budget.data import BudgetPaper
from pipeline.report.budget.page import budget_html
from pipeline.report.budget.tables import budget_json, budget_tables, csv_of
from pipeline.report.budget.workbook import budget_workbook
from pipeline.report.language import speaking
from pipeline.report.pdf import Attached, write_pdf

_OURS = frozenset({"budget.pdf", "budget.html", "budget.json", "budget.xlsx", "tables"})


def write_budget(
    paper: BudgetPaper,
    fleet: Fleet,
    out_dir: Path,
    *,
    pdf: bool,
    instant: datetime,
    version: str,
    method_version: str,
) -> list[Path]:
    """Write ``out_dir/<first month>_<last month>/``; every path written.

    Raises
    ------
    ColdMinutesError
        ``REPORT-01`` where the page cannot be set cleanly, ``REPORT-03`` where the folder cannot be
        written. What lay there before is as it was.
    """
    with speaking(fleet.settings.language):
        html = budget_html(
            paper, fleet, instant=instant, version=version, method_version=method_version
        )
    frames = budget_tables(paper)
    files = {f"tables/{name}.csv": csv_of(rows).encode() for name, rows in frames.items()}
    files["budget.xlsx"] = budget_workbook(
        frames, paper, fleet, instant=instant, version=version, method_version=method_version
    )
    files["budget.html"] = html.encode("utf-8", "replace")
    outputs = sorted([*files, "budget.json", *(["budget.pdf"] if pdf else [])])
    text = budget_json(
        paper, fleet, version=version, method_version=method_version, outputs=outputs
    )
    files["budget.json"] = text.encode()
    target = out_dir / paper.season_id.replace("..", "_")
    try:
        out_dir.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=".budget-", dir=out_dir) as scratch:
            fresh = Path(scratch) / "new"
            (fresh / "tables").mkdir(parents=True)
            for name, content in files.items():
                (fresh / name).write_bytes(content)
            if pdf:
                attached = [
                    Attached(
                        "budget_months.csv",
                        "The fleet by scenario, month and quantity",
                        files["tables/budget_months.csv"],
                    )
                ]
                write_pdf(html, fresh / "budget.pdf", attached, instant)
            _swap(fresh, target, Path(scratch) / "old")
    except OSError as error:
        raise ColdMinutesError(
            [
                Problem(
                    "REPORT-03",
                    "stop",
                    str(target),
                    f"the budget cannot be written ({error.strerror or error})",
                    "Free space, close files of this folder that are open elsewhere, or name "
                    "another place with --out. What lay there before is as it was.",
                )
            ],
            exit_code=4,
        ) from error
    return [target / name for name in outputs]


def _swap(fresh: Path, target: Path, old: Path) -> None:
    """Put the new folder into its place; files in the old one that are not ours come along."""
    if target.exists():
        for entry in sorted(target.iterdir()):
            if entry.name not in _OURS:
                copy = shutil.copytree if entry.is_dir() else shutil.copy2
                copy(entry, fresh / entry.name)
        target.rename(old)
    try:
        fresh.rename(target)
    except OSError:
        if old.exists():
            old.rename(target)
        raise
