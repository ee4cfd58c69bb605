"""Every signal that an export can bring, once: name, unit, sign, domain, meaning.

A value outside its domain is a reading no vehicle can give: the row is set aside with the rule
``out_of_range``. The domains are wide on purpose; what is merely unusual is not judged here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

ValueType = Literal["number", "flag", "text", "time"]


@dataclass(frozen=True)
class Signal:
    """One signal of an export.

    Parameters
    ----------
    name
        Our name, unit last.
    value_type
        ``number``, ``flag`` (true/false), ``text`` or ``time`` (an instant).
    meaning
        What it is, with its sign, and its COVESA VSS path where the standard has one.
    unit
        Our unit; None for text, flags and times.
    low, high
        Domain, inclusive, in our unit.
    labels
        Sampled values: does a value belong to the instant or to the interval before it?
    """

    name: str
    value_type: ValueType
    meaning: str
    unit: str | None = None
    low: float | None = None
    high: float | None = None
    labels: Literal["instant", "interval_before"] = "instant"


_VSS = "Vehicle.Powertrain.TractionBattery"

_POSITION = (
    Signal(
        "latitude_deg", "number", "WGS 84; VSS Vehicle.CurrentLocation.Latitude", "deg", -90, 90
    ),
    Signal(
        "longitude_deg", "number", "WGS 84; VSS Vehicle.CurrentLocation.Longitude", "deg", -180, 180
    ),
)

SAMPLE_SIGNALS = (
    Signal("sampled_at", "time", "instant of the sample"),
    Signal("soc_pct", "number", f"state of charge; VSS {_VSS}.StateOfCharge", "pct", 0, 100),
    Signal(
        "pack_power_kw",
        "number",
        f"power into the pack, positive when charging; VSS {_VSS}.CurrentPower",
        "kw",
        -1500,
        1500,
    ),
    Signal(
        "pack_current_a",
        "number",
        f"current into the pack, positive when charging; VSS {_VSS}.CurrentCurrent",
        "a",
        -3000,
        3000,
    ),
    Signal("pack_voltage_v", "number", f"VSS {_VSS}.CurrentVoltage", "v", 0, 1500),
    Signal(
        "cell_temp_min_degc", "number", f"coldest cell; VSS {_VSS}.Temperature.Min", "degc", -50, 90
    ),
    Signal(
        "cell_temp_max_degc", "number", f"hottest cell; VSS {_VSS}.Temperature.Max", "degc", -50, 90
    ),
    Signal(
        "ambient_degc",
        "number",
        "outside air; VSS Vehicle.Exterior.AirTemperature",
        "degc",
        -60,
        60,
    ),
    Signal(
        "heater_power_kw",
        "number",
        "electric power of the heater that warms the battery, not the cabin; no VSS path",
        "kw",
        0,
        50,
    ),
    Signal(
        "is_conditioning",
        "flag",
        f"battery is being heated or cooled; VSS {_VSS}.BatteryConditioning.IsOngoing",
    ),
    Signal("speed_kmh", "number", "VSS Vehicle.Speed", "kmh", -30, 300),
    Signal("odometer_km", "number", "VSS Vehicle.TraveledDistance", "km", 0, 5_000_000),
    Signal(
        "is_connected",
        "flag",
        f"cable in the port; VSS {_VSS}.Charging.ChargingPort.AnyPosition.IsChargingCableConnected",
    ),
    Signal("charge_mode", "text", "'ac' or 'dc' where the export says so; anything else is none"),
    Signal("site_id", "text", "site name as the export writes it"),
    *_POSITION,
)

NAV_SIGNALS = (
    Signal("happened_at", "time", "instant at which the destination was set or cleared"),
    Signal("action", "text", "'set' or 'cleared'"),
    Signal("is_charging_place", "flag", "the vehicle knows the destination as a place to charge"),
    Signal("destination", "text", "name as the export writes it"),
    *_POSITION,
)

SESSION_SIGNALS = (
    Signal("plug_in_at", "time", "cable in, or start of the session"),
    Signal("plug_out_at", "time", "cable out, or end of the session"),
    Signal("meter_energy_kwh", "number", "energy at the charger's meter", "kwh", 0, 1000),
    Signal("soc_start_pct", "number", "state of charge at the start", "pct", 0, 100),
    Signal("soc_end_pct", "number", "state of charge at the end", "pct", 0, 100),
    Signal("power_max_kw", "number", "highest power drawn", "kw", 0, 2000),
    Signal("charge_mode", "text", "'ac' or 'dc'"),
    Signal("site_id", "text", "site name as the export writes it"),
    Signal("is_held_back_by_site", "flag", "the site is known to have held power back"),
    Signal(
        "total_cost", "number", "sum charged for the session, fleet currency", "currency", 0, 1e6
    ),
    Signal("parking_min", "number", "time at the plug billed as not charging", "min", 0, 1e6),
    Signal("record_id", "text", "the biller's own number of the record"),
    Signal("evse_id", "text", "outlet, as printed on it (ISO 15118: ZZ*ZZZ*E...)"),
    *_POSITION,
)

SPAN_SIGNALS = (
    Signal("from_at", "time", "start of the span"),
    Signal("to_at", "time", "end of the span"),
    Signal("driver_id", "text", "driver as the export writes it"),
    Signal("use", "text", "'delivery', 'rental', 'other', or 'break': a rest of the driver's"),
)

SIGNALS_BY_KIND: dict[str, dict[str, Signal]] = {
    "samples": {signal.name: signal for signal in SAMPLE_SIGNALS},
    "nav_events": {signal.name: signal for signal in NAV_SIGNALS},
    "sessions": {signal.name: signal for signal in SESSION_SIGNALS},
    "driver_spans": {signal.name: signal for signal in SPAN_SIGNALS},
    "ocpi_cdrs": {signal.name: signal for signal in SESSION_SIGNALS},
    "ocpp_meter": {},  # the standard says what is what; nothing is mapped
}

REQUIRED_BY_KIND: dict[str, tuple[str, ...]] = {
    "samples": ("sampled_at",),
    "nav_events": ("happened_at",),
    "sessions": ("plug_in_at", "plug_out_at"),
    "driver_spans": ("from_at", "to_at"),
    "ocpi_cdrs": ("plug_in_at", "plug_out_at"),
    "ocpp_meter": (),
}
