"""``fleet.toml``: what holds for the whole fleet, as frozen models."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from pipeline.arrival_config import Archive, Fetch, Schedule
from pipeline.budget_config import MOST_SCENARIOS_N, Scenario, WeatherSettings
from pipeline.config_numbers import Fraction, NotNegative, Positive
from pipeline.delivery_config import Deliver, Mail, delivery_faults
from pipeline.events_config import Events
from pipeline.health_config import Backup, Heartbeat, Notify
from pipeline.look_config import Look
from pipeline.scale_config import Scale
from pipeline.source_config import Settings, Zone

DriverAnalysis = Literal["off", "totals", "pseudonyms", "names"]


class DisplayUnits(Settings):
    """Units in print; inside, units never change."""

    temperature: Literal["degc", "degf"] = "degc"
    distance: Literal["km", "mi"] = "km"


class Privacy(Settings):
    """How much is said about drivers. Check your local law before raising the level."""

    driver_analysis: DriverAnalysis = "off"
    purpose: str = Field(
        "", description="Recorded purpose; required for names and for findings about a person."
    )
    agreed_on: date | None = Field(
        None, description="Day on which staff or works council agreed; required as is the purpose."
    )
    agreement: str = Field(
        "", max_length=1000, description="What was agreed, with whom, where it is kept; likewise."
    )
    keep_positions: bool = Field(
        False, description="Keep where vehicles drove, not only where they charged."
    )
    key_file: Path | None = Field(
        None,
        description="File with the keys of the pseudonyms, outside the fleet folder; "
        "COLDMINUTES_PEOPLE_KEY takes its place.",
    )

    @property
    def missing_record(self) -> tuple[str, ...]:
        """Keys that have to be filled in before anything is said about a single person."""
        told = {
            "purpose": self.purpose.strip(),
            "agreed_on": self.agreed_on,
            "agreement": self.agreement.strip(),
        }
        return tuple(key for key, value in told.items() if not value)

    @property
    def shown_level(self) -> DriverAnalysis:
        """The level that documents hold to: nobody is told apart before the record is full."""
        return (
            "totals"
            if self.driver_analysis == "pseudonyms" and self.missing_record
            else (self.driver_analysis)
        )

    @model_validator(mode="after")
    def _names_need_a_record(self) -> Self:
        if self.driver_analysis == "names" and self.missing_record:
            raise ValueError(
                "driver_analysis = 'names' needs a recorded purpose, date and agreement; add "
                + ", ".join(f"{key} = ..." for key in self.missing_record)
                + ' (as in purpose = "coaching", agreed_on = 2026-01-05, '
                'agreement = "works agreement no. 3, kept in the office")'
            )
        return self


class Retention(Settings):
    """How long data are kept; `coldminutes retain` holds to it. Whole weeks, computed ones only."""

    samples_months: Annotated[int, Field(ge=3, le=240)] = Field(
        24, description="Samples, destinations and chargers' logs; results of a week stay."
    )
    people_months: Annotated[int, Field(ge=1, le=240)] = Field(
        13, description="Who had which vehicle, and findings about people."
    )
    rentals_days: Annotated[int, Field(ge=7, le=3660)] = Field(
        35, description="When a rental began and ended."
    )
    positions_days: Annotated[int, Field(ge=7, le=3660)] = Field(
        14, description="Where vehicles drove, unless privacy.keep_positions."
    )
    quarantine_months: Annotated[int, Field(ge=1, le=240)] = Field(
        6, description="Rows set aside, put right or replaced, as they stood in the export."
    )
    editions_months: Annotated[int, Field(ge=1, le=240)] = Field(
        36, description="Reports and their tables; pages of drivers only for people_months."
    )
    delete_inbox_files: bool = Field(
        False, description="Delete exports whose rows are past their time; else they are listed."
    )


class Limits(Settings):
    """What one run may use of the machine."""

    memory_gb: Positive = 1.5
    threads: Annotated[int, Field(ge=1, le=256)] | None = None
    temp_gb: Positive = 20.0
    max_file_gb: Positive = 8.0


class FleetSettings(Settings):
    """``fleet.toml``."""

    operator: str = Field(min_length=1, max_length=200)
    time_zone: Zone
    currency: str = Field("EUR", pattern=r"^[A-Z]{3}$", description="ISO 4217 code.")
    energy_price_per_kwh: NotNegative = Field(
        0.40, description="Price of the energy in the pack where no tariff is known."
    )
    driver_value_per_hour: NotNegative = Field(
        0.0, description="What an hour of a driver's time is worth; 0 values no time."
    )
    target_hit_rate: Fraction | None = Field(
        None, description="Policy target for the warming hit rate."
    )
    lead_window_min: Positive = 30.0
    expected_saving_min: NotNegative = Field(
        3.0, description="Net minutes that warming must save to be expected at a stop."
    )
    min_session_kwh: NotNegative = 0.5
    vss_version: Annotated[int, Field(ge=1, le=99)] | None = Field(
        None, description="Version of COVESA VSS exports that do not say it themselves; 6 assumed."
    )
    language: Literal["en", "de", "fr", "nb", "es"] = Field(
        "en", description="Language of the documents."
    )
    units: DisplayUnits = DisplayUnits()
    privacy: Privacy = Privacy()
    retention: Retention = Retention()
    limits: Limits = Limits()
    look: Look = Look()
    backup: Backup = Backup()
    heartbeat: Heartbeat = Heartbeat()
    notify: Notify = Notify()
    events: Events = ()
    mail: Mail | None = Field(None, description="The server that takes mail from this machine.")
    deliver: Annotated[tuple[Deliver, ...], Field(max_length=200)] = Field(
        (), description="Which documents go to whom."
    )
    schedule: Schedule = Schedule()
    archive: Archive = Archive()
    fetch: Annotated[tuple[Fetch, ...], Field(max_length=50)] = Field(
        (), description="Places from which unattended rounds pull new exports."
    )
    scale: Scale | None = Field(None, description="A cluster that shares the work of a run.")
    weather: WeatherSettings | None = Field(
        None, description="Outside temperature of past years, for budgets."
    )
    scenario: Annotated[tuple[Scenario, ...], Field(max_length=MOST_SCENARIOS_N)] = Field(
        (), description="Further scenarios of every budget."
    )

    @model_validator(mode="after")
    def _scenarios_differ(self) -> Self:
        names = [scenario.name for scenario in self.scenario]
        if len(set(names)) < len(names):
            raise ValueError("two scenarios have one name")
        return self

    @model_validator(mode="after")
    def _deliveries_fit(self) -> Self:
        privacy = self.privacy
        if fault := delivery_faults(
            self.mail, self.deliver, privacy.driver_analysis, privacy.missing_record
        ):
            raise ValueError(fault)
        return self
