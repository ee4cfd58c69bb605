"""Exports whose columns are COVESA VSS paths: taken in with no mapping, units by the standard.

A file that no source speaks for is looked into; if its header holds VSS paths, in full or after
a prefix, a built-in source reads it. Files of one layout share one such source; its id is
``vss:<layout>``.

References
----------
COVESA Vehicle Signal Specification 5.0, 6.0: ``spec/Powertrain/TractionBattery.vspec``,
``spec/Vehicle/Vehicle.vspec``, ``spec/Vehicle/Exterior.vspec``, ``CHANGELOG.md``. Odometer in km
to version 5, in m from 6. ``Vehicle.VersionVSS`` is from memory.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable
from pathlib import Path, PurePosixPath
from typing import Any

from pipeline.config import Fleet
from pipeline.file_names import vehicle_in_name
from pipeline.ingest.inbox import InboxFile, matching_sources
from pipeline.ingest.vss_heads import Head, heads_of
from pipeline.problems import Problem
from pipeline.source_config import Source

DEFAULT_VERSION = 6
BUILT_IN = re.compile(r"^vss:[0-9a-f]{8}$")

_TB = "vehicle.powertrain.tractionbattery."
_PATHS: dict[str, tuple[str, str | None]] = {
    _TB + "stateofcharge.current": ("soc_pct", "percent"),
    _TB + "stateofcharge.displayed": ("soc_pct", "percent"),
    _TB + "currentpower": ("pack_power_kw", "W"),
    _TB + "currentcurrent": ("pack_current_a", "A"),
    _TB + "currentvoltage": ("pack_voltage_v", "V"),
    _TB + "temperature.min": ("cell_temp_min_degc", "degC"),
    _TB + "temperature.max": ("cell_temp_max_degc", "degC"),
    _TB + "batteryconditioning.isongoing": ("is_conditioning", None),
    "vehicle.exterior.airtemperature": ("ambient_degc", "degC"),
    "vehicle.traveleddistance": ("odometer_km", None),
    "vehicle.speed": ("speed_kmh", "km/h"),
    "vehicle.currentlocation.latitude": ("latitude_deg", "deg"),
    "vehicle.currentlocation.longitude": ("longitude_deg", "deg"),
}
"""Path -> signal and its unit; of two paths for a signal the first counts."""
_CABLE = re.compile(re.escape(_TB) + r"charging\.chargingport\.(\w+)\.ischargingcableconnected$")
_VIN = "vehicle.vehicleidentification.vin"
_VERSION = ("vehicle.versionvss.major", "vss_version", "vssversion")
_VEHICLES = ("vehicle", "vehicle_id", "vehicleid", "vin")
_CLOCKS = ("timestamp", "time", "ts", "utc", "datetime", "date_time", "recorded_at", "sampled_at")
_STAMP = "vehicle.currentlocation.timestamp"
_UNITS = {
    "celsius": "degC", "degc": "degC", "°c": "degC", "fahrenheit": "degF", "km": "km", "m": "m",
    "w": "W", "kw": "kW", "km/h": "km/h", "percent": "percent", "%": "percent", "a": "A", "v": "V",
}  # fmt: skip
_SUFFIX = re.compile(r"\s*[\[(]\s*([^\])]*?)\s*[\])]\s*$")


def is_built_in(source_id: str) -> bool:
    """Is this a source of ours rather than one of the fleet's?"""
    return BUILT_IN.match(source_id) is not None


def with_vss(fleet: Fleet, files: Iterable[InboxFile]) -> tuple[Fleet, dict[str, Problem]]:
    """The fleet with built-in sources for files that are VSS exports and nobody else's.

    Returns
    -------
    tuple
        The fleet, and for each such file a note of what was assumed.
    """
    layouts: dict[str, dict[str, Any]] = {}
    notes: dict[str, Problem] = {}
    told = fleet.settings.vss_version
    for file in files:
        if matching_sources(file.name, fleet.sources):
            continue
        for member, head in heads_of(file):
            found = _layout(head, member or PurePosixPath(file.name).name, told)
            if found is None:
                continue
            source, assumed, version, in_file = found
            # Told in fleet.toml, the version may change: the same source is then mapped anew.
            layout = (head.names, head.delimiter, source["time"], source["vehicle"], in_file)
            digest = hashlib.sha256(repr(layout).encode()).hexdigest()[:8]
            entry = layouts.setdefault(f"vss:{digest}", {**source, "files": []})
            if _literal(file.name) not in entry["files"]:
                entry["files"].append(_literal(file.name))
            if member is not None:
                entry.setdefault("members", []).append(_literal(member))
            notes[file.name] = Problem(
                "VSS-01",
                "note",
                f"inbox/{file.name}",
                f"its columns are VSS paths, read as version {version}; {'; '.join(assumed)}",
                "If that is not so, set vss_version in fleet.toml, or write a source for the file "
                "(`coldminutes draft`).",
            )
    if not layouts:
        return fleet, {}
    added = {name: Source.model_validate(entry) for name, entry in layouts.items()}
    return fleet.model_copy(update={"sources": {**fleet.sources, **added}}), notes


def _layout(
    head: Head, bare_name: str, told: int | None
) -> tuple[dict[str, Any], list[str], int, bool] | None:
    """Mapping, what it assumes, version, and whether the file says it; None if it is no VSS."""
    if len(set(head.names)) != len(head.names):
        return None
    plain: dict[str, tuple[str, str | None]] = {}
    for name in head.names:
        path, unit = _path(name)
        plain.setdefault(path, (name, unit))
    if sum(path.startswith("vehicle.") for path in plain) < 2:
        return None
    version, whence = _version_of(head, plain, told)
    assumed = [whence]
    columns = _columns(plain, version, assumed)
    clock = next((plain[name][0] for name in (*_CLOCKS, _STAMP) if name in plain), None)
    if not columns or clock is None:
        return None
    cell = head.first[head.names.index(clock)] if head.first else ""
    form = "epoch_ms" if re.fullmatch(r"\d{13}", cell) else "iso"
    form = "epoch_s" if re.fullmatch(r"\d{10}(\.\d+)?", cell) else form
    if form == "iso" and not re.search(r"(Z|[+-]\d\d:?\d\d)$", cell):
        assumed.append("times carry no offset and are taken as UTC, as the standard has them")
    source: dict[str, Any] = {
        "kind": "samples",
        "time": {"format": form, "zone": "UTC"},
        "columns": {"sampled_at": {"column": clock}, **columns},
        "vehicle": _vehicle(plain, bare_name, assumed),
    }
    if head.delimiter not in (None, ","):
        source["csv"] = {"delimiter": head.delimiter}
    _doubt_odometer(head, columns, assumed)
    return source, assumed, version, whence.startswith("as its column")


def _columns(
    plain: dict[str, tuple[str, str | None]], version: int, assumed: list[str]
) -> dict[str, dict[str, str]]:
    columns: dict[str, dict[str, str]] = {}
    for path, (signal, unit) in _PATHS.items():
        if path not in plain or signal in columns:
            continue
        name, said = plain[path]
        if signal == "odometer_km":
            unit = "m" if version >= 6 else "km"
        unit = _UNITS.get(said or "", unit) if unit is not None else None
        columns[signal] = {"column": name} | ({"unit": unit} if unit is not None else {})
        if path.endswith("displayed"):
            assumed.append("charge is the displayed one, not the physical")
        if signal == "odometer_km":
            assumed.append(f"odometer in {unit}")
    ports = sorted(
        (found.group(1) != "anyposition", path)
        for path in plain
        if (found := _CABLE.match(path)) is not None
    )
    if ports:
        columns["is_connected"] = {"column": plain[ports[0][1]][0]}
    return columns


def _doubt_odometer(head: Head, columns: dict[str, dict[str, str]], assumed: list[str]) -> None:
    odometer = columns.get("odometer_km")
    if odometer is None or not head.first or odometer.get("unit") != "m":
        return
    cell = head.first[head.names.index(odometer["column"])]
    if re.fullmatch(r"\d+\.\d*[1-9]\d*", cell):
        assumed.append(
            f"but the odometer has decimals ({cell}), as in versions to 5, where it is in km"
        )


def _vehicle(
    plain: dict[str, tuple[str, str | None]], bare_name: str, assumed: list[str]
) -> dict[str, str]:
    for name in (_VIN, *_VEHICLES):
        if name in plain:
            return {"column": plain[name][0]}
    found = vehicle_in_name(bare_name)
    pattern = found.pattern if found is not None else r"^([^.]+)"
    assumed.append("the vehicle's name is cut from the file's")
    return {"file_name": pattern}


def _version_of(
    head: Head, plain: dict[str, tuple[str, str | None]], told: int | None
) -> tuple[int, str]:
    for name in _VERSION:
        if name in plain and head.first:
            found = re.match(r"v?(\d{1,2})\b", head.first[head.names.index(plain[name][0])])
            if found is not None:
                return int(found.group(1)), f"as its column {plain[name][0]} says"
    if told is not None:
        return told, "as fleet.toml says"
    return DEFAULT_VERSION, "which is assumed"


def _path(name: str) -> tuple[str, str | None]:
    """Path in lower case without any prefix, and the unit in brackets behind it."""
    name = name.replace('"', "")  # around a key of JSON that holds points
    unit = _SUFFIX.search(name)
    path = (name[: unit.start()] if unit else name).strip().replace("/", ".").lower()
    at = re.search(r"(?:^|[.:])(vehicle\.)", path)
    if at is not None:
        path = path[at.start(1) :]
    return path, unit.group(1).lower() if unit else None


def _literal(name: str) -> str:
    """A pattern that fits this name only."""
    return re.sub(r"([\[*?])", r"[\1]", name)


def vss_source(path: Path, version: int | None = None) -> Source | None:
    """How the built-in source would read one file outside any fleet; None where it is not VSS."""
    size = path.stat()
    file = InboxFile(path, path.name, size.st_size, size.st_mtime_ns)
    for member, head in heads_of(file):
        found = _layout(head, member or path.name, version)
        if found is not None:
            return Source.model_validate({**found[0], "files": [_literal(path.name)]})
    return None
