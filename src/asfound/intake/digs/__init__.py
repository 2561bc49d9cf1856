"""Planned digs and terrain points from files, in the job's frame and in metres."""

from asfound.intake.digs.read import DIG_FORMATS, DigDefaults, read_digs
from asfound.intake.digs.terrain import read_terrain

__all__ = ["DIG_FORMATS", "DigDefaults", "read_digs", "read_terrain"]
