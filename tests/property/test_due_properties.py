"""Laws of what is due, over histories of downtime, late data and clocks."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.rounds.due import Made, due, newest_complete_week, weeks_from
from pipeline.weeks import span_of, week_of

ZONES = [
    ZoneInfo(name)
    for name in ("Europe/Stockholm", "America/St_Johns", "Australia/Lord_Howe", "UTC", "Asia/Tokyo")
]
BEGIN = datetime(2026, 1, 1, tzinfo=UTC)
gaps = st.lists(st.integers(1, 60 * 24), min_size=1, max_size=12)  # hours between rounds


@settings(deadline=None, max_examples=40)
@given(zone=st.sampled_from(ZONES), gaps=gaps, data=st.data())
def test_every_week_has_its_edition_once_and_in_order(
    zone: ZoneInfo, gaps: list[int], data: st.DataObject
) -> None:
    """Whatever the pauses: at each round's end no week since the first is missing or made twice."""
    now = BEGIN
    made: list[Made] = []
    for gap in gaps:
        now += timedelta(hours=gap)
        newest = newest_complete_week(now, zone)
        span = span_of(newest, zone)
        assert span.to_at <= now < span.to_at + timedelta(days=7, hours=2)
        asked = set(weeks_from(week_of(BEGIN - timedelta(weeks=2), zone), newest))
        with_data = set(data.draw(st.lists(st.sampled_from(sorted(asked)), max_size=5)))
        changed = {each.week_id for each in made if data.draw(st.booleans())}
        items = due(with_data or {newest}, made, changed, now, zone)
        weeks = [item.week_id for item in items]
        assert weeks == sorted(set(weeks))
        first = [item.week_id for item in items if item.reason == "first"]
        assert not {each.week_id for each in made} & set(first)
        assert {item.week_id for item in items if item.reason == "late_data"} == changed
        # Broken off after some of them: what is left, and only that, is due afterwards.
        kept_n = data.draw(st.integers(0, len(first)))
        made += [Made(week_id, now) for week_id in first[:kept_n]]
        if made:
            again = due(with_data or {newest}, made, (), now, zone)
            assert [item.week_id for item in again] == first[kept_n:]
            made += [Made(item.week_id, now) for item in again]
            assert due(with_data, made, (), now, zone) == []
            oldest = min(each.week_id for each in made)
            assert sorted(each.week_id for each in made) == list(weeks_from(oldest, newest))


@settings(deadline=None, max_examples=40)
@given(zone=st.sampled_from(ZONES), hours=st.integers(0, 24 * 400), back=st.integers(1, 24 * 100))
def test_a_clock_that_goes_back_makes_nothing_twice(zone: ZoneInfo, hours: int, back: int) -> None:
    now = BEGIN + timedelta(hours=hours)
    made = [Made(item.week_id, now) for item in due({"2026-W01"}, [], (), now, zone)]
    later = now + timedelta(weeks=3)
    made += [Made(item.week_id, later) for item in due({"2026-W01"}, made, (), later, zone)]
    assert len(made) == 4
    assert due({"2026-W01"}, made, (), later - timedelta(hours=back), zone) == []
