"""Two fleets on open data, for tests; the data are read in place and never part of this project.

References
----------
Level 3 electric vehicle charging dataset, DESL, EPFL (MIT): one row per fast charge.
Nie et al., Energy 323 (2025) 135754, group BatICM (MIT): raw logs of two vehicles.
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent


def data_folder() -> Path:
    """Folder ``COLDMINUTES_OPEN_DATA``, or ``shared/data`` beside the checkout; may not exist."""
    return Path(os.environ.get("COLDMINUTES_OPEN_DATA", ROOT.parent / "shared" / "data"))


def missing_reason(*names: str) -> str:
    """Why a test on these files must be skipped; empty where they are all there."""
    missing = [name for name in names if not (data_folder() / name).is_file()]
    if not missing:
        return ""
    return f"open data absent ({', '.join(missing)}); set COLDMINUTES_OPEN_DATA to their folder"


DC_SESSIONS = "dc_sessions/sessions.xlsx"
FIELD_LOGS = ("field_logs/vehicle_1.zip", "field_logs/vehicle_3.zip")


def dc_sessions_fleet(folder: Path) -> Path:
    """A fleet known by charge summaries only.

    No vehicle is named in the file. The plug stands for it, because two vehicles charge at the
    same time, one at each. Capacities are placeholders in most rows and are not mapped.
    """
    _write(
        folder,
        {
            "fleet.toml": """
                operator = "Open site"
                time_zone = "Europe/Zurich"
                currency = "CHF"
            """,
            "models.toml": "",
            "vehicles.toml": """
                [vehicles.CCS1]
                name = "Plug 1"
                default_site = "open_site"
                [vehicles.CCS2]
                name = "Plug 2"
                default_site = "open_site"
            """,
            "sites.toml": """
                [sites.open_site]
                name = "Open site"
                power_kw = 172.5
                mode = "dc"
            """,
            "sources/sessions.toml": """
                kind = "sessions"
                files = ["sessions*.xlsx"]
                [vehicle]
                column = "CCS"
                [time]
                zone = "Europe/Zurich"
                [columns]
                plug_in_at = { column = "Arrival" }
                plug_out_at = { column = "Departure" }
                meter_energy_kwh = { column = "Energy (Wh)", unit = "Wh" }
                power_max_kw = { column = "Pmax (W)", unit = "W" }
                soc_start_pct = { column = "SOC arrival", unit = "percent" }
                soc_end_pct = { column = "SOC departure", unit = "percent" }
                is_held_back_by_site = { column = "Controlled session (0=False, 1=True)" }
                charge_mode = { value = "dc" }
                site_id = { value = "open_site" }
            """,
        },
    )
    shutil.copyfile(data_folder() / DC_SESSIONS, folder / "inbox" / "sessions.xlsx")
    return folder


def field_logs_fleet(folder: Path) -> Path:
    """A fleet of two vehicles known by raw logs of driving and charging.

    The logs have no zone; UTC+8 is presumed. Current is negative when charging. The charge flag
    of vehicle_3 is null on many rows that are charging and vehicle_1 has none, so neither is
    mapped: current and speed decide. 255 and 511 mean no probe, an odometer of 0 no reading.
    """
    shared = """
        [columns]
        sampled_at = { column = "tboxTime" }
        soc_pct = { column = "vehBMSPackSOC", unit = "percent" }
        speed_kmh = { column = "vehSpeed", unit = "km/h" }
        pack_current_a = { column = "BMSBatteryCurrent", sign = "discharge_positive" }
        pack_voltage_v = { column = "BMSBatteryVoltage", unit = "V" }
        cell_temp_min_degc = { column = "BMSProbeTempMin", null_values = ["255", "511"] }
        cell_temp_max_degc = { column = "BMSProbeTempMax", null_values = ["255", "511"] }
        odometer_km = { column = "vehOdo", null_values = ["0"] }
    """
    head = """
        kind = "samples"
        files = ["vehicle_%(n)s.zip"]
        members = ["*.csv"]
        vehicle = { value = "vehicle_%(n)s" }
        time = { format = "iso", zone = "Asia/Shanghai" }
    """
    _write(
        folder,
        {
            "fleet.toml": """
                operator = "Open logs"
                time_zone = "Asia/Shanghai"
                currency = "CNY"
            """,
            "models.toml": """
                [models.m1]
                name = "Vehicle 1"
                [models.m3]
                name = "Vehicle 3"
            """,
            "vehicles.toml": """
                [vehicles.vehicle_1]
                model = "m1"
                default_site = "fast"
                [vehicles.vehicle_3]
                model = "m3"
                default_site = "slow"
            """,
            "sites.toml": """
                [sites.fast]
                name = "Fast site"
                power_kw = 90
                mode = "dc"
                [sites.slow]
                name = "Slow site"
                power_kw = 20
                mode = "dc"
            """,
            "sources/vehicle_1.toml": head % {"n": 1} + shared,
            "sources/vehicle_3.toml": head % {"n": 3} + shared,
        },
    )
    for name in FIELD_LOGS:
        shutil.copyfile(data_folder() / name, folder / "inbox" / Path(name).name)
    return folder


def _write(folder: Path, files: dict[str, str]) -> None:
    (folder / "inbox").mkdir(parents=True, exist_ok=True)
    (folder / "sources").mkdir(exist_ok=True)
    for name, content in files.items():
        lines = [line.strip() for line in content.strip().splitlines()]
        (folder / name).write_text("\n".join(lines) + "\n", encoding="utf-8")
