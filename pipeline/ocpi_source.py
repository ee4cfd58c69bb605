"""Charge detail records of OCPI 2.2.1 and 2.3.0 as a source that needs no mapping.

The names on the right are those of `sql/ingest/ocpi_records.sql`, which are the standard's where
a value is taken as it stands.

References
----------
OCPI 2.2.1 and 2.3.0, mod_cdrs (CDR object, CdrLocation, CdrDimensionType) and types (Price).
"""

from __future__ import annotations

from typing import Any

OCPI_CDRS = "ocpi_cdrs"
CARD_COLUMNS = ("cdr_token.uid", "cdr_token.contract_id")
ENVELOPE_LIST = "data"
"""Where a paged response holds its records."""

CDR_COLUMNS: dict[str, dict[str, Any]] = {
    "plug_in_at": {"column": "start_date_time"},
    "plug_out_at": {"column": "end_date_time"},
    "meter_energy_kwh": {"column": "total_energy", "unit": "kWh"},
    "power_max_kw": {"column": "max_power", "unit": "kW"},
    "charge_mode": {
        "column": "cdr_location.connector_power_type",
        "values": {
            "DC": "dc",
            "AC_1_PHASE": "ac",
            "AC_2_PHASE": "ac",
            "AC_2_PHASE_SPLIT": "ac",
            "AC_3_PHASE": "ac",
        },
    },
    "site_id": {"column": "cdr_location"},
    "total_cost": {"column": "total_cost"},
    "latitude_deg": {"column": "cdr_location.coordinates.latitude"},
    "longitude_deg": {"column": "cdr_location.coordinates.longitude"},
    "parking_min": {"column": "total_parking_time", "unit": "h"},
    "record_id": {"column": "id"},
    "evse_id": {"column": "cdr_location.evse_id"},
}


def with_preset(table: dict[str, Any]) -> dict[str, Any]:
    """The table of a source of kind ``ocpi_cdrs`` with what the standard says filled in.

    Raises
    ------
    ValueError
        Where the table maps something itself.
    """
    given = sorted({"columns", "vehicle", "time", "records", "sheet", "null_values"} & set(table))
    if given:
        raise ValueError(
            f"kind '{OCPI_CDRS}' needs no mapping and takes no {', '.join(given)}: the standard "
            f"says what is where; vehicles are found by the cards of cards.toml"
        )
    return {**table, "columns": CDR_COLUMNS, "vehicle": {"card": list(CARD_COLUMNS)}}
