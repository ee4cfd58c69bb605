"""Stage: who or what, from the judged stops of 13 weeks to the ``weekly_judged_*`` tables.

The maths is `pipeline.judgement`; here it is decided what of it an edition may hold. A person's
id never leaves this stage: rows about drivers carry the label of the fleet's level, and stand in
a table only with a full record (`pipeline.judge.allowed`), findings only once approved. Where
nothing may be said about people, the drivers are taken out of the rows before they are judged.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import NamedTuple

import duckdb
import polars as pl

from pipeline.config import Fleet
from pipeline.judge import measured, schemas
from pipeline.judge.allowed import Allowed, allowed
from pipeline.judge.people import approved, labelled, people_found
from pipeline.judge.span import chart_span, judged_weeks
from pipeline.judgement.causes import minutes_by_cause
from pipeline.judgement.control import CHART_SCHEMA, control_chart
from pipeline.judgement.findings import FINDING_SCHEMA, never_responds, never_starts
from pipeline.judgement.places import not_recognised
from pipeline.method import parameters
from pipeline.warehouse import query, register
from pipeline.weeks import monday_of, span_of, week_of

__all__ = ["judge"]

_VEHICLE_CODES = {"stands": "vehicle_never_responds", "cannot_tell": "vehicle_or_driver"}


class _Read(NamedTuple):
    """Stops of all weeks read, of those a finding reads, and of those judged."""

    all: pl.DataFrame
    for_findings: pl.DataFrame
    judged: pl.DataFrame


def judge(
    con: duckdb.DuckDBPyConnection, fleet: Fleet, week_id: str, now: datetime | None = None
) -> None:
    """Make the ``weekly_judged_*`` tables and ``weekly_what_if``; see `pipeline.judge.schemas`.

    Reads ``judged_stops``, ``vehicle_settings`` and ``fleet_sites``; writes ``people_findings``
    where findings about drivers are allowed.

    Parameters
    ----------
    now
        When a finding is said to have been found; by default now.
    """
    span = span_of(week_id, fleet.zone)
    last = monday_of(week_id) + timedelta(days=6)
    read, may, drivers = _read(con, fleet, week_id)
    weeks_n = measured.weeks_of(read.judged, last, fleet.zone)
    vehicles = never_responds(read.for_findings, span.to_at)
    faulty = vehicles.filter(pl.col("verdict") == "stands")["subject_id"].to_list()
    charts, no_chart_why, watched_from = _charts(fleet, week_id, read.all, may)
    persons = pl.DataFrame(schema=schemas.FINDINGS_SCHEMA)
    waiting_n = 0
    if may.level == "each":
        never = never_starts(read.for_findings, span.to_at)
        found = people_found(never, charts.filter(pl.col("kind") == "driver"))
        said, waiting_n = approved(con, found, week_id, now or datetime.now(UTC))
        silent = found.join(said, on=["driver_id", "code"], how="anti")["driver_id"].to_list()
        # A chart that gives a signal says as much as the finding that nobody has approved.
        charts = charts.filter((pl.col("kind") != "driver") | ~pl.col("subject_id").is_in(silent))
        labels = labelled(fleet, said, "driver_id")
        persons = labels.with_columns(
            kind=pl.lit("driver"), subject_id="driver_label", subject_name="driver_label"
        )
    kinds = ("site", "vehicle", *(("driver",) if may.level == "each" else ()))
    named = _Names(con, fleet)
    funnel = measured.funnels(read.judged, kinds)
    rates = measured.rates(read.judged).filter(pl.col("grouped_by").is_in(["fleet", *kinds]))
    findings = pl.concat(
        [
            _in_schema(table, schemas.FINDINGS_SCHEMA)
            for table in (persons, _of_vehicles(vehicles, named), _of_sites(read.judged, named))
        ]
    ).sort("kind", "subject_name", "code")
    causes = minutes_by_cause(read.judged, faulty)
    if may.level == "nothing":
        causes = causes.with_columns(pl.col("cause").replace("driver_habit", "not_set_in_time"))
    register(con, "weekly_judged_rates", named.in_groups(rates))
    register(con, "weekly_judged_findings", findings)
    register(con, "weekly_judged_causes", causes)
    register(con, "weekly_judged_funnel", named.in_groups(funnel))
    register(
        con, "weekly_judged_control", named.in_chart(measured.weekly_chart(charts, fleet.zone))
    )
    events = measured.effects(read.all, fleet.settings.events, last, fleet.zone, drivers)
    register(con, "weekly_judged_effects", events)
    mended = measured.mended(read.judged, faulty, weeks_n, may)
    register(con, "weekly_what_if", named.in_lists(mended))
    register(con, "weekly_judged_worth", measured.worth(read.judged, faulty, weeks_n))
    scope = {
        "first_date": last - timedelta(days=7 * weeks_n - 1),
        "last_date": last,
        "weeks_n": weeks_n,
        "stops_n": read.judged.height,
        "people_level": may.level,
        "people_why_not": may.why_not,
        "missing_record": list(may.missing_record),
        "waiting_n": waiting_n,
        "watched_from_date": watched_from,
        "no_chart_why": no_chart_why,
    }
    register(con, "weekly_judged_scope", pl.DataFrame([scope], schema=schemas.SCOPE_SCHEMA))


def _read(
    con: duckdb.DuckDBPyConnection, fleet: Fleet, week_id: str
) -> tuple[_Read, Allowed, pl.DataFrame]:
    """The stops, without drivers where nothing may be said about them; who drove stays apart."""
    weeks = judged_weeks(week_id)
    params = parameters(fleet) | {
        "judged_first_week_id": weeks.read_id,
        "judged_last_week_id": week_id,
    }
    stops = query(con, "judgement/judgement_stops", params)
    drivers = stops.select("stop_id", "driver_id")

    def since(frame: pl.DataFrame, first_id: str) -> pl.DataFrame:
        return frame.filter(pl.col("plug_in_at") >= span_of(first_id, fleet.zone).from_at)

    drivers_n = since(stops, weeks.judged_id)["driver_id"].drop_nulls().n_unique()
    may = allowed(fleet, drivers_n)
    if may.level == "nothing":
        stops = stops.with_columns(driver_id=pl.lit(None, pl.String))
    parts = (since(stops, first) for first in (weeks.findings_id, weeks.judged_id))
    return _Read(stops, *parts), may, drivers


def _charts(
    fleet: Fleet, week_id: str, stops: pl.DataFrame, may: Allowed
) -> tuple[pl.DataFrame, str | None, date | None]:
    """Charts of the fleet and, where allowed, of drivers; else why there is none."""
    empty = pl.DataFrame(schema=CHART_SCHEMA)
    if stops.is_empty():
        return empty, "no_stops", None
    first = stops["plug_in_at"].min()
    assert isinstance(first, datetime)
    span = chart_span(week_id, week_of(first, fleet.zone))
    if span is None:
        return empty, "one_week", None
    begin, until = (measured.local_midnight(day, fleet.zone) for day in span)
    own = stops.filter(pl.col("plug_in_at") >= begin)
    kinds = ("fleet", "driver") if may.level == "each" else ("fleet",)
    charts = pl.concat([control_chart(own, kind, until) for kind in kinds])
    why = None if charts.height else "no_baseline"
    return charts, why, span.watched_from


class _Names:
    """Names of vehicles and sites, and labels of drivers, in the place of ids."""

    def __init__(self, con: duckdb.DuckDBPyConnection, fleet: Fleet) -> None:
        known = con.sql(
            "select 'vehicle' as kind, vehicle_id as id, vehicle_name as name "
            "from vehicle_settings union all select 'site', site_id, site_name from fleet_sites"
        ).pl()
        self._fleet = fleet
        self._known = known

    def of(self, table: pl.DataFrame, kind: str, key: str, name: str) -> pl.DataFrame:
        """The table with a column of names; a subject without one bears its id."""
        found = self._known.rename({"id": key, "name": "found_name"})
        joined = table.join(found, left_on=[kind, key], right_on=["kind", key], how="left")
        return joined.with_columns(pl.coalesce("found_name", key).alias(name)).drop("found_name")

    def in_groups(self, table: pl.DataFrame) -> pl.DataFrame:
        """``group_name``, and for drivers the label in the place of the id, sorted by name."""
        persons = table.filter(pl.col("grouped_by") == "driver")
        persons = labelled(self._fleet, persons, "group_id").with_columns(
            group_id="driver_label", group_name="driver_label"
        )
        others = table.filter(pl.col("grouped_by") != "driver")
        others = self.of(others, "grouped_by", "group_id", "group_name")
        columns = others.columns
        both = pl.concat([others, persons.select(columns)])
        order = [name for name in ("basis", "rate_name") if name in columns]
        return both.sort("grouped_by", "group_name", "group_id", *order, nulls_last=True)

    def in_chart(self, table: pl.DataFrame) -> pl.DataFrame:
        """Labels of drivers in the place of ids."""
        persons = labelled(self._fleet, table.filter(pl.col("kind") == "driver"), "subject_id")
        persons = persons.with_columns(subject_id="driver_label").select(table.columns)
        fleet = table.filter(pl.col("kind") == "fleet")
        return pl.concat([fleet, persons]).sort("kind", "subject_id", "week_id")

    def in_lists(self, table: pl.DataFrame) -> pl.DataFrame:
        """Names of the subjects in the place of ids, in alphabetical order."""
        numbered = table.with_row_index("at")
        single = numbered.select("at", "grouped_by", "subject_names").explode("subject_names")
        single = self.of(single.drop_nulls(), "grouped_by", "subject_names", "subject_name")
        lists = single.group_by("at").agg(pl.col("subject_name").sort())
        return (
            numbered.join(lists, on="at", how="left", maintain_order="left")
            .with_columns(subject_names="subject_name")
            .drop("at", "subject_name")
        )


def _of_vehicles(vehicles: pl.DataFrame, named: _Names) -> pl.DataFrame:
    assert vehicles.schema == FINDING_SCHEMA
    said = vehicles.filter(pl.col("verdict").is_in(list(_VEHICLE_CODES))).with_columns(
        code=pl.col("verdict").replace_strict(_VEHICLE_CODES)
    )
    return named.of(said, "kind", "subject_id", "subject_name")


def _of_sites(stops: pl.DataFrame, named: _Names) -> pl.DataFrame:
    said = not_recognised(stops).filter(pl.col("verdict") == "stands")
    said = said.with_columns(kind=pl.lit("site"), code=pl.lit("place_not_recognised"))
    return named.of(said, "kind", "subject_id", "subject_name")


def _in_schema(table: pl.DataFrame, schema: pl.Schema) -> pl.DataFrame:
    return table.select(schema.keys()).cast(schema)
