"""The process that runs what is scheduled: ``python -m pipeline.flows.runner FLEET...``.

Started by `pipeline.flows.serving`, which has set the environment.
"""

from __future__ import annotations

import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from uuid import UUID

from prefect import serve
from prefect.client.orchestration import SyncPrefectClient, get_client
from prefect.client.schemas.filters import (
    DeploymentFilter,
    DeploymentFilterId,
    FlowRunFilter,
    FlowRunFilterExpectedStartTime,
    FlowRunFilterState,
    FlowRunFilterStateType,
)
from prefect.client.schemas.objects import FlowRun, State, StateType
from prefect.client.schemas.sorting import FlowRunSort
from prefect.states import Crashed

from pipeline.config import load_fleet
from pipeline.flows.deployments import deployments

RUNS_AT_ONCE_N = 2
"""Fleets worked on at a time; one run may take all the memory that ``[limits]`` gives it."""

LATE = timedelta(minutes=2)
KILLED = "The program was stopped while this ran; the next run finishes what it began."
_PAGE_N = 200


def main(folders: list[str]) -> None:
    """Register the plan of every fleet and run it until told to stop."""
    made = [each for folder in folders for each in deployments(load_fleet(Path(folder)))]
    with get_client(sync_client=True) as client:
        for deployment in made:
            tidy(client, _applied(deployment.apply()))
    serve(*made, limit=RUNS_AT_ONCE_N, pause_on_shutdown=False, print_starting_message=False)


def tidy(client: SyncPrefectClient, deployment_id: UUID) -> None:
    """Put right what a kill or a time switched off left behind.

    A run that seems to be under way is of a process that is gone: it would keep its successors
    waiting. Of the runs that were missed only the last is made up for, since each does all that
    is due.
    """
    for run in _runs(client, deployment_id, [StateType.RUNNING, StateType.PENDING]):
        state: State[None] = Crashed(message=KILLED)
        client.set_flow_run_state(run.id, state, force=True)
    late = _runs(client, deployment_id, [StateType.SCHEDULED], datetime.now(UTC) - LATE)
    for run in late[:-1]:
        client.delete_flow_run(run.id)


def _runs(
    client: SyncPrefectClient,
    deployment_id: UUID,
    states: list[StateType],
    before_at: datetime | None = None,
) -> list[FlowRun]:
    """Runs of a deployment in some states, the oldest first."""
    chosen = FlowRunFilter(
        state=FlowRunFilterState(type=FlowRunFilterStateType(any_=states)),
        expected_start_time=FlowRunFilterExpectedStartTime(before_=before_at)
        if before_at
        else None,
    )
    found: list[FlowRun] = []
    while True:
        page = client.read_flow_runs(
            flow_run_filter=chosen,
            deployment_filter=DeploymentFilter(id=DeploymentFilterId(any_=[deployment_id])),
            sort=FlowRunSort.EXPECTED_START_TIME_ASC,
            limit=_PAGE_N,
            offset=len(found),
        )
        found += page
        if len(page) < _PAGE_N:
            return found


def _applied(deployment_id: object) -> UUID:
    if not isinstance(deployment_id, UUID):
        raise TypeError(f"expected the id of a deployment, got {type(deployment_id).__name__}")
    return deployment_id


if __name__ == "__main__":
    main(sys.argv[1:])
