"""What if: scenarios of a budget, from ``[[scenario]]`` tables or the command line."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

from pydantic import ValidationError

from pipeline.budget.refusals import refuse
from pipeline.budget_config import MOST_SCENARIOS_N, Scenario, Warming
from pipeline.problems import ColdMinutesError

__all__ = ["STANDARD", "Scenario", "load_scenarios", "parse_scenario", "standard_scenarios"]

STANDARD: tuple[Warming, ...] = ("as_today", "everyone", "nobody", "target")


def standard_scenarios(target_hit_rate: float | None) -> list[Scenario]:
    """The four (three without a target) that every budget shows."""
    found = [Scenario(name=name, warming=name) for name in STANDARD[:3]]
    if target_hit_rate is not None:
        found.append(Scenario(name="target", warming="target", target_hit_rate=target_hit_rate))
    return found


def load_scenarios(tables: Sequence[Mapping[str, Any]], where: str) -> list[Scenario]:
    """Scenarios from a ``[[scenario]]`` list as read from TOML.

    Raises
    ------
    ColdMinutesError
        ``BUDGET-04`` with every mistake of every scenario.
    """
    problems = []
    found: list[Scenario] = []
    for number, table in enumerate(tables, 1):
        try:
            found.append(Scenario.model_validate(table))
        except ValidationError as error:
            for detail in error.errors(include_url=False):
                key = ".".join(str(part) for part in detail["loc"]) or "(whole scenario)"
                message = str(detail["msg"]).removeprefix("Value error, ")
                problems += refuse(
                    "BUDGET-04", f"{where}, scenario {number}, key {key}", message,
                    f"A scenario may hold: {', '.join(Scenario.model_fields)}.",
                ).problems  # fmt: skip
    names = [scenario.name for scenario in found]
    for name in sorted({name for name in names if names.count(name) > 1}):
        problems += refuse("BUDGET-04", where, f"two scenarios are called {name!r}",
                           "Give each its own name.").problems  # fmt: skip
    if len(tables) > MOST_SCENARIOS_N:
        message = f"{len(tables)} scenarios, at most {MOST_SCENARIOS_N} fit beside each other"
        problems += refuse("BUDGET-04", where, message, "Leave some out.").problems
    if problems:
        raise ColdMinutesError(problems)
    return found


def parse_scenario(text: str) -> Scenario:
    """A scenario from the command line: ``NAME: key=value, key=value``.

    Raises
    ------
    ColdMinutesError
        ``BUDGET-04`` when it cannot be read.

    Examples
    --------
    >>> parse_scenario("Dear and cold: price_per_kwh=0.6, winter_shift_kelvin=-2").price_per_kwh
    0.6
    """
    name, colon, rest = text.partition(":")
    table: dict[str, Any] = {"name": name.strip()}
    for part in rest.split(",") if rest.strip() else []:
        match = re.fullmatch(r"\s*(\w+)\s*=\s*(\S.*?)\s*", part, flags=re.ASCII)
        if not match or match[1] in table:
            raise refuse(
                "BUDGET-04", "--scenario", f"cannot read {part.strip()!r:.60}",
                "Write it like 'Dear: price_per_kwh=0.60, winter_shift_kelvin=-2', each key once.",
            )  # fmt: skip
        table[match[1]] = match[2]
    if not colon:
        raise refuse("BUDGET-04", "--scenario", f"got {text!r:.60} without a colon",
                     "Write NAME: key=value, key=value.")  # fmt: skip
    return load_scenarios([table], "--scenario")[0]
