"""A small invented fleet with charge detail records and a charger's log, for tests of the edition.

Four vehicles, each charge 25 kWh into the pack at 50 kW: what a bill says of it is chosen.
"""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from fleets import MODELS_TOML, MONDAY, drive_and_charge, drop, write_fleet
from ocpi_cdr import SOURCE, cdr
from ocpp_log import BY_NAME, call, log, meter_values_16, sampled_16, stop_16

from pipeline.config import Fleet, load_fleet

WEEK = "2026-W03"
PACK_KWH = 25.0
METER_KWH = PACK_KWH / 0.93
PRICE = 0.50
CARDS = "".join(
    f'[cards.{name}]\ntoken = "CARD-{name}"\nvehicle = "{name}"\n'
    for name in ("v1", "v2", "v3", "v4")
)
SITES = """
[sites.fast]
name = "Fast <b>Harbour</b>"
power_kw = 150
mode = "dc"
latitude_deg = 57.70
longitude_deg = 11.95
[[sites.fast.tariff]]
energy_per_kwh = 0.50
idle_per_minute = 0.10
[sites.home]
name = "Home"
mode = "dc"
chargers = ["CP01"]
[sites.free]
name = "Free"
mode = "dc"
"""
VEHICLES = "".join(
    f'[vehicles.{name}]\nname = "Van {name[1]}"\nmodel = "flat-60"\nuse = "{use}"\n'
    for name, use in (
        ("v1", "delivery"), ("v2", "delivery"), ("v3", "rental"), ("v4", "delivery"),
    )
)  # fmt: skip


def at(day: int, hour: float) -> datetime:
    """Hour of UTC, days from Monday, 12 January 2026."""
    return MONDAY.replace(hour=0) + timedelta(days=day, hours=hour)


def _z(instant: datetime) -> str:
    return f"{instant:%Y-%m-%dT%H:%M:%SZ}"


class Billed:
    """A fleet folder in the making."""

    def __init__(self, folder: Path) -> None:
        self.folder = write_fleet(
            folder, sites=SITES, vehicles=VEHICLES, models=MODELS_TOML, cards=CARDS
        )
        (folder / "sources" / "bills.toml").write_text(SOURCE, encoding="utf-8")
        (folder / "sources" / "chargers.toml").write_text(BY_NAME, encoding="utf-8")
        self.records: list[dict[str, Any]] = []
        self.messages: list[Any] = []
        self.charges_n = 0

    def seen(self, when: datetime, vehicle: str = "v1", site: str = "fast", **more: Any) -> None:
        """A charge as the vehicle logs it."""
        self.charges_n += 1
        frame = drive_and_charge(
            plug_in=when,
            vehicle=vehicle,
            site=site,
            interval_s=30,
            **({"approach_min": 20.0} | more),
        )
        drop(self.folder, frame, f"log_{self.charges_n:02d}.csv")

    def billed(
        self,
        when: datetime,
        vehicle: str = "v1",
        kwh: float = METER_KWH,
        cost: float | None = None,
        stay_min: float = 30.0,
        parking_min: float = 0.0,
        number: str | None = None,
        **changes: Any,
    ) -> None:
        """A charge detail record of the vehicle's card."""
        end = when + timedelta(minutes=stay_min)
        kwh = round(kwh, 3)
        charging = {
            "start_date_time": _z(when),
            "dimensions": [
                {"type": "ENERGY", "volume": kwh},
                {"type": "TIME", "volume": (stay_min - parking_min) / 60},
            ],
        }
        parked = {
            "start_date_time": _z(end - timedelta(minutes=parking_min)),
            "dimensions": [{"type": "PARKING_TIME", "volume": parking_min / 60}],
        }
        token = {"cdr_token.uid": f"CARD-{vehicle}", "cdr_token.contract_id": f"C-{vehicle}"}
        self.records.append(
            cdr(
                **{
                    "id": number or f"cdr-{len(self.records) + 1}",
                    "start_date_time": _z(when),
                    "end_date_time": _z(end),
                    "charging_periods": [charging, parked] if parking_min else [charging],
                    "total_energy": kwh,
                    "total_time": stay_min / 60,
                    "total_parking_time": parking_min / 60,
                    "total_cost.excl_vat": round(kwh * PRICE if cost is None else cost, 2),
                    "total_cost.incl_vat": ...,
                    **token,
                    **changes,
                }
            )
        )

    def logged(self, when: datetime, transaction: int, kwh: float = METER_KWH) -> None:
        """Half an hour at a charger of the fleet's own, a reading each three minutes."""
        start_wh = 1_000_000 * transaction
        for minute in range(0, 30, 3):
            payload = meter_values_16(
                _z(when + timedelta(minutes=minute)),
                sampled_16(round(start_wh + 1000 * kwh * minute / 30)),
                transaction=transaction,
            )
            self.messages.append(call(payload, number=100 * transaction + minute))
        stop = stop_16(_z(when + timedelta(minutes=30)), round(start_wh + 1000 * kwh), transaction)
        self.messages.append(call(stop, "StopTransaction", 100 * transaction + 99))

    def write(self) -> Fleet:
        """The folder with its records and log in the inbox."""
        inbox = self.folder / "inbox"
        if self.records:
            (inbox / "cdrs_w3.json").write_text(json.dumps(self.records), encoding="utf-8")
        if self.messages:
            (inbox / "CP01_w3.log").write_text(log(*self.messages), encoding="utf-8")
        return load_fleet(self.folder)


def billed_week(folder: Path) -> Billed:
    """One charge of each kind that the report tells apart, or leaves open."""
    made = Billed(folder)
    made.seen(at(0, 8))
    made.billed(at(0, 8))
    made.seen(at(0, 12))
    made.billed(at(0, 12), kwh=METER_KWH * 1.2, number="=2+3<i>")
    made.seen(at(1, 8))
    made.billed(at(1, 8), cost=METER_KWH * PRICE * 1.25)
    made.seen(at(1, 12))
    made.billed(at(1, 12), number="twin-a")
    made.billed(at(1, 12) + timedelta(minutes=2), number="twin-b")
    made.seen(at(2, 8), approach_min=60)  # and no bill came
    made.billed(at(2, 7.1), kwh=10, stay_min=20)  # it was on the road then
    made.billed(at(3, 7.1), "v2", kwh=10, stay_min=20)  # silent then, heard a little later
    made.seen(at(3, 8), "v2", idle_min=20)
    made.billed(at(3, 8), "v2", cost=METER_KWH * PRICE + 2, stay_min=50, parking_min=20)
    made.seen(at(3, 9.5), "v3")  # a rental, and no bill came
    made.billed(at(4, 8), "v4")  # of this one there is no sample
    made.seen(at(4, 10), "v2", site="free")
    for day in range(3):
        made.seen(at(day, 18), "v2", site="home")
        made.logged(at(day, 18) - timedelta(minutes=4), day + 1)
    made.seen(at(3, 18), "v2", site="home")
    made.logged(at(3, 18) - timedelta(minutes=4), 4, kwh=METER_KWH * 1.3)
    made.seen(at(5, 8), "v2")
    made.billed(at(5, 8), "nobody")
    made.billed(at(6, 8), "v1", kwh=METER_KWH * 0.8)
    made.seen(at(6, 8))
    made.seen(at(6, 12), "v2")  # after the last bill
    return made
