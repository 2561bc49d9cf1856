"""Peak, null and width from readings along a sweep, between the places where they were taken.

Over one conductor the reciprocal of the horizontal coil's reading is exactly a parabola in the
position, 1/B = (z² + u²) / K I z, so a parabola through three reciprocals finds the peak exactly,
however coarse the readings. The vertical coil's signed reading crosses zero almost straight.

>>> import numpy as np
>>> position = np.linspace(-2, 2, 9)
>>> z, u = 1.25, position - 0.2
>>> peak = peak_of_readings(position, z / (z**2 + u**2))
>>> float(np.round(peak.position, 12)), float(np.round(peak.reading * z, 12))
(0.2, 1.0)
"""

from __future__ import annotations

from typing import NamedTuple, TypeVar

import numpy as np
import numpy.typing as npt

from asfound.errors import InputError

FloatArray = npt.NDArray[np.float64]
_Value = TypeVar("_Value", bound=np.generic)


class SampledPeak(NamedTuple):
    """Peaks of sweeps: arrays (...).

    `position` [m] and `reading` at the peak, `variance` of the position [m2]. NaN where the
    greatest reading stands at an end of the sweep or has no two neighbours.
    """

    position: FloatArray
    reading: FloatArray
    variance: FloatArray


class SampledNull(NamedTuple):
    """Nulls of sweeps: arrays (...) of `position` [m] and its `variance` [m2], NaN if none."""

    position: FloatArray
    variance: FloatArray


class SampledWidth(NamedTuple):
    """Where readings to the left and right of the peak fall to a fraction of it: (...) [m]."""

    left: FloatArray
    right: FloatArray


def peak_of_readings(
    position: FloatArray, reading: FloatArray, reading_sd: float | FloatArray = 0.0
) -> SampledPeak:
    """Peak of the horizontal coil from readings along sweeps.

    Parameters
    ----------
    position : (..., m) float64
        Increasing along the last axis, spaced as one likes [m].
    reading : (..., m) float64
        Sizes, linear (not dB), any unit.
    reading_sd : (..., m) float64
        Noise of a reading, in its unit.

    Returns
    -------
    SampledPeak

    Raises
    ------
    InputError
        If there are fewer than three readings or the positions do not increase.

    Notes
    -----
    First-order variance from the noise of the three readings about the greatest one.
    """
    position, reading, sd = _readings(position, reading, reading_sd)
    best = np.where(np.isnan(reading), -np.inf, reading).argmax(axis=-1)
    middle = np.clip(best, 1, reading.shape[-1] - 2)
    x0, x1, x2 = (_pick(position, middle + k) for k in (-1, 0, 1))
    y0, y1, y2 = (_pick(reading, middle + k) for k in (-1, 0, 1))
    s0, s1, s2 = (_pick(sd, middle + k) for k in (-1, 0, 1))
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        r0, r1, r2 = 1.0 / y0, 1.0 / y1, 1.0 / y2
        # Parabola r1 + slope t + bend t² through the reciprocals, t from the middle place.
        left, right = x0 - x1, x2 - x1
        b0, b2 = 1.0 / (left * (left - right)), -1.0 / (right * (left - right))
        b1 = -(b0 + b2)
        a0, a1, a2 = 1.0 / left - left * b0, -1.0 / left - left * b1, -left * b2
        bend = b0 * r0 + b1 * r1 + b2 * r2
        slope = a0 * r0 + a1 * r1 + a2 * r2
        shift = -0.5 * slope / bend
        variance = np.zeros_like(shift)
        for a, b, r, noise in ((a0, b0, r0, s0), (a1, b1, r1, s1), (a2, b2, r2, s2)):
            variance = variance + np.square((0.5 * a + shift * b) / bend * r * r * noise)
        top = 1.0 / (r1 + 0.5 * slope * shift)
    good = (best == middle) & (bend > 0.0) & (y0 > 0.0) & (y2 > 0.0)
    return SampledPeak(
        np.where(good, x1 + shift, np.nan),
        np.where(good, top, np.nan),
        np.where(good, variance, np.nan),
    )


def null_of_readings(
    position: FloatArray,
    reading: FloatArray,
    reading_sd: float | FloatArray = 0.0,
    *,
    signed: bool = True,
    near: float | FloatArray | None = None,
) -> SampledNull:
    """Null of the vertical coil from readings along sweeps.

    Parameters
    ----------
    position, reading, reading_sd
        As in `peak_of_readings`; readings may be negative.
    signed : bool
        False where the receiver shows only sizes: then readings left of the least one are taken
        to have the other sign.
    near : (...) float64, optional
        Of several zeros the one nearest to this place, best the peak [m]; default: the steepest.

    Returns
    -------
    SampledNull

    Raises
    ------
    InputError
        As `peak_of_readings`.
    """
    position, reading, sd = _readings(position, reading, reading_sd)
    if not signed:
        reading = _with_signs(position, np.abs(reading))
    a, b = reading[..., :-1], reading[..., 1:]
    left, step = position[..., :-1], np.diff(position, axis=-1)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = a / (a - b)
        crossing = left + share * step
        crosses = (np.signbit(a) != np.signbit(b)) & np.isfinite(crossing)
        by_a, by_b = -b / np.square(a - b) * step, a / np.square(a - b) * step
        variance = (by_a * sd[..., :-1]) ** 2 + (by_b * sd[..., 1:]) ** 2
    if near is None:
        rank = -np.abs(a - b) / step
    else:
        rank = np.abs(crossing - np.asarray(near)[..., np.newaxis])
    best = np.where(crosses & np.isfinite(rank), rank, np.inf).argmin(axis=-1)
    found = _pick(crosses, best)
    return SampledNull(
        np.where(found, _pick(crossing, best), np.nan),
        np.where(found, _pick(variance, best), np.nan),
    )


def width_of_readings(
    position: FloatArray, reading: FloatArray, fraction: float = 0.5
) -> SampledWidth:
    """Where the horizontal coil falls to a fraction of its peak, to the left and to the right.

    Parameters
    ----------
    position, reading
        As in `peak_of_readings`.
    fraction : float
        Between 0 and 1.

    Returns
    -------
    SampledWidth
        Places [m]; NaN where the sweep ends before the reading has fallen so far.

    Raises
    ------
    InputError
        As `peak_of_readings`, or if the fraction is not between 0 and 1.

    Notes
    -----
    Between two readings the reciprocal is taken as straight in the squared distance from the
    peak, which is exact over one conductor.
    """
    if not 0.0 < fraction < 1.0:
        raise InputError(
            f"the fraction of the peak is {fraction:g}.",
            where="width of a sweep",
            remedy="Ask for a fraction between 0 and 1, such as 0.5 or 0.8.",
        )
    position, reading, _ = _readings(position, reading, 0.0)
    peak = peak_of_readings(position, reading)
    level = fraction * peak.reading
    away = position - peak.position[..., np.newaxis]
    low = reading <= level[..., np.newaxis]
    sides = []
    for sign in (-1.0, 1.0):
        outward = sign * away
        beyond = np.where(low & (outward > 0.0), outward, np.inf)
        outer = beyond.argmin(axis=-1)
        limit = beyond.min(axis=-1)
        within = (outward >= 0.0) & (outward < limit[..., np.newaxis]) & ~np.isnan(reading)
        inner = np.where(within, outward, -np.inf).argmax(axis=-1)
        has_inner = within.any(axis=-1)
        u1, r1 = _pick(away, outer), _pick(reading, outer)
        u0 = np.where(has_inner, _pick(away, inner), 0.0)
        r0 = np.where(has_inner, _pick(reading, inner), peak.reading)
        with np.errstate(divide="ignore", invalid="ignore"):
            share = (1.0 / level - 1.0 / r0) / (1.0 / r1 - 1.0 / r0)
            distance = np.sqrt(u0**2 + share * (u1**2 - u0**2))
        place = peak.position + sign * distance
        sides.append(np.where(np.isfinite(limit) & (r1 > 0.0), place, np.nan))
    return SampledWidth(sides[0], sides[1])


def _with_signs(position: FloatArray, size: FloatArray) -> FloatArray:
    """Sizes made negative left of the null, which lies next to the least of them."""
    count = size.shape[-1]
    least = np.clip(np.where(np.isnan(size), np.inf, size).argmin(axis=-1), 1, count - 2)
    x0, x1, x2 = (_pick(position, least + k) for k in (-1, 0, 1))
    y0, y1, y2 = (_pick(size, least + k) for k in (-1, 0, 1))
    # The least reading belongs to the side whose slope it continues best.
    with np.errstate(divide="ignore", invalid="ignore"):
        as_left = np.abs((y2 + y1) / (x2 - x1) - (y0 - y1) / (x1 - x0))
        as_right = np.abs((y0 + y1) / (x1 - x0) - (y2 - y1) / (x2 - x1))
    last_left = np.where(as_left <= as_right, least, least - 1)
    index = np.arange(count)
    return np.where(index <= last_left[..., np.newaxis], -size, size)


def _readings(
    position: FloatArray, reading: FloatArray, reading_sd: float | FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    position, reading, sd = np.broadcast_arrays(
        np.asarray(position, dtype=np.float64),
        np.asarray(reading, dtype=np.float64),
        np.asarray(reading_sd, dtype=np.float64),
    )
    if reading.ndim == 0 or reading.shape[-1] < 3:
        raise InputError(
            f"a sweep has {reading.shape[-1] if reading.ndim else 1} readings.",
            where="peak or null of a sweep",
            remedy="Take at least three readings, better nine or more, to both sides of the line.",
        )
    if not np.all(np.diff(position, axis=-1) > 0.0):
        raise InputError(
            "the positions along a sweep do not increase.",
            where="peak or null of a sweep",
            remedy="Sort the readings by the tape, and keep one reading a place.",
        )
    return position, reading, sd


def _pick(values: npt.NDArray[_Value], index: npt.NDArray[np.intp]) -> npt.NDArray[_Value]:
    """values[..., index] along the last axis."""
    return np.take_along_axis(values, index[..., np.newaxis], axis=-1)[..., 0]
