"""Charges at sites with an OCPI tariff: costs, the next kWh, the minutes; and the configuration."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
from cost_frames import EFFICIENCY, FLEET_PRICE, ZONE, charge, frame, local
from ocpi_prices import component, element, tariff

from pipeline.config import load_fleet
from pipeline.cost import marginal_price, minute_fees, session_costs
from pipeline.ocpi_tariff_config import OcpiTariff
from pipeline.prices import tariffs_of
from pipeline.problems import ColdMinutesError
from tests.small_fleet import write_fleet

NINE = local("2026-01-12 09:00")
FULL = tariff(
    element(component("FLAT", 0.50, 20)),
    element(component("ENERGY", 0.30, 20), max_kwh=10),
    element(component("ENERGY", 0.40, 20)),
    element(component("TIME", 1.20, 20, 600), component("PARKING_TIME", 6.00, 20, 300)),
)


def costs(of: OcpiTariff, *rows: dict[str, Any]) -> list[dict[str, Any]]:
    found = session_costs(frame(*rows), {"fast": of}, ZONE, FLEET_PRICE, EFFICIENCY)
    return found.to_dicts()


def test_parts_by_the_standards_rules() -> None:
    row = costs(FULL, charge(NINE, stay_min=47, charging_min=35, meter_kwh=25))[0]
    assert row["flat_cost"] == pytest.approx(0.50)
    assert row["energy_cost"] == pytest.approx(10 * 0.30 + 15 * 0.40)
    assert row["time_cost"] == pytest.approx(35 / 60 * 1.20)  # parking came last: no block here
    assert row["idle_cost"] == pytest.approx(15 / 60 * 6.00)  # 12 min in blocks of 5
    assert row["total_cost"] == pytest.approx(0.50 + 9.0 + 0.70 + 1.50)
    assert row["cost_source"] == "ocpi_tariff"
    assert row["price_per_kwh"] == pytest.approx(row["total_cost"] / (25 * EFFICIENCY))


def test_noise_of_floats_is_no_block() -> None:
    stay = charge(NINE, stay_min=40.0000001, charging_min=40.0000001, meter_kwh=10.00000001)
    of = tariff(element(component("TIME", 6.00, step=600), component("ENERGY", 1.00, step=1000)))
    assert costs(of, stay)[0]["total_cost"] == pytest.approx(4.00 + 10.00)


def test_a_lid_is_shared_among_the_parts() -> None:
    of = tariff(
        element(component("ENERGY", 0.50), component("FLAT", 5.00)), max_price={"excl_vat": 7.50}
    )
    row = costs(of, charge(NINE, meter_kwh=20))[0]
    assert (row["energy_cost"], row["flat_cost"]) == pytest.approx((5.0, 2.5))
    assert row["total_cost"] == pytest.approx(7.50)
    free = tariff(element(component("ENERGY", 0)), min_price={"excl_vat": 2})
    row = costs(free, charge(NINE))[0]
    assert (row["flat_cost"], row["total_cost"]) == pytest.approx((2.0, 2.0))


def test_an_invoice_goes_first_and_what_is_unknown_falls_back() -> None:
    invoiced = charge(NINE, invoiced_cost=3.0)
    elsewhere = charge(NINE + timedelta(hours=2), site_id="other")
    unknown = charge(
        NINE + timedelta(hours=4), meter_kwh=None, soc_start_pct=None, soc_end_pct=None
    )
    sources = [row["cost_source"] for row in costs(FULL, invoiced, elsewhere, unknown)]
    assert sources == ["invoice", "fleet_price", "fleet_price"]
    assert costs(FULL, unknown)[0]["total_cost"] is None


def test_a_tariff_counts_while_it_is_in_force() -> None:
    of = tariff(
        element(component("ENERGY", 1.0)),
        start_date_time="2026-01-12T08:00:00Z",
        end_date_time="2026-01-12T10:00:00",
    )
    rows = costs(of, *(charge(NINE + timedelta(hours=hours)) for hours in (-1, 0, 1, 2)))
    # In Stockholm 08:00 UTC is 09:00, and 10:00 UTC is 11:00.
    assert [row["cost_source"] for row in rows] == [
        "fleet_price", "ocpi_tariff", "ocpi_tariff", "fleet_price"
    ]  # fmt: skip


def test_tax_that_is_included_is_taken_out_where_it_is_told() -> None:
    told = tariff(element(component("ENERGY", 1.20, 20)), tax_included="YES")
    not_told = tariff(element(component("ENERGY", 1.20)), tax_included="YES")
    assert costs(told, charge(NINE, meter_kwh=10))[0]["total_cost"] == pytest.approx(10.0)
    assert costs(not_told, charge(NINE, meter_kwh=10))[0]["total_cost"] == pytest.approx(12.0)


def stops(**columns: list[float]) -> pl.DataFrame:
    return pl.DataFrame(
        {"site_id": ["fast"], "plug_in_at": [NINE]} | columns,
        schema_overrides={"plug_in_at": pl.Datetime("us", "UTC")},
    )


def test_the_next_kwh_is_that_at_the_end_of_the_charge() -> None:
    bare = marginal_price(stops(), {"fast": FULL}, ZONE, FLEET_PRICE, EFFICIENCY)
    assert bare["marginal_price_per_kwh"].to_list() == pytest.approx([0.30 / EFFICIENCY])
    assert bare["price_source"].to_list() == ["ocpi_tariff"]
    told = stops(energy_kwh=[20.0], active_min=[30.0])
    end = marginal_price(told, {"fast": FULL}, ZONE, FLEET_PRICE, EFFICIENCY)
    assert end["marginal_price_per_kwh"].to_list() == pytest.approx([0.40 / EFFICIENCY])


def test_fees_by_the_minute() -> None:
    def fees(from_min: float, to_min: float, leaves_min: float | None = None) -> float:
        leaves = None if leaves_min is None else np.array([leaves_min])
        got = minute_fees(
            stops(), np.array([from_min]), np.array([to_min]), {"fast": FULL}, ZONE, leaves
        )
        return float(got[0])

    assert fees(20, 35) == pytest.approx(15 * 0.02)
    assert fees(35, 20) == pytest.approx(-15 * 0.02)
    # Who stays on until minute 60 pays for standing instead of charging.
    assert fees(20, 35, 60) == pytest.approx(15 * 0.02 - 15 * 0.10)
    assert np.isnan(fees(np.nan, 35))


def configured(folder: Path, site: str = 'ocpi_tariff = "T"', **files: object) -> Path:
    write_fleet(folder, sites=f"[sites.fast]\n{site}\n")
    (folder / "tariffs").mkdir()
    for name, content in files.items():
        text = content if isinstance(content, str) else json.dumps(content)
        (folder / "tariffs" / f"{name}.json").write_text(text, encoding="utf-8")
    return folder


PLAIN = {
    "id": "T",
    "currency": "EUR",
    "elements": [{"price_components": [{"type": "ENERGY", "price": 0.45, "step_size": 1}]}],
    "tax_included": "NO",
    "last_updated": "2026-01-01T00:00:00Z",
    "ours": {"anything": 1},
}


@pytest.mark.parametrize("content", [PLAIN, [PLAIN, PLAIN], {"status_code": 1000, "data": [PLAIN]}])
def test_a_folder_of_tariffs(tmp_path: Path, content: object) -> None:
    fleet = load_fleet(configured(tmp_path, any=content))
    (site_tariff,) = tariffs_of(fleet).values()
    assert isinstance(site_tariff, OcpiTariff)
    assert str(site_tariff.elements[0].price_components[0].price) == "0.45"


def test_a_changed_price_changes_the_fingerprint(tmp_path: Path) -> None:
    before = load_fleet(configured(tmp_path / "a", any=PLAIN)).fingerprint
    text = json.dumps(PLAIN).replace("0.45", "0.46")
    assert load_fleet(configured(tmp_path / "b", any=text)).fingerprint != before


AMPERE = json.loads(json.dumps(PLAIN))
AMPERE["elements"][0]["restrictions"] = {"max_current": 32}


@pytest.mark.parametrize(
    ("content", "site", "message"),
    [
        (PLAIN, 'ocpi_tariff = "U"', "expected the id of a tariff in tariffs/: T"),
        (PLAIN | {"currency": "SEK"}, "", "in SEK, the fleet counts in EUR"),
        (AMPERE, "", "depend on current"),
        ("{", "", "is not JSON"),
        ("[" * 100_000, "", "tariffs/any.json"),
        (PLAIN | {"elements": []}, "", "tariff T, key elements"),
        ([PLAIN, PLAIN | {"max_price": {"excl_vat": 1}}], "", "got another tariff 'T'"),
        (
            json.dumps(PLAIN).replace('"step_size": 1}]', '"step_size": 1}], "restrictions": '
                                      '{"full_moon": true}'),
            "", "full_moon",
        ),
        (json.dumps(PLAIN).replace("ENERGY", "NOISE"), "", "price_components.0.type"),
        (json.dumps(PLAIN).replace("0.45", "NaN"), "", "price_components.0.price"),
        (
            PLAIN,
            'ocpi_tariff = "T"\n[[sites.fast.tariff]]\nenergy_per_kwh = 1',
            "give tariff or ocpi_tariff, not both",
        ),
    ],
)  # fmt: skip
def test_what_is_wrong_is_said_with_its_place(
    tmp_path: Path, content: object, site: str, message: str
) -> None:
    folder = configured(tmp_path, site or 'ocpi_tariff = "T"', any=content)
    with pytest.raises(ColdMinutesError) as caught:
        load_fleet(folder)
    assert message in str(caught.value)
    assert caught.value.exit_code == 2
