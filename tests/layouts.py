"""Exports with random layouts, from true rows of the simulator: for tests of drafting.

Every layout is drawn from a seed: names from the words of five languages (or none that help),
delimiter, decimal sign, units, sign of power, format of times, columns that mean nothing to us.
What was drawn is returned beside the file, so that a draft can be judged.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

KM_PER_MILE = 1.609344
ZONE = "Europe/Stockholm"

NAMES: dict[str, tuple[str, ...]] = {
    "sampled_at": ("time", "timestamp", "Zeit", "Tid", "Horodatage", "fecha_hora", "ts", "utc_time",
                   "Datum/Zeit", "Tidsstämpel", "date", "loggedAt", "DateTime"),
    "soc_pct": ("soc", "SoC", "StateOfCharge", "Ladezustand", "laddnivå", "État de charge",
                "estado_de_carga", "battery_level", "HV_SOC", "akkustand", "BatteriNivå"),
    "pack_power_kw": ("pack_power", "P_batt", "BatteryPower", "Leistung Batterie", "batteri_effekt",
                      "puissance_batterie", "potencia_bateria", "power", "hvBatteryPower"),
    "pack_current_a": ("pack_current", "BatteryCurrent", "Batteriestrom", "batteri_ström",
                       "courant_batterie", "corriente_bateria", "I_batt"),
    "pack_voltage_v": ("pack_voltage", "BatteryVoltage", "Batteriespannung", "batteri_spänning",
                       "tension_batterie", "voltaje_bateria", "U_batt"),
    "cell_temp_min_degc": ("cell_temp_min", "CellTempMin", "Zelltemperatur min", "celltemp_min",
                           "temp_cellule_min", "temp_celda_min", "T_cell_low", "coldest cell",
                           "batt_temp_min", "kallaste cell"),
    "cell_temp_max_degc": ("cell_temp_max", "CellTempMax", "Zelltemperatur max", "celltemp_max",
                           "temp_cellule_max", "temp_celda_max", "T_cell_high", "hottest cell",
                           "batt_temp_max", "varmaste cell"),
    "ambient_degc": ("ambient", "outside_temp", "Außentemperatur", "utomhustemp", "temp_exterieure",
                     "temperatura exterior", "OAT", "AmbientTemperature", "Utetemp"),
    "heater_power_kw": ("heater_power", "BatteryHeater", "Batterieheizung", "batterivärmare",
                        "chauffage_batterie", "calefactor_bateria", "batt_heater_power"),
    "speed_kmh": ("speed", "VehicleSpeed", "Geschwindigkeit", "fart", "vitesse", "velocidad", "spd",
                  "hastighet"),
    "odometer_km": ("odometer", "odo", "Kilometerstand", "mätarställning", "kilométrage",
                    "odómetro", "mileage", "Tachostand"),
    "is_connected": ("cable", "plugged_in", "Kabel", "Stecker", "câble", "enchufado", "connected"),
    "charge_mode": ("charge_mode", "ChargeType", "Ladeart", "laddtyp", "type_charge", "modo_carga"),
    "latitude_deg": ("lat", "latitude", "Breite", "latitud", "gps_lat", "breddgrad"),
    "longitude_deg": ("lon", "lng", "longitude", "Länge", "longitud", "gps_lon"),
    "vehicle": ("vehicle", "vehicle_id", "Fahrzeug", "fordon", "véhicule", "vehículo", "VIN",
                "Kennzeichen", "unit", "RegNr"),
}  # fmt: skip
SUFFIXES: dict[str, tuple[str, ...]] = {
    "degC": ("_c", " [°C]", "_degC", " (°C)"), "degF": ("_f", "_degF", " (°F)"),
    "K": ("_K", " [K]"),
    "kW": ("_kw", " [kW]", " (kW)"), "W": ("_w", " [W]", " (W)"), "A": ("_A", " [A]"),
    "V": ("_V", " [V]"), "percent": ("_pct", " (%)", " [%]"), "fraction": ("",),
    "km/h": ("_kmh", " (km/h)", "_kph"), "mph": ("_mph", " (mph)"), "m/s": (" [m/s]",),
    "km": ("_km", " [km]"), "mi": ("_mi", "_miles", " (mi)"), "m": (" [m]",),
}  # fmt: skip
UNITS = {
    "soc_pct": ("percent", "fraction"), "pack_power_kw": ("kW", "W"), "pack_current_a": ("A",),
    "pack_voltage_v": ("V",), "heater_power_kw": ("kW", "W"),
    "latitude_deg": ("deg",), "longitude_deg": ("deg",),
}  # fmt: skip
MODES = ({"ac": "AC", "dc": "DC", "none": ""}, {"ac": "ac", "dc": "dc", "none": "none"},
         {"ac": "slow", "dc": "fast", "none": "-"},
         {"ac": "Wechselstrom", "dc": "Gleichstrom", "none": ""})  # fmt: skip
FLAGS = (("1", "0"), ("true", "false"), ("ja", "nej"), ("Ja", "Nein"), ("oui", "non"), ("sí", "no"),
         ("yes", "no"), ("TRUE", "FALSE"), ("connected", "disconnected"))  # fmt: skip
TIMES = ("iso_z", "iso_offset", "iso_local", "epoch_s", "epoch_ms", "%d.%m.%Y %H:%M:%S",
         "%m/%d/%Y %H:%M:%S", "%d/%m/%Y %H:%M:%S", "%Y/%m/%d %H:%M:%S")  # fmt: skip
FOREIGN = ("firmware_version", "cabin_temp", "error_code", "trip_km", "rssi", "seq", "x7")


@dataclass(frozen=True)
class Truth:
    """What a drawn export holds.

    Parameters
    ----------
    columns
        Signal -> (column, unit or None, sign or None).
    vehicle
        Its column; None where only the file's name says it.
    time_format, needs_zone
        As the mapping should have them.
    extra
        Columns that mean nothing to us.
    """

    columns: dict[str, tuple[str, str | None, str | None]]
    vehicle: str | None
    time_format: str
    needs_zone: bool
    delimiter: str
    decimal: str
    extra: tuple[str, ...]


@cache
def true_rows() -> pl.DataFrame:
    """One week of three vans in our own units, without a defect."""
    import simulate
    from sim_days import WorkingVan
    from sim_exports import to_frame
    from sim_world import FleetSpec, Weather, make_rota, vehicle_setups

    spec = FleetSpec(n_vehicles=3, weeks=1, seed=7, layout="tailgate_csv", defects=False)
    setups = vehicle_setups(spec)
    weather, rota = Weather(spec), make_rota(spec, setups)
    frames = []
    for setup in setups:
        van = WorkingVan(spec, setup, weather, rota)
        van.run_week(0)
        rows = van.flush_rows(spec.local_midnight_s(7))
        if rows is not None:
            frames.append(to_frame(rows).with_columns(vehicle=pl.lit(setup.vehicle_id)))
    assert simulate is not None
    return pl.concat(frames)


def draw(seed: int, folder: Path) -> tuple[Path, Truth]:
    """Write one export with the layout of this seed."""
    rng = np.random.default_rng(seed)

    def one(options: Any) -> Any:
        return options[int(rng.integers(len(options)))]

    vehicle_ids = true_rows()["vehicle"].unique(maintain_order=True).to_list()
    vehicle_id = one(vehicle_ids)
    has_vehicle = bool(rng.random() < 0.6)
    rows = true_rows()
    if not has_vehicle or rng.random() < 0.5:
        rows = rows.filter(pl.col("vehicle") == vehicle_id)
    suffix = one(("csv", "csv", "csv", "tsv", "parquet", "csv.gz"))
    is_typed = suffix == "parquet"
    delimiter = "\t" if suffix == "tsv" else one((",", ";", ";", "|"))
    decimal = "." if is_typed or delimiter == "," else one((".", ","))
    signals = ["sampled_at", "soc_pct", "cell_temp_min_degc", "speed_kmh"]
    signals += ["pack_power_kw"] if rng.random() < 0.7 else ["pack_current_a", "pack_voltage_v"]
    signals += [
        name
        for name in ("cell_temp_max_degc", "ambient_degc", "heater_power_kw", "odometer_km",
                     "is_connected", "charge_mode", "latitude_deg")
        if rng.random() < 0.75
    ]  # fmt: skip
    if "latitude_deg" in signals:
        signals.append("longitude_deg")
    sign = one(("charge_positive", "discharge_positive"))
    temperature, distance = one(("degC", "degC", "degF", "K")), one(("km", "km", "mi"))
    says_units = rng.random() < 0.5
    clock = one(TIMES[:5]) if is_typed else one(TIMES)
    columns: dict[str, tuple[str, str | None, str | None]] = {}
    values: dict[str, pl.Expr | pl.Series] = {}
    for signal in signals:
        units = UNITS.get(signal, (None,))
        unit = one(units)
        if signal.endswith("_degc"):
            unit = temperature
        elif signal == "speed_kmh":
            unit = one(("km/h", "km/h", "m/s")) if distance == "km" else "mph"
        elif signal == "odometer_km":
            unit = one(("km", "km", "m")) if distance == "km" else "mi"
        name = one(NAMES[signal])
        if says_units and unit in SUFFIXES:
            name += one(SUFFIXES[unit])
        signed = sign if signal in ("pack_power_kw", "pack_current_a") else None
        columns[signal] = (name, unit, signed)
        values[name] = _values(signal, unit, signed, clock, one)
    frame = rows.select(**values)
    extra = tuple(name for name in FOREIGN if rng.random() < 0.3)
    for name in extra:
        frame = frame.with_columns(_foreign(name, frame.height, rng))
    vehicle = None
    if has_vehicle:
        vehicle = one(NAMES["vehicle"])
        frame = frame.with_columns(rows["vehicle"].alias(vehicle))
    frame = frame.select(list(np.array(frame.columns)[rng.permutation(frame.width)]))
    path = folder / f"{one(('log', 'export', 'telemetry'))}_{vehicle_id}_2026-01-05.{suffix}"
    _write(frame, path, delimiter, decimal, one)
    form = {"iso_z": "iso", "iso_offset": "iso", "iso_local": "iso"}.get(clock, clock)
    needs_zone = clock == "iso_local" or clock.startswith("%")
    return path, Truth(columns, vehicle, form, needs_zone, delimiter, decimal, extra)


def _values(signal: str, unit: str | None, sign: str | None, clock: str, one: Any) -> pl.Expr:
    turn = -1.0 if sign == "discharge_positive" else 1.0
    kelvin = {"degC": (1.0, 0.0), "degF": (1.8, 32.0), "K": (1.0, 273.15)}
    if signal == "sampled_at":
        return _instants(clock)
    if signal == "soc_pct":
        return (pl.col("soc_pct") / (100 if unit == "fraction" else 1)).round(4)
    if signal == "pack_power_kw":
        return (pl.col("pack_kw") * turn * (1000 if unit == "W" else 1)).round(2)
    volt = 340.0 + 0.5 * pl.col("soc_pct") + 0.06 * pl.col("pack_kw")
    if signal == "pack_voltage_v":
        return volt.round(1)
    if signal == "pack_current_a":
        return (turn * pl.col("pack_kw") * 1000 / volt).round(1)
    if signal.endswith("_degc"):
        ours = {"cell_temp_min_degc": "cell_min_degc", "cell_temp_max_degc": "cell_max_degc"}
        factor, offset = kelvin[str(unit)]
        return (pl.col(ours.get(signal, signal)) * factor + offset).round(1)
    if signal == "heater_power_kw":
        return (pl.col("heater_kw") * (1000 if unit == "W" else 1)).round(2)
    if signal == "speed_kmh":
        return (pl.col("speed_kmh") / {"km/h": 1, "mph": KM_PER_MILE, "m/s": 3.6}[str(unit)]).round(
            1
        )
    if signal == "odometer_km":
        per = {"km": 1, "mi": KM_PER_MILE, "m": 0.001}[str(unit)]
        return (pl.col("odo_km") / per).round(2 if unit != "m" else 0)
    if signal == "is_connected":
        yes, no = one(FLAGS)
        return pl.when(pl.col("is_connected") > 0).then(pl.lit(yes)).otherwise(pl.lit(no))
    if signal == "charge_mode":
        words = one(MODES)
        table = {0: words["none"], 1: words["ac"], 2: words["dc"]}
        return pl.col("mode").replace_strict(table, return_dtype=pl.String)
    return pl.col({"latitude_deg": "lat", "longitude_deg": "lon"}[signal])


def _instants(clock: str) -> pl.Expr:
    whole = (pl.col("t_s").round() * 1000).cast(pl.Int64)
    utc = pl.from_epoch(whole, time_unit="ms").dt.replace_time_zone("UTC")
    local = utc.dt.convert_time_zone(ZONE)
    if clock == "epoch_s":
        return whole // 1000
    if clock == "epoch_ms":
        return whole
    if clock == "iso_z":
        return utc.dt.strftime("%Y-%m-%dT%H:%M:%SZ")
    if clock == "iso_offset":
        return local.dt.strftime("%Y-%m-%dT%H:%M:%S%:z")
    return local.dt.strftime("%Y-%m-%d %H:%M:%S" if clock == "iso_local" else clock)


def _foreign(name: str, n: int, rng: np.random.Generator) -> pl.Series:
    if name == "firmware_version":
        return pl.Series(name, ["4.1.7"] * n)
    if name == "seq":
        return pl.Series(name, np.arange(n))
    return pl.Series(name, rng.normal(20.0, 2.0, n).round(1))


def _write(frame: pl.DataFrame, path: Path, delimiter: str, decimal: str, one: Any) -> None:
    if path.suffix == ".parquet":
        frame.write_parquet(path)
        return
    text = frame.write_csv(separator=delimiter, decimal_comma=decimal == ",")
    encoding = one(("utf-8", "utf-8", "cp1252"))
    data = text.encode(encoding)
    if path.suffix == ".gz":
        import gzip

        data = gzip.compress(data, mtime=0)
    path.write_bytes(data)
