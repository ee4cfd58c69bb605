"""The cluster a run is shared out on; the only module here that knows Dask."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, TypeVar

from pipeline.problems import ColdMinutesError, Problem
from pipeline.scale_config import LOCAL, Scale

Job = TypeVar("Job")
Answer = TypeVar("Answer")

PATIENCE_S = 30


@dataclass(frozen=True)
class Stopped:
    """A job that ended in a finding, which travels as data."""

    problems: list[Problem]
    exit_code: int


def _answer(work: Callable[[Any], Any], job: Any) -> Any:
    try:
        return work(job)
    except ColdMinutesError as error:
        return Stopped(error.problems, error.exit_code)


@dataclass(frozen=True)
class Cluster:
    """Workers that are ready."""

    client: Any

    def done(
        self,
        work: Callable[[Job], Answer],
        jobs: Sequence[Job],
        told: Callable[[int], None] | None = None,
    ) -> list[Answer]:
        """Answers in the order of the jobs. A job whose worker died is given to another.

        Raises
        ------
        ColdMinutesError
            What a job raised, or SCALE-03 where several workers died over the same job.
        """
        from distributed import as_completed
        from distributed.scheduler import KilledWorker

        futures = [self.client.submit(_answer, work, job, pure=False) for job in jobs]
        try:
            ended = as_completed(futures, loop=self.client.loop)
            for number, _ in enumerate(ended, 1):
                if told is not None:
                    told(number)
            answers = [future.result() for future in futures]
        except KilledWorker as error:
            raise ColdMinutesError([_killed(error)], exit_code=4) from error
        finally:
            for future in futures:
                future.release()
        for answer in answers:
            if isinstance(answer, Stopped):
                raise ColdMinutesError(answer.problems, answer.exit_code)
        return answers


@contextmanager
def cluster_of(scale: Scale) -> Iterator[Cluster]:
    """Start processes on this machine, or reach the scheduler named.

    Raises
    ------
    ColdMinutesError
        SCALE-01, where the extra is missing or the scheduler does not answer.
    """
    try:
        from prefect_dask.task_runners import DaskTaskRunner
    except ImportError as error:
        problem = Problem(
            "SCALE-01",
            "stop",
            "fleet.toml, key scale",
            f"the libraries for a cluster are not installed ({error})",
            "Install the extra: pip install 'coldminutes[scale]', or remove [scale] to run on "
            "this machine alone. Nothing was changed.",
        )
        raise ColdMinutesError([problem], exit_code=4) from error
    import dask

    # No page shows what is at work, to whom it does not concern.
    unseen: dict[str, list[str]] = {
        f"distributed.{part}.http.routes": [] for part in ("scheduler", "worker", "nanny")
    }
    with dask.config.set(unseen), DaskTaskRunner(**_settings(scale)) as runner:
        try:
            client = runner.client
        except (OSError, TimeoutError) as error:
            problem = Problem(
                "SCALE-01",
                "stop",
                f"fleet.toml, key scale.scheduler, '{scale.scheduler}'",
                f"no scheduler answers there ({type(error).__name__})",
                "Start it, mend the address, or remove [scale] to run on this machine alone. "
                "Nothing was changed.",
            )
            raise ColdMinutesError([problem], exit_code=4) from error
        yield Cluster(client)


def _settings(scale: Scale) -> dict[str, Any]:
    if scale.scheduler != LOCAL:
        return {"address": scale.scheduler, "client_kwargs": {"timeout": PATIENCE_S}}
    return {
        "cluster_class": "distributed.LocalCluster",
        "cluster_kwargs": {
            "n_workers": scale.workers_n or os.cpu_count() or 1,
            "threads_per_worker": 1,
            "processes": True,
            "host": "127.0.0.1",
            # Whoever reaches a scheduler may run code on it, so other users of this machine must
            # not: certificates made for this run only.
            "security": True,
            "dashboard_address": None,
            "memory_limit": 0,  # the database keeps to limits.memory_gb by itself
        },
    }


def _killed(error: Exception) -> Problem:
    return Problem(
        "SCALE-03",
        "stop",
        "fleet.toml, key scale",
        f"several workers died over one piece of work ({str(error).splitlines()[0]:.200})",
        "Most often memory: lower scale.vehicles_n or limits.memory_gb. What was taken in before "
        "was kept; run again to go on.",
    )
