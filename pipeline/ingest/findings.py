"""What the stage tells the user about a file that was taken in, or could not be."""

from __future__ import annotations

import polars as pl

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
    "ends_before_start": "Mend the export, or swap the columns in {source}.",
    "break_without_end": "Export the break again once it is over.",
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
