"""The process of its own in which one measurement file (ASAM MDF 4) is taken apart.

Such a file is a web of links, compressed blocks and formulas, and the library that follows them
trusts what it is told. So it runs apart from the import, with an end to its memory, and leaves
one Parquet file behind, or the reason why there is none: see `pipeline.ingest.read_mdf`.

References
----------
ASAM MDF 4.1: HDBLOCK (``hd_start_time_ns``, ``hd_time_flags``), CNBLOCK (``cn_sync_type``),
CCBLOCK (``cc_type``); from memory, held by what ``asammdf`` writes in the tests.
"""

from __future__ import annotations

import importlib
import json
import logging
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl

TIME_COLUMN = "mdf_time"
"""Pseudo column: the instant of each row as ISO 8601 in UTC."""
HOLD_S = 60
"""How long a value is held where another group has the next instant. Warming counts from 60 s on
and samples are wanted at least that often, so nothing that counts falls between; held longer, a
signal that fell silent would look alive, and pauses from 120 s on would be bridged."""

LOCAL_TIME = 1  # hd_time_flags
SYNC_TIME = 1  # cn_sync_type
REMOTE_MASTER = 8  # cg_flags
FORMULA = 3  # cc_type
MAX_DEPTH = 20
LATEST_S = 253_402_300_800  # year 10000


class UnusableError(Exception):
    """Why the file cannot be used.

    Parameters
    ----------
    kind
        ``columns`` (the mapping does not fit), ``large`` or ``broken``.
    """

    def __init__(self, kind: str, message: str) -> None:
        super().__init__(message)
        self.kind = kind


class Place(NamedTuple):
    """Where one channel lies: number of its group, and its own within."""

    group: int
    channel: int


def table(path: Path, columns: list[str], zone: str, temp: Path, max_bytes: float) -> pl.DataFrame:
    """Rows of the file: ``mdf_time`` and the wanted channels, in order of time.

    There is a row at each instant at which any wanted channel was recorded. Rows whose time is no
    number come last, without an instant.

    Parameters
    ----------
    columns
        Wanted channels; `TIME_COLUMN` may be among them.
    zone
        IANA zone of a header that gives local time only.
    max_bytes
        Most that the table may take.

    Raises
    ------
    UnusableError
        Where the file or a channel cannot be used.
    """
    asammdf = importlib.import_module("asammdf")
    logging.getLogger("asammdf").setLevel(logging.CRITICAL)
    temp.mkdir(parents=True, exist_ok=True)
    file = asammdf.MDF(
        path,
        process_bus_logging=False,  # would look into embedded descriptions of networks
        use_display_names=False,
        temporary_folder=str(temp),
    )
    try:
        start_us = _start_us(file.header, zone)
        chosen = _chosen(file, columns)
        _refuse_large(file, chosen, max_bytes)
        groups: dict[int, dict[str, Place]] = {}
        for column, place in chosen.items():
            groups.setdefault(place.group, {})[column] = place
        frames = [_group(file, wanted, start_us) for wanted in groups.values()]
    finally:
        file.close()
    if not frames:
        raise UnusableError("columns", "lacks every mapped channel")
    merged = merge(frames)
    if merged.height * max(1, merged.width) * 8 > max_bytes:
        raise UnusableError("large", "")
    stamp = pl.from_epoch("at_us", time_unit="us").dt.strftime("%Y-%m-%dT%H:%M:%S%.6fZ")
    return merged.select(stamp.alias(TIME_COLUMN), *(pl.col(column) for column in chosen))


def merge(frames: list[pl.DataFrame]) -> pl.DataFrame:
    """Groups on one time axis, each value held for at most `HOLD_S`.

    Parameters
    ----------
    frames
        Per group ``at_us`` [microseconds since 1970, null where there is none] and its channels.
    """
    axis = (
        pl.concat([frame.select("at_us") for frame in frames]).drop_nulls().unique().sort("at_us")
    )
    merged = axis
    for frame in frames:
        # Of two values of one instant the later one counts; the sort leaves their order.
        known = frame.drop_nulls("at_us").sort("at_us", maintain_order=True)
        merged = merged.join_asof(
            known, on="at_us", strategy="backward", tolerance=HOLD_S * 1_000_000
        )
    lost = [frame.filter(pl.col("at_us").is_null()) for frame in frames]
    return pl.concat([merged, *(frame for frame in lost if frame.height)], how="diagonal")


def _start_us(header: Any, zone: str) -> int:
    """Start of the measurement [microseconds since 1970, UTC]."""
    start_us = (int(header.abs_time) + 500) // 1000
    if not 0 <= start_us < LATEST_S * 1_000_000:
        raise UnusableError("broken", "its start time cannot be a time")
    if header.time_flags & LOCAL_TIME:
        naive = datetime.fromtimestamp(start_us // 1_000_000, UTC).replace(tzinfo=ZoneInfo(zone))
        start_us = int(naive.timestamp()) * 1_000_000 + start_us % 1_000_000
    return start_us


def _chosen(file: Any, columns: list[str]) -> dict[str, Place]:
    """Column -> channel; a column is a channel's name, or its group's name, a slash, and it.

    A group without a name goes by its number, from 0.
    """
    found: dict[str, list[Place]] = {}
    qualified: dict[str, list[str]] = {}
    for number, group in enumerate(file.groups):
        title = group.channel_group.acq_name or str(number)
        master = file.masters_db.get(number)
        for index, channel in enumerate(group.channels):
            if index != master:
                full = f"{title}/{channel.name}"
                qualified.setdefault(channel.name, []).append(full)
                for name in (channel.name, full):
                    found.setdefault(name, []).append(Place(number, index))
    wanted = [column for column in columns if column != TIME_COLUMN]
    missing = [column for column in wanted if column not in found]
    if missing:
        has = sorted(qualified)
        raise UnusableError(
            "columns", f"lacks the channel {listed(missing)}; it has {TIME_COLUMN!r}, {listed(has)}"
        )
    twice = [column for column in wanted if len(found[column]) > 1]
    if twice:
        raise UnusableError(
            "columns",
            f"has the channel {listed(twice)} in several groups, so it is not clear which to read; "
            f"of {twice[0][:60]!r}, name one of {listed(qualified.get(twice[0], []))}",
        )
    chosen = {column: found[column][0] for column in wanted}
    for column, place in chosen.items():
        _refuse_unusable(file, column, place)
    return chosen


def _refuse_unusable(file: Any, column: str, place: Place) -> None:
    group = file.groups[place.group]
    home = place.group
    if group.channel_group.flags & REMOTE_MASTER:
        home = int(group.channel_group.cg_master_index)
    index = file.masters_db.get(home)
    master = None if index is None else file.groups[home].channels[index]
    if master is None or int(master.sync_type) != SYNC_TIME:
        raise UnusableError("columns", f"channel {column[:80]!r} is not recorded over time")
    for conversion in (master.conversion, group.channels[place.channel].conversion):
        if _has_formula(conversion, 0):
            raise UnusableError(
                "columns",
                f"channel {column[:80]!r} is given by a formula in the file, and nothing that "
                f"stands in a file is carried out",
            )
    if group.channel_dependencies[place.channel]:
        # Of an array the library may give the first element without a word.
        raise UnusableError("columns", f"channel {column[:80]!r} holds tables, not plain values")


def _has_formula(conversion: Any, depth: int) -> bool:
    if conversion is None:
        return False
    if int(conversion.conversion_type) == FORMULA or depth > MAX_DEPTH:
        return True
    parts = (getattr(conversion, "referenced_blocks", None) or {}).values()
    return any(_has_formula(part, depth + 1) for part in parts if hasattr(part, "conversion_type"))


def _refuse_large(file: Any, chosen: dict[str, Place], max_bytes: float) -> None:
    """By what the file says of itself, before anything is read."""
    values_n = sum(
        int(file.groups[place.group].channel_group.cycles_nr) for place in chosen.values()
    )
    if values_n * 16 > max_bytes:
        raise UnusableError("large", "")


def _group(file: Any, wanted: dict[str, Place], start_us: int) -> pl.DataFrame:
    """``at_us`` and the wanted channels of one group, in the order of the file."""
    signals = file.select(
        [(None, place.group, place.channel) for place in wanted.values()], validate=False
    )
    seconds = np.asarray(signals[0].timestamps, dtype=np.float64)
    with np.errstate(invalid="ignore", over="ignore"):
        is_time = np.isfinite(seconds) & (np.abs(seconds + start_us / 1e6) < LATEST_S)
        # Rounded before the sum: a double does not hold 1.7e15 to the microsecond.
        since_us = np.round(np.where(is_time, seconds, 0.0) * 1e6).astype(np.int64)
    at_us = pl.Series("at_us", since_us + start_us).to_frame()
    at_us = at_us.select(pl.when(pl.Series(is_time)).then("at_us").alias("at_us"))
    return at_us.with_columns(
        _values(column, signal, len(seconds))
        for column, signal in zip(wanted, signals, strict=True)
    )


def _values(column: str, signal: Any, rows_n: int) -> pl.Series:
    """Physical values of one channel: numbers or text, null where the file calls them invalid."""
    samples = np.asarray(signal.samples)
    if samples.ndim != 1 or samples.dtype.names or len(samples) != rows_n:
        raise UnusableError("columns", f"channel {column[:80]!r} holds tables, not plain values")
    if samples.dtype.kind in "iufb":
        values = pl.Series(column, samples.astype(np.float64))
    elif samples.dtype.kind in "SUO":
        values = _texts(column, samples, signal.encoding or "utf-8")
    else:
        raise UnusableError("columns", f"channel {column[:80]!r} holds no plain values")
    if signal.invalidation_bits is not None:
        is_valid = pl.Series(~np.asarray(signal.invalidation_bits, dtype=bool))
        values = values.to_frame().select(pl.when(is_valid).then(column).alias(column)).to_series()
    return values


def _texts(column: str, samples: np.ndarray[Any, Any], encoding: str) -> pl.Series:
    """Text; each different cell is decoded once."""
    if samples.dtype.kind == "O":
        samples = samples.astype(str) if not _has_bytes(samples) else samples.astype(bytes)
    if samples.dtype.kind == "U":
        return pl.Series(column, samples.tolist(), dtype=pl.String)
    different, position = np.unique(samples, return_inverse=True)
    words = [cell.decode(encoding, "replace").rstrip("\0") for cell in different.tolist()]
    return pl.Series(column, words, dtype=pl.String).gather(position)


def _has_bytes(samples: np.ndarray[Any, Any]) -> bool:
    return len(samples) > 0 and isinstance(samples[0], bytes)


def listed(names: list[str]) -> str:
    """Names for people, as many as fit."""
    shown = ", ".join(repr(name)[:80] for name in names[:60])
    return f"{shown} and {len(names) - 60} more" if len(names) > 60 else shown or "(none)"


def _limit(memory_bytes: int, cpu_s: int) -> None:
    """An end to memory and time, where the system has such limits."""
    # Imported by name: a system without it is none that a type checker here could know.
    try:
        resource = importlib.import_module("resource")
    except ImportError:
        return
    resource.setrlimit(resource.RLIMIT_AS, (memory_bytes, memory_bytes))
    resource.setrlimit(resource.RLIMIT_CPU, (cpu_s, cpu_s))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def main() -> None:
    """Read one file as the request on standard input says; the answer is a file."""
    asked = json.load(sys.stdin)
    folder = Path(asked["folder"])
    _limit(asked["memory_bytes"], asked["cpu_s"])
    try:
        frame = table(
            Path(asked["path"]), asked["columns"], asked["zone"], folder, asked["max_bytes"]
        )
        frame.write_parquet(folder / "table.parquet", compression="lz4")
        answer = {"kind": "read", "message": ""}
    except UnusableError as error:
        answer = {"kind": error.kind, "message": str(error)}
    except MemoryError:
        answer = {"kind": "memory", "message": ""}
    except Exception as error:
        # Whatever the library meets in a damaged file: all kinds of errors, none of them ours.
        first = (str(error).splitlines() or [""])[0]
        answer = {"kind": "broken", "message": f"{type(error).__name__}: {first[:160]}"}
    (folder / "answer.json").write_text(json.dumps(answer), encoding="utf-8")


if __name__ == "__main__":
    main()
