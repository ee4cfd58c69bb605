"""Sending what waits in the queue, one item at a time, each step written down before the next."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from datetime import datetime
from typing import TYPE_CHECKING, Any

import duckdb

from pipeline import warehouse
from pipeline.config import Fleet
from pipeline.deliver.documents import contents, from_json
from pipeline.deliver.pauses import GIVE_UP_AFTER, LONGEST_PAUSE
from pipeline.deliver.queue import edition_folder
from pipeline.deliver.state import Row, mark, put_off, refuse, told_problem
from pipeline.deliver.wanted import Wanted, approved_drivers, wanted_of
from pipeline.problems import Problem

if TYPE_CHECKING:
    import smtplib

Files = list[tuple[str, bytes]]


def send_waiting(
    con: duckdb.DuckDBPyConnection, fleet: Fleet, now: datetime, *, has_pauses: bool = True
) -> list[Problem]:
    """Hand over every item that is due; what did not go, as findings.

    Network connections are open outside any transaction; each state is written in one of its own.

    Parameters
    ----------
    con
        The fleet's warehouse: whoever holds it is the only one that sends.
    has_pauses
        False tries what waits whatever pause is set, as when a person asks.

    Notes
    -----
    An item that a broken-off run left in the middle becomes *unsure* if it is a mail, and waits
    again if it is a folder, where doing it twice is doing it once.
    """
    problems = list(_settle_left(con, fleet, now))
    params = {"now": now, "pause_until_at": now + LONGEST_PAUSE, "has_pauses": has_pauses}
    due = warehouse.query(con, "deliver/due_deliveries", params).to_dicts()
    if not due:
        return problems
    wanted = {each.key: each for each in wanted_of(fleet)}
    approved = approved_drivers(con)
    post = _Post(con, fleet, now)
    with post:
        for item in due:
            key = (item["channel"], item["recipient"], item["documents"], item["driver_id"])
            problems += _one(con, fleet, now, item, wanted.get(key), approved, post)
    return problems


def _settle_left(con: duckdb.DuckDBPyConnection, fleet: Fleet, now: datetime) -> Iterator[Problem]:
    for item in warehouse.query(con, "deliver/left_deliveries").to_dicts():
        if item["channel"] == "folder":
            mark(con, item, "waiting", now, next_try_at=now)
            continue
        said = "the program ended while the mail was being handed over"
        mark(con, item, "unsure", now, said=said, has_departed=True)
        yield told_problem(item, "unsure", said)


def _one(
    con: duckdb.DuckDBPyConnection,
    fleet: Fleet,
    now: datetime,
    item: Row,
    wanted: Wanted | None,
    approved: set[str],
    post: _Post,
) -> Iterator[Problem]:
    if wanted is None:
        said = "fleet.toml does not send it there any more"
        mark(con, item, "closed", now, why="not_wanted", said=said)
        return
    if item["driver_id"] and item["driver_id"] not in approved:
        if now - item["queued_at"] >= GIVE_UP_AFTER:
            said = "nobody approved the mailing of this sheet in time"
            mark(con, item, "closed", now, why="not_wanted", said=said)
        else:
            yield told_problem(item, "approval", "")
        return
    documents = from_json(item["files"])
    found = contents(edition_folder(fleet, item["folder"]), documents)
    if found is None:
        said = "the documents are not those that were queued"
        mark(con, item, "given_up", now, why="changed", said=said)
        yield told_problem(item, "changed", said)
        return
    files = [(each.name, content) for each, content in zip(documents, found, strict=True)]
    yield from (
        post.mail(item, files)
        if item["channel"] == "mail"
        else _folder(con, fleet, now, item, files)
    )


def _folder(
    con: duckdb.DuckDBPyConnection, fleet: Fleet, now: datetime, item: Row, files: Files
) -> Iterator[Problem]:
    from pipeline.deliver.folders import NotPutError, place_of, put_documents

    mark(con, item, "handing_over", now)
    place = place_of(item["week_id"], item["edition_no"])
    try:
        written_n = put_documents(
            item["recipient"], place, files, item["message_id"][:12], fleet.folder
        )
    except NotPutError as error:
        if error.is_final:
            yield refuse(con, item, now, str(error))
        else:
            yield put_off(con, item, now, str(error))
        return
    said = f"{written_n} of {len(files)} files written, the others were there"
    mark(con, item, "sent", now, said=said, is_try=True, has_departed=True)


class _Post:
    """The mails of one call: one connection for all, opened when the first one is to go."""

    def __init__(self, con: duckdb.DuckDBPyConnection, fleet: Fleet, now: datetime) -> None:
        self._con, self._fleet, self._now = con, fleet, now
        self._open = ExitStack()
        self._smtp: smtplib.SMTP | None = None
        self._closed = ""  # why no mail can go now

    def __enter__(self) -> _Post:
        return self

    def __exit__(self, *raised: Any) -> None:
        if self._smtp is not None and raised[0] is None:
            from pipeline.deliver.smtp import quit_politely

            quit_politely(self._smtp)
        self._open.close()

    def mail(self, item: Row, files: Files) -> Iterator[Problem]:
        """Hand one item to the server and write down what became of it."""
        from pipeline.deliver.compose import composed
        from pipeline.deliver.smtp import Answer, NoServerError, hand_over, session

        con, fleet, now, mail = self._con, self._fleet, self._now, self._fleet.settings.mail
        if mail is None:
            yield put_off(con, item, now, "there is no [mail] in fleet.toml")
            return
        content = composed(con, fleet, item, files)
        if len(content) > mail.max_mb * 1_000_000:
            said = (
                f"the mail is {len(content) / 1e6:.1f} MB, more than max_mb = {mail.max_mb:g}: "
                "deliver fewer documents, or into a folder"
            )
            yield refuse(con, item, now, said)
            return
        if self._smtp is None and not self._closed:
            try:
                self._smtp = self._open.enter_context(session(mail, fleet.folder))
            except NoServerError as error:
                self._closed = str(error)
        if self._smtp is None:
            yield put_off(con, item, now, self._closed)
            return
        before_dot: Callable[[], None] = lambda: mark(con, item, "handing_over", now)  # noqa: E731
        answer: Answer = hand_over(self._smtp, mail.sender, item["recipient"], content, before_dot)
        if answer.is_broken:
            self._open.close()
            self._smtp = None
        if answer.outcome == "later":
            yield put_off(con, item, now, answer.said)
            return
        if answer.outcome == "refused":
            yield refuse(con, item, now, answer.said)
            return
        mark(con, item, answer.outcome, now, said=answer.said, is_try=True, has_departed=True)
        if answer.outcome == "unsure":
            yield told_problem(item, "unsure", answer.said)
