"""One run shared out over a cluster: the same stages on each worker, one writer.

A piece of work is a group of vehicles (and some weeks). A worker takes their files into a little
warehouse of its own, or finds their stops, and leaves the rows as Parquet on the shared storage;
the run that holds the fleet's warehouse writes them there. What pieces cannot settle on their
own, because it concerns other files too, the writer does itself, by the ordinary stage.
"""

from pipeline.scale.computing import compute_parts
from pipeline.scale.intake import take_in_parts
from pipeline.scale.storage import clear_storage

__all__ = ["clear_storage", "compute_parts", "take_in_parts"]
