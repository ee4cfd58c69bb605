"""`coldminutes start`: from an operator's own files to a fleet folder and its first report."""

from pipeline.start.begin import Started, StartOptions, start

__all__ = ["StartOptions", "Started", "start"]
