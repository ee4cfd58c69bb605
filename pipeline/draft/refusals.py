"""What stops a draft: a file that cannot be read, and one that is no export of ours."""

from __future__ import annotations

from pipeline.problems import ColdMinutesError, Problem


def not_readable(name: str, why: str) -> ColdMinutesError:
    """DRAFT-01: there is no table in the file."""
    return ColdMinutesError(
        [
            Problem(
                "DRAFT-01",
                "stop",
                name,
                why,
                "Name a CSV, TSV, XLSX or Parquet file with a row of column names, a JSON file of "
                "records, or a zip, gz or zst of one. Nothing was written.",
            )
        ],
        exit_code=3,
    )


def not_an_export(name: str, why: str, found: str) -> ColdMinutesError:
    """DRAFT-02: a table, but none that a report could use."""
    return ColdMinutesError(
        [
            Problem(
                "DRAFT-02",
                "stop",
                name,
                f"{why}; it has {found}",
                "`coldminutes signals` prints what to ask of whoever provides the exports. "
                "Nothing was written.",
            )
        ],
        exit_code=3,
    )


def in_pieces(name: str, why: str) -> ColdMinutesError:
    """DRAFT-02: an export, but its instants are in two columns."""
    return ColdMinutesError(
        [
            Problem(
                "DRAFT-02",
                "stop",
                name,
                why,
                "Have the export write one column with date and time, such as 2026-01-12 06:05:00, "
                "and one for each end. Nothing was written.",
            )
        ],
        exit_code=3,
    )
