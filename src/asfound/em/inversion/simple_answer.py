"""What a receiver's own logic, which assumes one conductor, would have said of a sweep.

From the readings themselves, and from the conductors an inversion found; the difference between
the two and the inversion is what the technician was not told.

>>> import numpy as np
>>> from asfound.em import CrossSection, section_field
>>> street = CrossSection(np.array([0.0, 0.8]), np.array([1.2, 1.0]), np.array([0.100, 0.035]))
>>> place = np.round(np.arange(-3.0, 3.05, 0.1), 1)
>>> low, null = section_field(street, place, 0.05)
>>> high, _ = section_field(street, place, 0.45)
>>> sweep = SweepReadings(
...     np.tile(place, 3),
...     np.repeat([0.05, 0.45, 0.05], 61),
...     np.repeat([HORIZONTAL_COIL, HORIZONTAL_COIL, VERTICAL_COIL], 61),
...     np.concatenate([low, high, null]),
...     "T",
...     signed=True,
...     relative_noise=0.01,
... )
>>> read = simple_answer(sweep)
>>> print(f"peak {read.peak:+.2f} null {read.null:+.2f} depth {read.depth:.2f}")
peak +0.21 null +0.23 depth 1.36
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.em.cross_section import CrossSection
from asfound.em.depth_methods import two_coil_depth
from asfound.em.inversion._scaling import check_batch, scale
from asfound.em.inversion.fits import SweepFit
from asfound.em.inversion.readings import (
    HORIZONTAL_COIL,
    VERTICAL_COIL,
    SweepReadings,
    stack_sweeps,
)
from asfound.em.receiver import CoilPair, receiver_display
from asfound.em.sampled import null_of_readings, peak_of_readings

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class SimpleAnswer:
    """Peak, null and two-coil depth; NaN where the readings hold none.

    Parameters
    ----------
    peak, null : float
        Positions [m].
    depth : float
        Two-coil depth at the peak [m].
    """

    peak: float
    null: float
    depth: float


def simple_answer(readings: SweepReadings) -> SimpleAnswer:
    """Peak, null and two-coil depth straight from the readings of a sweep.

    Parameters
    ----------
    readings : SweepReadings
        The peak is that of the horizontal coil at its lowest height, the null that of the
        vertical coil nearest to the peak, the depth that of the horizontal coil at its lowest
        and highest heights, at the peak. Repeats at one place are averaged.

    Returns
    -------
    SimpleAnswer

    Raises
    ------
    InputError
        Where the readings can't be used at all, as `invert_sweep`.
    """
    ((_, batch),) = stack_sweeps([readings])
    check_batch(batch)
    scaled = scale(batch, background=False).readings
    size = np.sqrt((scaled.value[0] ** 2).sum(axis=0))
    signed = bool(batch.signed or batch.phasor)
    value = size if batch.phasor else scaled.value[0, 0]
    position, height, coil = batch.position, batch.coil_height, batch.coil
    heights = np.unique(height[coil == HORIZONTAL_COIL])
    peak = null = depth = float("nan")
    curves = {}
    for h in heights:
        where, level = _curve(position, size, (coil == HORIZONTAL_COIL) & (height == h))
        if len(where) >= 3:
            curves[float(h)] = (where, level)
    if curves:
        low, high = min(curves), max(curves)
        peak = float(peak_of_readings(*curves[low]).position)
        if high > low and np.isfinite(peak):
            bottom, top = (_at(peak, *curves[h]) for h in (low, high))
            estimate = two_coil_depth(np.array(bottom), np.array(top), high - low, low)
            depth = float(estimate.depth)
    vertical = coil == VERTICAL_COIL
    if vertical.any():
        lowest = vertical & (height == height[vertical].min())
        where, level = _curve(position, value, lowest)
        if len(where) >= 3:
            near = peak if np.isfinite(peak) else None
            found = null_of_readings(where, level, signed=signed and not batch.phasor, near=near)
            null = float(found.position)
    return SimpleAnswer(peak, null, depth)


def simple_answer_of_fit(
    fit: SweepFit, bottom_height: float = 0.05, separation: float = 0.4
) -> SimpleAnswer:
    """What a receiver would show over the conductors that an inversion found, free of noise.

    Parameters
    ----------
    fit : SweepFit
    bottom_height, separation : float
        Lower coil above ground; between the coils [m].

    Returns
    -------
    SimpleAnswer
        Peak nearest to the strongest conductor.
    """
    section = CrossSection(
        np.array([c.position for c in fit.conductors]),
        np.array([c.depth for c in fit.conductors]),
        np.array([c.current for c in fit.conductors]),
    )
    shown = receiver_display(section, CoilPair(bottom_height, separation))
    return SimpleAnswer(float(shown.peak), float(shown.null), float(shown.depth))


def _curve(
    position: FloatArray, value: FloatArray, which: npt.NDArray[np.bool_]
) -> tuple[FloatArray, FloatArray]:
    """Readings in order of position, repeats averaged."""
    places, index = np.unique(position[which], return_inverse=True)
    total = np.bincount(index, weights=value[which], minlength=len(places))
    return places, total / np.maximum(np.bincount(index, minlength=len(places)), 1)


def _at(place: float, position: FloatArray, size: FloatArray) -> float:
    """Reading between places: over one conductor 1/B is a parabola, so that is interpolated."""
    nearest = np.argsort(np.abs(position - place), kind="stable")[:3]
    parabola = np.polyfit(position[nearest] - place, 1.0 / size[nearest], 2)
    return float(1.0 / parabola[2])
