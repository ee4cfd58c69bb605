"""What would be gained if the three worst habits, vehicles or sites were mended."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np
import polars as pl

from pipeline.judgement.causes import causes_of_stops
from pipeline.judgement.expected import indicators, numbered
from pipeline.judgement.findings import METHOD_RULE, Rule
from pipeline.judgement.logistic import Array
from pipeline.judgement.tables import judged

WORST_N = 3
MENDED = {
    "driver": "driver_habit",
    "vehicle": "vehicle_fault",
    "site": "place_not_recognised",
}
FIGURES = {
    "saved_min": "avoidable_min",
    "saved_valued_min": "missed_valued_min",
    "saved_cash": "missed_worth_cash",
    "saved_worth_time": "missed_worth_time",
}
"""What is gained, and the stop's figure it is the sum of. Cash and valued time are never added."""


def what_if(
    stops: pl.DataFrame,
    faulty_vehicle_ids: Collection[str] = (),
    *,
    confidence: float = 0.9,
    resamples_n: int = 1000,
    seed: int = 1,
    rule: Rule = METHOD_RULE,
) -> pl.DataFrame:
    """Minutes and money in the time covered, had the three worst of each kind been mended.

    Parameters
    ----------
    stops, faulty_vehicle_ids
        As for `pipeline.judgement.causes.causes_of_stops`.

    Returns
    -------
    DataFrame
        One row per kind (``grouped_by``): ``subject_ids`` of the up to three, in the order of
        their names, ``stops_n`` missed by them for that cause, and each of `FIGURES` with
        ``_low`` and ``_high`` before its unit. ``luck_min`` is what has been taken off
        ``saved_min`` because the worst of a time are partly just its unluckiest.

    Notes
    -----
    *Mended* is: warmed in the time there was at every expected stop missed for that cause, and no
    other. Intervals: stops drawn with replacement within each driver, the three kept. Luck: in
    each drawing the worst three are chosen anew, and what they seem to lose there is compared
    with what the same three lose in the stops as they were (optimism: Efron, J. Am. Stat. Assoc.
    78 (1983) 316-331; from memory); other figures are scaled alike.
    """
    rows = _with_causes(stops, faulty_vehicle_ids, rule)
    drawn = _drawn(rows["driver_id"], resamples_n, np.random.default_rng(seed))
    tail = (1 - confidence) / 2
    table = []
    for kind, cause in MENDED.items():
        number, names = numbered(rows[f"{kind}_id"])
        is_cause = (rows["cause"] == cause).fill_null(False).to_numpy()
        member = indicators(number, len(names)) * is_cause[:, None]
        figures = {name: rows[column].fill_null(0.0).to_numpy() for name, column in FIGURES.items()}
        by_group = figures["saved_min"] @ member
        worst = _worst(by_group)
        mine = member[:, worst].sum(axis=1)
        again = drawn @ (member * figures["saved_min"][:, None])
        chosen = np.argsort(-again, axis=1, kind="stable")[:, :WORST_N]
        seeming = np.take_along_axis(again, chosen, axis=1).sum(axis=1)
        luck = max(0.0, float((seeming - by_group[chosen].sum(axis=1)).mean())) if names else 0.0
        total = float(by_group[worst].sum())
        luck = min(luck, total)
        kept = 1 - luck / total if total > 0 else 1.0
        row: dict[str, object] = {
            "grouped_by": kind,
            "subject_ids": sorted(names[at] for at in worst),
            "stops_n": int(mine.sum()),
            "luck_min": luck,
        }
        for name, figure in figures.items():
            stem, _, unit = name.rpartition("_")
            draws = drawn @ (mine * figure) * kept
            low, high = np.quantile(draws, [tail, 1 - tail])
            row |= {
                name: float(mine @ figure) * kept,
                f"{stem}_low_{unit}": float(low),
                f"{stem}_high_{unit}": float(high),
            }
        table.append(row)
    return pl.DataFrame(table, schema_overrides={"subject_ids": pl.List(pl.String)})


WORTH_SCHEMA = pl.Schema(
    {
        "grouped_by": pl.String(),
        "subject_id": pl.String(),
        "cause": pl.String(),
        "stops_n": pl.Int64(),
        "saved_min": pl.Float64(),
        "saved_low_min": pl.Float64(),
        "saved_high_min": pl.Float64(),
    }
)
SETTING = "setting"
SETTING_CAUSES = ("driver_habit", "place_not_recognised")
"""What setting the charger in time, as a charging place, would mend at a vehicle or a site."""


def worth_of_subjects(
    stops: pl.DataFrame,
    faulty_vehicle_ids: Collection[str] = (),
    *,
    confidence: float = 0.9,
    resamples_n: int = 400,
    seed: int = 1,
    rule: Rule = METHOD_RULE,
) -> pl.DataFrame:
    """Avoidable minutes of each vehicle and site, by what would mend them.

    Parameters
    ----------
    stops, faulty_vehicle_ids
        As for `what_if`.

    Returns
    -------
    DataFrame
        `WORTH_SCHEMA`, sorted by kind, subject and cause, for subjects with a stop; ``cause`` is
        that of `MENDED` for the kind, or ``setting``, which is any of `SETTING_CAUSES`. Intervals
        as in `what_if`. Never of a person.
    """
    rows = _with_causes(stops, faulty_vehicle_ids, rule)
    drawn = _drawn(rows["driver_id"], resamples_n, np.random.default_rng(seed))
    minutes = rows["avoidable_min"].fill_null(0.0).to_numpy()
    tail = (1 - confidence) / 2
    tables = [pl.DataFrame(schema=WORTH_SCHEMA)]
    for kind in ("site", "vehicle"):
        number, names = numbered(rows[f"{kind}_id"])
        for cause in (SETTING, MENDED[kind]):
            among = SETTING_CAUSES if cause == SETTING else (cause,)
            chosen = rows["cause"].is_in(list(among)).fill_null(False).to_numpy()
            member = indicators(number, len(names)) * chosen[:, None]
            if not names:
                continue
            draws = drawn @ (member * minutes[:, None])
            low, high = np.quantile(draws, [tail, 1 - tail], axis=0)
            tables.append(
                pl.DataFrame(
                    {
                        "grouped_by": [kind] * len(names),
                        "subject_id": names,
                        "cause": [cause] * len(names),
                        "stops_n": member.sum(axis=0).astype(int),
                        "saved_min": minutes @ member,
                        "saved_low_min": low,
                        "saved_high_min": high,
                    },
                    schema=WORTH_SCHEMA,
                )
            )
    return pl.concat(tables).sort("grouped_by", "subject_id", "cause")


def _with_causes(
    stops: pl.DataFrame, faulty_vehicle_ids: Collection[str], rule: Rule
) -> pl.DataFrame:
    """The judged rows, each with what its miss is put down to."""
    causes = causes_of_stops(stops, faulty_vehicle_ids, rule).select("stop_id", "cause")
    return judged(stops).join(causes, on="stop_id", how="left", maintain_order="left")


def _worst(by_group: Array) -> list[int]:
    """The three that lose most, those that lose nothing left out."""
    order = np.argsort(-by_group, kind="stable")[:WORST_N]
    return [int(at) for at in order if by_group[at] > 0]


def _drawn(drivers: pl.Series, resamples_n: int, generator: np.random.Generator) -> Array:
    """How often each stop is drawn, shape (resamples, stops), within each driver's own."""
    number, _ = numbered(drivers)
    times = np.zeros((resamples_n, len(number)))
    for one in np.unique(number):
        mine = np.flatnonzero(number == one)
        times[:, mine] = generator.multinomial(
            len(mine), np.full(len(mine), 1 / len(mine)), resamples_n
        )
    return times
