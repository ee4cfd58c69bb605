"""``sources/*.toml``: how one kind of export maps to our signals; and what all settings share."""

from __future__ import annotations

import re
from typing import Annotated, Any, Literal, Self
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    model_validator,
)

from pipeline.columns import REQUIRED_BY_KIND, SIGNALS_BY_KIND
from pipeline.ocpi_source import OCPI_CDRS, with_preset
from pipeline.ocpp_source import OCPP_METER, with_ocpp_preset
from pipeline.units import check_unit


def _known_zone(name: str) -> str:
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise ValueError(
            f"'{name}' is not an IANA time zone; write one such as 'Europe/Stockholm' or 'UTC'"
        ) from error
    return name


def _known_regex(pattern: str) -> str:
    try:
        compiled = re.compile(pattern)
    except re.error as error:
        raise ValueError(f"not a regular expression: {error}") from error
    if compiled.groups != 1:
        raise ValueError("must hold exactly one group, the vehicle's name: 'van_(.+)\\.csv'")
    return pattern


Zone = Annotated[str, AfterValidator(_known_zone)]
Identifier = Annotated[str, Field(min_length=1, max_length=200)]


class Settings(BaseModel):
    """Base of every table in the fleet folder: frozen, unknown keys refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


SourceKind = Literal["samples", "nav_events", "sessions", "driver_spans", "ocpi_cdrs", "ocpp_meter"]


Supersedes = Literal["name", "newer", "never"]


class CsvFormat(Settings):
    """How the text of a CSV export is cut into cells."""

    delimiter: str = Field(",", min_length=1, max_length=1)
    decimal: Literal[".", ","] = "."
    quote: str = Field('"', min_length=1, max_length=1)
    encoding: str = "utf-8"
    skip_rows: Annotated[int, Field(ge=0)] = 0


class TimeFormat(Settings):
    """How instants are written.

    ``format`` is ``iso`` (RFC 3339, with or without offset), ``epoch_s``, ``epoch_ms``, or a
    strftime pattern. ``zone`` is the IANA zone of stamps that carry no offset.
    """

    format: str = "iso"
    zone: Zone = "UTC"


def _as_list(value: Any) -> Any:
    return (value,) if isinstance(value, str) else value


class VehicleKey(Settings):
    """Where the vehicle's name comes from: a column, the file name, a value, or a charge card."""

    column: str | None = None
    file_name: Annotated[str, AfterValidator(_known_regex)] | None = None
    value: Identifier | None = None
    card: Annotated[tuple[str, ...], BeforeValidator(_as_list), Field(min_length=1)] | None = Field(
        None,
        description="Kind 'sessions': column with the number of a charge card, which cards.toml "
        "gives to a vehicle; of several columns the first whose card is known.",
    )

    @model_validator(mode="after")
    def _exactly_one(self) -> Self:
        keys = ("column", "file_name", "value", "card")
        if sum(getattr(self, key) is not None for key in keys) != 1:
            raise ValueError(f"give exactly one of {', '.join(keys)}")
        return self


class ColumnMap(Settings):
    """One signal: which column, in which unit, with which sign."""

    column: str | None = None
    time_column: str | None = Field(
        None, description="Column of the time of day, where `column` holds no more than the day."
    )
    value: str | float | bool | None = Field(
        None, description="A fixed value instead of a column, such as mode = 'dc'."
    )
    unit: str | None = Field(None, description="Unit in the export; see `pipeline.units`.")
    sign: Literal["charge_positive", "discharge_positive"] = "charge_positive"
    null_values: tuple[str, ...] = Field(
        (), description="Cells that mean 'no reading' in this column, such as '255'."
    )
    values: dict[str, str] = Field(
        default_factory=dict, description="Translation of words: ja = 'true', laddare = 'dc'."
    )

    @model_validator(mode="after")
    def _column_or_value(self) -> Self:
        if (self.column is None) == (self.value is None):
            raise ValueError("give exactly one of column, value")
        if self.time_column is not None and self.column is None:
            raise ValueError("time_column needs column, which holds the day")
        return self


class Source(Settings):
    """``sources/<id>.toml``: one kind of export."""

    kind: SourceKind
    files: tuple[str, ...] = Field(min_length=1, description="Patterns of names in inbox/.")
    members: tuple[str, ...] = Field(("*",), description="Patterns of names inside a zip.")
    sheet: str | None = Field(None, description="Sheet of a workbook; the first by default.")
    records: Annotated[str, Field(min_length=1)] | None = Field(
        None,
        description="JSON: key of the list that holds one record per row, such as 'data' or "
        "'export.rows'; a key with dots in it stands in quotes. Columns are dotted names within a "
        "record, or begin with / to name a value of the document around the list.",
    )
    csv: CsvFormat = CsvFormat()
    time: TimeFormat = TimeFormat()
    vehicle: VehicleKey
    charger: VehicleKey | None = Field(
        None,
        description="Kind 'ocpp_meter': where the charger's name stands: a key beside each message "
        "(column), the file's name, or a value; by default a key of a usual name.",
    )
    null_values: tuple[str, ...] = ("", "null", "NULL", "NaN", "nan", "N/A", "NA", "-")
    supersedes: Supersedes = Field(
        "never",
        description="Which file corrects another: by name (same stem with _v2, (2), _corrected), "
        "any newer one that covers what it contradicts, or none.",
    )
    columns: dict[str, ColumnMap]

    @model_validator(mode="before")
    @classmethod
    def _standard_needs_no_mapping(cls, table: Any) -> Any:
        kind = table.get("kind") if isinstance(table, dict) else None
        if kind == OCPP_METER:
            return with_ocpp_preset(table)
        return with_preset(table) if kind == OCPI_CDRS else table

    @model_validator(mode="after")
    def _columns_are_ours(self) -> Self:
        known = SIGNALS_BY_KIND[self.kind]
        unknown = sorted(set(self.columns) - set(known))
        if unknown:
            raise ValueError(
                f"unknown signal {', '.join(unknown)}; kind '{self.kind}' knows "
                f"{', '.join(sorted(known))}"
            )
        missing = sorted(set(REQUIRED_BY_KIND[self.kind]) - set(self.columns))
        if missing:
            raise ValueError(f"kind '{self.kind}' needs a mapping for {', '.join(missing)}")
        for name, mapped in self.columns.items():
            check_unit(name, known[name].unit, mapped.unit)
        if self.charger is not None and (self.kind != OCPP_METER or self.charger.card is not None):
            raise ValueError(f"charger is for kind '{OCPP_METER}', and takes no card")
        if self.vehicle.card is not None and "plug_in_at" not in known:
            raise ValueError("vehicle.card is for kind 'sessions': only a charge is paid by card")
        return self
