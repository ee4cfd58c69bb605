"""Marks on words of tables: whoever prints them translates them, see `pipeline.report.language`.

Stages before the report speak English, in tables for machines; a mark puts such words into the
catalogues all the same.
"""

from __future__ import annotations


def N_(text: str) -> str:  # noqa: N802
    """Mark words of a table for translation; whoever prints them calls `_`."""
    return text


def NN_(one: str, many: str) -> tuple[str, str]:  # noqa: N802
    """As `N_`, for a sentence with a count; whoever prints it calls `ngettext`."""
    return one, many
