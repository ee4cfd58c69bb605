"""Artifacts: the week's figures as a table, and links to the documents."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any
from urllib.parse import quote

from prefect.artifacts import create_markdown_artifact, create_table_artifact

from pipeline.config import Fleet
from pipeline.flows.plan import key_of

FIGURES = (
    "week", "vehicles", "stops", "needed_warming", "warmed", "not_warmed", "hit_rate",
    "lost_cold_min", "avoidable_min", "warming_kwh", "warming_cost", "currency",
)  # fmt: skip
"""Of ``summary.json``: what the first page says."""

_MARKS = re.compile(r"([\\`*_{}\[\]()#+!|<>~-])")


def publish(fleet: Fleet, kind: str, title: str, paths: list[str]) -> None:
    """Show documents, and of a week its figures.

    Parameters
    ----------
    kind
        ``week``, ``accounts`` or ``budget``: names the artifact with the fleet.
    paths
        Files written.
    """
    key = f"{key_of(fleet.folder)}-{kind}"
    create_markdown_artifact(documents_markdown(fleet, title, paths), key=key, description=title)
    summary = next((path for path in paths if Path(path).name == "summary.json"), None)
    if summary is not None:
        create_table_artifact(week_table(Path(summary)), key=f"{key}-table", description=title)


def documents_markdown(fleet: Fleet, title: str, paths: list[str]) -> str:
    """A list of links; names are escaped, because they come from the fleet's own files."""
    lines = [f"## {escaped(fleet.settings.operator)}: {escaped(title)}", ""]
    for path in paths:
        if Path(path).parent.name != "tables":
            shown = Path(path).relative_to(fleet.folder) if _is_below(path, fleet) else Path(path)
            lines.append(f"- [{escaped(str(shown))}](file://{quote(path)})")
    return "\n".join(lines)


def week_table(summary: Path) -> list[dict[str, Any]]:
    """The week's figures, one row, from its ``summary.json``."""
    told = json.loads(summary.read_text(encoding="utf-8"))
    return [{name: told[name] for name in FIGURES if name in told}]


def escaped(text: str) -> str:
    r"""Text that Markdown prints as it is.

    >>> print(escaped("[a](javascript:b)"))
    \[a\]\(javascript:b\)
    """
    return _MARKS.sub(r"\\\1", " ".join(text.split()))


def _is_below(path: str, fleet: Fleet) -> bool:
    return Path(path).is_relative_to(fleet.folder)
