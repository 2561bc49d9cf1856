"""What a receiver shows over an assumed layout, reckoning as if there were one conductor.

Worked example: target 1.2 m deep with 100 mA, neighbour 1.0 m deep at +0.8 m with 35 mA, once
against the target's current and once with it. The second is the dangerous one: too deep, with
peak and null almost together.

>>> import numpy as np
>>> street = CrossSection(
...     np.array([0.0, 0.8]), np.array([1.2, 1.0]), np.array([[0.100, -0.035], [0.100, 0.035]])
... )
>>> shown = receiver_display(street)
>>> for peak, null, depth in zip(shown.peak, shown.null, shown.depth):
...     print(f"peak {peak:+.3f} null {null:+.3f} depth {depth:.3f}")
peak -0.173 null -0.273 depth 0.954
peak +0.213 null +0.226 depth 1.360
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.em._line_fields import LINE_FIELD_CONSTANT
from asfound.em.cross_section import CrossSection, section_field
from asfound.em.depth_methods import (
    BOTTOM_HEIGHT,
    COIL_SEPARATION,
    DepthEstimate,
    two_coil_depth,
)
from asfound.em.peak_null import Choice, null_position, peak_position

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class CoilPair:
    """Two horizontal coils, one above the other; the vertical coil sits with the lower one.

    Parameters
    ----------
    bottom_height : float
        Lower coil above ground [m].
    separation : float
        Between the coils [m].
    """

    bottom_height: float = BOTTOM_HEIGHT
    separation: float = COIL_SEPARATION


@dataclass(frozen=True, eq=False)
class Display:
    """What the receiver shows over each layout: arrays (...).

    Parameters
    ----------
    peak, null : float64
        Positions along the sweep [m]; NaN where there is none.
    separation : float64
        Null minus peak, signed [m].
    depth : float64
        Two-coil depth at the peak [m]; NaN where the method does not hold.
    depth_reason : int8
        `DepthReason` codes.
    current : float64
        Reckoned from the lower coil and the shown depth [A].
    """

    peak: FloatArray
    null: FloatArray
    separation: FloatArray
    depth: FloatArray
    depth_reason: npt.NDArray[np.int8]
    current: FloatArray


def receiver_display(
    section: CrossSection,
    coils: CoilPair | None = None,
    *,
    raised: float = 0.0,
    near: FloatArray | float | None = None,
    reach: FloatArray | float | None = None,
    choose: Choice = "nearest",
) -> Display:
    """Peak, null, two-coil depth and current that a receiver shows, free of noise.

    Parameters
    ----------
    section : CrossSection
        The assumed layout, leading axes (...); its first conductor is the target.
    coils : CoilPair, optional
    raised : float
        Receiver lifted off the ground by this much, the operator taking it off the depth [m].
    near, reach, choose
        Which peak: see `peak_position`.

    Returns
    -------
    Display
    """
    coils = CoilPair() if coils is None else coils
    height = coils.bottom_height + raised
    peak = peak_position(section, height, near=near, reach=reach, choose=choose)
    null = null_position(section, height, near=np.where(np.isnan(peak), 0.0, peak))
    null = np.where(np.isnan(peak), np.nan, null)
    estimate, bottom = depth_at(section, peak, coils, raised=raised)
    current = bottom * (estimate.depth + height) / LINE_FIELD_CONSTANT
    return Display(peak, null, null - peak, estimate.depth, estimate.reason, current)


def depth_at(
    section: CrossSection, position: FloatArray, coils: CoilPair, *, raised: float = 0.0
) -> tuple[DepthEstimate, FloatArray]:
    """Two-coil depth shown at one place over each layout, and the lower coil's field.

    Parameters
    ----------
    section : CrossSection
        Leading axes (...).
    position : (...) float64
        Along the sweep [m].
    coils : CoilPair
    raised : float
        Receiver lifted off the ground [m].

    Returns
    -------
    estimate : DepthEstimate
        Members (...).
    bottom : (...) float64
        Size of the field at the lower coil [T].
    """
    place = np.asarray(position)[..., np.newaxis]
    height = coils.bottom_height + raised
    bottom = np.abs(section_field(section, place, height)[0])[..., 0]
    top = np.abs(section_field(section, place, height + coils.separation)[0])[..., 0]
    estimate = two_coil_depth(bottom, top, coils.separation, height)
    return estimate, bottom
