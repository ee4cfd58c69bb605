"""A person in files of the fleet folder: exports in inbox and archive, and the configuration."""

from __future__ import annotations

import hashlib
import os
import re
import tomllib
from pathlib import Path

import duckdb
import polars as pl

from pipeline import warehouse
from pipeline.config import Fleet
from pipeline.deliver.forgetting import without_deliveries
from pipeline.draft.write import toml_key, toml_value
from pipeline.ingest.archived import ARCHIVE, Archived, list_archive
from pipeline.ingest.inbox import list_inbox, matching_sources, safe_name
from pipeline.people.put import replace_file
from pipeline.people.rewrite import Remover
from pipeline.people.unpacked import unzstd, zstd_packed
from pipeline.source_config import Source

_TABLE_HEAD = re.compile(r"^\s*\[")


def inbox_without(
    con: duckdb.DuckDBPyConnection, fleet: Fleet, remover: Remover
) -> tuple[list[str], list[str]]:
    """Rewrite the exports in inbox and archive that hold the person, or remove what cannot be.

    The ledger is told the new hashes, so that no rewritten file is taken in again. The rows of a
    removed file stay in the warehouse.

    Returns
    -------
    tuple
        Names of the files rewritten and of those removed, the person's words taken out of them.
    """
    rewritten: list[str] = []
    dropped: list[str] = []
    told: list[tuple[str, int, str, str | None]] = []
    seen: list[tuple[str, int, int]] = []
    for file in list_inbox(fleet.inbox)[0]:
        old = file.path.read_bytes()
        remover.members = {}
        new = remover.content(file.name, old, lambda name: source_of(fleet, name))
        shown = remover.in_text(file.name)
        is_renamed = shown != file.name
        target = fleet.inbox / shown
        if new is None or (is_renamed and target.exists()):
            file.path.unlink()
            dropped.append(shown)
            continue
        if new == old and not is_renamed:
            continue
        target.parent.mkdir(parents=True, exist_ok=True)
        replace_file(target, new)
        if is_renamed:
            file.path.unlink()
        rewritten.append(shown)
        state = target.stat()
        seen.append((shown, state.st_size, state.st_mtime_ns))
        told.append((shown, len(new), _hash(new), _hash(old)))
        told += _members(shown, remover)
    for archived in list_archive(fleet):
        shown = f"{ARCHIVE}/{archived.sorting}/{remover.in_text(archived.name)}"
        is_changed = _archived_without(fleet, remover, archived, told)
        if is_changed is None:
            dropped.append(shown)
        elif is_changed:
            rewritten.append(shown)
    with warehouse.transaction(con):
        _tell_ledger(con, told, seen)
    return rewritten, dropped


def _archived_without(
    fleet: Fleet,
    remover: Remover,
    archived: Archived,
    told: list[tuple[str, int, str, str | None]],
) -> bool | None:
    """Rewrite one export of the archive, if it holds the person; None where it had to go."""
    old = archived.path.read_bytes()
    plain = old
    remover.members = {}
    try:
        plain = unzstd(old) if archived.is_packed else old
    except (OSError, ValueError):  # damaged; or too large, which the search for traces names
        return False
    new = remover.content(archived.name, plain, lambda name: source_of(fleet, name))
    shown = remover.in_text(archived.name)
    if new is None:
        archived.path.unlink()
        return None
    if new == plain and shown == archived.name:
        return False
    # A name may hold what cannot be shown; then it is kept as it is, like that of the inbox.
    inside = archived.path.relative_to(fleet.folder / ARCHIVE / archived.sorting).as_posix()
    renamed = remover.in_text(inside) if shown != archived.name else inside
    target = fleet.folder / ARCHIVE / archived.sorting / renamed
    if target != archived.path and target.exists():
        archived.path.unlink()
        return None
    target.parent.mkdir(parents=True, exist_ok=True)
    times_ns = archived.path.stat().st_mtime_ns
    replace_file(target, zstd_packed(new) if archived.is_packed else new)
    os.utime(target, ns=(times_ns, times_ns))
    if target != archived.path:
        archived.path.unlink()
    told.append((shown, len(new), _hash(new), _hash(plain)))
    told += _members(shown, remover)
    return True


def _members(shown: str, remover: Remover) -> list[tuple[str, int, str, str | None]]:
    """What the ledger is told of the members of a zip just rewritten."""
    return [
        (f"{shown}/{remover.in_text(safe_name(member))}", len(content), _hash(content), None)
        for member, content in remover.members.items()
    ]


def config_without(fleet: Fleet, remover: Remover) -> None:
    """Take words that mean only the person out of the other configuration files.

    A file that would no longer be TOML is left as it was; the search for traces names it.
    """
    for path in sorted([*fleet.folder.glob("*.toml"), *fleet.folder.glob("*/*.toml")]):
        if path.name == "drivers.toml" and path.parent == fleet.folder:
            continue
        text = path.read_text(encoding="utf-8")
        if path.name == "fleet.toml" and path.parent == fleet.folder:
            text_now = without_deliveries(text, remover.person.driver_id)
        else:
            text_now = text
        made = remover.in_text(text_now)
        if made != text and _is_toml(made):
            replace_file(path, made.encode())


def driver_without(fleet: Fleet, remover: Remover) -> None:
    """Take the driver's entry out of ``drivers.toml``, the rest of the file as it was."""
    path = fleet.folder / "drivers.toml"
    if not path.exists():
        return
    text = path.read_text(encoding="utf-8")
    wanted = tomllib.loads(text)
    wanted.get("drivers", {}).pop(remover.person.driver_id, None)
    made = remover.in_text(_cut(text, remover.person.driver_id))
    if not (_is_toml(made) and _same(tomllib.loads(made), wanted)):
        # Written in a way that cannot be cut by lines: anew, without its comments.
        made = "".join(
            f"[drivers.{toml_key(driver_id)}]\n"
            + "".join(f"{toml_key(key)} = {toml_value(value)}\n" for key, value in entry.items())
            + "\n"
            for driver_id, entry in wanted.get("drivers", {}).items()
        )
    if made != text:
        replace_file(path, made.encode())


def _cut(text: str, driver_id: str) -> str:
    """The text without the lines of one table, up to the next one."""
    heads = {f"[drivers.{key}]" for key in (driver_id, f'"{driver_id}"', f"'{driver_id}'")}
    kept = []
    is_inside = False
    for line in text.splitlines(keepends=True):
        if _TABLE_HEAD.match(line):
            is_inside = line.split("#")[0].replace(" ", "").strip() in {
                head.replace(" ", "") for head in heads
            }
        if not is_inside:
            kept.append(line)
    return "".join(kept)


def _same(made: dict[str, object], wanted: dict[str, object]) -> bool:
    return made.get("drivers", {}) == wanted.get("drivers", {})


def _is_toml(text: str) -> bool:
    try:
        tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return False
    return True


def source_of(fleet: Fleet, name: str) -> Source | None:
    """The source that reads a file, or the archive it is a member of; one with drivers first."""
    path = Path(name)
    for each in (name, *(parent.as_posix() for parent in path.parents)):
        ids = matching_sources(each, fleet.sources)
        if ids:
            found = [fleet.sources[source_id] for source_id in ids]
            return next((source for source in found if "driver_id" in source.columns), found[0])
    return None


def _tell_ledger(
    con: duckdb.DuckDBPyConnection,
    told: list[tuple[str, int, str, str | None]],
    seen: list[tuple[str, int, int]],
) -> None:
    names = ["file_path", "size_bytes", "content_sha256", "old_sha256"]
    kinds: list[pl.DataType] = [pl.String(), pl.Int64(), pl.String(), pl.String()]
    frame = pl.DataFrame(told, schema=dict(zip(names, kinds, strict=True)), orient="row")
    warehouse.register(con, "rewritten_files", frame)
    warehouse.run(con, "people/tell_files")
    names, kinds = [*names[:2], "modified_ns"], [*kinds[:2], pl.Int64()]
    frame = pl.DataFrame(seen, schema=dict(zip(names, kinds, strict=True)), orient="row")
    warehouse.register(con, "rewritten_inbox", frame)
    warehouse.run(con, "people/tell_inbox_files")


def _hash(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()
