"""Measurement files (ASAM MDF 4, ``.mf4``), by an optional library in a process of its own.

A mapping names channels as columns. The instant of a row is the pseudo column ``mdf_time``: start
time of the header plus the master channel, ISO 8601 in UTC, so `time.format` stays ``iso``; where
the header gives local time only, ``time.zone`` says whose. Channels of several groups come onto
one time axis, see `pipeline.ingest.mdf_worker`. Attachments, events and formulas in the file are
not looked at.
"""

from __future__ import annotations

import importlib.util
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.ingest import mdf_worker
from pipeline.ingest.mdf_worker import TIME_COLUMN
from pipeline.ingest.raw import CELL
from pipeline.ingest.refusals import refusal, too_large, unreadable
from pipeline.source_config import Source

MDF_SUFFIXES = frozenset({".mf4"})
LIBRARY = "asammdf"
BATCH_ROWS_N = 125_000
MEMORY_BYTES = 4_000_000_000
"""Address space of the process that reads; what it really uses is far less."""
PATIENCE_S = 120
PATIENCE_S_PER_MB = 2
_HEAD_BYTES = 64


def batches(
    path: Path,
    name: str,
    source_id: str,
    source: Source,
    temp: Path,
    max_gb: float,
    rows_n: int = BATCH_ROWS_N,
) -> Iterator[pl.DataFrame]:
    """Rows of one measurement file in order of time, at most about `rows_n` at a time.

    Each has ``file_row``, counted from 1 along the common time axis, and the mapping's columns
    with the prefix `CELL`: numbers or text as the file's own conversions give them. An empty file
    yields nothing.

    Raises
    ------
    ColdMinutesError
        MDF-01 without the library, INGEST-02 where the file is damaged or no MDF 4, INGEST-04
        where the mapping does not fit it, INGEST-08 where it is too large.
    """
    size_bytes = path.stat().st_size
    if size_bytes == 0:
        return
    if importlib.util.find_spec(LIBRARY) is None:
        raise refusal(
            "MDF-01",
            name,
            "is a measurement file, and reading those needs the extra: "
            "pip install coldminutes[mdf]",
            "Install it, or export the measurement as CSV or Parquet.",
        )
    _refuse_foreign(path, name)
    if size_bytes > max_gb * 1e9:
        raise too_large(name, max_gb)
    temp.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix="mdf-", dir=temp) as made:
        folder = Path(made)
        cpu_s = PATIENCE_S + int(PATIENCE_S_PER_MB * size_bytes / 1e6)
        answer = _asked(
            {
                "path": str(path.resolve()),
                "columns": wanted(source),
                "zone": source.time.zone,
                "folder": str(folder),
                "max_bytes": max_gb * 1e9,
                "memory_bytes": MEMORY_BYTES + size_bytes,
                "cpu_s": cpu_s,
            },
            folder,
            cpu_s,
        )
        if answer["kind"] != "read":
            raise _refused(answer, name, source_id, max_gb)
        lazy = pl.scan_parquet(folder / "table.parquet", row_index_name="row:", glob=False)
        chosen = lazy.select(
            file_row=pl.col("row:").cast(pl.Int64) + 1,
            **{CELL + column: pl.col(column) for column in wanted(source)},
        )
        yield from chosen.collect_batches(chunk_size=rows_n)


def wanted(source: Source) -> list[str]:
    """Channels that the mapping names, each once, in order."""
    named = [mapped.column for mapped in source.columns.values()]
    named += [source.vehicle.column, *(source.vehicle.card or ())]
    return list(dict.fromkeys(column for column in named if column is not None))


def _refuse_foreign(path: Path, name: str) -> None:
    with path.open("rb") as stream:
        head = stream.read(_HEAD_BYTES)
    if len(head) < _HEAD_BYTES or head[:8] not in (b"MDF     ", b"UnFinMF "):
        raise unreadable(name, "is no whole MDF file: it does not begin as one")
    if head[8:10] != b"4.":
        version = head[8:16].decode("ascii", "replace").strip(" \0")
        raise unreadable(
            name, f"is an MDF file of version {version!r:.20}; version 4 is read, export it as that"
        )


def _asked(request: dict[str, Any], folder: Path, patience_s: int) -> dict[str, str]:
    """The answer of the process that reads; one of ours where it died or took too long."""
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))}
    environment["OPENBLAS_NUM_THREADS"] = "1"  # each thread would take of the address space
    try:
        subprocess.run(
            # As a script, so that it imports nothing of ours; -P: nothing of its folder either.
            [sys.executable, "-P", str(Path(mdf_worker.__file__))],
            input=json.dumps(request).encode(),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            env=environment,
            cwd=folder,
            timeout=patience_s,
            check=False,
        )
    except subprocess.TimeoutExpired:
        return {"kind": "broken", "message": f"it could not be read in {patience_s} s"}
    try:
        found = json.loads((folder / "answer.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {"kind": "broken", "message": "the process that read it broke down"}
    return {"kind": str(found["kind"]), "message": str(found["message"])}


def _refused(answer: dict[str, str], name: str, source_id: str, max_gb: float) -> Exception:
    kind, message = answer["kind"], answer["message"]
    if kind == "columns":
        return refusal(
            "INGEST-04",
            name,
            message,
            f"Mend [columns] in sources/{source_id}.toml (the instant is the column "
            f"'{TIME_COLUMN}'), or export the channel.",
        )
    if kind == "large":
        return too_large(name, max_gb)
    if kind == "memory":
        return refusal(
            "INGEST-08",
            name,
            f"takes more than {MEMORY_BYTES / 1e9:g} GB of memory to read, or says so",
            "Split the measurement, or export it at a slower rate.",
        )
    return unreadable(name, f"is no whole MDF 4 file ({message})")
