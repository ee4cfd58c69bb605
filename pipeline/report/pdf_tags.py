"""What the tag tree of a PDF lacks as WeasyPrint 70 writes it, put right in the finished file.

Found by two independent checkers of PDF/UA-1 (ISO 14289-1); each step can go once WeasyPrint does
it by itself.
"""

from __future__ import annotations

from typing import Any


def mend_tags(pdf: Any) -> None:
    """Give header cells their scope, lists no child but items, and name each attachment once."""
    dictionaries: list[Any] = [thing for thing in pdf.objects if isinstance(thing, dict)]
    tags = {thing.reference: thing for thing in dictionaries if thing.get("Type") == "/StructElem"}
    for tag in tags.values():
        if tag["S"] == "/TH":
            _give_scope(tag, tags)
    for tag in list(tags.values()):
        if tag["S"] == "/Div" and _kind(tags.get(tag["P"])) == "/L":
            _lift_children(tag, tags)
    if "AF" in pdf.catalog:
        pdf.catalog["AF"][:] = dict.fromkeys(pdf.catalog["AF"])


def _give_scope(cell: Any, tags: dict[bytes, Any]) -> None:
    """A header cell in the head of its table stands for the column, elsewhere for its row.

    ISO 14289-1, 7.5: the headers of a cell must be determinable, by ``Scope`` or by ``Headers``;
    WeasyPrint writes the latter, which leaves out cells that head no data cell.
    """
    row = tags[cell["P"]]
    is_head = _kind(tags.get(row["P"])) == "/THead"
    cell["A"]["Scope"] = "/Column" if is_head else "/Row"


def _lift_children(group: Any, tags: dict[bytes, Any]) -> None:
    """HTML allows groups inside ``dl``; ISO 32000-1, table 336, has list items only."""
    owner = tags[group["P"]]
    at = owner["K"].index(group.reference)
    owner["K"][at : at + 1] = group["K"]
    for reference in group["K"]:
        tags[reference]["P"] = group["P"]
    group["K"][:] = []
    group["S"] = "/NonStruct"


def _kind(tag: Any) -> str:
    return "" if tag is None else str(tag["S"])
