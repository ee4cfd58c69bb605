"""Charge cards in a bill to vehicles, by the fleet's table of cards. Nothing is ever guessed."""

from __future__ import annotations

import polars as pl

from pipeline.ingest import cells as cell
from pipeline.ingest.checks import Check

CARD_UNLINKED = "card_unlinked"


def vehicles_of(
    tokens: dict[str, pl.Series], at: pl.Series, table: pl.DataFrame, nulls: list[str]
) -> tuple[pl.Series, list[Check]]:
    """The vehicle of each row, and the checks for rows whose card leads to none, or to two.

    Parameters
    ----------
    tokens
        Cells by column of the export, as they are asked.
    at
        Instant at which the card was used.
    table
        `pipeline.fleet_tables.card_table`.
    nulls
        Cells that mean no reading.
    """
    asked = {column: cell.as_text(cells, nulls) for column, cells in tokens.items()}
    found = [_linked(words, at, table) for words in asked.values()]
    frame = pl.DataFrame({str(n): vehicles for n, vehicles in enumerate(found)})
    vehicle = frame.select(v=pl.coalesce(pl.all()))["v"]
    is_two = frame.select(v=pl.any_horizontal(pl.all() != vehicle).fill_null(False))["v"]
    shown = pl.DataFrame({str(n): words for n, words in enumerate(asked.values())}).select(
        v=pl.coalesce(pl.all())
    )["v"]
    column = next(iter(tokens))
    return vehicle, [
        Check("no_card", column, shown.is_null(), None, "the number of a charge card"),
        Check(
            "card_contradicts",
            column,
            is_two,
            shown,
            f"one vehicle by {' and '.join(tokens)}",
        ),
        Check(
            CARD_UNLINKED,
            column,
            vehicle.is_null(),
            shown,
            "a card that cards.toml gives to a vehicle at that time",
        ),
    ]


def _linked(words: pl.Series, at: pl.Series, table: pl.DataFrame) -> pl.Series:
    rows = pl.DataFrame({"token": words.str.to_lowercase(), "at": at}).with_row_index("row_no")
    linked = (
        rows.join(table, on="token")
        .filter(pl.col("at") >= pl.col("from_at"), pl.col("at") < pl.col("to_at"))
        .unique("row_no", keep="first")
    )
    return rows.join(
        linked.select("row_no", "vehicle_id"), on="row_no", how="left", maintain_order="left"
    )["vehicle_id"]
