"""Time and memory of the budget's simulation. On demand.

    python tests/benchmarks/bench_budget.py [--vehicles 100] [--winters 1000] [--scenarios 4]

Invents the tables of a fleet (no warehouse), learns from them and simulates a season of seven
months with about 100 fast-charge stops a vehicle. Aims: 1,000 winters of 100 vehicles under 3 s,
10,000 under 30 s, on two cores and 1 GB; time linear in vehicles, and the same whatever history.
"""

from __future__ import annotations

import argparse
import resource
import sys
import time
from datetime import date
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--vehicles", type=int, default=100)
    parser.add_argument("--winters", type=int, default=1000)
    parser.add_argument("--history-months", type=int, default=12)
    parser.add_argument("--only-today", action="store_true", help="one scenario instead of four")
    parser.add_argument("--threads", type=int, default=2)
    options = parser.parse_args()

    from budget_lab import made_up_fleet

    from pipeline.budget import learn, run_budget
    from pipeline.budget.scenario import standard_scenarios
    from pipeline.budget.season import parse_season

    given = made_up_fleet(
        vehicles_n=options.vehicles, months_n=options.history_months, until=date(2026, 9, 1)
    )
    times = [time.perf_counter()]
    learned = learn(given)
    times.append(time.perf_counter())
    busy = time.process_time()
    scenarios = standard_scenarios(0.8)[: 1 if options.only_today else 4]
    budget = run_budget(
        learned, parse_season("2026-10..2027-04"), scenarios, options.winters,
        threads_n=options.threads,
    )  # fmt: skip
    times.append(time.perf_counter())
    busy_s = time.process_time() - busy
    stops = float(budget.draws("as_today", "stops_n").sum())
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"{options.vehicles} vehicles, {options.winters} winters, {len(scenarios)} scenarios, "
        f"{stops / 1e6:.1f} million stops each: learn {times[1] - times[0]:.2f} s, "
        f"simulate and sum up {times[2] - times[1]:.2f} s ({busy_s:.2f} s of processor time), "
        f"peak {peak_mb:.0f} MB"
    )


if __name__ == "__main__":
    main()
