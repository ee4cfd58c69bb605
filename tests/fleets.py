"""Small fleets made by hand: one vehicle, one drive, one charge, known in every sample."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

MONDAY = datetime(2026, 1, 12, 6, 0, tzinfo=UTC)
NOW = datetime(2026, 11, 30, tzinfo=UTC)

FLEET_TOML = """
operator = "Test Fleet"
time_zone = "Europe/Stockholm"
currency = "EUR"
energy_price_per_kwh = 0.40
"""

MODELS_TOML = """
[models.flat-60]
name = "Flat 60"
usable_kwh = 60
warm_curve = [[0, 100], [100, 100]]
warm_threshold_degc = 21
heater_power_kw = 5
warming_cutoff_soc_pct = 20
ac_max_kw = 11
km_per_kwh = 4.8
"""

VEHICLES_TOML = """
[vehicles.v1]
model = "flat-60"
"""

SITES_TOML = """
[sites.fast]
name = "Fast"
power_kw = 150
mode = "dc"
"""

SAMPLES_TOML = """
kind = "samples"
files = ["log_*.csv"]
[vehicle]
column = "vehicle"
[columns]
sampled_at = { column = "time" }
soc_pct = { column = "soc" }
pack_power_kw = { column = "kw" }
cell_temp_min_degc = { column = "cell" }
ambient_degc = { column = "out" }
heater_power_kw = { column = "heater" }
speed_kmh = { column = "speed" }
odometer_km = { column = "odo" }
is_connected = { column = "plug" }
charge_mode = { column = "mode" }
site_id = { column = "site" }
"""

NAV_TOML = """
kind = "nav_events"
files = ["nav_*.csv"]
[vehicle]
column = "vehicle"
[columns]
happened_at = { column = "time" }
action = { column = "action" }
is_charging_place = { column = "charging" }
"""

ROSTER_TOML = """
kind = "driver_spans"
files = ["roster_*.csv"]
[vehicle]
column = "vehicle"
[columns]
from_at = { column = "from" }
to_at = { column = "to" }
driver_id = { column = "driver" }
"""


def write_fleet(folder: Path, fleet_toml: str = FLEET_TOML, **files: str) -> Path:
    """A fleet folder with one vehicle, one site, three sources; ``files`` replaces by stem."""
    texts = {
        "fleet": fleet_toml,
        "models": MODELS_TOML,
        "vehicles": VEHICLES_TOML,
        "sites": SITES_TOML,
    } | files
    (folder / "inbox").mkdir(parents=True)
    (folder / "sources").mkdir()
    for stem, text in texts.items():
        (folder / f"{stem}.toml").write_text(text, encoding="utf-8")
    for stem, text in {"log": SAMPLES_TOML, "nav": NAV_TOML, "roster": ROSTER_TOML}.items():
        (folder / "sources" / f"{stem}.toml").write_text(text, encoding="utf-8")
    return folder


def drive_and_charge(
    *,
    plug_in: datetime = MONDAY + timedelta(hours=2),
    approach_min: float = 60.0,
    heater: tuple[float, float] | None = None,
    heater_kw: float = 5.0,
    cell_start_degc: float = 5.0,
    cell_arrival_degc: float = 5.0,
    cell_step_at_heater: bool = True,
    charge_kw: float = 50.0,
    charge_min: float = 30.0,
    idle_min: float = 0.0,
    soc_arrival_pct: float = 30.0,
    soc_drop_pct: float = 10.0,
    usable_kwh: float = 60.0,
    interval_s: float = 10.0,
    vehicle: str = "v1",
    site: str = "fast",
) -> pl.DataFrame:
    """Samples of one drive to a charger and one charge at constant power.

    Two parked minutes come first, so that the drive's start is seen.
    ``heater`` is (from, to) in minutes from plug-in, both negative. Temperature is level, then
    rises in a straight line while the heater is on (or over the whole approach without one).
    """
    step_min = interval_s / 60
    parked_min = 2.0
    first, last = -approach_min - parked_min, charge_min + idle_min
    # Rounded, so that the sample at plug-in is at 0 and not a hair before it.
    minute = np.arange(first, last + step_min / 2, step_min).round(6)
    driving = minute < 0
    parked = minute < -approach_min
    charging = (minute >= 0) & (minute < charge_min)
    rise_from, rise_to = heater if heater and cell_step_at_heater else (-approach_min, 0.0)
    share = np.clip((minute - rise_from) / max(rise_to - rise_from, 1e-9), 0, 1)
    energy = np.clip(minute, 0, charge_min) / 60 * charge_kw
    heating = np.zeros_like(minute)
    if heater:
        heating[(minute >= heater[0]) & (minute < heater[1])] = heater_kw
    soc = np.where(
        driving,
        soc_arrival_pct - minute / approach_min * soc_drop_pct,
        soc_arrival_pct + energy / usable_kwh * 100,
    )
    return pl.DataFrame(
        {
            "vehicle": vehicle,
            "time": [
                (plug_in + timedelta(milliseconds=round(float(m) * 60000))).strftime(
                    "%Y-%m-%dT%H:%M:%S.%fZ"
                )
                for m in minute
            ],
            "soc": soc.round(3),
            "kw": np.where(
                parked, -0.3, np.where(driving, -12.0, np.where(charging, charge_kw, 0.0))
            ),
            "cell": (cell_start_degc + share * (cell_arrival_degc - cell_start_degc)).round(3),
            "out": -5.0,
            "heater": heating,
            "speed": np.where(driving & ~parked, 50.0, 0.0),
            "odo": (1000 + np.clip(minute + approach_min, 0, approach_min) * 50 / 60).round(3),
            "plug": np.where(driving, 0, 1),
            "mode": np.where(driving, "none", "dc"),
            "site": np.where(driving, "", site),
        }
    )


def drop(folder: Path, frame: pl.DataFrame, name: str = "log_1.csv") -> None:
    """Put a frame into the inbox."""
    frame.write_csv(folder / "inbox" / name)


def nav(
    folder: Path,
    *events: tuple[datetime, str, bool],
    vehicle: str = "v1",
    name: str = "nav_1.csv",
) -> None:
    """Put navigation events of one vehicle into the inbox."""
    pl.DataFrame(
        {
            "vehicle": [vehicle] * len(events),
            "time": [event[0].strftime("%Y-%m-%dT%H:%M:%SZ") for event in events],
            "action": [event[1] for event in events],
            "charging": [int(event[2]) for event in events],
        }
    ).write_csv(folder / "inbox" / name)


def stops_of(folder: Path) -> list[dict[str, Any]]:
    """Ingest and compute a fleet folder; its stops, in order of time."""
    from pipeline.config import load_fleet
    from pipeline.edition import compute, take_in, warehouse_of
    from pipeline.minutes import minutes

    fleet = load_fleet(folder)
    with warehouse_of(fleet) as con:
        take_in(con, fleet, NOW)
        compute(con, fleet)
        last = con.execute("select max(week_id) from stops").fetchall()[0][0]
        if last:
            minutes(con, fleet, last)
        return con.sql("select * from judged_stops order by plug_in_at, vehicle_id").pl().to_dicts()


def one_stop(folder: Path) -> dict[str, Any]:
    """The only stop of a fleet folder."""
    rows = stops_of(folder)
    assert len(rows) == 1, [row["stop_id"] for row in rows]
    return rows[0]
