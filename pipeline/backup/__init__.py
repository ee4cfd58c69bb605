"""Backups of a fleet: made, checked, rotated, restored; and lost when a person is forgotten."""

from pipeline.backup.make import make_backup
from pipeline.backup.restoring import restore
from pipeline.backup.rotate import drop_all, rotate
from pipeline.backup.upgrade import before_upgrade

__all__ = ["before_upgrade", "drop_all", "make_backup", "restore", "rotate"]
