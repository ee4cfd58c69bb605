"""Signs of life and of trouble: after a round that ended well, and after one that did not."""

from __future__ import annotations

import os
import urllib.error
import urllib.request
from datetime import datetime, timedelta
from pathlib import Path
from typing import IO, Any

from pipeline.config import Fleet
from pipeline.edition import warehouse_of
from pipeline.health.mail import send_notice
from pipeline.health.note import note_run
from pipeline.health.state_file import change_state, read_state
from pipeline.health_config import Heartbeat, check_beat_url
from pipeline.people.put import replace_file
from pipeline.problems import ColdMinutesError, Problem

MOST_MESSAGE_LETTERS_N = 4000


def beat(fleet: Fleet, made: object, now: datetime) -> list[Problem]:
    """Note that a round ended well, tell the world, and tell if no report came out for long.

    Parameters
    ----------
    made
        What the round made; only that there is one counts.

    Returns
    -------
    list
        Notes of what could not be told. Nothing here stops a round that is done.
    """
    problems: list[Problem] = []
    try:
        with warehouse_of(fleet) as con:
            note_run(con, fleet, now)
    except ColdMinutesError as error:
        problems += error.problems
    change_state(fleet.state, failure=None, round_at=now.isoformat())
    problems += _beat_file(fleet, now)
    problems += _beat_url(fleet.settings.heartbeat)
    problems += _tell_silence(fleet, now)
    change_state(fleet.state, beat_problems=[str(problem) for problem in problems] or None)
    return problems


def tell_failure(fleet: Fleet, error: BaseException, now: datetime) -> list[Problem]:
    """Note that a round failed and mail whoever is to know; the same failure once a day.

    Never raises: the failure itself is what has to come through.
    """
    text = str(error)[:MOST_MESSAGE_LETTERS_N] or type(error).__name__
    is_ours = isinstance(error, ColdMinutesError)
    codes = sorted({problem.code for problem in error.problems}) if is_ours else []  # type: ignore[attr-defined]
    mark = " ".join(codes) or type(error).__name__
    before = read_state(fleet.state).get("failure")
    before = before if isinstance(before, dict) else {}
    since = before.get("since_at", now.isoformat()) if before else now.isoformat()
    failure: dict[str, Any] = {"mark": mark, "since_at": since, "at": now.isoformat(), "text": text}
    wrong: list[str] = []
    if _is_due(before, mark, now, fleet):
        subject = f"Cold Minutes: no round for {fleet.settings.operator} ({mark})"
        body = (
            f"The round of {now.astimezone(fleet.zone):%Y-%m-%d %H:%M} on {fleet.folder} failed:\n"
            f"\n{text}\n\n`coldminutes status {fleet.folder}` tells more. The next round tries "
            "again.\n"
        )
        wrong = send_notice(fleet, subject, body, now)
        failure["told_at"] = now.isoformat() if not wrong else before.get("told_at")
    else:
        failure["told_at"] = before.get("told_at")
    problems = [_untold(each) for each in wrong]
    change_state(
        fleet.state, failure=failure, beat_problems=[str(problem) for problem in problems] or None
    )
    return problems


def _is_due(before: dict[str, Any], mark: str, now: datetime, fleet: Fleet) -> bool:
    """Another failure is told at once; the same one again after `again_h`."""
    if before.get("mark") != mark or not isinstance(before.get("told_at"), str):
        return True
    told_at = instant(before["told_at"])
    again = timedelta(hours=fleet.settings.notify.again_h)
    # A clock that was set back must not silence it for years.
    return told_at is None or not timedelta(0) <= now - told_at < again


def instant(text: object) -> datetime | None:
    """An instant as a state file holds it; None where it is none."""
    try:
        found = datetime.fromisoformat(str(text))
    except ValueError:
        return None
    return found if found.tzinfo else None


def _tell_silence(fleet: Fleet, now: datetime) -> list[Problem]:
    """Mail where rounds run, but no report came out for `no_report_days`."""
    told = read_state(fleet.state)
    facts = told.get("facts")
    made_at = instant(facts.get("edition_made_at")) if isinstance(facts, dict) else None
    days = fleet.settings.notify.no_report_days
    if made_at is None or now - made_at < timedelta(days=days):
        if told.get("silence_told_at") is not None:
            change_state(fleet.state, silence_told_at=None)
        return []
    last = instant(told.get("silence_told_at"))
    again = timedelta(hours=fleet.settings.notify.again_h)
    if last is not None and timedelta(0) <= now - last < again:
        return []
    subject = f"Cold Minutes: no report for {fleet.settings.operator} in {days} days"
    body = (
        f"Rounds on {fleet.folder} end well, but the last report came out on "
        f"{made_at.astimezone(fleet.zone):%Y-%m-%d}.\n`coldminutes status {fleet.folder}` says "
        "what is waiting.\n"
    )
    wrong = send_notice(fleet, subject, body, now)
    if not wrong:
        change_state(fleet.state, silence_told_at=now.isoformat())
    return [_untold(each) for each in wrong]


def _untold(why: str) -> Problem:
    return Problem(
        "HEALTH-01",
        "note",
        "[notify]",
        f"a failure could not be told by mail ({why})",
        "Look at [mail] and [notify] in fleet.toml.",
    )


def _beat_file(fleet: Fleet, now: datetime) -> list[Problem]:
    told = fleet.settings.heartbeat.file
    if not told:
        return []
    path = fleet.folder / Path(told).expanduser()
    try:
        replace_file(path, f"{now.isoformat()} ok\n".encode())
        path.chmod(0o644)  # somebody else's watcher reads it
    except OSError as error:
        return [_no_beat(str(path), error.strerror or str(error))]
    return []


class _NoRedirect(urllib.request.HTTPRedirectHandler):
    """An answer that points elsewhere, to a file or another host, is a failure."""

    def redirect_request(
        self, req: urllib.request.Request, fp: IO[bytes], code: int, msg: str, headers: Any,
        newurl: str,
    ) -> urllib.request.Request | None:  # fmt: skip
        return None


def _beat_url(settings: Heartbeat) -> list[Problem]:
    url = settings.url
    if settings.url_variable:
        url = os.environ.get(settings.url_variable, "").strip()
        try:
            check_beat_url(url)
        except ValueError as error:
            return [_no_beat(f"variable {settings.url_variable}", str(error))]
    if not url:
        return []
    # Handlers of http and https alone: nothing opens a file or speaks FTP.
    opener = urllib.request.OpenerDirector()
    for handler in (
        urllib.request.ProxyHandler(),
        urllib.request.HTTPHandler(),
        urllib.request.HTTPSHandler(),
        urllib.request.HTTPDefaultErrorHandler(),
        urllib.request.HTTPErrorProcessor(),
        _NoRedirect(),
    ):
        opener.add_handler(handler)
    # The address may be a secret: it is told by its key, never by its text.
    try:
        with opener.open(url, timeout=settings.timeout_s) as answer:
            answer.read(1024)
    except urllib.error.HTTPError as error:
        return [_no_beat("url", f"answered {error.code}")]
    except (OSError, ValueError) as error:
        reason = getattr(error, "reason", error)
        return [_no_beat("url", type(reason).__name__)]
    return []


def _no_beat(where: str, why: str) -> Problem:
    return Problem(
        "HEALTH-02",
        "note",
        f"[heartbeat] {where}",
        f"the sign of life could not be given ({why})",
        "The round itself ended well. Whoever watches will think it did not.",
    )
