"""Many documents to PDF: a few here, many in processes of their own, one per core."""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from pipeline.problems import ColdMinutesError, Problem
from pipeline.report.pdf import Attached, write_pdf

FEW_JOBS_N = 20
"""So many short documents take less time than two processes take to start."""

Printed = Callable[[str, int, int], None]


@dataclass(frozen=True)
class PrintJob:
    """One page or more, and the file it becomes.

    Parameters
    ----------
    html
        A whole page of ours.
    path
        Of the PDF; its folder is there.
    attached
        Tables to embed, dated `instant`.
    """

    html: str
    path: Path
    attached: tuple[Attached, ...] = ()
    instant: datetime | None = None


def print_all(
    jobs: Sequence[PrintJob], printed: Printed | None = None, workers_n: int | None = None
) -> None:
    """Print all of them; equal jobs give equal bytes, whoever prints them.

    Parameters
    ----------
    printed
        Called with a file's name, how many are done, and how many there are.
    workers_n
        Processes; by default one per core, and none where the jobs are few.

    Raises
    ------
    ColdMinutesError
        With every document's problems, in the order of the jobs. Some may have been written.
    """
    if workers_n is None:
        workers_n = 0 if len(jobs) <= FEW_JOBS_N else min(os.cpu_count() or 1, 8)
    problems: list[Problem] = []
    if workers_n < 2:
        for done_n, job in enumerate(jobs, 1):
            problems += _print(job)
            if printed is not None:
                printed(job.path.name, done_n, len(jobs))
    else:
        # The warehouse has threads, which a forked process would not survive.
        context = multiprocessing.get_context("spawn")
        with ProcessPoolExecutor(workers_n, mp_context=context) as pool:
            # The longest first, so that no core waits for it at the end.
            order = sorted(range(len(jobs)), key=lambda number: -len(jobs[number].html))
            results = pool.map(_print, [jobs[number] for number in order])
            found = {}
            for done_n, (number, told) in enumerate(zip(order, results, strict=True), 1):
                found[number] = told
                if printed is not None:
                    printed(jobs[number].path.name, done_n, len(jobs))
        problems = [problem for number in range(len(jobs)) for problem in found[number]]
    if problems:
        raise ColdMinutesError(problems, exit_code=4)


def _print(job: PrintJob) -> list[Problem]:
    """Problems as data: an exception does not travel well between processes."""
    try:
        write_pdf(job.html, job.path, job.attached, job.instant)
    except ColdMinutesError as error:
        return error.problems
    return []
