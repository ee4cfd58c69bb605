"""The made-up sample fleet, copied to where a user may write."""

from __future__ import annotations

import shutil
from pathlib import Path

from pipeline.problems import ColdMinutesError, Problem
from pipeline.resources import folder

_COPIED = (
    "fleet.toml", "vehicles.toml", "models.toml", "sites.toml", "drivers.toml", "weather.csv",
)  # fmt: skip


def copy_sample_fleet(out: Path) -> Path:
    """Copy configuration, sources and inbox of the sample fleet to ``out``; returns it.

    Raises
    ------
    ColdMinutesError
        When something else already lies there: nothing of a user's is overwritten.
    """
    sample = folder("sample_fleet")
    if out.exists() and not (out.is_dir() and _is_ours(out)):
        raise ColdMinutesError(
            [
                Problem(
                    "DEMO-01",
                    "stop",
                    str(out),
                    "something that is not a copy of the sample fleet lies here",
                    "Name another folder: coldminutes demo --out DIR. Nothing was changed.",
                )
            ]
        )
    out.mkdir(parents=True, exist_ok=True)
    for name in _COPIED:
        shutil.copy(sample / name, out / name)
    for name in ("sources", "inbox"):
        shutil.copytree(sample / name, out / name, dirs_exist_ok=True)
    return out


def _is_ours(out: Path) -> bool:
    """An empty folder, or an earlier copy of the sample."""
    mark = out / "fleet.toml"
    ours = (folder("sample_fleet") / "fleet.toml").read_bytes()
    return not any(out.iterdir()) or (mark.is_file() and mark.read_bytes() == ours)
