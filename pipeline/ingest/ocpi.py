"""OCPI charge detail records: what they promise, held against what they bring.

Whatever is put right or not used is kept per row (`Mapped.mended`) and told of; what cannot be
believed is set aside with its rule.

References
----------
OCPI 2.2.1 and 2.3.0, mod_cdrs: total_energy is in kWh, times are in hours, a DateTime without an
offset is UTC, coordinates are decimal degrees. Swapped coordinates and Wh for kWh stand in the
standard's own example objects.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import polars as pl

from pipeline.config import Fleet
from pipeline.ingest.checks import Check, no_quarantine
from pipeline.ingest.mapping import Mapper
from pipeline.ingest.ocpi_checks import (
    agree,
    credit_checks,
    nearest_km,
    numbers,
    object_checks,
    stay_h_of,
    told,
)
from pipeline.ingest.read import CELL
from pipeline.ingest.read_json import JSON_SUFFIXES, records
from pipeline.ingest.refusals import refusal
from pipeline.source_config import Source

MAX_SESSION_KWH = 500.0
"""More than any vehicle of a fleet of vans and cars takes in one session."""
MAX_CHARGER_KW = 1000.0
"""A session of more than this on average is Wh written as kWh."""
WITHIN_REACH_KM = 100.0
"""A position farther than this from every site of the fleet is doubted."""

LATITUDE, LONGITUDE = "cdr_location.coordinates.latitude", "cdr_location.coordinates.longitude"
_Step = tuple[list[pl.Series], list[Check], list[pl.DataFrame]]
OWN_COLUMNS = ("file_row", "record_type", "keys", "own_id", "periods_energy_kwh")
"""What the reader says about a record; all else are its values."""
_DOTTED = {
    "cdr_token_uid": "cdr_token.uid",
    "cdr_token_contract_id": "cdr_token.contract_id",
    "cdr_location_id": "cdr_location.id",
    "cdr_location_name": "cdr_location.name",
    "cdr_location_evse_uid": "cdr_location.evse_uid",
    "cdr_location_evse_id": "cdr_location.evse_id",
    "cdr_location_connector_power_type": "cdr_location.connector_power_type",
    "cdr_location_coordinates_latitude": LATITUDE,
    "cdr_location_coordinates_longitude": LONGITUDE,
}
_PLACE_COLUMNS = (
    "cdr_location.evse_id", "cdr_location.evse_uid", "cdr_location.id", "cdr_location.name",
)  # fmt: skip


def ocpi_batches(
    path: Path, name: str, source: Source, temp: Path, rows_n: int
) -> Iterator[pl.DataFrame]:
    """Cells of the records of one file under the standard's names, and ``file_row`` from 1.

    Raises
    ------
    ColdMinutesError
        A file that is not JSON by its name, malformed JSON, an object that is too large.
    """
    if path.suffix.lower() not in JSON_SUFFIXES:
        raise refusal(
            "INGEST-04",
            name,
            "is not JSON by its name, and OCPI records are JSON",
            "Name it .json or .jsonl, or write a source of kind 'sessions' for it.",
        )
    for batch in records(path, name, source, temp, "ingest/ocpi_records", {}, rows_n):
        yield batch.rename(
            {
                column: CELL + _DOTTED.get(column, column)
                for column in batch.columns
                if column not in OWN_COLUMNS
            }
        ).with_columns(pl.col(CELL + "cdr_location.id").alias(CELL + "cdr_location"))


class OcpiMapper(Mapper):
    """The mapping of one file of charge detail records."""

    def __init__(self, fleet: Fleet, *rest: object) -> None:
        super().__init__(fleet, *rest)  # type: ignore[arg-type]
        self._currency = fleet.settings.currency
        self._sites = [
            (site.latitude_deg, site.longitude_deg)
            for site in fleet.sites.values()
            if site.latitude_deg is not None and site.longitude_deg is not None
        ]

    def _prepared(self, raw: pl.DataFrame) -> tuple[pl.DataFrame, list[Check], pl.DataFrame]:
        checks = [*object_checks(raw), *credit_checks(raw)]
        raw = raw.with_columns(self._places(raw))
        mended = []
        for step in (self._energy, self._position, self._cost, self._parking):
            changed, found, told = step(raw)
            raw, checks = raw.with_columns(changed), [*checks, *found]
            mended += told
        return raw, checks, pl.concat([no_quarantine(), *mended])

    def _places(self, raw: pl.DataFrame) -> pl.Series:
        """The first of outlet, location and name that the fleet knows as a site, else the id."""
        words = self._words["site_id"]
        known = [
            pl.col(CELL + column)
            .str.strip_chars()
            .str.to_lowercase()
            .replace_strict(words, default=None, return_dtype=pl.String)
            for column in _PLACE_COLUMNS
        ]
        return raw.select(
            pl.coalesce(*known, CELL + "cdr_location.id").alias(CELL + "cdr_location")
        ).to_series()

    def _energy(self, raw: pl.DataFrame) -> _Step:
        column = CELL + "total_energy"
        cells, total = raw[column], numbers(raw[column])
        periods = raw["periods_energy_kwh"].to_numpy()
        stay_h = stay_h_of(raw)
        with np.errstate(invalid="ignore", divide="ignore"):
            is_in_wh = (agree(total, 1000 * periods) & (total > 10)) | (
                (total / stay_h > MAX_CHARGER_KW) & (total > MAX_SESSION_KWH)
            )
            is_too_much = (total > MAX_SESSION_KWH) & ~is_in_wh
            is_periods_wh = ~is_in_wh & (total > 0) & agree(periods, 1000 * total)
            is_apart = ~(
                is_in_wh | is_too_much | is_periods_wh | np.isnan(total) | np.isnan(periods)
            ) & ~agree(total, periods)
        used = pl.Series(column, np.where(is_in_wh, total / 1000, total)).fill_nan(None)
        written = used.cast(pl.String)
        return (
            [cells.zip_with(~pl.Series(is_in_wh), written)],
            [
                Check(
                    "energy_implausible",
                    "total_energy",
                    pl.Series(is_too_much),
                    cells,
                    f"at most {MAX_SESSION_KWH:g} kWh in one session",
                )
            ],
            [
                told(raw, is_in_wh, "wh_in_kwh", "total_energy", cells, written),
                told(
                    raw,
                    is_periods_wh,
                    "periods_in_wh",
                    "charging_periods",
                    raw["periods_energy_kwh"].cast(pl.String),
                    cells,
                ),
                told(
                    raw,
                    is_apart,
                    "energy_differs",
                    "charging_periods",
                    raw["periods_energy_kwh"].cast(pl.String),
                    cells,
                ),
            ],
        )

    def _position(self, raw: pl.DataFrame) -> _Step:
        """Latitude and longitude the right way round, or none where neither way can be."""
        cells = raw[CELL + LATITUDE], raw[CELL + LONGITUDE]
        latitude, longitude = (numbers(series) for series in cells)
        with np.errstate(invalid="ignore"):
            is_valid = (abs(latitude) <= 90) & (abs(longitude) <= 180)
            is_valid_swapped = (abs(longitude) <= 90) & (abs(latitude) <= 180)
            is_swapped = ~is_valid & is_valid_swapped
            if self._sites:
                is_near = nearest_km(latitude, longitude, self._sites) <= WITHIN_REACH_KM
                is_near_swapped = nearest_km(longitude, latitude, self._sites) <= WITHIN_REACH_KM
                is_swapped |= is_valid_swapped & is_near_swapped & ~is_near
            is_nowhere = (latitude == 0) & (longitude == 0)
        is_given = pl.Series((cells[0].is_not_null() | cells[1].is_not_null()).to_numpy())
        is_bad = (~is_valid & ~is_swapped) & is_given.to_numpy() | is_nowhere
        both = pl.select(pl.concat_str(*cells, separator=", ", ignore_nulls=True)).to_series()
        turned = pl.select(pl.concat_str(cells[1], cells[0], separator=", ")).to_series()
        none = pl.repeat(None, raw.height, dtype=pl.String, eager=True)
        keep = ~pl.Series(is_swapped | is_bad)
        there = pl.Series(is_swapped)
        return (
            [
                cells[0].zip_with(keep, cells[1].zip_with(there, none)).alias(CELL + LATITUDE),
                cells[1].zip_with(keep, cells[0].zip_with(there, none)).alias(CELL + LONGITUDE),
            ],
            [],
            [
                told(raw, is_swapped, "coordinates_swapped", "coordinates", both, turned),
                told(raw, is_bad, "coordinates_impossible", "coordinates", both, none),
            ],
        )

    def _cost(self, raw: pl.DataFrame) -> _Step:
        """No cost where it is in another currency: an exchange rate would be a guess."""
        currency = raw[CELL + "currency"].str.strip_chars().str.to_uppercase()
        cells = raw[CELL + "total_cost"]
        is_other = (cells.is_not_null() & (currency != self._currency)).fill_null(False)
        none = pl.repeat(None, raw.height, dtype=pl.String, eager=True)
        shown = pl.select(pl.concat_str(cells, currency, separator=" ")).to_series()
        return (
            [cells.zip_with(~is_other, none)],
            [],
            [told(raw, is_other.to_numpy(), "other_currency", "total_cost", shown, none)],
        )

    def _parking(self, raw: pl.DataFrame) -> _Step:
        cells = raw[CELL + "total_parking_time"]
        parking_h = numbers(cells)
        limit_h = np.fmax(numbers(raw[CELL + "total_time"]), stay_h_of(raw))
        with np.errstate(invalid="ignore"):
            is_bad = (parking_h < 0) | (parking_h > limit_h + 0.01)
        none = pl.repeat(None, raw.height, dtype=pl.String, eager=True)
        return (
            [cells.zip_with(~pl.Series(is_bad), none)],
            [],
            [told(raw, is_bad, "parking_beyond_stay", "total_parking_time", cells, none)],
        )
