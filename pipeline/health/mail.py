"""A short mail to whoever looks after the pipeline, over the same door as reports."""

from __future__ import annotations

import hashlib
from datetime import datetime

from pipeline.config import Fleet


def send_notice(fleet: Fleet, subject: str, text: str, now: datetime) -> list[str]:
    """Mail a text to every address of ``[notify]``; what went wrong, in words.

    Raises nothing: whoever tells of a failure must not hide it behind another.
    """
    to = fleet.settings.notify.to
    mail = fleet.settings.mail
    if not to:
        return []
    if mail is None:
        return ["[notify] names addresses, but there is no [mail] in fleet.toml"]
    from pipeline.deliver.letter import letter
    from pipeline.deliver.smtp import NoServerError, hand_over, quit_politely, session

    wrong: list[str] = []
    try:
        with session(mail, fleet.folder) as smtp:
            for recipient in to:
                mark = hashlib.sha256(f"{recipient}{subject}{now}".encode()).hexdigest()[:24]
                content = letter(
                    sender=mail.sender,
                    sender_name=fleet.settings.operator,
                    recipient=recipient,
                    subject=subject,
                    text=text,
                    language="en",
                    message_id=f"notice-{mark}",
                    written_at=now,
                )
                answer = hand_over(smtp, mail.sender, recipient, content, before_dot=lambda: None)
                if answer.outcome != "sent":
                    wrong.append(f"{recipient}: {answer.said}")
                if answer.is_broken:
                    break
            else:
                quit_politely(smtp)
    except (NoServerError, OSError, ValueError) as error:
        wrong.append(str(error))
    return wrong
