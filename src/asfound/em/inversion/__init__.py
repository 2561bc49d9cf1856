"""Sweep inversion: the conductors under a cross-section of readings."""

from asfound.em.inversion.fits import (
    MOST_CONDUCTORS,
    Conductor,
    SweepFit,
    SweepFits,
    SweepStatus,
)
from asfound.em.inversion.invert import invert_sweep, invert_sweeps
from asfound.em.inversion.places import PlaceFits, fit_places
from asfound.em.inversion.readings import (
    HORIZONTAL_COIL,
    UNIT_FIELDS,
    VERTICAL_COIL,
    SweepBatch,
    SweepReadings,
    shared_batch,
    stack_sweeps,
)

__all__ = [
    "HORIZONTAL_COIL",
    "MOST_CONDUCTORS",
    "UNIT_FIELDS",
    "VERTICAL_COIL",
    "Conductor",
    "PlaceFits",
    "SweepBatch",
    "SweepFit",
    "SweepFits",
    "SweepReadings",
    "SweepStatus",
    "fit_places",
    "invert_sweep",
    "invert_sweeps",
    "shared_batch",
    "stack_sweeps",
]
