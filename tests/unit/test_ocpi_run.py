"""From a bill to the stops of a week: what a charge detail record can prove, and what not."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from fleets import NOW
from ocpi_cdr import CARDS, SITES, SOURCE, cdr

from pipeline.config import load_fleet
from pipeline.cost import session_costs
from pipeline.edition import compute, take_in, warehouse_of
from pipeline.method import CONSTANTS
from pipeline.minutes import minutes
from pipeline.prices import fleet_price, tariffs_of
from pipeline.warehouse import query
from pipeline.weeks import span_of
from tests.small_fleet import drop, write_fleet

EFFICIENCY = float(CONSTANTS["charging_efficiency"])
TARIFF = {
    "id": "T",
    "currency": "EUR",
    "elements": [
        {
            "price_components": [
                {"type": "ENERGY", "price": 0.50, "step_size": 1},
                {"type": "PARKING_TIME", "price": 6.00, "step_size": 60},
            ]
        }
    ],
    "last_updated": "2026-01-01T00:00:00Z",
}


def priced(folder: Path) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Stops, and charges with their cost."""
    fleet = load_fleet(folder)
    with warehouse_of(fleet) as con:
        take_in(con, fleet, NOW)
        compute(con, fleet)
        minutes(con, fleet, "2026-W03")
        stops = con.sql("select * from judged_stops order by plug_in_at").pl().to_dicts()
        span = span_of("2026-W03", fleet.zone)
        window = {"window_from_at": span.from_at, "window_to_at": span.to_at}
        charges = query(con, "minutes/charges_to_price", window).sort("plug_in_at")
        costs = session_costs(
            charges, tariffs_of(fleet), fleet.settings.time_zone, fleet_price(fleet), EFFICIENCY
        )
        return stops, costs.to_dicts()


def test_grade_e_claims_no_minutes_and_the_bill_is_the_cost(tmp_path: Path) -> None:
    write_fleet(tmp_path, {"bills": SOURCE}, cards=CARDS, sites=SITES)
    drop(tmp_path, "cdrs.json", json.dumps([cdr(1)]))
    (stop,), (charge,) = priced(tmp_path)
    assert stop["evidence_grade"] == "E"
    assert stop["site_id"] == "harbour"  # by its position
    assert stop["outcome"] == "unknown"
    assert stop["lost_min"] is None and stop["lost_at_most_min"] is None
    assert stop["energy_kwh"] == pytest.approx(20 * EFFICIENCY)
    assert (charge["cost_source"], charge["total_cost"]) == ("invoice", 9.6)
    assert charge["charging_min"] == pytest.approx(30, abs=0.01)


def test_without_a_sum_the_sites_tariff_prices_charging_and_parking(tmp_path: Path) -> None:
    write_fleet(tmp_path, {"bills": SOURCE}, cards=CARDS, sites=SITES + 'ocpi_tariff = "T"\n')
    (tmp_path / "tariffs").mkdir()
    (tmp_path / "tariffs" / "t.json").write_text(json.dumps(TARIFF), encoding="utf-8")
    drop(tmp_path, "cdrs.json", json.dumps([cdr(1, total_cost={})]))
    _, (charge,) = priced(tmp_path)
    assert charge["cost_source"] == "ocpi_tariff"
    # 20 kWh, and 10 min of the 40 were parking.
    assert charge["energy_cost"] == pytest.approx(10.0)
    assert charge["idle_cost"] == pytest.approx(1.0, abs=0.11)
