"""How far a neighbour's field may have put one shot wrong, given what the receiver showed.

A recorded peak/null separation tells part of it. With a neighbour whose current flows the same
way, peak and null nearly agree while the depth reads deep, so even a shot with no separation at
all keeps an allowance: what the simulated prior of neighbours leaves there.

>>> import numpy as np
>>> separation = np.array([0.0, 0.1, 0.4, np.nan])  # NaN: not recorded
>>> sd = distortion_sd(separation, np.full(4, 1.2), Method.DIRECT)
>>> [round(float(x), 3) for x in sd.horizontal]
[0.019, 0.041, 0.304, 0.032]
>>> [round(float(x), 3) for x in sd.depth]
[0.029, 0.079, 0.587, 0.059]
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from asfound.em import _distortion_table
from asfound.em._distortion_calibration import (
    DEPTH_NODES,
    SEPARATION_NODES,
    DistortionTable,
    pinpointing_sd,
)
from asfound.em._distortion_kernels import look_up_distortion
from asfound.em.depth_methods import (
    BOTTOM_HEIGHT,
    COIL_SEPARATION,
    RELATIVE_COIL_NOISE,
    two_coil_depth_sd,
)
from asfound.model import Method

FloatArray = npt.NDArray[np.float64]
FloatLike = FloatArray | float
MethodLike = npt.NDArray[np.int8] | Method

# Direct and clamp put the signal on the target; induction feeds neighbours too, and what is not
# recorded may have been induction; power and radio run on any line. A sonde is no long line: it
# gets the middle one for want of better.
_PRIOR_OF_METHOD = np.ones(256, dtype=np.int8)
_PRIOR_OF_METHOD[[Method.DIRECT, Method.CLAMP]] = 0
_PRIOR_OF_METHOD[[Method.PASSIVE_POWER, Method.PASSIVE_RADIO]] = 2


class DistortionSd(NamedTuple):
    """Standard deviations of the errors neighbours make [m]: across the line, and of depth."""

    horizontal: FloatArray
    depth: FloatArray


def distortion_sd(
    peak_null_separation: FloatLike,
    depth: FloatLike,
    method: MethodLike = Method.UNKNOWN,
    *,
    table: DistortionTable | None = None,
) -> DistortionSd:
    """Size of the errors that neighbours' fields have made, given what was shown.

    Parameters
    ----------
    peak_null_separation : (n,) float64
        Between the marks of peak and null, unsigned [m]; NaN where it was not recorded.
    depth : (n,) float64
        As shown [m]; NaN gives NaN.
    method : (n,) int8 or Method
        `Method` codes: how the signal got onto the line sets how likely neighbours carry it.
    table : DistortionTable, optional
        From `calibrate_distortion` with a prior of one's own; then `method` does not matter.

    Returns
    -------
    DistortionSd
        Root mean square about zero, bias included, of the simulated prior under that display.

    Notes
    -----
    Bilinear in the logarithm of depth and in separation over depth, constant (as a share of the
    depth) outside of the table: 0.4 to 3.2 m, separations to half of the depth. Source: own
    simulation, `_distortion_calibration`; its prior is judgement (common practice, no source).
    """
    shape = np.broadcast_shapes(np.shape(peak_null_separation), np.shape(depth))
    separation, shown = (
        np.ascontiguousarray(np.broadcast_to(part, shape), dtype=np.float64).reshape(-1)
        for part in (peak_null_separation, depth)
    )
    if table is None:
        shares = _distortion_table.HORIZONTAL, _distortion_table.DEPTH
        prior = _PRIOR_OF_METHOD[np.asarray(method, dtype=np.uint8)]
    else:
        shares = table.horizontal[np.newaxis], table.depth[np.newaxis]
        prior = np.zeros((), np.int8)
    horizontal, below = np.empty(len(shown)), np.empty(len(shown))
    look_up_distortion(
        separation,
        shown,
        np.ascontiguousarray(np.broadcast_to(prior, shape)).reshape(-1),
        np.log(DEPTH_NODES),
        SEPARATION_NODES,
        np.ascontiguousarray(shares[0], dtype=np.float64),
        np.ascontiguousarray(shares[1], dtype=np.float64),
        horizontal,
        below,
    )
    return DistortionSd(horizontal.reshape(shape), below.reshape(shape))


def em_horizontal_sd(
    depth: FloatLike,
    method: MethodLike = Method.UNKNOWN,
    peak_null_separation: FloatLike = np.nan,
) -> FloatArray:
    """Error across the line of one located mark: pinpointing and neighbours together.

    Parameters
    ----------
    depth : (n,) float64
        As shown [m].
    method : (n,) int8 or Method
        `Method` codes.
    peak_null_separation : (n,) float64
        Unsigned [m]; NaN where it was not recorded.

    Returns
    -------
    sd : (n,) float64
        [m].
    """
    distortion = distortion_sd(peak_null_separation, depth, method).horizontal
    return np.hypot(pinpointing_sd(np.asarray(depth, dtype=np.float64)), distortion)


def em_depth_sd(
    depth: FloatLike,
    method: MethodLike = Method.UNKNOWN,
    peak_null_separation: FloatLike = np.nan,
    *,
    coil_separation: float = COIL_SEPARATION,
    bottom_height: float = BOTTOM_HEIGHT,
    relative_noise: float = RELATIVE_COIL_NOISE,
) -> FloatArray:
    """Error of a two-coil depth: coil noise and neighbours together.

    Parameters
    ----------
    depth : (n,) float64
        As shown [m].
    method : (n,) int8 or Method
        `Method` codes.
    peak_null_separation : (n,) float64
        Unsigned [m]; NaN where it was not recorded.
    coil_separation, bottom_height : float
        Coil distance and lower coil above ground [m].
    relative_noise : float
        Standard deviation of one coil's reading over the reading.

    Returns
    -------
    sd : (n,) float64
        [m]. A hook-up's common depth scale is not in it: that is shared between shots.
    """
    distortion = distortion_sd(peak_null_separation, depth, method).depth
    noise = two_coil_depth_sd(depth, coil_separation, bottom_height, relative_noise)
    return np.hypot(noise, distortion)
