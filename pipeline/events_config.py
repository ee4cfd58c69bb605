"""``[[events]]`` of ``fleet.toml``: days from which on something was to change.

They are marked in the report and compared before and after; they change no other figure.
"""

from __future__ import annotations

from collections.abc import Collection
from datetime import date
from typing import Annotated, Literal

from pydantic import Field

from pipeline.problems import Problem
from pipeline.source_config import Settings

MOST_EVENTS_N = 100

EventKind = Literal["training", "software", "other"]


class Event(Settings):
    """A training, an update, or another day that the start rate is compared around."""

    date: Annotated[date, Field(description="Local day from whose beginning on it holds.")]
    name: Annotated[str, Field(min_length=1, max_length=120)]
    kind: EventKind = "other"
    vehicles: tuple[str, ...] = Field((), description="Only these vehicles; empty means all.")
    sites: tuple[str, ...] = Field((), description="Only these sites; empty means all.")


Events = Annotated[
    tuple[Event, ...],
    Field(max_length=MOST_EVENTS_N, description="Trainings and updates to compare around."),
]


def event_problems(
    events: tuple[Event, ...], vehicles: Collection[str], sites: Collection[str]
) -> list[Problem]:
    """``CONFIG-04`` for every vehicle and site of an event that no file of the folder knows."""
    known = {"vehicles": vehicles, "sites": sites}
    return [
        Problem(
            "CONFIG-04",
            "stop",
            f"fleet.toml, key events.{number}.{key}",
            f"got '{name}', which is none of the {key} configured",
            f"Add it to {key}.toml, or mend the name.",
        )
        for number, event in enumerate(events)
        for key in known
        for name in getattr(event, key)
        if name not in known[key]
    ]
