"""The sample fleet, stage by stage and as a whole: seconds of wall and processor, after import.

Usage: .venv/bin/python tests/benchmarks/bench_sample.py
"""

from __future__ import annotations

import os
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import matplotlib.backends.backend_svg  # noqa: F401

import pipeline.actions
import pipeline.minutes
import pipeline.reconcile
import pipeline.weekly
from pipeline.config import load_fleet
from pipeline.demo import copy_sample_fleet
from pipeline.edition import compute, make_edition, newest_week, take_in, warehouse_of
from pipeline.method import METHOD_VERSION, parameters
from pipeline.report import check_pdf_support, report

NOW = datetime(2026, 11, 30, tzinfo=UTC)


def processor_s() -> float:
    """Of this process and those that it has waited for."""
    spent = os.times()
    return spent.user + spent.system + spent.children_user + spent.children_system


@contextmanager
def timed(name: str, walls_s: list[float]) -> Iterator[None]:
    begun_s, before_s = time.perf_counter(), processor_s()
    yield
    walls_s.append(time.perf_counter() - begun_s)
    print(f"{name:10} {walls_s[-1]:6.2f} s wall {processor_s() - before_s:6.2f} s processor")


def main() -> None:
    check_pdf_support()
    parts_s: list[float] = []
    whole_s: list[float] = []
    with tempfile.TemporaryDirectory() as scratch:
        fleet = load_fleet(copy_sample_fleet(Path(scratch) / "parts"))
        with warehouse_of(fleet) as con:
            with timed("ingest", parts_s):
                take_in(con, fleet, NOW)
            with timed("compute", parts_s):
                compute(con, fleet)
            week_id = newest_week(con, fleet, NOW)
            with timed("minutes", parts_s):
                pipeline.minutes.minutes(con, fleet, week_id)
            with timed("reconcile", parts_s):
                pipeline.reconcile.reconcile(con, fleet, week_id)
            with timed("weekly", parts_s):
                pipeline.weekly.weekly(con, fleet, week_id, parameters(fleet))
                pipeline.actions.follow_up(con, week_id)
            with timed("report", parts_s):
                report(
                    con, fleet, week_id, fleet.folder / "reports", pdf=True, with_sheets=True,
                    method_version=METHOD_VERSION, version="0",
                )  # fmt: skip
        fleet = load_fleet(copy_sample_fleet(Path(scratch) / "whole"))
        with timed("whole", whole_s):
            make_edition(fleet, now=NOW)
    print(f"whole / sum of parts: {whole_s[0] / sum(parts_s):.2f}")


if __name__ == "__main__":
    main()
