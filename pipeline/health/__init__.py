"""Is all well? What a round leaves behind, `coldminutes status`, and who is told when it is not."""

from pipeline.health.note import note_run
from pipeline.health.room import require_room
from pipeline.health.signs import beat, tell_failure

__all__ = ["beat", "note_run", "require_room", "tell_failure"]
