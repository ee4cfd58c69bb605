"""Tariffs in sites.toml: what is read, what is refused and how it is told."""

from __future__ import annotations

import json
from datetime import date, time
from pathlib import Path

import pytest
from fleets import SITES_TOML, write_fleet

from pipeline.cli import main
from pipeline.config import load_fleet
from pipeline.problems import ColdMinutesError

TARIFF = """
[[sites.fast.tariff]]
energy_per_kwh = 0.31
from_time = 22:00:00
to_time = "06:00"
days = ["mon", "sun"]
valid_from = 2026-01-01
valid_to = "2026-04-01"

[[sites.fast.tariff]]
energy_per_kwh = 0.49
per_minute = 0.05
idle_per_minute = 0.10
grace_min = 10
flat = 0.35
"""


def test_a_tariff_is_read_in_its_order(tmp_path: Path) -> None:
    fleet = load_fleet(write_fleet(tmp_path / "fleet", sites=SITES_TOML + TARIFF))
    night, day = fleet.sites["fast"].tariff
    assert (night.from_time, night.to_time) == (time(22), time(6))
    assert (night.valid_from, night.valid_to) == (date(2026, 1, 1), date(2026, 4, 1))
    assert night.days == ("mon", "sun")
    assert night.per_minute is None and night.flat is None
    assert (day.per_minute, day.idle_per_minute, day.grace_min, day.flat) == (0.05, 0.1, 10, 0.35)


def test_a_site_needs_no_tariff(tmp_path: Path) -> None:
    assert load_fleet(write_fleet(tmp_path / "fleet")).sites["fast"].tariff == ()


@pytest.mark.parametrize(
    ("line", "key", "told"),
    [
        ("energy_per_kwh = -0.1", "energy_per_kwh", "greater than or equal to 0"),
        ("price = 1", "price", "not known here"),
        ("per_minute = 1\nfrom_time = 22", "from_time", "not a time of day"),
        ('per_minute = 1\nto_time = "25:00"', "to_time", "not a time of day"),
        ('per_minute = 1\nto_time = "22:00+01:00"', "to_time", "takes no offset"),
        ("per_minute = 1\nvalid_from = 20260101", "valid_from", "not a date"),
        ("per_minute = 1\nvalid_to = 2026-01-01T00:00:00", "valid_to", "not a date"),
        ('per_minute = 1\nvalid_to = "1 May"', "valid_to", "not a date"),
        ('flat = 1\ndays = ["monday"]', "days.0", "'mon', 'tue'"),
        ("flat = 1\ndays = []", "days", "at least 1 item"),
        ("from_time = 22:00:00", "0", "names no price"),
        ("flat = 1\ngrace_min = 5", "0", "grace_min needs idle_per_minute"),
        ("flat = 1\nfrom_time = 07:00:00\nto_time = 07:00:00", "0", "are the same"),
        ("flat = 1\nvalid_from = 2026-02-01\nvalid_to = 2026-02-01", "0", "valid_to must be later"),
    ],
)
def test_what_is_refused_names_the_key(tmp_path: Path, line: str, key: str, told: str) -> None:
    sites = SITES_TOML + "\n[[sites.fast.tariff]]\n" + line
    with pytest.raises(ColdMinutesError) as caught:
        load_fleet(write_fleet(tmp_path / "fleet", sites=sites))
    message = str(caught.value)
    assert caught.value.exit_code == 2
    at = "sites.fast.tariff" if key == "0" else "sites.fast.tariff.0"
    assert f"sites.toml, key {at}.{key}" in message, message
    assert told in message, message


def test_a_new_price_changes_the_fingerprint(tmp_path: Path) -> None:
    fingerprints = {
        load_fleet(write_fleet(tmp_path / str(number), sites=SITES_TOML + tariff)).fingerprint
        for number, tariff in enumerate(("", TARIFF, TARIFF.replace("0.49", "0.50")))
    }
    assert len(fingerprints) == 3


def test_the_schema_shows_tariffs(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["schema", "sites"])
    element = json.loads(capsys.readouterr().out)["$defs"]["TariffElement"]
    assert element["additionalProperties"] is False
    assert set(element["properties"]) == {
        "energy_per_kwh", "per_minute", "idle_per_minute", "grace_min", "flat", "from_time",
        "to_time", "days", "valid_from", "valid_to",
    }  # fmt: skip
    assert element["properties"]["from_time"]["anyOf"][0] == {"format": "time", "type": "string"}
