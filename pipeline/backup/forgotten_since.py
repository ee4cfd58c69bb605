"""People forgotten after a backup was made: it must not bring them back."""

from __future__ import annotations

from pathlib import Path

from pipeline.backup.copying import opened
from pipeline.backup.store import CONFIG, WAREHOUSE
from pipeline.config import Fleet, load_fleet
from pipeline.people.blocked import Blocked
from pipeline.people.compact import compact
from pipeline.people.files import config_without, driver_without
from pipeline.people.keys import default_key_path
from pipeline.people.rewrite import Remover
from pipeline.people.tables import rows_without
from pipeline.people.words import person


def merged_list(present: Path, restored: Path) -> str | None:
    """The list of people forgotten with the lines of both, or None where there is neither."""
    lines: dict[str, None] = {}
    for path in (restored, present):
        if path.is_file():
            lines |= dict.fromkeys(path.read_text("ascii", "replace").splitlines())
    return "\n".join(lines) + "\n" if lines else None


def forget_again(folder: Path, staged: Path, list_text: str | None) -> int:
    """Take people on the list out of what is about to be restored; how many there were.

    The list holds keyed hashes only; who is meant is found by hashing the ids, names and aliases
    of the drivers that the backup knows.

    Parameters
    ----------
    folder
        Where it will be restored; keys are looked up for this folder.
    staged
        The backup, laid out: ``fleet/`` and ``warehouse.duckdb``.
    list_text
        The list, lines of both.

    Raises
    ------
    ColdMinutesError
        PEOPLE-02 where the list cannot be held against anybody for want of its key.
    """
    config = staged / CONFIG
    restored = config / "forgotten.txt"
    before = restored.read_text("ascii", "replace") if restored.is_file() else ""
    if list_text is None or set(list_text.splitlines()) <= set(before.splitlines()):
        return 0
    restored.write_text(list_text, encoding="ascii", errors="replace")
    there = load_fleet(config)
    # Keys are found by the folder that the fleet lives in, and by its settings.
    blocked = Blocked(_at(folder, there, list_at=config))
    fleet = there.model_copy(update={"folder": folder})
    with opened(staged / WAREHOUSE, fleet.settings.limits, read_only=False) as con:
        told = set(there.drivers)
        tables = con.execute(
            "select table_name from duckdb_columns() "
            "where database_name = 'warehouse' and column_name = 'driver_id' "
            "and table_name in (select table_name from duckdb_tables() where not temporary)"
        ).fetchall()
        for (table,) in tables:
            sql = f'select distinct driver_id from "{table}" where driver_id is not null'  # noqa: S608
            told |= {row[0] for row in con.execute(sql).fetchall()}
        people = {each.driver_id: each for each in (person(fleet, word) for word in sorted(told))}
        gone = [each for each in people.values() if any(map(blocked.names, each.words))]
        for each in gone:
            remover = Remover(each)
            rows_without(con, there, remover)
            config_without(there, remover)
            driver_without(there, remover)
    if gone:
        compact(staged / WAREHOUSE)
    return len(gone)


def _at(folder: Path, there: Fleet, list_at: Path) -> Fleet:
    """The fleet whose list lies at one place and whose keys belong to another."""
    key_file = there.settings.privacy.key_file
    at_home = there.model_copy(update={"folder": folder})
    path = folder / key_file if key_file is not None else default_key_path(at_home)
    privacy = there.settings.privacy.model_copy(update={"key_file": path})
    settings = there.settings.model_copy(update={"privacy": privacy})
    return there.model_copy(update={"folder": list_at, "settings": settings})
