"""Stakeout: finding a spot again, and proving that it was found."""

from asfound.stakeout.return_check import (
    TOLERANCE,
    Outcome,
    ReturnCheck,
    return_check,
    return_statistics,
)

__all__ = [
    "TOLERANCE",
    "Outcome",
    "ReturnCheck",
    "return_check",
    "return_statistics",
]
