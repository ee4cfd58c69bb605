"""The plan of a fleet as Prefect deployments."""

from __future__ import annotations

import json
from typing import Any

import httpx
import prefect
from prefect.client.orchestration import get_client
from prefect.client.schemas.objects import ConcurrencyLimitConfig, ConcurrencyLimitStrategy
from prefect.deployments.runner import RunnerDeployment
from prefect.exceptions import ObjectNotFound
from prefect.schedules import Cron
from prefect.settings import PREFECT_API_URL
from prefect.types.entrypoint import EntrypointType

from pipeline.config import Fleet
from pipeline.flows import jobs
from pipeline.flows.plan import Planned, planned
from pipeline.problems import ColdMinutesError, Problem

DESCRIPTION = "Cold Minutes: {job} of {folder}. Set by [schedule] in its fleet.toml."


def deployments(fleet: Fleet, pool: str | None = None) -> list[RunnerDeployment]:
    """One deployment per planned job; one run of each at a time.

    Parameters
    ----------
    pool
        A work pool of an existing server; none where this process runs them itself.
    """
    return [_deployment(item, pool) for item in planned(fleet)]


def apply(fleet: Fleet, pool: str) -> list[str]:
    """Write the deployments of a fleet to the server that Prefect is set to; their names.

    Raises
    ------
    ColdMinutesError
        ``SERVE-05``, where no server is named, it does not answer, or it has no such pool.
    """
    url = PREFECT_API_URL.value()
    if not url:
        raise _refused("PREFECT_API_URL", "is not set, so no server is known")
    made = deployments(fleet, pool)
    try:
        with get_client(sync_client=True) as client:
            client.read_work_pool(pool)
        for deployment in made:
            deployment.apply(work_pool_name=pool)
    except ObjectNotFound as error:
        raise _refused(pool, f"is no work pool of {url}") from error
    except (httpx.HTTPError, OSError) as error:
        raise _refused(url, f"did not take the deployments ({' '.join(str(error).split())[:300]})"
                       ) from error  # fmt: skip
    return [f"{deployment.flow_name}/{deployment.name}" for deployment in made]


def as_yaml(fleet: Fleet, pool: str) -> str:
    """The same as a file for ``prefect deploy --all --prefect-file``."""
    entries = [
        {
            "name": item.name,
            "description": DESCRIPTION.format(job=item.job, folder=item.folder),
            "entrypoint": f"pipeline.flows.jobs:{item.job}",
            "parameters": {"fleet_folder": item.folder},
            "work_pool": {"name": pool},
            "schedules": [{"cron": item.cron, "timezone": item.time_zone, "active": True}],
            "concurrency_limit": {
                "limit": 1,
                "collision_strategy": _strategy(item).value,
            },
            "pull": [],
        }
        for item in planned(fleet)
    ]
    told: dict[str, Any] = {
        "name": "coldminutes",
        "prefect-version": prefect.__version__,
        "deployments": entries,
    }
    # Every JSON text is YAML 1.2, and its quoting leaves no name a chance to be read as markup.
    return json.dumps(told, indent=2) + "\n"


def _deployment(item: Planned, pool: str | None) -> RunnerDeployment:
    flow = getattr(jobs, item.job)
    made: RunnerDeployment = flow.to_deployment(
        item.name,
        schedules=[Cron(item.cron, timezone=item.time_zone)],
        concurrency_limit=ConcurrencyLimitConfig(limit=1, collision_strategy=_strategy(item)),
        parameters={"fleet_folder": item.folder},
        description=DESCRIPTION.format(job=item.job, folder=item.folder),
        tags=["coldminutes"],
        work_pool_name=pool,
        entrypoint_type=EntrypointType.MODULE_PATH,
    )
    return made


def _refused(where: str, message: str) -> ColdMinutesError:
    problem = Problem(
        "SERVE-05",
        "stop",
        where,
        message,
        "Look at PREFECT_API_URL and `prefect work-pool ls`; with --out FILE the deployments are "
        "written for `prefect deploy` instead, and no server is asked.",
    )
    return ColdMinutesError([problem], exit_code=4)


def _strategy(item: Planned) -> ConcurrencyLimitStrategy:
    if item.skips:
        return ConcurrencyLimitStrategy.CANCEL_NEW
    return ConcurrencyLimitStrategy.ENQUEUE
