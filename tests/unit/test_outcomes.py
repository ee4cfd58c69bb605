"""Every outcome and every reason of the method, section 4, each from one drive made by hand.

One fleet holds a vehicle per case, so the whole table costs one run.
"""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from fleets import MODELS_TOML, MONDAY, drive_and_charge, drop, nav, stops_of, write_fleet

PLUG_IN = MONDAY + timedelta(hours=2)


class Case(NamedTuple):
    """A drive, what was set in the vehicle (minutes from plug-in), and what must come out."""

    drive: dict[str, Any]
    outcome: str
    why: str | None
    events: tuple[tuple[float, str, bool], ...] = ((-55, "set", True),)
    can_warm: bool = True


HEATED = {"heater": (-30, 0), "cell_start_degc": 5, "cell_arrival_degc": 22}

CASES = {
    "warm_without": Case({"cell_start_degc": 24, "cell_arrival_degc": 25}, "already_warm", None),
    "warmed": Case(HEATED, "warmed", None),
    "warm_within_tolerance": Case(HEATED | {"cell_arrival_degc": 20.5}, "warmed", None),
    "just_below_tolerance": Case(
        HEATED | {"cell_arrival_degc": 20.4}, "part_warmed", "too_cold_for_the_time"
    ),
    "warmed_for_nothing": Case(
        {"heater": (-30, -20), "cell_start_degc": 22, "cell_arrival_degc": 25},
        "warmed_unneeded",
        None,
    ),
    "heater_blip_is_no_warming": Case(
        {"heater": (-30, -29), "cell_start_degc": 24, "cell_arrival_degc": 24},
        "already_warm",
        None,
    ),
    "began_late": Case(
        {"heater": (-12, 0), "cell_start_degc": 5, "cell_arrival_degc": 11},
        "part_warmed",
        "began_late",
    ),
    "frost": Case(
        {"heater": (-29, 0), "cell_start_degc": -10, "cell_arrival_degc": 8},
        "part_warmed",
        "too_cold_for_the_time",
    ),
    "cut_off": Case(
        {
            "heater": (-30, -15),
            "cell_start_degc": 5,
            "cell_arrival_degc": 12,
            "soc_arrival_pct": 16,
            "soc_drop_pct": 16,
        },
        "part_warmed",
        "cut_off_low_charge",
    ),
    "ended_early": Case(
        {"heater": (-30, -15), "cell_start_degc": 5, "cell_arrival_degc": 12},
        "part_warmed",
        "ended_early",
    ),
    "held_by_low_charge": Case({"soc_arrival_pct": 10, "soc_drop_pct": 8}, "low_charge_hold", None),
    "low_only_at_the_end": Case(
        {"soc_arrival_pct": 19, "soc_drop_pct": 16}, "not_warmed", "vehicle_did_not_respond"
    ),
    "nothing_set": Case({}, "not_warmed", "no_destination", ((-200, "cleared", False),)),
    "cleared_on_the_way": Case(
        {}, "not_warmed", "no_destination", ((-55, "set", True), (-30, "cleared", False))
    ),
    "cleared_on_arrival": Case(
        {}, "not_warmed", "vehicle_did_not_respond", ((-55, "set", True), (-1, "cleared", False))
    ),
    "set_as_address": Case({}, "not_warmed", "destination_not_recognised", ((-55, "set", False),)),
    "address_replaced_the_charger": Case(
        {}, "not_warmed", "destination_not_recognised", ((-55, "set", True), (-20, "set", False))
    ),
    "set_too_late": Case({}, "not_warmed", "set_too_late", ((-3, "set", True),)),
    "set_again_keeps_its_time": Case(
        {}, "not_warmed", "vehicle_did_not_respond", ((-40, "set", True), (-2, "set", True))
    ),
    "did_not_respond": Case({}, "not_warmed", "vehicle_did_not_respond"),
    "cannot_warm": Case({}, "not_warmed", "vehicle_cannot_warm", can_warm=False),
    "short_drive": Case({"approach_min": 4}, "not_warmed", "approach_too_short"),
    "no_navigation": Case({}, "not_warmed", "no_evidence", ()),
}


@pytest.fixture(scope="module")
def outcomes(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, Any]]:
    folder = write_fleet(
        tmp_path_factory.mktemp("outcomes") / "fleet",
        models=MODELS_TOML + MODELS_TOML.replace("flat-60", "old-60") + "can_warm = false\n",
        vehicles="\n".join(
            f'[vehicles.{name}]\nmodel = "{"flat-60" if case.can_warm else "old-60"}"'
            for name, case in CASES.items()
        ),
    )
    for name, case in CASES.items():
        drop(
            folder, drive_and_charge(plug_in=PLUG_IN, vehicle=name, **case.drive), f"log_{name}.csv"
        )
        events = [
            (PLUG_IN + timedelta(minutes=minute), action, is_charging)
            for minute, action, is_charging in case.events
        ]
        if events:
            nav(folder, *events, vehicle=name, name=f"nav_{name}.csv")
    return {row["vehicle_id"]: row for row in stops_of(folder)}


@pytest.mark.parametrize("name", CASES)
def test_outcome_and_reason(name: str, outcomes: dict[str, dict[str, Any]]) -> None:
    got = outcomes[name]
    assert got["evidence_grade"] == "A"
    assert (got["outcome"], got["why"]) == (CASES[name].outcome, CASES[name].why)


def test_each_reason_of_the_method_has_a_case() -> None:
    reasons = {case.why for case in CASES.values()}
    assert reasons >= {
        "began_late", "too_cold_for_the_time", "cut_off_low_charge", "ended_early",
        "no_destination", "destination_not_recognised", "set_too_late", "approach_too_short",
        "vehicle_did_not_respond", "no_evidence",
    }  # fmt: skip


def test_facts_behind_a_reason_are_kept(outcomes: dict[str, dict[str, Any]]) -> None:
    got = outcomes["set_too_late"]
    assert got["destination_set_at"] == PLUG_IN - timedelta(minutes=3)
    assert got["is_charging_place"] is True
    assert outcomes["set_as_address"]["is_charging_place"] is False
    # On between two samples: the step before the first heated sample belongs to it.
    began_before = PLUG_IN - outcomes["warmed"]["warming_began_at"]
    assert timedelta(minutes=30) <= began_before <= timedelta(minutes=30, seconds=10)
    assert outcomes["warmed"]["unwarmed_cell_temp_min_degc"] == pytest.approx(5, abs=0.5)


def test_lead_window_is_the_operators_choice(tmp_path: Path) -> None:
    """Warming from 12 min before arrival is late in a window of 30 min, in time in one of 10."""
    folder = write_fleet(
        tmp_path / "fleet",
        'operator = "T"\ntime_zone = "UTC"\nlead_window_min = 10\n',
    )
    drop(folder, drive_and_charge(plug_in=PLUG_IN, **CASES["began_late"].drive))
    assert stops_of(folder)[0]["why"] == "too_cold_for_the_time"
