"""Delivery: what goes to whom, exactly once, by mail or into folders and object stores.

The queue is a table of the warehouse. An item is written down as being handed over before the
last byte that lets the other side take it, and as sent after; what a crash leaves in between is
*unsure*, and only a person lets it go again. Libraries that talk to the network are imported when
something is sent, never before.
"""

from __future__ import annotations

from pipeline.deliver.queue import queue_edition
from pipeline.deliver.send import send_waiting
from pipeline.deliver.view import delivery_rows

__all__ = ["delivery_rows", "queue_edition", "send_waiting"]
