"""Draft a source mapping from an unknown export: guesses with their evidence, doubts said aloud."""

from pipeline.draft.make import Draft, draft_file, draft_table

__all__ = ["Draft", "draft_file", "draft_table"]
