"""Field of a straight piece of conductor between two points, with its derivatives.

With a, b from the start and the end of the piece to the coil and c = a x b = (end - start) x a,

    B = mu0 I / 4 pi  c g,    g = (1/|a| + 1/|b|) / D,    D = |a| |b| + a·b

which is regular on the piece's axis beyond its ends and far away. Beside a long piece, where a·b
is negative, D loses digits and |c|² / (|a| |b| - a·b) takes its place. Source: Biot-Savart,
integrated along the piece in closed form.

Everything is kept as separate components, each an array of any one shape, which is two to three
times faster than a last axis of three.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from asfound.em._line_fields import LINE_FIELD_CONSTANT

FloatArray = npt.NDArray[np.float64]
Vector = tuple[FloatArray, FloatArray, FloatArray]
Matrix = tuple[Vector, Vector, Vector]
"""Rows: component of the field; columns: coordinate of the point moved."""


class SegmentGradient(NamedTuple):
    """Field per ampere [T/A] and its derivatives by start and end [T/(A m)]."""

    field: Vector
    by_start: Matrix
    by_end: Matrix


def segment_kernel(from_start: Vector, from_end: Vector) -> Vector:
    """Field per ampere of pieces of conductor.

    Parameters
    ----------
    from_start, from_end : three (...) float64 each
        Coil minus start and coil minus end of the piece [m].

    Returns
    -------
    field : three (...) float64
        [T/A]; zero on the axis beyond the ends, NaN on the piece itself.
    """
    cross, factor, _, _ = _parts(from_start, from_end)
    return cross[0] * factor, cross[1] * factor, cross[2] * factor


def segment_kernel_gradient(from_start: Vector, from_end: Vector) -> SegmentGradient:
    """Field per ampere of pieces of conductor, and its derivatives by their end points.

    Parameters
    ----------
    from_start, from_end : three (...) float64 each
        As in `segment_kernel` [m].

    Returns
    -------
    SegmentGradient
        The derivative by the coil's place is minus the sum of both.
    """
    cross, factor, (alpha, beta), total = _parts(from_start, from_end)
    half = 0.5 * LINE_FIELD_CONSTANT
    inverse = half / total
    lean = factor / total
    by_start, by_end = [], []
    # d g / d a = -a / (|a|³ D) - g (|b| a / |a| + b) / D, and the same with a and b exchanged.
    for a, b in zip(from_start, from_end, strict=True):
        by_start.append(-a * inverse / alpha**3 - lean * (beta * a / alpha + b))
        by_end.append(-b * inverse / beta**3 - lean * (alpha * b / beta + a))
    zero = np.zeros_like(factor)
    ax, ay, az = (factor * a for a in from_start)
    bx, by, bz = (factor * b for b in from_end)
    # Columns of d(a x b): e_j x b for a's component j, a x e_j for b's.
    turn_a = ((zero, bz, -by), (-bz, zero, bx), (by, -bx, zero))
    turn_b = ((zero, -az, ay), (az, zero, -ax), (-ay, ax, zero))
    return SegmentGradient(
        (cross[0] * factor, cross[1] * factor, cross[2] * factor),
        _negative_sum(turn_a, cross, by_start),
        _negative_sum(turn_b, cross, by_end),
    )


def _parts(
    from_start: Vector, from_end: Vector
) -> tuple[Vector, FloatArray, tuple[FloatArray, FloatArray], FloatArray]:
    """c, mu0/4pi g, (|a|, |b|) and D."""
    ax, ay, az = from_start
    bx, by, bz = from_end
    lx, ly, lz = ax - bx, ay - by, az - bz
    cross = (ly * az - lz * ay, lz * ax - lx * az, lx * ay - ly * ax)
    alpha = np.sqrt(ax * ax + ay * ay + az * az)
    beta = np.sqrt(bx * bx + by * by + bz * bz)
    product = alpha * beta
    dot = ax * bx + ay * by + az * bz
    squared = cross[0] ** 2 + cross[1] ** 2 + cross[2] ** 2
    with np.errstate(divide="ignore", invalid="ignore"):
        total = np.where(dot < 0.0, squared / (product - dot), product + dot)
        factor = (0.5 * LINE_FIELD_CONSTANT) * (alpha + beta) / (product * total)
    return cross, factor, (alpha, beta), total


def _negative_sum(turn: Matrix, cross: Vector, slope: list[FloatArray]) -> Matrix:
    """-(turn + cross slopeᵀ): the minus turns "by coil - point" into "by point"."""
    rows = [tuple(-(turn[i][j] + cross[i] * slope[j]) for j in range(3)) for i in range(3)]
    return (rows[0], rows[1], rows[2])  # type: ignore[return-value]
