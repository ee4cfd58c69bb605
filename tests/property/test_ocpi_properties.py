"""What must hold of OCPI records in whatever pages they come, and of every tariff's bill."""

from __future__ import annotations

import json
import tempfile
from decimal import Decimal
from pathlib import Path
from typing import Any

import polars as pl
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from ocpi_cdr import CARDS, SITES, SOURCE, cdr, envelope, lines
from ocpi_prices import bill, component, element, period, tariff

from pipeline.ocpi_tariff_config import OcpiTariff, tariffs_in
from tests.small_fleet import drop, opened, take_in, write_fleet

QUICK = settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=True
)
RECORDS = [
    cdr(1),
    cdr(2, **{"cdr_token.uid": "STRANGER"}),
    cdr(3, total_energy=20_000),
    cdr(4, **{"cdr_location.coordinates": {"latitude": "11.95", "longitude": "57.7"}}),
    cdr(5, **{"cdr_token.contract_id": "DE-ZZZ-C2", "cdr_token.uid": "-"}),
    cdr(6, start_date_time="never"),
    cdr(7, total_cost={"before_taxes": 3, "taxes": [{"name": "VAT", "amount": 1}]}),
    cdr(8, charging_periods=[]),
]


def sessions_of(pages: list[tuple[str, str]], names: str = "abcdefgh") -> tuple[pl.DataFrame, int]:
    """Sessions and number of distinct rows set aside after pages of (suffix, text)."""
    with tempfile.TemporaryDirectory() as temporary:
        folder = write_fleet(Path(temporary), {"bills": SOURCE}, cards=CARDS, sites=SITES)
        for name, (suffix, text) in zip(names, pages, strict=False):
            drop(folder, f"cdrs_{name}{suffix}", text)
        with opened(folder) as (con, fleet):
            take_in(con, fleet)
            rows = con.sql(
                "select * exclude (file_id, file_row) from reported_sessions order by record_id"
            ).pl()
            aside = con.sql("select count(distinct (rule, value)) from quarantine").fetchall()
            return rows, int(aside[0][0])


WHOLE: list[tuple[pl.DataFrame, int]] = []


def whole() -> tuple[pl.DataFrame, int]:
    if not WHOLE:
        WHOLE.append(sessions_of([(".json", json.dumps(RECORDS))]))
    return WHOLE[0]


@QUICK
@given(data=st.data())
def test_pages_order_and_wrapping_change_nothing(data: st.DataObject) -> None:
    order = data.draw(st.permutations(range(len(RECORDS))))
    cuts = sorted(data.draw(st.sets(st.integers(1, len(RECORDS) - 1), max_size=3)))
    again = data.draw(st.lists(st.sampled_from(range(len(RECORDS))), max_size=3))
    numbers = [order[a:b] for a, b in zip([0, *cuts], [*cuts, len(RECORDS)], strict=True)]
    if again:
        numbers.append(again)
    pages = []
    for page in numbers:
        records = [RECORDS[number] for number in page]
        how = data.draw(st.sampled_from(["array", "envelope", "lines", "pretty"]))
        pages.append(
            {
                "array": (".json", json.dumps(records)),
                "envelope": (".json", envelope(records)),
                "lines": (".jsonl", lines(records)),
                "pretty": (".json", json.dumps(records, indent=2)),
            }[how]
        )
    expected, aside_n = whole()
    got, got_aside_n = sessions_of(pages)
    assert expected.height == 6
    assert got.equals(expected)
    assert got_aside_n == aside_n == 2


values = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3)
    ),
    max_leaves=6,
)
KEYS = [
    *sorted(cdr()),
    "cdr_token.uid", "cdr_location.id", "cdr_location.coordinates", "cdr_location.evse_id",
    "cdr_location.coordinates.latitude", "total_cost.excl_vat", "credit", "credit_reference_id",
]  # fmt: skip


@QUICK
@given(changes=st.dictionaries(st.sampled_from(KEYS), values, max_size=4))
def test_whatever_a_value_is_its_record_is_accounted_for(changes: dict[str, Any]) -> None:
    """`take_in` holds every file to read = used + repeated + set aside."""
    tops = {key: value for key, value in changes.items() if "." not in key}
    record = cdr(1, **tops)
    for key, value in sorted(changes.items()):
        *path, last = key.split(".")
        place: Any = record
        for step in path:
            place = place.get(step) if isinstance(place, dict) else None
        if path and isinstance(place, dict):
            place[last] = value
    rows, _ = sessions_of([(".json", json.dumps([record, cdr(2)]))])
    assert "SE*ZZZ*cdr-2" in rows["record_id"].to_list()


prices = st.decimals(0, 5, places=2)
minutes = st.integers(0, 600)
elements = st.lists(
    st.builds(
        lambda kind, each, step, restrictions: element(
            component(kind, str(each), 20, step), **restrictions
        ),
        st.sampled_from(["ENERGY", "TIME", "PARKING_TIME", "FLAT"]),
        prices,
        st.sampled_from([1, 60, 300, 900]),
        st.fixed_dictionaries(
            {},
            optional={
                "start_time": st.sampled_from(["00:00", "09:30", "17:00", "22:00"]),
                "end_time": st.sampled_from(["00:00", "10:15", "18:00", "06:00"]),
                "min_duration": st.integers(0, 7200),
                "max_kwh": st.integers(1, 60),
                "min_power": st.integers(1, 60),
                "day_of_week": st.just(["MONDAY"]),
            },
        ),
    ),
    min_size=1,
    max_size=5,
)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(elements, minutes, st.decimals(0, 80, places=3), minutes, st.integers(1, 599))
def test_a_bill_does_not_depend_on_where_its_periods_are_cut(
    parts: list[dict[str, Any]], charging: int, kwh: Decimal, parking: int, cut: int
) -> None:
    of = tariff(*parts)
    power = float(kwh) / (charging / 60) if charging else None
    one = bill(
        of, period("charging", charging, str(kwh), power), period("parking", parking, power_kw=0)
    )
    if not 0 < cut < charging:
        return
    first = (kwh * cut / charging).quantize(Decimal("1e-12"))
    two = bill(
        of,
        period("charging", cut, str(first), power),
        period("charging", charging - cut, str(kwh - first), power),
        period("parking", parking, power_kw=0),
    )
    assert one.before_taxes is not None and two.before_taxes is not None
    assert abs(one.before_taxes - two.before_taxes) < Decimal("0.0011")


@settings(max_examples=60, deadline=None, derandomize=True)
@given(elements, minutes, st.decimals(0, 80, places=3), minutes)
def test_limits_hold_and_tax_is_never_negative(
    parts: list[dict[str, Any]], charging: int, kwh: Decimal, parking: int
) -> None:
    of = tariff(*parts, min_price={"excl_vat": 1}, max_price={"excl_vat": 20, "incl_vat": 24})
    got = bill(of, period("charging", charging, str(kwh)), period("parking", parking))
    assert got.before_taxes is not None and got.after_taxes is not None
    assert 1 <= got.before_taxes <= 20
    assert 0 <= got.after_taxes <= 24


@settings(max_examples=100, deadline=None, derandomize=True)
@given(values)
def test_what_is_no_tariff_is_told_in_sentences(value: Any) -> None:
    for found in tariffs_in(json.dumps(value)):
        assert isinstance(found, OcpiTariff | str)
        assert found
