"""Many documents to PDF: a few here, many in processes of their own, one per core."""

from __future__ import annotations

import multiprocessing
import os
import pickle
import tempfile
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from types import TracebackType

from pipeline.problems import ColdMinutesError, Problem
from pipeline.report.pdf import Attached, write_pdf

FEW_JOBS_N = 3
"""So many short documents take less time than two processes take to start."""
MOST_WORKERS_N = 8
"""Each has a document's boxes in memory, a quarter of a gigabyte for a long one."""

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


def cores_n() -> int:
    """Cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


class Press:
    """Prints jobs in processes of its own as they come, while their maker makes the next.

    Parameters
    ----------
    workers_n
        Processes; with fewer than two all is printed in this one, by `finish`. By default one
        per core.

    Examples
    --------
    ::

        with Press() as press:
            press.take(job)
            press.finish()
    """

    def __init__(self, workers_n: int | None = None) -> None:
        if workers_n is None:
            workers_n = min(cores_n(), MOST_WORKERS_N)
        self.pool: ProcessPoolExecutor | None = None
        self._jobs: list[PrintJob] = []
        self._running: list[Future[list[Problem]]] = []
        if workers_n > 1:
            # Jobs travel as files: a process that is killed while a long page comes to it by a
            # pipe leaves this one writing for ever (a known fault of Python's pools).
            self._pages = tempfile.TemporaryDirectory(prefix="pages-")
            # Never by forking: the warehouse has threads. Nor from a server of forks, which now
            # and then does not tell of a child that the system killed.
            self.pool = ProcessPoolExecutor(
                workers_n,
                mp_context=multiprocessing.get_context("spawn"),
                initializer=_begin,
            )
            self.pool.submit(_ready)  # what they need is loaded while the first page is made

    def __enter__(self) -> Press:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Wait for what is being printed: its folder may be gone after this."""
        if self.pool is not None:
            self.pool.shutdown(wait=True, cancel_futures=True)
            self._pages.cleanup()

    def take(self, job: PrintJob) -> None:
        """Print this one as soon as a process is free."""
        self._jobs.append(job)
        if self.pool is None:
            return
        page = Path(self._pages.name) / str(len(self._jobs))
        page.write_bytes(pickle.dumps(job))
        try:
            self._running.append(self.pool.submit(_print_page, page))
        except BrokenProcessPool as broken:
            self._running.append(Future())
            self._running[-1].set_exception(broken)

    def finish(self, printed: Printed | None = None) -> None:
        """Wait until all are printed; equal jobs give equal bytes, whoever prints them.

        What a process left undone because the system killed it, for want of memory say, is
        printed here.

        Parameters
        ----------
        printed
            Called with a file's name, how many are done, and how many there are.

        Raises
        ------
        ColdMinutesError
            With every document's problems, in the order of the jobs. Some may have been written.
        """
        problems: list[Problem] = []
        for number, job in enumerate(self._jobs):
            if self.pool is None:
                problems += _print(job)
            else:
                try:
                    problems += self._running[number].result()
                except BrokenProcessPool:
                    problems += _print(job)
            if printed is not None:
                printed(job.path.name, number + 1, len(self._jobs))
        self._jobs, self._running = [], []
        if problems:
            raise ColdMinutesError(problems, exit_code=4)


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
    if workers_n is None and len(jobs) <= FEW_JOBS_N:
        workers_n = 0
    with Press(workers_n) as press:
        for job in jobs:
            press.take(job)
        press.finish(printed)


def _ready() -> None:
    """Nothing: the processes begin with the first thing that they are given."""


def _begin() -> None:
    from pipeline.report.print_worker import begin

    begin()


def _print_page(page: Path) -> list[Problem]:
    """Print a job that `Press.take` wrote."""
    return _print(pickle.loads(page.read_bytes()))


def _print(job: PrintJob) -> list[Problem]:
    """Problems as data: an exception does not travel well between processes."""
    try:
        write_pdf(job.html, job.path, job.attached, job.instant)
    except ColdMinutesError as error:
        return error.problems
    return []
