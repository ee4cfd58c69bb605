"""Which weeks are judged, and from when on the control charts watch."""

from __future__ import annotations

from datetime import date, timedelta
from typing import NamedTuple

from pipeline.judgement.findings import METHOD_RULE
from pipeline.weeks import monday_of, weeks_before

BLOCK_WEEKS_N = METHOD_RULE.weeks_n
FINDING_WEEKS_N = 26
"""Weeks that a finding reads back: 13, a month, and 60 days."""


class JudgedWeeks(NamedTuple):
    """First weeks of what is read, all up to and with the edition's own."""

    read_id: str
    findings_id: str
    judged_id: str


def judged_weeks(week_id: str) -> JudgedWeeks:
    """Weeks read for one edition: at most 39, however long the history is."""
    return JudgedWeeks(
        weeks_before(week_id, 3 * BLOCK_WEEKS_N - 1)[0],
        weeks_before(week_id, FINDING_WEEKS_N - 1)[0],
        weeks_before(week_id, BLOCK_WEEKS_N - 1)[0],
    )


class ChartSpan(NamedTuple):
    """First days of a chart's baseline and of what it watches."""

    baseline_from: date
    watched_from: date


def chart_span(week_id: str, first_week_id: str) -> ChartSpan | None:
    """A chart's baseline and watch, the same for 13 editions on end.

    The baseline has 13 weeks; the watch begins with the block of 13 weeks before the edition's own
    and so covers 14 to 26 weeks, the horizon that its rate of false alarms is stated for. A
    baseline that moved every week would have no such rate. A fleet younger than that has the first
    half of its weeks as baseline; None with a single week.

    Parameters
    ----------
    first_week_id
        Of the first stop there is.

    Examples
    --------
    >>> chart_span("2026-W06", "2026-W02")
    ChartSpan(baseline_from=datetime.date(2026, 1, 5), watched_from=datetime.date(2026, 1, 19))
    """
    last, first = monday_of(week_id), monday_of(first_week_id)
    block = last - timedelta(weeks=(last.toordinal() // 7) % BLOCK_WEEKS_N)
    begin = max(first, block - timedelta(weeks=2 * BLOCK_WEEKS_N))
    weeks_n = (last - begin).days // 7 + 1
    baseline_weeks_n = min(BLOCK_WEEKS_N, weeks_n // 2)
    if baseline_weeks_n < 1:
        return None
    return ChartSpan(begin, begin + timedelta(weeks=baseline_weeks_n))
