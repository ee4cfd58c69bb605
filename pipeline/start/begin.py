"""Make a fleet folder from an operator's files, whole or not at all."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pipeline import warehouse
from pipeline.config import Fleet, load_fleet
from pipeline.edition import Edition, Progress, make_edition, take_in, warehouse_of
from pipeline.problems import ColdMinutesError, Problem
from pipeline.report import check_pdf_support
from pipeline.start.files import fleet_toml, models_toml, sites_toml, vehicles_toml
from pipeline.start.mappings import Mappings, mappings
from pipeline.start.places import found_models, found_sites


@dataclass(frozen=True)
class StartOptions:
    """What only the operator knows."""

    time_zone: str
    currency: str
    energy_price_per_kwh: float
    driver_analysis: str
    operator: str | None = None


@dataclass(frozen=True)
class Started:
    """What was made: counts for people, the first edition, and what was left out."""

    lines: list[str]
    edition: Edition
    left_out: list[Problem]


def start(
    folder: Path,
    files: Sequence[Path],
    options: StartOptions,
    pdf: bool = True,
    now: datetime | None = None,
    progress: Progress | None = None,
) -> Started:
    """Make `folder` a fleet folder with these files in its inbox, and write a first report.

    Everything is made beside it and moved there at the end, so that a failure leaves nothing.

    Raises
    ------
    ColdMinutesError
        START-01 where the folder is not empty, START-02 where a file cannot be used as named,
        START-03 where none of them is an export; and whatever stops a run.
    """
    folder = Path(os.path.abspath(folder))  # noqa: PTH100  (resolve() would follow a link)
    _refuse(folder, files)
    if pdf and (problem := check_pdf_support()):
        raise ColdMinutesError([problem], exit_code=4)
    made = mappings(files, options.time_zone)
    if not made.files:
        raise ColdMinutesError(
            [
                *made.left_out,
                _problem(
                    "START-03", str(folder), "none of the files is an export that can be used"
                ),
            ],
            exit_code=3,
        )
    folder.parent.mkdir(parents=True, exist_ok=True)
    temp = Path(tempfile.mkdtemp(dir=folder.parent, prefix=f".{folder.name}-starting-"))
    try:
        started = _make(temp, made, options, folder.name, pdf, now or datetime.now(UTC), progress)
        temp.chmod(0o755)
        if folder.exists():
            folder.rmdir()
        temp.rename(folder)
    except BaseException:
        shutil.rmtree(temp, ignore_errors=True)
        raise
    paths = [folder / path.relative_to(temp) for path in started.edition.paths]
    return replace(started, edition=replace(started.edition, paths=paths))


def _make(
    temp: Path,
    made: Mappings,
    options: StartOptions,
    name: str,
    pdf: bool,
    now: datetime,
    progress: Progress | None,
) -> Started:
    told: dict[str, Any] = {
        "operator": options.operator or name,
        "time_zone": options.time_zone,
        "currency": options.currency,
        "energy_price_per_kwh": options.energy_price_per_kwh,
    }
    _write(
        temp / "fleet.toml", fleet_toml(told, options.driver_analysis, options.operator is not None)
    )
    for source_id, draft in made.drafts.items():
        _write(temp / "sources" / f"{source_id}.toml", draft.text)
    (temp / "inbox").mkdir()
    for path in made.files:
        _place(path, temp / "inbox" / path.name)
    fleet = load_fleet(temp)
    lines = _discover(temp, fleet, now, progress)
    edition = make_edition(load_fleet(temp), pdf=pdf, now=now, progress=progress)
    return Started([*lines, *_doubts(made)], edition, made.left_out)


def _discover(temp: Path, fleet: Fleet, now: datetime, progress: Progress | None) -> list[str]:
    """Take the files in, then write vehicles, models and sites as the data show them."""
    with warehouse_of(fleet, in_memory=True) as con:
        take_in(con, fleet, now, progress)
        vehicle_ids = warehouse.query(con, "start/known_vehicles")["vehicle_id"].to_list()
        models = found_models(con, vehicle_ids)
        sites = found_sites(con)
    _write(temp / "models.toml", models_toml(models))
    _write(temp / "vehicles.toml", vehicles_toml(models))
    _write(temp / "sites.toml", sites_toml(sites))
    return [
        f"Found {len(vehicle_ids)} vehicles, {len(models)} kinds of battery and {len(sites)} sites "
        "of fast charging."
    ]


def _doubts(made: Mappings) -> list[str]:
    lines = []
    for source_id, draft in made.drafts.items():
        doubted = [key for key in draft.unsure if not key.startswith("column:")]
        unread_n = len(draft.unsure) - len(doubted)
        text = f"sources/{source_id}.toml: {draft.source.kind}"
        if doubted:
            text += f"; UNSURE of {', '.join(doubted)}"
        if unread_n:
            text += f"; {unread_n} columns not understood"
        lines.append(text)
    return [*lines, "Look at the lines marked UNSURE and assumed before you rely on a figure."]


def _refuse(folder: Path, files: Sequence[Path]) -> None:
    problems = []
    if folder.is_symlink() or (folder.exists() and not folder.is_dir()):
        problems.append(_problem("START-01", str(folder), "this is not a folder"))
    elif folder.is_dir() and any(folder.iterdir()):
        problems.append(_problem("START-01", str(folder), "this folder is not empty"))
    names = Counter(path.name for path in files)
    for path in dict.fromkeys(files):
        if not path.is_file():
            problems.append(_problem("START-02", str(path), "there is no such file"))
    for name, count in names.items():
        if count > 1:
            problems.append(_problem("START-02", name, f"{count} files have this name"))
    if problems:
        raise ColdMinutesError(problems)


def _problem(code: str, where: str, message: str) -> Problem:
    remedies = {
        "START-01": "Name a folder that does not exist yet, or an empty one. Nothing was changed.",
        "START-02": "Name each export once, files of different names. Nothing was written.",
        "START-03": "`coldminutes signals` prints what to ask for. Nothing was written.",
    }
    return Problem(code, "stop", where, message, remedies[code])


def _place(path: Path, target: Path) -> None:
    """A hard link where the file system allows one, else a copy."""
    try:
        os.link(path.resolve(), target)
    except OSError:
        shutil.copy2(path, target)


def _write(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
