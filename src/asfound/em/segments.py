"""Field of conductors made of straight pieces: bends, tees, risers, ends.

Axes: x along the sweep, y along the line ahead, z up; a current counts positive from a piece's
start to its end.

>>> import numpy as np
>>> corner = 0.5 * np.array([[1, 1, 0], [-1, 1, 0], [-1, -1, 0], [1, -1, 0], [1, 1, 0.0]])
>>> field = segment_field(np.zeros((1, 3)), corner[:-1], corner[1:], np.ones(4))
>>> bool(np.isclose(field[0, 2], 2 * np.sqrt(2) * 4e-7 / 1.0))  # square loop: 2 sqrt2 mu0 I / pi a
True
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from asfound.em._segment_fields import (
    SegmentGradient,
    Vector,
    segment_kernel,
    segment_kernel_gradient,
)
from asfound.errors import InputError

FloatArray = npt.NDArray[np.float64]
FieldArray = npt.NDArray[np.inexact]

_CHUNK = 30_000
"""Coil-segment pairs at once: a dozen arrays of them stay in the processor's cache."""


def segment_field(
    observers: FloatArray, start: FloatArray, end: FloatArray, current: FieldArray
) -> FieldArray:
    """Field of m straight pieces together at n coil places.

    Parameters
    ----------
    observers : (n, 3) float64
        Coil places [m].
    start, end : (m, 3) float64
        Of the pieces [m].
    current : (m,) float64 or complex128
        [A].

    Returns
    -------
    field : (n, 3) float64 or complex128
        [T]; not finite on a conductor.

    Raises
    ------
    InputError
        If a piece has no length, or an array's shape does not fit.
    """
    current = _check(observers, start, end, current)
    field = np.zeros((len(observers), 3), dtype=np.result_type(current, np.float64))
    for rows in _chunks(len(observers), len(start)):
        from_start, from_end = _differences(observers[rows], start, end)
        for axis, kernel in enumerate(segment_kernel(from_start, from_end)):
            field[rows, axis] = kernel @ current
    return field


def segment_field_gradient(
    observers: FloatArray, start: FloatArray, end: FloatArray, current: FieldArray
) -> tuple[FieldArray, FieldArray, FieldArray]:
    """Field of m pieces at n coil places, and its derivatives by each piece's end points.

    Parameters
    ----------
    observers, start, end, current
        As in `segment_field`.

    Returns
    -------
    per_ampere : (n, m, 3) float64
        Field of each piece for 1 A [T/A], which is also the derivative by its current.
    by_start, by_end : (n, m, 3, 3) float64 or complex128
        Derivative of the field's component (axis 2) by the coordinate (axis 3) of the piece's
        start or end [T/m].

    Raises
    ------
    InputError
        As `segment_field`.
    """
    current = _check(observers, start, end, current)
    shape = (len(observers), len(start), 3)
    per_ampere = np.empty(shape)
    kind = np.result_type(current, np.float64)
    by_start, by_end = np.empty((*shape, 3), kind), np.empty((*shape, 3), kind)
    for rows in _chunks(len(observers), len(start)):
        parts: SegmentGradient = segment_kernel_gradient(*_differences(observers[rows], start, end))
        for i in range(3):
            per_ampere[rows, :, i] = parts.field[i]
            for j in range(3):
                by_start[rows, :, i, j] = parts.by_start[i][j] * current
                by_end[rows, :, i, j] = parts.by_end[i][j] * current
    return per_ampere, by_start, by_end


def _differences(
    observers: FloatArray, start: FloatArray, end: FloatArray
) -> tuple[Vector, Vector]:
    def minus(points: FloatArray) -> Vector:
        x, y, z = (observers[:, axis, np.newaxis] - points[:, axis] for axis in range(3))
        return x, y, z

    return minus(start), minus(end)


def _chunks(count: int, segments: int) -> Iterator[slice]:
    step = max(1, _CHUNK // max(1, segments))
    for first in range(0, count, step):
        yield slice(first, first + step)


def _check(
    observers: FloatArray, start: FloatArray, end: FloatArray, current: FieldArray
) -> FieldArray:
    current = np.asarray(current)
    for name, points in (("observers", observers), ("start", start), ("end", end)):
        if points.ndim != 2 or points.shape[1] != 3:
            raise InputError(
                f"{name} has shape {points.shape}, not (n, 3).",
                where="conductor segments",
                remedy="Give each point's x, y and z in metres.",
            )
    if start.shape != end.shape or current.shape != start.shape[:1]:
        raise InputError(
            f"{len(start)} starts, {len(end)} ends and {current.size} currents.",
            where="conductor segments",
            remedy="Each piece of conductor needs a start, an end and a measured current.",
        )
    length = np.linalg.norm(end - start, axis=1)
    if not np.all(length > 0.0):
        piece = int(np.argmin(np.where(np.isnan(length), -1.0, length)))
        raise InputError(
            f"piece {piece} of the conductor has length {length[piece]:g} m.",
            where="conductor segments",
            remedy="Measure where it starts and ends, or leave it out.",
        )
    return current
