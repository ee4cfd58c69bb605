"""Ingest: from the files of the inbox to rows in the warehouse, once each, none lost."""

from pipeline.ingest.stage import ingest
from pipeline.ingest.tally import IngestReport

__all__ = ["IngestReport", "ingest"]
