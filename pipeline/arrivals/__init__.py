"""How exports come and go without anybody at the keyboard: fetched, settled, archived."""

from pipeline.arrivals.archive import Archiving, archive_taken
from pipeline.arrivals.fetch import fetch_new
from pipeline.arrivals.settle import ready, settled

__all__ = ["Archiving", "archive_taken", "fetch_new", "ready", "settled"]
