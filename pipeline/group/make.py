"""One edition of the group report: read the fleets, write the documents."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from pipeline.edition import check_week, program_version
from pipeline.group.figures import Group, Missing, read_group
from pipeline.group.page import group_html
from pipeline.group.tables import csv_files, group_tables, summary, workbook
from pipeline.method import METHOD_VERSION
from pipeline.problems import ColdMinutesError, Problem
from pipeline.report import check_look, check_pdf_support
from pipeline.report.language import speaking
from pipeline.report.pdf import write_pdf
from pipeline.report.weekdata import document_instant

Progress = Callable[[str, int, int], None]


@dataclass(frozen=True)
class GroupEdition:
    """What was made."""

    week_id: str
    paths: Sequence[Path]
    missing: Sequence[Missing]


def make_group(
    folders: Sequence[Path],
    week_id: str | None,
    out_dir: Path,
    *,
    pdf: bool = True,
    now: datetime | None = None,
    wait_s: float = 0.0,
) -> GroupEdition:
    """Write ``<week>/`` with ``group.pdf``, ``group.html``, ``group.xlsx``, tables, summary.

    Language and look are those of the first fleet in the order of the report. Nothing is taken
    in: each fleet is as its last run left it.

    Parameters
    ----------
    week_id
        By default the newest week that is over and that any of the fleets has data of.

    Raises
    ------
    ColdMinutesError
        GROUP-01 where no fleet has the week, with the reason of each; ``ENV-01``, ``REPORT-01``
        and ``REPORT-03`` as the fleet's own report.
    """
    now = now or datetime.now(UTC)
    if week_id is not None:
        check_week(week_id)
    if pdf and (problem := check_pdf_support()):
        raise ColdMinutesError([problem], exit_code=4)
    group = read_group(folders, week_id, now, wait_s)
    if not group.members:
        raise ColdMinutesError(_nobody(group), exit_code=3)
    speaker = group.members[0]
    check_look(speaker.fleet)
    told = os.environ.get("SOURCE_DATE_EPOCH")
    imprint = {"version": program_version(), "method_version": METHOD_VERSION}
    instant = document_instant(group.week_id, speaker.fleet, told)
    with speaking(speaker.fleet.settings.language):
        html = group_html(group, speaker=speaker, instant=instant, **imprint)
        tables = group_tables(group)
    texts = {**csv_files(tables), "group.html": html}
    outputs = sorted([*texts, "group.xlsx", "summary.json", *(["group.pdf"] if pdf else [])])
    texts["summary.json"] = summary(group, outputs=outputs, **imprint)
    files = {name: text.encode("utf-8", "replace") for name, text in texts.items()}
    files["group.xlsx"] = workbook(tables, group.week_id, instant=instant, **imprint)
    target = out_dir / group.week_id
    try:
        out_dir.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=f".{group.week_id}-", dir=out_dir) as scratch:
            fresh = Path(scratch)
            for name, content in files.items():
                (fresh / name).parent.mkdir(exist_ok=True)
                (fresh / name).write_bytes(content)
            if pdf:
                write_pdf(html, fresh / "group.pdf")
            for name in outputs:
                (target / name).parent.mkdir(parents=True, exist_ok=True)
                (fresh / name).replace(target / name)
    except OSError as error:
        problem = Problem(
            "REPORT-03",
            "stop",
            str(target),
            f"the report cannot be written ({error.strerror or error})",
            "Free space, close files of this folder that are open elsewhere, or name another "
            "place with --out.",
        )
        raise ColdMinutesError([problem], exit_code=4) from error
    return GroupEdition(group.week_id, [target / name for name in outputs], group.missing)


def missing_problem(missing: Missing, week_id: str) -> Problem:
    """Why a fleet is not in the report, and what to do about it."""
    said, remedy = _MISSING[missing.why]
    detail = f" ({missing.detail})" if missing.detail else ""
    return Problem("GROUP-01", "exclude", f"{missing.label}, {week_id}", f"{said}{detail}", remedy)


_MISSING = {
    "cannot_be_read": ("cannot be read", "Mend it as said, then make the group report again."),
    "never_run": ("was never run", "Run `coldminutes run` on it first."),
    "week_not_over": ("its week is not over yet", "Name an earlier week, or wait for Monday."),
    "no_data": (
        "has no data of this week; behind it stands the newest week it has, if any",
        "Drop its exports into the inbox and run it, or name another week.",
    ),
    "held": (
        "another run holds its warehouse",
        "Make the group report when that has ended, or let `--wait SECONDS` wait for it.",
    ),
}


def _nobody(group: Group) -> list[Problem]:
    return [missing_problem(each, group.week_id) for each in group.missing]
