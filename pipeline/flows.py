"""Prefect flows: thin wrappers over the same functions that the command line calls.

The only module that imports Prefect. Tasks are given a path and a week, never frames.
"""

from __future__ import annotations

from pathlib import Path

from prefect import flow, task

from pipeline.config import load_fleet
from pipeline.edition import make_edition


@task(name="weekly edition", task_run_name="{week_id}")
def edition_task(
    fleet_folder: str, week_id: str | None = None, out_dir: str | None = None, pdf: bool = True
) -> list[str]:
    """Make one edition; returns the paths written. Not retried: its errors are the user's."""
    edition = make_edition(
        load_fleet(Path(fleet_folder)), week_id, Path(out_dir) if out_dir else None, pdf
    )
    return [str(path) for path in edition.paths]


@flow(name="coldminutes weekly report", flow_run_name="{fleet_folder}")
def weekly_report(
    fleet_folder: str, week_id: str | None = None, out_dir: str | None = None, pdf: bool = True
) -> list[str]:
    """Ingest what is new, compute, write the week's documents and tables."""
    return edition_task(fleet_folder, week_id, out_dir, pdf)
