"""Make the demo fleet, or any other: exports in `inbox/`, the truth of every stop in `truth/`.

Without options it regenerates the committed sample in place, byte for byte:

    python sample_fleet/simulate.py
    python sample_fleet/simulate.py --out my_fleet --vehicles 100 --weeks 1 --interval-s 2 \
        --layout tailgate_csv

Physics: `sim_physics.py`. Town, weather and rota: `sim_world.py`. A van and its logger:
`sim_vehicle.py`; what it does all day: `sim_days.py`. Verdicts: `sim_truth.py`. Export layouts and
their defects: `sim_exports.py`. The TOML files: `sim_config.py`. At most one vehicle's week of
samples is in memory.
"""

from __future__ import annotations

import argparse
import sys
from datetime import date
from pathlib import Path

import polars as pl
import sim_exports as exports
from sim_config import write_config_files
from sim_days import WorkingVan
from sim_physics import Array
from sim_truth import Stop
from sim_vehicle import NavEvent, Van
from sim_world import (
    COLD_FORMS,
    LAYOUTS,
    RNG_NOISE,
    FleetSpec,
    Weather,
    make_rota,
    past_weather_csv,
    vehicle_setups,
)

HERE = Path(__file__).resolve().parent


def simulate(spec: FleetSpec, out_dir: Path) -> Path:
    """Write a fleet's `inbox/` and `truth/` (and its TOML files where the spec asks for them).

    Parameters
    ----------
    spec
        What to make; equal specs give equal bytes.
    out_dir
        The fleet folder; made if missing. Its `inbox` and `truth` must be empty or missing.

    Returns
    -------
    Path
        `out_dir`.

    Raises
    ------
    FileExistsError
        If something lies in the way: exports of another fleet would mix with these.
    """
    inbox, truth = out_dir / "inbox", out_dir / "truth"
    for folder in (inbox, truth):
        folder.mkdir(parents=True, exist_ok=True)
        if any(folder.iterdir()):
            raise FileExistsError(f"{folder} is not empty; name a new folder or empty this one")
    setups = vehicle_setups(spec)
    weather, rota = Weather(spec), make_rota(spec, setups)
    vans = [WorkingVan(spec, setup, weather, rota) for setup in setups]
    stops: list[Stop] = []
    harm: dict[str, list[exports.Span]] = {setup.vehicle_id: [] for setup in setups}
    for week in range(spec.weeks):
        stops += _run_week(spec, vans, week, inbox, harm)
    (inbox / "roster.xlsx").write_bytes(exports.roster_xlsx(rota))
    for stop in stops:
        for start, end in harm[stop.vehicle_id]:
            if start <= stop.plug_out_s and end >= stop.approach_start_s:
                stop.is_defect_near = True
    (truth / "stops.csv").write_bytes(exports.truth_csv(stops))
    if spec.write_config:
        write_config_files(spec, setups, rota, out_dir)
        (out_dir / "weather.csv").write_bytes(past_weather_csv(spec, weather))
    return out_dir


def _run_week(
    spec: FleetSpec,
    vans: list[WorkingVan],
    week: int,
    inbox: Path,
    harm: dict[str, list[exports.Span]],
) -> list[Stop]:
    label = spec.week_label(week)
    end_s = spec.local_midnight_s(7 * (week + 1))
    box = exports.FleetboxZip(inbox / f"fleetbox_{label}.zip")
    nav: list[tuple[str, NavEvent]] = []
    done: list[Stop] = []
    for van in vans:
        van.run_week(week)
        rows = van.flush_rows(end_s)
        layout, vehicle_id = van.setup.layout, van.setup.vehicle_id
        if layout in ("chargelog", "hirebook"):
            van.nav_events = []
        elif rows is not None:
            harm[vehicle_id] += _write_samples(spec, van, week, rows, inbox, box)
        nav += [(vehicle_id, event) for event in van.nav_events]
        van.nav_events = []
        done += van.stops
        van.stops = []
    box.close()
    (inbox / f"nav_{label}.csv").write_bytes(exports.nav_csv(nav))
    by_layout = {van.setup.vehicle_id: van.setup.layout for van in vans}
    logged = [stop for stop in done if by_layout[stop.vehicle_id] == "chargelog"]
    if logged:
        text = exports.chargelog_csv(logged, spec, week)
        (inbox / f"chargelog_{label}.csv").write_bytes(text)
    hired = [stop for stop in done if by_layout[stop.vehicle_id] == "hirebook"]
    if hired:
        (inbox / f"hirebook_{label}.xlsx").write_bytes(exports.hirebook_xlsx(hired))
    return done


def _write_samples(
    spec: FleetSpec,
    van: Van,
    week: int,
    rows: dict[str, Array],
    inbox: Path,
    box: exports.FleetboxZip,
) -> list[exports.Span]:
    label, vehicle_id = spec.week_label(week), van.setup.vehicle_id
    if spec.power_noise > 0.0:
        noise = spec.rng(RNG_NOISE, van.setup.index, week).standard_normal(len(rows["t_s"]))
        rows["pack_kw"] = rows["pack_kw"] * (1.0 + spec.power_noise * noise)
    frame, harm = exports.damage(spec, van.setup, week, exports.to_frame(rows))
    if van.setup.layout == "fleetbox":
        name = f"{vehicle_id}_{label}.csv"
        box.add(name, exports.fleetbox_csv(frame, vehicle_id, harm.text_rows))
    elif van.setup.layout == "cloudpull":
        path = inbox / f"cloudpull_{vehicle_id}_{label}.parquet"
        path.write_bytes(exports.cloudpull_parquet(frame, vehicle_id))
    elif spec.layout == "tailgate_csv":
        path = inbox / f"tg_{vehicle_id}_{label}.csv"
        path.write_bytes(exports.tailgate_csv(frame, harm.text_rows))
    else:
        path = inbox / f"tg_{vehicle_id}_{label}.csv.gz"
        path.write_bytes(exports.gz(exports.tailgate_csv(frame, harm.text_rows)))
        if spec.defects and van.setup.index == 1 and week == 2:
            # A day and a half was pulled a second time: two files that overlap.
            # From the first sample on, so that there are rows whatever days it was in use.
            start = float(frame["t_s"].to_numpy().min())
            again = frame.filter(pl.col("t_s").is_between(start, start + 36 * 3600.0))
            path = inbox / f"tg_{vehicle_id}_{label}_again.csv.gz"
            path.write_bytes(exports.gz(exports.tailgate_csv(again, [])))
    return harm.spans


def main(arguments: list[str] | None = None) -> int:
    default = FleetSpec()
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", 1)[0])
    parser.add_argument("--out", type=Path, help="fleet folder (default: the sample, in place)")
    parser.add_argument("--vehicles", type=int, default=default.n_vehicles)
    parser.add_argument("--weeks", type=int, default=default.weeks)
    parser.add_argument("--first-monday", type=date.fromisoformat, default=default.first_monday)
    parser.add_argument("--seed", type=int, default=default.seed)
    parser.add_argument("--interval-s", type=int, default=default.sample_interval_s)
    parser.add_argument("--ac-interval-s", type=int, default=default.ac_interval_s)
    parser.add_argument("--sharing-share", type=float, default=default.sharing_share)
    parser.add_argument("--ambient-mean-degc", type=float, default=default.ambient_mean_degc)
    parser.add_argument("--curve-bias", type=float, default=default.curve_bias)
    parser.add_argument("--full-power-degc", type=float, help="both models need this for it")
    parser.add_argument("--cold-form", choices=COLD_FORMS, default=default.cold_form)
    parser.add_argument("--hide-ratings", action="store_true", help="sites without their power")
    parser.add_argument("--power-noise", type=float, default=default.power_noise)
    parser.add_argument("--layout", choices=LAYOUTS, default=default.layout)
    parser.add_argument("--no-defects", action="store_true")
    parser.add_argument("--no-config", action="store_true", help="leave the TOML files out")
    given = parser.parse_args(arguments)
    try:
        spec = FleetSpec(
            n_vehicles=given.vehicles,
            first_monday=given.first_monday,
            weeks=given.weeks,
            seed=given.seed,
            sample_interval_s=given.interval_s,
            ac_interval_s=given.ac_interval_s,
            sharing_share=given.sharing_share,
            defects=not given.no_defects,
            layout=given.layout,
            ambient_mean_degc=given.ambient_mean_degc,
            curve_bias=given.curve_bias,
            write_config=not given.no_config,
            full_power_degc=given.full_power_degc,
            cold_form=given.cold_form,
            hide_ratings=given.hide_ratings,
            power_noise=given.power_noise,
        )
        if given.out is None:
            if len(sys.argv[1:] if arguments is None else arguments) > 0:
                parser.error("options change the fleet, so name a folder for it with --out")
            _empty_own_folders()
        out = simulate(spec, given.out or HERE)
    except (ValueError, FileExistsError) as error:
        print(f"simulate: {error}", file=sys.stderr)
        return 2
    size = sum(path.stat().st_size for path in (out / "inbox").iterdir())
    print(f"{out}: {spec.n_vehicles} vehicles, {spec.weeks} weeks, {size / 1e6:.1f} MB of exports")
    return 0


def _empty_own_folders() -> None:
    for folder in ("inbox", "truth"):
        for path in sorted((HERE / folder).glob("*")):
            if path.is_file():
                path.unlink()


if __name__ == "__main__":
    sys.exit(main())
