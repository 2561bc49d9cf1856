"""Field of long straight lines that cross the sweep at an angle, or rise and fall.

Axes: x along the sweep, y square to it, z up, z = 0 the level datum. A line goes through
(position, 0, -depth) in the direction

    t = (cos grade sin skew, cos grade cos skew, sin grade)

so skew 0 is a square crossing and a positive skew turns the line towards +x. With r from the line
to the coil and rho = r - (r·t) t its part square to the line,

    B = K I  t x rho / rho²                                K = mu0 / 2 pi, source: Biot-Savart

The coil across the sweep reads Bx, the along-line coil By, the vertical coil Bz.

>>> import numpy as np
>>> line = ObliqueLines(*np.array([[0.0], [1.0], [np.pi / 6], [0.0]]))  # 30 degrees off square
>>> field = oblique_field(np.array([[0.0, 0.0, 0.0]]), line, np.ones(1))
>>> [round(1e7 * float(part), 4) + 0.0 for part in field[0]]
[1.7321, -1.0, 0.0]
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from asfound.em._line_fields import LINE_FIELD_CONSTANT
from asfound.errors import InputError

FloatArray = npt.NDArray[np.float64]
FieldArray = npt.NDArray[np.inexact]


@dataclass(frozen=True, eq=False)
class ObliqueLines:
    """m long straight lines under a sweep.

    Parameters
    ----------
    position : (m,) float64
        Where each crosses the sweep [m].
    depth : (m,) float64
        Below the level datum there, to the centre [m].
    skew : (m,) float64
        Off a square crossing, towards +x ahead [rad].
    grade : (m,) float64
        Rise ahead: angle from level [rad].

    Raises
    ------
    InputError
        If a line runs along the sweep or straight up, or a value is missing.
    """

    position: FloatArray
    depth: FloatArray
    skew: FloatArray
    grade: FloatArray

    def __post_init__(self) -> None:
        values = np.broadcast_arrays(self.position, self.depth, self.skew, self.grade)
        if not all(np.all(np.isfinite(value)) for value in values):
            raise InputError(
                "a crossing line has no position, depth, skew or grade.",
                where="oblique lines",
                remedy="Mark the line at two places to measure its angle to the sweep.",
            )
        across = np.cos(self.skew) * np.cos(self.grade)
        if np.any(across < 1e-6):
            raise InputError(
                "a line runs along the sweep or straight up, so the sweep never crosses it.",
                where="oblique lines",
                remedy="Sweep square to the line, or describe it by its two ends.",
            )


class ObliqueGradient(NamedTuple):
    """Field per ampere (n, m, 3) [T/A] and its derivatives by each line's parameters.

    `by_position`, `by_depth` in T/(A m), `by_skew`, `by_grade` in T/(A rad), all (n, m, 3). The
    derivative by a line's current is `per_ampere` itself.
    """

    per_ampere: FloatArray
    by_position: FloatArray
    by_depth: FloatArray
    by_skew: FloatArray
    by_grade: FloatArray


def oblique_field(observers: FloatArray, lines: ObliqueLines, current: FieldArray) -> FieldArray:
    """Field of all lines together.

    Parameters
    ----------
    observers : (n, 3) float64
        Coil places [m].
    lines : ObliqueLines
        m lines.
    current : (m,) float64 or complex128
        Ahead [A].

    Returns
    -------
    field : (n, 3) float64 or complex128
        [T]; not finite on a line.
    """
    direction, rho = _square_part(observers, lines)
    squared = np.einsum("nmi,nmi->nm", rho, rho)[..., np.newaxis]
    per_ampere = LINE_FIELD_CONSTANT * np.cross(direction, rho) / squared
    field: FieldArray = np.einsum("nmi,m->ni", per_ampere, np.asarray(current))
    return field


def oblique_field_gradient(observers: FloatArray, lines: ObliqueLines) -> ObliqueGradient:
    """Field per ampere of each line and its derivatives by position, depth, skew and grade.

    Parameters
    ----------
    observers : (n, 3) float64
        [m].
    lines : ObliqueLines
        m lines.

    Returns
    -------
    ObliqueGradient

    Notes
    -----
    With c = t x r (which is t x rho) and q = rho·rho: dB = K (dc / q - 2 c (rho·drho) / q²).
    Moving the line by e: dc = -t x e, rho·drho = -rho·e. Turning it by dt, square to t:
    dc = dt x r, rho·drho = -(r·t) (rho·dt).
    """
    direction, rho = _square_part(observers, lines)
    away = observers[:, np.newaxis, :] - _through(lines)
    along = np.einsum("nmi,mi->nm", away, direction)[..., np.newaxis]
    cross = np.cross(direction, rho)
    squared = np.einsum("nmi,nmi->nm", rho, rho)[..., np.newaxis]

    def change(by_cross: FloatArray, by_rho: FloatArray) -> FloatArray:
        return np.asarray(
            LINE_FIELD_CONSTANT * (by_cross / squared - 2.0 * cross * by_rho / squared**2)
        )

    def moved(axis: FloatArray) -> FloatArray:
        return change(-np.cross(direction, axis), -(rho @ axis)[..., np.newaxis])

    def turned(turn: FloatArray) -> FloatArray:
        lean = np.einsum("nmi,mi->nm", rho, turn)[..., np.newaxis]
        return change(np.cross(turn, away), -along * lean)

    cos_skew, sin_skew = np.cos(lines.skew), np.sin(lines.skew)
    cos_grade, sin_grade = np.cos(lines.grade), np.sin(lines.grade)
    by_skew = _vectors(cos_grade * cos_skew, -cos_grade * sin_skew, 0.0 * cos_skew)
    by_grade = _vectors(-sin_grade * sin_skew, -sin_grade * cos_skew, cos_grade)
    return ObliqueGradient(
        LINE_FIELD_CONSTANT * cross / squared,
        moved(np.array([1.0, 0.0, 0.0])),
        moved(np.array([0.0, 0.0, -1.0])),
        turned(by_skew),
        turned(by_grade),
    )


def _through(lines: ObliqueLines) -> FloatArray:
    return _vectors(lines.position, np.zeros_like(lines.position), -lines.depth)


def _square_part(observers: FloatArray, lines: ObliqueLines) -> tuple[FloatArray, FloatArray]:
    """Directions (m, 3) and the parts of the way to the coil square to them (n, m, 3)."""
    cos_grade = np.cos(lines.grade)
    direction = _vectors(
        cos_grade * np.sin(lines.skew), cos_grade * np.cos(lines.skew), np.sin(lines.grade)
    )
    away = observers[:, np.newaxis, :] - _through(lines)
    along = np.einsum("nmi,mi->nm", away, direction)
    return direction, away - along[..., np.newaxis] * direction


def _vectors(x: FloatArray, y: FloatArray, z: FloatArray) -> FloatArray:
    return np.stack(np.broadcast_arrays(x, y, z), axis=-1)
