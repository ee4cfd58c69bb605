"""A year of weeks in accelerated time, with and without faults: the tables at the end are equal.

Every round runs in a process of its own, which a timer kills without any chance to tidy up. The
plan of a soak (what comes when, what goes wrong) is drawn from a seed; `SOAK_WEEKS` and
`SOAK_SEED` in the environment choose another. Without pdf, three vans, one clean fleet beside it.

What must be equal: all that came in and all that is known of charges and stops, row by row; the
minutes of the last year and what was learned for the newest week; which weeks have an edition, what
the newest says, and the counts of every edition. What may differ: curves learned for past weeks,
which in the clean run knew files that the other got later.
"""

from __future__ import annotations

import importlib
import json
import os
import random
import signal
import sys
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from fleets import FLEET_TOML, drive_and_charge, write_fleet

WEEKS_N = int(os.environ.get("SOAK_WEEKS", "52"))
SEED = int(os.environ.get("SOAK_SEED", "8"))
FIRST_MONDAY = datetime(2025, 10, 6, tzinfo=UTC)  # over a turn of the year and both clock changes
VANS = ("v1", "v2", "v3")
QUIET_VAN_FROM = 20
"""From this week on the third van sends nothing for five weeks, and in week 30 none does."""
VEHICLES = "".join(f'[vehicles.{van}]\nmodel = "flat-60"\n' for van in VANS)
OF_FILES = frozenset({"file_id", "file_row", "first_file_id", "first_file_row", "last_file_row"})
FACTS = (
    "samples",
    "stops",
    "charge_sessions",
    "charge_steps",
    "thermal_stretches",
    "approach_spells",
    "idle_warming",
    "doubted_signals",
)
LEARNED = (
    "fitted_models",
    "fitted_habits",
    "fitted_curves",
    "fitted_cold_limits",
    "fitted_vehicles",
    "fitted_sites",
)


@dataclass
class Seen:
    """What went wrong, counted."""

    rounds_n: int = 0
    kills_n: int = 0
    late_n: int = 0
    twice_n: int = 0
    clock_back_n: int = 0
    missed_n: int = 0
    at_once_n: int = 0


def monday(number: int) -> datetime:
    """Monday of the week of this number, 0 is the first."""
    return FIRST_MONDAY + timedelta(weeks=number)


def is_sent(van: str, number: int) -> bool:
    """Does the van send anything for that week?"""
    silent = van == "v3" and QUIET_VAN_FROM <= number < QUIET_VAN_FROM + 5
    return not silent and number != 30


def write_week(inbox: Path, van: str, number: int, name: str = "") -> None:
    """The export of a van for a week: two journeys to a charger, more or less warm."""
    import polars as pl

    draw = random.Random(f"{SEED} {van} {number}")
    parts = []
    for day in sorted(draw.sample(range(6), 2)):
        arrival = draw.uniform(2, 25)
        parts.append(
            drive_and_charge(
                plug_in=monday(number) + timedelta(days=day, hours=draw.uniform(9, 15)),
                heater=(-draw.uniform(8, 28), 0.0) if draw.random() < 0.5 else None,
                cell_start_degc=arrival - draw.uniform(0, 6),
                cell_arrival_degc=arrival,
                charge_kw=draw.uniform(40, 95),
                interval_s=30.0,
                vehicle=van,
            )
        )
    made = inbox / f".{van}_{number}.part"
    pl.concat(parts).sort("time").write_csv(made)
    made.rename(inbox / (name or f"log_{van}_{number:02d}.csv"))


def load_once() -> None:
    """Import in the parent what every child needs; nothing here starts a thread."""
    for name in ("judge", "ingest", "minutes", "reconcile", "report", "rounds", "stops", "weekly"):
        importlib.import_module(f"pipeline.{name}")


def child(work: Callable[[], object], kill_after_s: float | None = None) -> int:
    """Run in a process of its own and wait; its exit status, or minus the signal that ended it."""
    return ended(begun(work, kill_after_s))


def begun(work: Callable[[], object], kill_after_s: float | None = None) -> int:
    """The process id of a child that works, and that the kernel kills after a while."""
    pid = os.fork()
    if pid:
        return pid
    code = 70
    try:
        if kill_after_s is not None:
            signal.signal(signal.SIGALRM, signal.SIG_DFL)  # ends the process on the spot
            signal.setitimer(signal.ITIMER_REAL, kill_after_s)
        work()
        code = 0
    except BaseException:
        traceback.print_exc()
        sys.stderr.flush()
    finally:
        os._exit(code)


def ended(pid: int) -> int:
    """Wait for a child."""
    return os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])


def one_round(folder: Path, now: datetime, expects: str = "", wait_s: float = 0.0) -> None:
    """A round at that time; with the problem expected, or none."""
    from pipeline.config import load_fleet
    from pipeline.problems import ColdMinutesError
    from pipeline.rounds import make_round

    try:
        done = make_round(load_fleet(folder), now, pdf=False, take_all=True, wait_s=wait_s)
    except ColdMinutesError as error:
        assert [problem.code for problem in error.problems] == [expects], error
        return
    assert not expects or done.is_skipped
    with (folder / "rounds.jsonl").open("a", encoding="utf-8") as log:
        for note in done.editions:
            log.write(json.dumps([note.week_id, note.edition_no, note.reason]) + "\n")


def soak(folder: Path, *, has_faults: bool) -> Seen:
    """All weeks, one after the other; the parent only decides and never touches the data."""
    draw = random.Random(SEED)
    seen = Seen()
    write_fleet(folder, FLEET_TOML, vehicles=VEHICLES)
    inbox = folder / "inbox"
    held: list[tuple[int, str, int]] = []
    silent_until = 0
    for number in range(WEEKS_N):
        is_last = number >= WEEKS_N - 2
        now = monday(number + 1) + timedelta(hours=5)
        coming = [(van, number) for van in VANS if is_sent(van, number)]
        if has_faults:
            late = [each for each in coming if not is_last and draw.random() < 0.12]
            coming = [each for each in coming if each not in late]
            held += [(number + draw.randint(1, 5), *each) for each in late]
            seen.late_n += len(late)
            coming += [(van, of) for when, van, of in held if when <= number or is_last]
            held = [each for each in held if each[0] > number and not is_last]
        files = [(van, of, "") for van, of in coming]
        if has_faults and coming and draw.random() < 0.15:
            van, of = draw.choice(coming)
            seen.twice_n += 1
            files.append((van, of, f"log_again_{van}_{of}.csv"))
        assert child(lambda files=files: [write_week(inbox, *each) for each in files]) == 0
        if has_faults and not is_last:
            if number < silent_until:
                continue
            if draw.random() < 0.08:
                silent_until = number + draw.randint(1, 3)
                seen.missed_n += silent_until - number
                continue
        seen.rounds_n += 1
        if has_faults:
            disturbed(folder, now, draw, seen, may_be_behind=number > 4)
        status = child(lambda now=now: one_round(folder, now + timedelta(hours=8)))
        assert status == 0, (number, status)
    return seen


def disturbed(
    folder: Path, now: datetime, draw: random.Random, seen: Seen, *, may_be_behind: bool
) -> None:
    """What goes wrong before the round that ends well."""
    if may_be_behind and draw.random() < 0.15:
        seen.clock_back_n += 1
        before = digests(folder)
        back = now - timedelta(weeks=draw.randint(4, 60))
        assert child(lambda: one_round(folder, back, expects="ROUND-02")) == 0
        assert digests(folder) == before, "a round with the clock behind changed something"
    while draw.random() < 0.45:
        after_s = draw.uniform(0.05, 5.0)
        status = child(lambda: one_round(folder, now), kill_after_s=after_s)
        assert status in (0, -signal.SIGALRM), status
        seen.kills_n += status != 0
    if draw.random() < 0.1:
        seen.at_once_n += 1
        both = [begun(lambda: one_round(folder, now)) for _ in range(2)]
        assert [ended(pid) for pid in both] == [0, 0]


def digests(folder: Path) -> dict[str, Any]:
    """What is to be equal, table by table, computed in a child."""
    out = folder / "digests.json"

    def work() -> None:
        out.write_text(json.dumps(_digests(folder)), encoding="utf-8")

    assert child(work) == 0
    found: dict[str, Any] = json.loads(out.read_text(encoding="utf-8"))
    out.unlink()
    return found


def _digests(folder: Path) -> dict[str, Any]:
    import duckdb

    with duckdb.connect(str(folder / ".coldminutes" / "warehouse.duckdb"), read_only=True) as con:
        con.execute("set TimeZone = 'UTC'")

        def rows_of(table: str, where: str = "true") -> list[Any]:
            columns = con.execute(
                "select column_name, data_type from duckdb_columns() where table_name = $t "
                "order by column_name",
                {"t": table},
            ).fetchall()
            kept = ", ".join(
                f"round({name}, 7)" if kind == "DOUBLE" else name
                for name, kind in columns
                if name not in OF_FILES
            )
            sql = f"select count(*), coalesce(sum(hash({kept})), 0)::varchar from {table} "
            return list(con.execute(sql + f"where {where}").fetchall()[0])

        newest = con.execute("select max(week_id) from made_editions").fetchall()[0][0]
        found: dict[str, Any] = {table: rows_of(table) for table in FACTS}
        found["stop_minutes"] = rows_of("stop_minutes")
        found |= {name: rows_of(name, f"fit_week_id = '{newest}'") for name in LEARNED}
        last = "select week_id, max(edition_no) as edition_no from made_editions group by week_id"
        found["editions"] = con.execute(
            "select week_id from made_editions where edition_no = 1 order by week_id"
        ).fetchall()
        found["twice"] = con.execute(
            "select week_id, edition_no from made_editions group by all having count(*) > 1"
        ).fetchall()
        found["counts"] = con.execute(
            f"select week_id, figure, figure_value from edition_figures natural join ({last}) "
            "where figure like '%\\_n' escape '\\' order by all"
        ).fetchall()
        found["newest_figures"] = con.execute(
            "select figure, round(figure_value, 6) from edition_figures "
            f"natural join ({last}) where week_id = '{newest}' order by all"
        ).fetchall()
    return found


@pytest.mark.long
def test_a_year_with_faults_ends_like_a_year_without(tmp_path: Path) -> None:
    load_once()
    soak(tmp_path / "clean", has_faults=False)
    seen = soak(tmp_path / "faults", has_faults=True)
    clean, faults = digests(tmp_path / "clean"), digests(tmp_path / "faults")
    print(seen, {name: clean[name] for name in FACTS})
    assert faults["twice"] == clean["twice"] == []
    assert len(clean["editions"]) == WEEKS_N
    for name, expected in clean.items():
        assert faults[name] == expected, name
    if WEEKS_N >= 20:
        assert min(seen.kills_n, seen.late_n, seen.missed_n, seen.clock_back_n) > 0, seen
    table = "tables/stops.csv"
    newest = f"reports/{clean['editions'][-1][0]}"
    assert (tmp_path / "faults" / newest / table).read_bytes() == (
        tmp_path / "clean" / newest / table
    ).read_bytes()
