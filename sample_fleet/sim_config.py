"""The TOML files of a generated fleet: what its manager would have written down.

`curve_bias` bends only what is *configured*, never what the vehicles do.
"""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

from sim_physics import PACKS, Pack
from sim_world import (
    DC_SITES,
    DEPOT,
    DRIVER_NAMES,
    ZONE_NAME,
    FleetSpec,
    Rota,
    VehicleSetup,
)

MODEL_NAMES = {"plover-60": "Plover 60 (parcel van)", "bittern-77": "Bittern 77 (long van)"}

SOURCES: dict[str, str] = {
    "tailgate": """\
# Tailgate logger: one CSV per van and week, the van's name only in the file name.
kind = "samples"
files = ["tg_*.csv", "tg_*.csv.gz"]
vehicle = { file_name = 'tg_(van-\\d+)_.*' }
time = { format = "iso", zone = "UTC" }

[columns]
sampled_at = { column = "utc" }
pack_power_kw = { column = "pack_w", unit = "W", sign = "charge_positive" }
soc_pct = { column = "soc_pct", unit = "percent" }
cell_temp_min_degc = { column = "cell_min_c", unit = "degC" }
cell_temp_max_degc = { column = "cell_max_c", unit = "degC" }
heater_power_kw = { column = "heater_w", unit = "W" }
ambient_degc = { column = "ambient_c", unit = "degC" }
speed_kmh = { column = "speed_kmh", unit = "km/h" }
odometer_km = { column = "odo_km", unit = "km" }
is_connected = { column = "cable", values = { "1" = "true", "0" = "false" } }
charge_mode = { column = "charge_mode" }
latitude_deg = { column = "lat" }
longitude_deg = { column = "lon" }
""",
    "fleetbox": """\
# Fleet box: a zip per week with one CSV per van; local clock, decimal comma, current OUT of the
# pack is positive, no charge mode.
kind = "samples"
files = ["fleetbox_*.zip"]
members = ["*.csv"]
csv = { delimiter = ";", decimal = ",", encoding = "iso-8859-1" }
vehicle = { column = "Fordon" }
time = { format = "%d.%m.%Y %H:%M:%S", zone = "Europe/Stockholm" }

[columns]
sampled_at = { column = "Tid" }
pack_current_a = { column = "Ström_A", unit = "A", sign = "discharge_positive" }
pack_voltage_v = { column = "Spänning_V", unit = "V" }
soc_pct = { column = "SOC", unit = "fraction" }
cell_temp_min_degc = { column = "Cell_min_°C", unit = "degC" }
cell_temp_max_degc = { column = "Cell_max_°C", unit = "degC" }
heater_power_kw = { column = "Batterivärmare_kW", unit = "kW" }
ambient_degc = { column = "Utomhus_°C", unit = "degC" }
speed_kmh = { column = "Fart_km/h", unit = "km/h" }
odometer_km = { column = "Mätarställning_km", unit = "km" }
is_connected = { column = "Kabel", values = { ja = "true", nej = "false" } }
latitude_deg = { column = "Bredd" }
longitude_deg = { column = "Längd" }
""",
    "cloudpull": """\
# Cloud pull: Parquet, epoch milliseconds, Fahrenheit and miles. It brings no heater signal and no
# cable signal.
kind = "samples"
files = ["cloudpull_*.parquet"]
vehicle = { column = "unit" }
time = { format = "epoch_ms" }

[columns]
sampled_at = { column = "ts_ms" }
pack_power_kw = { column = "pack_kw", unit = "kW", sign = "charge_positive" }
soc_pct = { column = "soc", unit = "percent" }
cell_temp_min_degc = { column = "cell_low_f", unit = "degF" }
cell_temp_max_degc = { column = "cell_high_f", unit = "degF" }
ambient_degc = { column = "outside_f", unit = "degF" }
speed_kmh = { column = "speed_mph", unit = "mph" }
odometer_km = { column = "odometer_mi", unit = "mi" }
charge_mode = { column = "charging" }
latitude_deg = { column = "gps_lat" }
longitude_deg = { column = "gps_lon" }
""",
    "chargelog": """\
# Charge log: one row per charge, nothing in between.
kind = "sessions"
files = ["chargelog_*.csv"]
vehicle = { column = "unit" }
time = { format = "iso" }

[columns]
plug_in_at = { column = "plugged_at" }
plug_out_at = { column = "unplugged_at" }
meter_energy_kwh = { column = "meter_kwh", unit = "kWh" }
soc_start_pct = { column = "soc_from", unit = "percent" }
soc_end_pct = { column = "soc_to", unit = "percent" }
power_max_kw = { column = "peak_kw", unit = "kW" }
charge_mode = { column = "current" }
site_id = { column = "station" }
""",
    "hirebook": """\
# Hire book: a workbook per week of the van that is sometimes let; charges only.
kind = "sessions"
files = ["hirebook_*.xlsx"]
sheet = "Charges"
vehicle = { column = "Fleet no" }
time = { format = "%d/%m/%Y %H:%M %z" }

[columns]
plug_in_at = { column = "Cable in" }
plug_out_at = { column = "Cable out" }
meter_energy_kwh = { column = "Energy Wh", unit = "Wh" }
soc_start_pct = { column = "Battery before", unit = "fraction" }
soc_end_pct = { column = "Battery after", unit = "fraction" }
power_max_kw = { column = "Best power W", unit = "W" }
charge_mode = { column = "Kind", values = { DC = "dc", AC = "ac" } }
site_id = { column = "Charging place" }
""",
    "nav": """\
# Destinations set and cleared in the vans. Only a charging place makes a van warm its battery.
kind = "nav_events"
files = ["nav_*.csv"]
vehicle = { column = "vehicle" }
time = { format = "iso", zone = "UTC" }

[columns]
happened_at = { column = "utc" }
action = { column = "event" }
is_charging_place = { column = "kind", values = { charging_place = "true", address = "false" } }
latitude_deg = { column = "lat" }
longitude_deg = { column = "lon" }
""",
    "roster": """\
# Who drove what, as the office keeps it.
kind = "driver_spans"
files = ["roster.xlsx"]
sheet = "Rota"
vehicle = { column = "vehicle" }
time = { format = "%Y-%m-%d %H:%M", zone = "Europe/Stockholm" }

[columns]
from_at = { column = "from" }
to_at = { column = "to" }
driver_id = { column = "driver" }
""",
}

# What charging costs where the manager wrote it down; elsewhere the fleet's price stands in.
TARIFFS: dict[str, str] = {
    "mill-lane-100": """\
# The minute costs too, so a cold pack is paid for twice.
[[sites.mill-lane-100.tariff]]
energy_per_kwh = 0.36
per_minute = 0.05
""",
    "crossway-200": """\
# Cheaper at night; whoever stays on after the charge pays for the place.
[[sites.crossway-200.tariff]]
energy_per_kwh = 0.31
from_time = 22:00:00
to_time = 06:00:00

[[sites.crossway-200.tariff]]
energy_per_kwh = 0.49
flat = 0.35

[[sites.crossway-200.tariff]]
idle_per_minute = 0.10
grace_min = 10
from_time = 06:00:00
to_time = 22:00:00
""",
    "yard": """\
[[sites.yard.tariff]]
energy_per_kwh = 0.18
from_time = 23:00:00
to_time = 05:00:00

[[sites.yard.tariff]]
energy_per_kwh = 0.26
""",
}


def write_config_files(
    spec: FleetSpec, setups: list[VehicleSetup], rota: Rota, out_dir: Path
) -> None:
    """Write fleet, models, vehicles, sites, drivers and the sources this fleet needs."""
    texts = {
        "fleet.toml": _fleet(),
        "models.toml": _models(spec),
        "vehicles.toml": _vehicles(spec, setups),
        "sites.toml": _sites(spec),
        "drivers.toml": _drivers(spec, rota),
    }
    layouts = {setup.layout for setup in setups} | {"nav", "roster"}
    for name in sorted(layouts & SOURCES.keys()):
        texts[f"sources/{name}.toml"] = SOURCES[name]
    for name, text in texts.items():
        path = out_dir / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8", newline="\n")


def _fleet() -> str:
    return f"""\
# An invented operator in an invented cold town; every name, place and number is made up.
operator = "Skarnby Parcel Cooperative"
time_zone = "{ZONE_NAME}"
currency = "EUR"
energy_price_per_kwh = 0.42
driver_value_per_hour = 32.0
target_hit_rate = 0.6

[privacy]
driver_analysis = "pseudonyms"
purpose = "coaching on warming before fast charging, and nothing else"
agreed_on = 2025-11-03
agreement = "works agreement no. 7 of the cooperative, kept in the yard office"

[[events]]
date = 2026-01-26
name = "Yard talk on setting the charger before leaving"
kind = "training"

# Of the invented town, for `coldminutes budget`.
[weather]
file = "weather.csv"

[[scenario]]
name = "A tenth more work"
mileage_growth_rate = 0.1
"""


def _curve(pack: Pack, bias: float) -> str:
    points = zip(pack.curve_soc_pct, pack.curve_kw, strict=True)
    return ", ".join(f"[{soc:g}, {round(kw * bias, 2):g}]" for soc, kw in points)


def _models(spec: FleetSpec) -> str:
    parts = []
    for pack in PACKS.values():
        parts.append(f"""\
[models.{pack.model_id}]
name = "{MODEL_NAMES[pack.model_id]}"
usable_kwh = {pack.usable_kwh:g}
# [charge in %, kW] that a warm pack takes at a charger that does not limit it
warm_curve = [{_curve(pack, spec.curve_bias)}]
warm_threshold_degc = {pack.warm_degc:g}
warm_tolerance_kelvin = 0.5
heater_power_kw = {pack.heater_kw:g}
warming_cutoff_soc_pct = {pack.cutoff_soc_pct:g}
min_lead_min = 3
ac_max_kw = {pack.ac_max_kw:g}
can_warm = true
km_per_kwh = 3.6
""")
    return "\n".join(parts)


def _vehicles(spec: FleetSpec, setups: list[VehicleSetup]) -> str:
    parts = []
    for setup in setups:
        lines = [
            f"[vehicles.{setup.vehicle_id}]",
            f'model = "{setup.pack.model_id}"',
            'depot = "Skarnby yard"',
        ]
        if setup.rental_days:
            spans = []
            for first, last in setup.rental_days:
                start = spec.first_monday + timedelta(days=first)
                end = spec.first_monday + timedelta(days=last + 1)
                spans.append(
                    f'  {{ from = {start}T00:00:00, to = {end}T00:00:00, use = "rental" }},'
                )
            lines += ["spans = [", *spans, "]"]
        parts.append("\n".join(lines) + "\n")
    return "\n".join(parts)


def _sites(spec: FleetSpec) -> str:
    parts = []
    for site in (*DC_SITES, DEPOT):
        rating = "" if spec.hide_ratings else f"power_kw = {site.power_kw:g}\n"
        parts.append(f"""\
[sites.{site.site_id}]
name = "{site.name}"
latitude_deg = {site.lat}
longitude_deg = {site.lon}
radius_m = 250
{rating}mode = "{site.mode}"
aliases = ["{site.name}"]
""")
        if site.site_id in TARIFFS:
            parts.append(TARIFFS[site.site_id])
    return "\n".join(parts)


def _drivers(spec: FleetSpec, rota: Rota) -> str:
    ids = {shift.driver_id for shift in rota.written}
    parts = []
    for driver_id in sorted(ids, key=lambda name: int(name[1:])):
        number = int(driver_id[1:])
        name = DRIVER_NAMES[(number - 1) % len(DRIVER_NAMES)]
        if number > len(DRIVER_NAMES):
            name = f"{name} {(number - 1) // len(DRIVER_NAMES) + 1}"
        parts.append(f'[drivers.{driver_id}]\nname = "{name}"\n')
    return "\n".join(parts)
