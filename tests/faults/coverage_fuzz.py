"""Coverage-guided fuzzing of the parsers that are Python: OCPP messages, JSON records and heads.

On demand, with `atheris` installed (it is in no list of ours: it needs a platform with a wheel):

    python tests/faults/coverage_fuzz.py FOLDER -max_total_time=60

FOLDER holds what it starts from and gets what it finds. Anything but a finding of ours is a crash.
"""

from __future__ import annotations

import json
import sys
import tempfile
from datetime import UTC, datetime
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["pipeline.ingest"]):
    from pipeline.ingest.json_names import plain_values
    from pipeline.ingest.ocpp import readings_of
    from pipeline.ingest.ocpp_messages import Broken, flatten, messages
    from pipeline.ingest.read_json import json_batches
    from pipeline.ingest.vss_heads import _json_head

from pipeline.problems import ColdMinutesError
from pipeline.source_config import ColumnMap, Source, VehicleKey

NOW = datetime(2026, 2, 1, tzinfo=UTC)
COLUMNS = ["time", "soc", "/meta.vin", 'a."b.c"', "place.0"]
SOURCE = Source(
    kind="samples",
    files=("*",),
    vehicle=VehicleKey(column="van"),
    columns={"sampled_at": ColumnMap(column="time")},
)
KEPT = tempfile.TemporaryDirectory()
FOLDER = Path(KEPT.name)


def one(data: bytes) -> None:
    """One input through all of them; every row of a log is a reading, set aside or broken."""
    if not data:
        return
    kind, content = data[0] % 4, data[1:]
    path = FOLDER / ("a.log", "a.json", "a.jsonl", "b.json")[kind]
    path.write_bytes(content)
    if kind == 0:
        found = list(messages(path, None))
        flat = flatten(iter(found), "CP01")
        readings = readings_of(flat, NOW)
        broken_n = sum(isinstance(each, Broken) for each in found)
        assert readings.rows.height + readings.quarantine.height == readings.read_n
        assert broken_n <= readings.read_n
    elif kind == 3:
        _json_head(content.decode("utf-8", "replace"))
        try:
            plain_values([json.loads(content)])
        except (ValueError, RecursionError):
            return
    else:
        try:
            for batch in json_batches(path, path.name, "x", SOURCE, COLUMNS, FOLDER, 100):
                assert batch["file_row"].is_unique().all()
        except ColdMinutesError as error:
            assert error.problems[0].remedy


if __name__ == "__main__":
    atheris.Setup(sys.argv, one)
    atheris.Fuzz()
