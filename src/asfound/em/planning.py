"""What the receiver will show over an assumed layout, before anyone walks out.

>>> import numpy as np
>>> maps = distortion_maps(1.2, np.array([0.8]), np.array([-0.35, 0.35]), neighbour_depth=1.0)
>>> np.round(maps.peak_shift[:, 0], 3), np.round(maps.depth_error[:, 0], 3)
(array([-0.173,  0.213]), array([-0.246,  0.16 ]))
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from asfound.em.cross_section import CrossSection, FieldArray, section_field
from asfound.em.receiver import CoilPair, Display, receiver_display
from asfound.errors import InputError

FloatArray = npt.NDArray[np.float64]


class PredictedReadings(NamedTuple):
    """Readings that a sweep over an assumed layout will give.

    Parameters
    ----------
    position : (m,) float64
        Along the sweep [m].
    coil_height : (h,) float64
        [m].
    horizontal, vertical : (h, m) float64 or complex128
        Field at each coil [T].
    display : Display
        What the receiver shows with its lower coil at its usual height.
    """

    position: FloatArray
    coil_height: FloatArray
    horizontal: FieldArray
    vertical: FieldArray
    display: Display


class DistortionMaps(NamedTuple):
    """What a neighbour does, by its current (rows) and its offset (columns).

    Parameters
    ----------
    ratio : (r,) float64
        Neighbour's current over the target's.
    offset : (c,) float64
        Neighbour from the target [m].
    peak_shift, null_shift : (r, c) float64
        Peak and null from the target, positive to the neighbour's side of positive offsets [m].
    depth_error : (r, c) float64
        Shown minus true depth [m].
    separation : (r, c) float64
        Null minus peak: all that warns [m].
    wrong_line : (r, c) bool
        The peak is the neighbour's own.
    """

    ratio: FloatArray
    offset: FloatArray
    peak_shift: FloatArray
    null_shift: FloatArray
    depth_error: FloatArray
    separation: FloatArray
    wrong_line: npt.NDArray[np.bool_]


def predict_readings(
    section: CrossSection,
    position: FloatArray,
    coils: CoilPair | None = None,
) -> PredictedReadings:
    """Readings of both coils at both heights along a sweep over one assumed layout.

    Parameters
    ----------
    section : CrossSection
        One layout (no leading axes); the first conductor is the target.
    position : (m,) float64
        Along the sweep [m].
    coils : CoilPair, optional

    Returns
    -------
    PredictedReadings
        With the two coil heights of the pair.

    Raises
    ------
    InputError
        If several layouts are given at once, or no position.
    """
    coils = CoilPair() if coils is None else coils
    place = np.asarray(position, dtype=np.float64)
    if section.position.ndim != 1 or place.ndim != 1 or not len(place):
        raise InputError(
            f"layout of shape {section.position.shape}, positions of shape {place.shape}.",
            where="predicted readings",
            remedy="Give one layout, and the places along the tape at which to read.",
        )
    height = coils.bottom_height + np.array([0.0, coils.separation])
    horizontal, vertical = section_field(section, place, height[:, np.newaxis])
    return PredictedReadings(place, height, horizontal, vertical, receiver_display(section, coils))


def distortion_maps(
    depth: float,
    offset: FloatArray,
    ratio: FloatArray,
    *,
    neighbour_depth: float | None = None,
    coils: CoilPair | None = None,
) -> DistortionMaps:
    """Peak shift and depth error for every neighbour offset and current.

    Parameters
    ----------
    depth : float
        Of the target [m].
    offset : (c,) float64
        Of the neighbour [m].
    ratio : (r,) float64
        Of the neighbour's current to the target's, negative for a return.
    neighbour_depth : float, optional
        [m]; default: the target's.
    coils : CoilPair, optional

    Returns
    -------
    DistortionMaps
        The technician is taken to mark the peak nearest to the target, within 1.5 depths.

    Raises
    ------
    InputError
        If a depth is not below ground.
    """
    coils = CoilPair() if coils is None else coils
    beside = depth if neighbour_depth is None else neighbour_depth
    ratio, offset = np.asarray(ratio, dtype=np.float64), np.asarray(offset, dtype=np.float64)
    shape = (len(ratio), len(offset), 2)
    section = CrossSection(
        np.broadcast_to(np.stack([0.0 * offset, offset], axis=-1), shape),
        np.broadcast_to(np.array([depth, beside]), shape),
        np.broadcast_to(np.stack([np.ones_like(ratio), ratio], axis=-1)[:, np.newaxis], shape),
    )
    target, other = depth + coils.bottom_height, beside + coils.bottom_height
    shown = receiver_display(section, coils, reach=1.5 * target)
    own_field = target / (target**2 + shown.peak**2)
    other_field = np.abs(ratio)[:, np.newaxis] * other / (other**2 + (shown.peak - offset) ** 2)
    return DistortionMaps(
        ratio,
        offset,
        shown.peak,
        shown.null,
        shown.depth - depth,
        shown.separation,
        other_field >= own_field,
    )
