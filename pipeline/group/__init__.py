"""The group report: one week of many fleets or depots, each by its own warehouse and settings."""

from pipeline.group.make import GroupEdition, make_group

__all__ = ["GroupEdition", "make_group"]
