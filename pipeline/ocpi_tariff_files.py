"""The folder ``tariffs/`` of a fleet: OCPI tariff objects as their operators hand them out."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from pipeline.ocpi_tariff_config import MAX_TARIFF_FILE_BYTES, OcpiTariff, tariffs_in
from pipeline.problems import Problem


def read_tariffs(folder: Path, problems: list[Problem]) -> dict[str, OcpiTariff]:
    """Tariffs by id from all ``*.json`` of a folder; problems are appended.

    A file holds one tariff object, a list of them, or the envelope of a response.
    """
    found: dict[str, OcpiTariff] = {}
    origin: dict[str, str] = {}
    for path in sorted(folder.glob("*.json")):
        where = f"tariffs/{path.name}"
        try:
            if path.stat().st_size > MAX_TARIFF_FILE_BYTES:
                raise ValueError(f"larger than {MAX_TARIFF_FILE_BYTES >> 20} MB")
            text = path.read_text(encoding="utf-8-sig")
        except (OSError, ValueError) as error:
            problems.append(_unreadable(where, f"cannot be read: {error}"))
            continue
        for tariff in tariffs_in(text):
            if isinstance(tariff, str):
                problems.append(_unreadable(where, tariff))
            elif tariff.id in found and found[tariff.id] != tariff:
                problems.append(
                    Problem(
                        "CONFIG-04",
                        "stop",
                        where,
                        f"got another tariff '{tariff.id}', which {origin[tariff.id]} has already",
                        "Keep the one that is in force, or give one of them another id.",
                    )
                )
            else:
                found[tariff.id], origin[tariff.id] = tariff, where
    return found


def tariff_problems(
    named: Mapping[str, str | None], tariffs: Mapping[str, OcpiTariff], currency: str
) -> list[Problem]:
    """What stands between sites and the tariffs that they name (site id -> tariff id)."""
    problems = []
    for site_id, tariff_id in named.items():
        if tariff_id is None:
            continue
        where = f"sites.toml, key sites.{site_id}.ocpi_tariff"
        tariff = tariffs.get(tariff_id)
        if tariff is None:
            known = ", ".join(sorted(tariffs)) or "(none are there)"
            problems.append(
                Problem(
                    "CONFIG-04",
                    "stop",
                    where,
                    f"got '{tariff_id}', expected the id of a tariff in tariffs/: {known}",
                    "Put the tariff object into tariffs/ as JSON, or mend the id.",
                )
            )
        elif tariff.currency != currency:
            problems.append(
                Problem(
                    "CONFIG-04",
                    "stop",
                    where,
                    f"its prices are in {tariff.currency}, the fleet counts in {currency}",
                    "Remove the key; costs then come from invoices or the fleet's price.",
                )
            )
        elif tariff.needs_current:
            problems.append(
                Problem(
                    "CONFIG-04",
                    "stop",
                    where,
                    "its prices depend on current (min_current or max_current), which no export "
                    "tells",
                    "Remove the key; bring the invoiced sums of this site instead.",
                )
            )
    return problems


def _unreadable(where: str, message: str) -> Problem:
    return Problem(
        "CONFIG-02",
        "stop",
        where,
        message,
        "Mend it after OCPI 2.2.1 or 2.3.0, mod_tariffs, or take the file out of the folder.",
    )
