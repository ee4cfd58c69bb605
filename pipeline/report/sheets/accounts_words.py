"""What the month for accounts says: its opening, its comparisons, what warming took."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from typing import Any

from pipeline.config import Fleet
from pipeline.report.filters import NONE, number
from pipeline.report.language import _, ngettext, spoken
from pipeline.report.sheets.accounts_month import Month
from pipeline.report.sheets.accounts_rows import Amounts

Row = Mapping[str, Any]
Filters = Mapping[str, Callable[..., str]]

_STARTS_WITHIN = timedelta(days=1)
"""Data that begin so soon in a month cover it: not every vehicle drives at midnight."""


def opening_words(
    now: Row | None, warming: Row | None, month: Month, filters: Filters, amounts: Amounts
) -> str:
    """The sentences at the top."""
    if now is None:
        return _("No charge is known of this month.")
    said = ngettext(
        "{n} charge put {energy} into the batteries and cost {cost}.",
        "{n} charges put {energy} into the batteries and cost {cost}.",
        now["charges_n"],
        energy=filters["kwh"](now["energy_kwh"], 0),
        cost=amounts.named(now["total_cost"]),
    )
    billed, total = now["billed_cost"], now["total_cost"]
    if billed is None:
        said += " " + _("None of it is billed as far as the files tell: all of it is an estimate.")
    elif now["estimated_cost"] is None:
        said += " " + _("All of it is billed.")
    elif total:
        said += " " + _(
            "{billed} of it is billed, the rest an estimate.", billed=amounts.named(billed)
        )
    if warming is not None and warming["warming_kwh"]:
        said += " " + _(
            "Warming on the way took {energy} of it, and {cost} of its cost.",
            energy=filters["kwh"](warming["warming_kwh"], 0),
            cost=amounts.named(warming["warming_cost"]),
        )
    return said


def comparison_rows(
    month: Month,
    totals: Mapping[str, Row],
    warming: Mapping[str, Row],
    first_at: datetime | None,
    amounts: Amounts,
) -> dict[str, Any]:
    """This month beside the month before and the same month last year, where there is one.

    A month without a charge has no figures: nothing was seen of it, which is not nought. Nor is a
    change told against a month in which the fleet's data (from ``first_at``) only began.
    """
    others = [each for each in (month.before, month.year_ago) if each.code in totals]
    is_whole = {
        each.code: first_at is not None and first_at <= each.from_at + _STARTS_WITHIN
        for each in month.periods
    }

    def line(
        title: str, source: Mapping[str, Row], key: str, show: Callable[..., str]
    ) -> dict[str, Any]:
        values = {code: row[key] for code, row in source.items()}
        now = values.get("this")
        return {
            "title": title,
            "now": show(now),
            "others": [
                {
                    "value": show(values.get(each.code)),
                    "change": _change(now, values.get(each.code))
                    if is_whole["this"] and is_whole[each.code]
                    else NONE,
                }
                for each in others
            ],
        }

    def tenths(value: float | None) -> str:
        return number(value, 1)

    def price(value: float | None) -> str:
        return number(value, max(3, amounts.digits))

    return {
        "heads": [_span_words(month, each.code) for each in others],
        "missing": _missing_words(month, totals, is_whole),
        "rows": [
            line(_("Days with a charge"), totals, "days_n", number),
            line(_("Charges"), totals, "charges_n", number),
            line(_("Energy [kWh]"), totals, "energy_kwh", tenths),
            line(_("Cost [{currency}]", currency=amounts.currency), totals, "total_cost",
                 amounts.bare),
            line(_("Cost of a kWh [{currency}]", currency=amounts.currency), totals,
                 "price_per_kwh", price),
            line(_("Warming [kWh]"), warming, "warming_kwh", tenths),
            line(_("Its cost [{currency}]", currency=amounts.currency), warming, "warming_cost",
                 amounts.bare),
            line(_("Cold minutes"), warming, "lost_cold_min", number),
            line(_("of these avoidable"), warming, "avoidable_min", number),
        ],
    }  # fmt: skip


def _change(now: float | None, before: float | None) -> str:
    """Change in per cent; a dash where there is nothing to compare."""
    if now is None or before is None or before <= 0:
        return NONE
    return number((now / before - 1) * 100, signed=True) + "\u00a0%"


def _span_words(month: Month, code: str) -> str:
    period = {each.code: each for each in month.periods}[code]
    if month.is_running:
        return _("1 to {day}", day=spoken().long_day(period.last_day))
    return spoken().month(period.first_day)


def _missing_words(
    month: Month, totals: Mapping[str, Row], is_whole: Mapping[str, bool]
) -> list[str]:
    missing = [
        spoken().month(each.first_day) for each in month.periods[1:] if each.code not in totals
    ]
    said = []
    if missing:
        said.append(_("No data to compare with: {months}.", months=", ".join(missing)))
    begun = [
        spoken().month(each.first_day)
        for each in month.periods
        if each.code in totals and not is_whole[each.code]
    ]
    if begun:
        said.append(_("The data begin in {months}: no change is told.", months=", ".join(begun)))
    return said


def warming_rows(
    row: Row | None, fleet: Fleet, filters: Filters, amounts: Amounts
) -> list[dict[str, str]]:
    """What warming took and what the cold took; time valued in lines of its own."""
    if row is None:
        return []
    lines = [
        (_("Warming, energy"), filters["kwh"](row["warming_kwh"]), _warming_basis(row)),
        (_("its cost"), amounts.named(row["warming_cost"]), _price_basis(row)),
        (
            _("Minutes saved, net"),
            filters["minutes"](row["net_saved_min"]),
            _("modelled"),
        ),
        (_("Cold minutes"), filters["minutes"](row["lost_cold_min"]), _("modelled")),
        (_("of these avoidable"), filters["minutes"](row["avoidable_min"]), _("modelled")),
    ]
    if fleet.settings.driver_value_per_hour > 0:
        valued = _(
            "valued at {value} an hour",
            value=amounts.named(fleet.settings.driver_value_per_hour),
        )
        lines += [
            (_("Value of time saved"), amounts.named(row["worth_time"]), valued),
            (_("Value of time missed"), amounts.named(row["missed_worth_time"]), valued),
        ]
    return [
        {"title": title, "value": value, "basis": NONE if value == NONE else basis}
        for title, value, basis in lines
    ]


def _warming_basis(row: Row) -> str:
    if not row["warmings_n"]:
        return NONE
    if row["warmings_estimated_n"]:
        return _("estimated at {n} of {all} stops", n=row["warmings_estimated_n"],
                 all=row["warmings_n"])  # fmt: skip
    return _("measured")


def _price_basis(row: Row) -> str:
    if not row["warmings_n"]:
        return NONE
    if row["warmings_assumed_n"]:
        return _("estimate; price assumed at {n} of {all} stops", n=row["warmings_assumed_n"],
                 all=row["warmings_n"])  # fmt: skip
    return _("estimate: what that energy had cost")


def notes(month: Month, now: Row | None, fleet: Fleet) -> list[str]:
    """How to read the figures; nothing where there are none."""
    if now is None:
        return []
    said = [
        _(
            "A charge belongs to the month of its plug-in, by the clock of {zone}.",
            zone=fleet.settings.time_zone,
        ),
        _(
            "Totals are the sums of the figures printed; single figures are rounded up or down so "
            "that these are the rounded exact sums too (largest remainders)."
        ),
        _(
            "Billed: by an invoice or a charge detail record. Estimated: by the tariff in "
            "sites.toml, else at the fleet’s price."
        ),
        _(
            "Energy is that into the batteries; bills go by the meter, which counts more. The cost "
            "of warming is a part of that of charging."
        ),
        _("Time has a value and no bill: it is never added to money."),
    ]
    if month.is_running:
        said.insert(
            0,
            _("The month is not over: the months beside it are cut at the same day."),
        )
    if now["billed_cost"] is not None:
        said.append(_("Bills may still come in: a later edition of this page then differs."))
    return said
