"""How fast OCPI records are taken in, against a bare load of the same file. Run on demand.

python tests/benchmarks/bench_ocpi.py [records]
"""

from __future__ import annotations

import json
import resource
import sys
import tempfile
import time
from datetime import timedelta
from pathlib import Path

import duckdb

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from ocpi_cdr import CARDS, SITES, SOURCE, START, cdr, lines  # noqa: E402

from tests.small_fleet import NOW, drop, write_fleet  # noqa: E402

RECORDS_N = 100_000
BARE = "create table bare as select * from read_json(?, format = ?)"


def main() -> None:
    """Print records per second for one array and for lines."""
    from pipeline.config import load_fleet
    from pipeline.edition import take_in, warehouse_of

    records_n = int(sys.argv[1]) if len(sys.argv) > 1 else RECORDS_N
    records = []
    for number in range(records_n):
        record = cdr(1)
        start = START - timedelta(minutes=(number * 7) % 500_000)
        record["id"] = str(number)
        record["start_date_time"] = f"{start:%Y-%m-%dT%H:%M:%SZ}"
        record["end_date_time"] = f"{start + timedelta(minutes=40):%Y-%m-%dT%H:%M:%SZ}"
        record["cdr_token"]["contract_id"] = None
        record["cdr_token"]["uid"] = f"CARD{number % 100}"
        records.append(record)
    cards = CARDS + "".join(
        f'[cards.c{n}]\ntoken = "CARD{n}"\nvehicle = "van_{n}"\n' for n in range(100)
    )
    for name, text, layout in (
        ("cdrs.json", json.dumps(records), "array"),
        ("cdrs.jsonl", lines(records), "newline_delimited"),
    ):
        with tempfile.TemporaryDirectory() as temporary:
            folder = write_fleet(Path(temporary), {"bills": SOURCE}, cards=cards, sites=SITES)
            path = drop(folder, name, text)
            began = time.perf_counter()
            with duckdb.connect(str(folder / "bare.duckdb")) as con:
                con.execute(BARE, [str(path), layout]).fetchall()
            bare_s = time.perf_counter() - began
            fleet = load_fleet(folder)
            with warehouse_of(fleet) as con:
                began = time.perf_counter()
                report = take_in(con, fleet, NOW)
                took_s = time.perf_counter() - began
            assert report.rows_used_n == records_n, report.problems
        peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(
            f"{name}: {records_n:,} records, {len(text) / 1e6:.0f} MB in {took_s:.2f} s = "
            f"{records_n / took_s:,.0f} records/s; {took_s / bare_s:.1f} times a bare load "
            f"({bare_s:.2f} s); process peak {peak_mb:.0f} MB (this generator included)"
        )


if __name__ == "__main__":
    main()
