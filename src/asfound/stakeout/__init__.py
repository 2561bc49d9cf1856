"""Stakeout: finding a spot again, and proving that it was found."""

from asfound.stakeout.order import path_length, walking_order
from asfound.stakeout.return_check import (
    TOLERANCE,
    Outcome,
    ReturnCheck,
    return_check,
    return_statistics,
)
from asfound.stakeout.targets import (
    Targets,
    crossing_targets,
    line_targets,
    point_targets,
    shot_targets,
    tee_targets,
)

__all__ = [
    "TOLERANCE",
    "Outcome",
    "ReturnCheck",
    "Targets",
    "crossing_targets",
    "line_targets",
    "path_length",
    "point_targets",
    "return_check",
    "return_statistics",
    "shot_targets",
    "tee_targets",
    "walking_order",
]
