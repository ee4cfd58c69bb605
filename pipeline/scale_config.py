"""``[scale]`` of ``fleet.toml``: a cluster that shares the work of one run."""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import AfterValidator, Field

from pipeline.source_config import Settings

LOCAL = "local"
_ADDRESS = re.compile(r"(tcp|tls|ws|wss)://\S+:\d+")
_SECRET = re.compile(r"://[^/\s]*:[^/\s]*@")


def _scheduler(value: str) -> str:
    if value != LOCAL and not _ADDRESS.fullmatch(value):
        raise ValueError("expected 'local', or an address such as 'tls://scheduler:8786'")
    return value


def _storage(value: str) -> str:
    if _SECRET.search(value):
        raise ValueError(
            "an address with a password in it; secrets come from the environment of the machines"
        )
    return value.rstrip("/")


class Scale(Settings):
    """Where the work of one run is shared out. Needs the extra ``scale``."""

    scheduler: Annotated[str, AfterValidator(_scheduler)] = Field(
        LOCAL, description="Address of a Dask scheduler, or 'local' for processes of this machine."
    )
    workers_n: Annotated[int, Field(ge=1, le=256)] | None = Field(
        None, description="Processes, where the scheduler is 'local'; one per core by default."
    )
    storage: Annotated[str, Field(min_length=1), AfterValidator(_storage)] = Field(
        description="Folder or object store that this machine and every worker reads and writes; "
        "what lies there is removed when the run ends."
    )
    vehicles_n: Annotated[int, Field(ge=1, le=1000)] = Field(
        8, description="Vehicles in one piece of work."
    )
