"""What the operator says of two exports: the new one replaces the old one."""

from __future__ import annotations

import difflib
from datetime import datetime

import duckdb

from pipeline import warehouse
from pipeline.config import Fleet
from pipeline.ingest.archived import is_archived, want_archive
from pipeline.ingest.remap import FORGOTTEN, lies_in_inbox
from pipeline.ingest.tables import TABLES
from pipeline.problems import ColdMinutesError, Problem


def replace_file(
    con: duckdb.DuckDBPyConnection,
    fleet: Fleet,
    old: str,
    new: str,
    is_whole: bool,
    now: datetime,
) -> tuple[str, str]:
    """Keep that `new` replaces `old`, and forget `new` so that the next ingest takes it in so.

    Parameters
    ----------
    old, new
        Files as they lie in the inbox, or as the reports name them (``a.zip/member.csv``).
    is_whole
        Every row of the old file is replaced, not only the time that the new one covers.

    Returns
    -------
    tuple
        Both names as the ledger has them.

    Raises
    ------
    ColdMinutesError
        SUPERSEDE-01 to 03: a name that is not known, the same file twice, or exports of two kinds.
    """
    files = warehouse.query(con, "ingest/files_of_source")
    known = dict(zip(files["file_path"], files["kind"], strict=True))
    old_path = _known(fleet, old, list(known))
    if old_path not in known:
        raise ColdMinutesError([_unknown(old, list(known))], exit_code=2)
    new_path = _known(fleet, new, list(known))
    is_in_inbox = lies_in_inbox(fleet, new_path)
    if not is_in_inbox and not is_archived(fleet, new_path):
        raise ColdMinutesError([_unknown(new, list(known), is_new=True)], exit_code=2)
    if old_path == new_path:
        raise _refused(new, "is the same file", "Name the file replaced first, then its correction")
    if not TABLES[known[old_path]].values:
        raise _refused(
            old,
            f"is an export of {known[old_path]}, which cannot be replaced in part",
            "Take it out of the inbox and mend its source, and its files are read anew",
        )
    if new_path in known and TABLES[known[old_path]].name != TABLES[known[new_path]].name:
        raise _refused(
            new,
            f"is an export of {known[new_path]}, but {old_path} one of {known[old_path]}",
            "Name two exports of one kind",
        )
    back = [(o, n) for o, n, _ in warehouse.query(con, "ingest/known_replacements").iter_rows()]
    if (new_path, old_path) in back:
        raise _refused(
            new,
            f"was itself said to be replaced by {old_path}",
            "Two files cannot replace each other; put the right one into the inbox under a new "
            "name and name that",
        )
    ids = files.filter(files["file_path"] == new_path)["file_id"].to_list()
    params = {"file_ids": ids, "zone": fleet.settings.time_zone}
    with warehouse.transaction(con):
        row = {"old_path": old_path, "new_path": new_path, "is_whole": is_whole, "said_at": now}
        warehouse.run(con, "ingest/keep_replacement", row)
        if ids:
            for name in FORGOTTEN:
                warehouse.run(con, f"ingest/forget_{name}", params)
            if not is_in_inbox:
                want_archive(con)
    return old_path, new_path


def _known(fleet: Fleet, name: str, known: list[str]) -> str:
    """The name as the ledger has it: as given, under ``inbox/``, or the only file of that name."""
    bare = name.removeprefix("./").removeprefix("inbox/")
    inside = str(fleet.inbox) + "/"
    bare = bare.removeprefix(inside)
    if bare in known or lies_in_inbox(fleet, bare):
        return bare
    same = [path for path in known if path.rsplit("/", 1)[-1] == bare]
    return same[0] if len(same) == 1 else bare


def _unknown(name: str, known: list[str], is_new: bool = False) -> Problem:
    near = ", ".join(difflib.get_close_matches(name, known, 3, cutoff=0.4)) or "(none)"
    return Problem(
        "SUPERSEDE-02" if is_new else "SUPERSEDE-01",
        "stop",
        name,
        "does not lie in the inbox" if is_new else "no file of this name was taken in",
        "Put the corrected export into inbox/, then say it again. Nothing was changed."
        if is_new
        else f"Near to it: {near}. Nothing was changed.",
    )


def _refused(name: str, message: str, remedy: str) -> ColdMinutesError:
    return ColdMinutesError(
        [Problem("SUPERSEDE-03", "stop", name, message, f"{remedy}. Nothing was changed.")]
    )
