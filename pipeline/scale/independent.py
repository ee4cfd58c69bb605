"""Which pieces of an ingest stand on their own, so that one writer may put them together.

A file is judged against what others say of the same vehicle and time, and by whether its content
came before. A piece that shares either with another piece, or with what is taken in already, is
given back, and its files are taken in by the ordinary ingest.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.ingest.order import EXPECTED

KEPT = -1
"""Number of the piece that is the warehouse itself."""


@dataclass(frozen=True)
class Claims:
    """What some pieces say, one row each; piece `KEPT` is what is taken in already.

    Parameters
    ----------
    spans
        ``part_no, vehicle_id, first_at, last_at``, of kind samples.
    contents
        ``part_no, content_sha256, source_id``.
    judged
        ``part_no, rule``: rows set aside.
    """

    spans: pl.DataFrame
    contents: pl.DataFrame
    judged: pl.DataFrame


def dependent_parts(claims: Claims) -> set[int]:
    """Numbers of the pieces that do not stand on their own."""
    found = _meeting(claims.spans) | _of_one_content(claims.contents)
    return (found | _judged_beside_others(claims)) - {KEPT}


def _meeting(spans: pl.DataFrame) -> set[int]:
    """Pieces that speak of a time of a vehicle of which another one speaks too, ends included."""
    ordered = spans.sort("vehicle_id", "first_at", "last_at")
    reached = pl.col("last_at").cum_max().shift(1).over("vehicle_id")
    islands = ordered.with_columns(
        island_no=(pl.col("first_at") > reached).fill_null(True).cum_sum()
    )
    shared = pl.col("part_no").n_unique().over("island_no") > 1
    return set(islands.filter(shared)["part_no"])


def _of_one_content(contents: pl.DataFrame) -> set[int]:
    shared = pl.col("part_no").n_unique().over("content_sha256", "source_id") > 1
    return set(contents.filter(shared)["part_no"])


def _judged_beside_others(claims: Claims) -> set[int]:
    """Pieces with rows set aside for their time, of vehicles that others speak of.

    Such a row lies in no span, so nobody can tell from spans whether another file has it too.
    """
    doubtful = set(claims.judged.filter(pl.col("rule").is_in(list(EXPECTED)))["part_no"])
    shared = pl.col("part_no").n_unique().over("vehicle_id") > 1
    beside = set(claims.spans.filter(shared)["part_no"])
    return doubtful & beside
