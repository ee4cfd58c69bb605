"""What the stage tells the user about a file that was taken in, or could not be."""

from __future__ import annotations

import polars as pl

from pipeline.ingest.cards import CARD_UNLINKED
from pipeline.ingest.checks import no_quarantine
from pipeline.ingest.refusals import refusal
from pipeline.problems import ColdMinutesError, Problem

_REMEDIES = {
    "wrong_cell_count": "A cell with the delimiter in it needs quotes; a line cut short was lost "
    "by the logger.",
    "no_vehicle": "Fill the column in the export, or name the vehicle under [vehicle] in {source}.",
    "bad_vehicle_id": "Mend the name in the export.",
    "time_unreadable": "Mend the export, or [time] format in {source}.",
    "time_not_in_zone": "Mend [time] zone in {source}, or export with offsets from UTC.",
    "time_in_future": "Set the logger's clock, or mend [time] zone in {source}.",
    "time_too_early": "Set the logger's clock, or mend [time] format in {source}.",
    "not_a_number": "Mend the export, the decimal, or list the word under null_values in {source}.",
    "not_a_flag": "Translate the word under values of this column in {source}.",
    "not_in_list": "Translate the word under values of this column in {source}.",
    "out_of_range": "Mend the export, or the unit, sign or null_values of this column in {source}.",
    "clock_set_back": "Look at the logger's clock.",
    "clock_jump": "Look at the logger's clock.",
    "conflicting_sample": "The first one taken in is kept; look which export is right.",
    "conflicting_record": "The first one taken in is kept. If this is its correction, say so: "
    "`coldminutes supersede`, or supersedes in {source}.",
    "ends_before_start": "Mend the export, or swap the columns in {source}.",
    "break_without_end": "Export the break again once it is over.",
    "no_card": "Export the column that holds the card's number.",
    "card_unlinked": "Add this card under [cards] in cards.toml with its vehicle, and from and to "
    "where it changed hands; nobody's charge is ever guessed.",
    "card_contradicts": "Mend cards.toml: the two numbers of the card lead to two vehicles.",
    "not_a_cdr": "Only charge detail records are read by this source; tariffs belong into the "
    "folder tariffs/ of the fleet.",
    "credit_record": "It takes back the record that it names: a charge of this number taken in "
    "from another file still counts, so have the biller export without it.",
    "credited_record": "Nothing to do: a credit takes it back.",
    "energy_implausible": "Mend the export: energy is in kWh.",
    "not_a_message": "Export the messages as JSON, one per line or in one list.",
    "line_too_long": "Export one message per line.",
    "no_sampled_value": "Look at the charger's settings: the message says nothing.",
    "no_charger": "Say under [charger] in {source} where the charger's name stands.",
    "unknown_unit": "Have the charger send the unit: W, kW, Wh, kWh or Percent.",
}
_MENDED = {
    "wh_in_kwh": "energy is in Wh where kWh is due, so a thousandth of it is used",
    "periods_in_wh": "the periods give energy in Wh where kWh is due; the record's total is used",
    "energy_differs": "the periods' energy does not add up to the record's total; the total is "
    "used",
    "coordinates_swapped": "latitude and longitude are swapped, so they were turned round",
    "coordinates_impossible": "no place on Earth, so no position is used",
    "other_currency": "the cost is not in the fleet's currency, so no cost is used",
    "parking_beyond_stay": "parking is longer than the stay, so it is not used",
}
_AGAIN = "After a change of the mapping the next run takes the file in anew."


def aside_problems(name: str, source_id: str, summary: pl.DataFrame) -> list[Problem]:
    """One finding per rule and column of a file, with the first row as the example.

    Parameters
    ----------
    summary
        ``rule``, ``column_name``, ``file_row``, ``value``, ``expected``, ``rows_n``; few rows.
    """
    problems = []
    for row in summary.iter_rows(named=True):
        column = f", column {row['column_name']}" if row["column_name"] else ""
        got = "" if row["value"] is None else f"got '{row['value']}', "
        rows_n = row["rows_n"]
        remedy = _REMEDIES[row["rule"]].format(source=f"sources/{source_id}.toml")
        problems.append(
            Problem(
                "INGEST-03",
                "exclude",
                f"inbox/{name} row {row['file_row']}{column}",
                f"{row['rule']}: {got}expected {row['expected']}",
                f"{remedy} {rows_n} {'row' if rows_n == 1 else 'rows'} set aside for this; the "
                f"rest of the file was taken in. {_AGAIN}",
                dict(row),
            )
        )
    return problems


def mended_problems(name: str, summary: pl.DataFrame) -> list[Problem]:
    """INGEST-14: rows that are used although something in them was put right or left out.

    Parameters
    ----------
    summary
        As in `aside_problems`; ``expected`` is what was used in the first row.
    """
    problems = []
    for row in summary.iter_rows(named=True):
        used = "nothing" if row["expected"] is None else f"'{row['expected']}'"
        rows_n = row["rows_n"]
        problems.append(
            Problem(
                "INGEST-14",
                "note",
                f"inbox/{name} row {row['file_row']}, column {row['column_name']}",
                f"{row['rule']}: {_MENDED[row['rule']]} (got '{row['value']}', used {used})",
                f"{rows_n} {'row' if rows_n == 1 else 'rows'} of this file, all used; the table "
                f"mended_rows lists them. Have the biller mend the export.",
                dict(row),
            )
        )
    return problems


def unordered_problem(name: str) -> Problem:
    """INGEST-10: the rows were sorted, so that no clock could be judged by them."""
    return Problem(
        "INGEST-10",
        "note",
        f"inbox/{name}",
        "its rows are not in the order of time, so they were sorted",
        "Nothing was left out. A clock set back cannot be seen in such a file: export in order "
        "of time where you can.",
    )


def failed_while_writing(name: str, error: BaseException) -> ColdMinutesError:
    """INGEST-12: the file was readable, but its rows could not be written."""
    first = (str(error).splitlines() or [type(error).__name__])[0]
    return refusal(
        "INGEST-12",
        name,
        f"could not be written to the warehouse ({first[:200]})",
        "Look at the free disk space and [limits] in fleet.toml, then run again.",
    )


def by_rule(rows: pl.DataFrame) -> pl.DataFrame:
    """Per rule and column of some quarantine rows: how many, and the first of them."""
    # Which cards are not known is what the user must see, so each of them counts apart.
    card = pl.when(rule=CARD_UNLINKED).then("value").alias("card")
    return rows.group_by("rule", "column_name", card, maintain_order=True).agg(
        pl.col("file_row").first(),
        pl.col("value").first(),
        pl.col("expected").first(),
        rows_n=pl.len(),
    )


def summed(parts: list[pl.DataFrame]) -> pl.DataFrame:
    """Several `by_rule` of one file as one."""
    rows = pl.concat(parts) if parts else by_rule(no_quarantine())
    return (
        rows.sort("file_row")
        .group_by("rule", "column_name", "card", maintain_order=True)
        .agg(
            pl.col("file_row").first(),
            pl.col("value").first(),
            pl.col("expected").first(),
            pl.col("rows_n").sum(),
        )
        .drop("card")
    )
