"""Fields over parallel conductors, cut across: what each coil reads along a sweep.

Conductors are long, straight and parallel, the sweep goes square across them. Currents add as
phasors: real when only direction matters (a return current is negative), complex when phase does.

>>> import numpy as np
>>> street = CrossSection(np.array([0.0, 0.8]), np.array([1.2, 1.0]), np.array([0.100, -0.035]))
>>> horizontal, vertical = section_field(street, np.array([-1.0, 0.0, 1.0]), 0.05)
>>> np.round(1e9 * horizontal, 3)  # nT
array([ 8.064, 11.782,  3.323])
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
"""Field or current: real where only direction matters, complex where phase does."""


@dataclass(frozen=True, eq=False)
class CrossSection:
    """Long parallel conductors under a sweep; any leading axes are separate layouts.

    Parameters
    ----------
    position : (..., k) float64
        Across the lines, along the sweep [m].
    depth : (..., k) float64
        Below ground to the conductor's centre [m].
    current : (..., k) float64 or complex128
        [A]; negative: flows the other way.
    background_horizontal, background_vertical : (...) float64 or complex128
        Uniform field added to every reading of that coil [T].

    Raises
    ------
    InputError
        If a conductor is not below ground, or a value is not finite.
    """

    position: FloatArray
    depth: FloatArray
    current: FieldArray
    background_horizontal: FieldArray | float = 0.0
    background_vertical: FieldArray | float = 0.0

    def __post_init__(self) -> None:
        shapes = (np.shape(self.position), np.shape(self.depth), np.shape(self.current))
        if any(len(shape) == 0 for shape in shapes):
            raise InputError(
                "position, depth and current of a cross-section need one value a conductor.",
                where="cross-section",
                remedy="Give arrays, even for a single conductor.",
            )
        np.broadcast_shapes(*shapes)
        if not np.all(np.asarray(self.depth) > 0.0):
            raise InputError(
                f"a conductor of the assumed layout has depth {np.nanmin(self.depth):g} m.",
                where="cross-section",
                remedy="Measure or assume a depth below ground to the conductor's centre, above 0.",
            )
        if not (np.all(np.isfinite(self.position)) and np.all(np.isfinite(self.current))):
            raise InputError(
                "a conductor of the assumed layout has no position or no current.",
                where="cross-section",
                remedy="Read the current over each line, or leave the unknown line out.",
            )


class FieldCurve(NamedTuple):
    """A coil's field along a sweep with its first two derivatives [T], [T/m], [T/m2]."""

    field: FieldArray
    slope: FieldArray
    bend: FieldArray


def section_field(
    section: CrossSection, position: FloatArray, coil_height: float | FloatArray
) -> tuple[FieldArray, FieldArray]:
    """Field at the horizontal coil (axis across the lines) and at the vertical coil.

    Parameters
    ----------
    section : CrossSection
        Leading axes (...).
    position : (..., m) float64
        Of the coil along the sweep [m].
    coil_height : float or (..., m) float64
        Coil above ground [m].

    Returns
    -------
    horizontal, vertical : (..., m) float64 or complex128
        K sum(I z / r2) and -K sum(I u / r2), plus the background [T].

    Notes
    -----
    Source: Biot-Savart for long straight wires; see `_line_fields`.
    """
    across, above = _offsets(section, position, coil_height)
    scale = LINE_FIELD_CONSTANT / (across * across + above * above)
    horizontal = _sum(above * scale, section.current)
    vertical = _sum(-across * scale, section.current)
    return (
        horizontal + _column(section.background_horizontal),
        vertical + _column(section.background_vertical),
    )


def section_field_curves(
    section: CrossSection, position: FloatArray, coil_height: float | FloatArray
) -> tuple[FieldCurve, FieldCurve]:
    """Both coils' fields with their first and second derivatives along the sweep.

    Parameters
    ----------
    section, position, coil_height
        As in `section_field`.

    Returns
    -------
    horizontal, vertical : FieldCurve
        Each member (..., m).

    Notes
    -----
    With w = z + i u, Bx + i Bz = K I / w, and du/dx = 1: the derivatives are -i K I / w² and
    -2 K I / w³.
    """
    across, above = _offsets(section, position, coil_height)
    inverse = 1.0 / (above + 1j * across)
    value = LINE_FIELD_CONSTANT * inverse
    slope = -1j * value * inverse
    bend = -2.0 * value * inverse * inverse
    current = section.current
    horizontal = FieldCurve(
        _sum(value.real, current) + _column(section.background_horizontal),
        _sum(slope.real, current),
        _sum(bend.real, current),
    )
    vertical = FieldCurve(
        _sum(value.imag, current) + _column(section.background_vertical),
        _sum(slope.imag, current),
        _sum(bend.imag, current),
    )
    return horizontal, vertical


def _offsets(
    section: CrossSection, position: FloatArray, coil_height: float | FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Coil across from and above each conductor, (..., m, k)."""
    height = np.asarray(coil_height, dtype=np.float64)
    across = (
        np.asarray(position)[..., np.newaxis] - np.asarray(section.position)[..., np.newaxis, :]
    )
    above = np.asarray(section.depth)[..., np.newaxis, :] + height[..., np.newaxis]
    return across, above


def _sum(kernel: FieldArray, current: FieldArray) -> FieldArray:
    total: FieldArray = np.einsum("...mk,...k->...m", kernel, np.asarray(current))
    return total


def _column(background: FieldArray | float) -> FieldArray:
    column: FieldArray = np.asarray(background)[..., np.newaxis]
    return column
