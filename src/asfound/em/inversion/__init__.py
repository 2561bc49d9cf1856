"""Sweep inversion: the conductors under a cross-section of readings."""

from asfound.em.inversion.bound import SweepBound, sweep_bound
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
from asfound.em.inversion.simple_answer import SimpleAnswer, simple_answer, simple_answer_of_fit

__all__ = [
    "HORIZONTAL_COIL",
    "MOST_CONDUCTORS",
    "UNIT_FIELDS",
    "VERTICAL_COIL",
    "Conductor",
    "PlaceFits",
    "SimpleAnswer",
    "SweepBatch",
    "SweepBound",
    "SweepFit",
    "SweepFits",
    "SweepReadings",
    "SweepStatus",
    "fit_places",
    "invert_sweep",
    "invert_sweeps",
    "shared_batch",
    "simple_answer",
    "simple_answer_of_fit",
    "stack_sweeps",
    "sweep_bound",
]
