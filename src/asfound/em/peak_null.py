"""Where the peak of the horizontal coil and the null of the vertical coil stand.

Exact for an assumed layout (a stationary point, solved), and from readings (interpolated).

>>> import numpy as np
>>> from asfound.em.cross_section import CrossSection
>>> street = CrossSection(np.array([0.0, 0.8]), np.array([1.2, 1.0]), np.array([0.100, -0.035]))
>>> peak = peak_position(street, 0.05)
>>> null = null_position(street, 0.05, near=peak)
>>> print(f"{peak:.3f} {null:.3f}")
-0.173 -0.273
"""

from __future__ import annotations

from functools import partial
from typing import Literal

import numpy as np
import numpy.typing as npt

from asfound.em._line_fields import LINE_FIELD_CONSTANT, field_gradient
from asfound.em._roots import bracketed_roots
from asfound.em.cross_section import CrossSection, FieldArray

FloatArray = npt.NDArray[np.float64]
Choice = Literal["nearest", "strongest"]

_STEP = 0.25
"""Scan step as a share of the shallowest conductor's distance: a field's detail decays as
exp(-z times wave number), so two stationary points never share so short a step in practice."""
_MOST_STEPS = 1024
_CHUNK = 2_000_000
"""Coil-conductor pairs worked at once, 16 MB an array."""
_NULL_SHARE = 0.5
"""A dip of the vertical coil counts as a null below this share of the horizontal coil there."""


def peak_position(
    section: CrossSection,
    coil_height: float,
    *,
    near: FloatArray | float | None = None,
    reach: FloatArray | float | None = None,
    choose: Choice = "nearest",
) -> FloatArray:
    """Where the horizontal coil's reading is greatest.

    Parameters
    ----------
    section : CrossSection
        Leading axes (...).
    coil_height : float
        Coil above ground [m].
    near : (...) float64, optional
        Where the technician looks from [m]; default: over the first conductor, the target.
    reach : (...) float64, optional
        How far to either side [m]; default: twice the target's depth below the coil.
    choose : {'nearest', 'strongest'}
        Which of several local maxima.

    Returns
    -------
    position : (...) float64
        [m]; NaN where no local maximum stands within reach.
    """
    return _stationary(section, coil_height, near, reach, choose, null=False)


def null_position(
    section: CrossSection,
    coil_height: float,
    *,
    near: FloatArray | float | None = None,
    reach: FloatArray | float | None = None,
) -> FloatArray:
    """Where the vertical coil's reading is least: its zero, or its dip where phases differ.

    Parameters
    ----------
    section, coil_height, near, reach
        As in `peak_position`; the null nearest to `near` is taken (best: the peak).

    Returns
    -------
    position : (...) float64
        [m]; NaN where no null stands within reach. A dip to more than half of the horizontal
        coil's field is none.
    """
    return _stationary(section, coil_height, near, reach, "nearest", null=True)


def _stationary(
    section: CrossSection,
    coil_height: float,
    near: FloatArray | float | None,
    reach: FloatArray | float | None,
    choose: Choice,
    *,
    null: bool,
) -> FloatArray:
    shape = np.broadcast_shapes(section.position.shape, section.depth.shape, section.current.shape)
    lead, count = shape[:-1], shape[-1]
    position = np.broadcast_to(section.position, shape).reshape(-1, count)
    above = np.broadcast_to(section.depth, shape).reshape(-1, count) + coil_height
    current = np.broadcast_to(section.current, shape).reshape(-1, count)
    rows = len(position)

    def flat(value: FieldArray | float) -> FieldArray:
        spread: FieldArray = np.broadcast_to(value, lead).reshape(-1)
        return spread

    background = (flat(section.background_horizontal), flat(section.background_vertical))
    centre = position[:, 0] if near is None else flat(near).real
    width = 2.0 * above[:, 0] if reach is None else flat(reach).real
    detail = _STEP * above.min(axis=1)
    steps = int(np.clip(np.ceil(2.0 * np.max(width / detail, initial=1.0)), 16, _MOST_STEPS))
    found = np.full(rows, np.nan)
    chunk = max(1, _CHUNK // (steps * count))
    for start in range(0, rows, chunk):
        part = slice(start, min(start + chunk, rows))
        curves = _Curves(
            position[part],
            above[part],
            current[part],
            (background[0][part], background[1][part]),
        )
        low, high = curves.bracket(centre[part], width[part], steps, choose, null=null)
        there = np.isfinite(low)
        solve = partial(curves.rows(there).slope, null=null)
        found[part][there] = bracketed_roots(solve, low[there], high[there])
    return found.reshape(lead)


class _Curves:
    """Squared readings of both coils over n layouts of k conductors, and their slopes."""

    def __init__(
        self,
        position: FloatArray,
        above: FloatArray,
        current: FieldArray,
        background: tuple[FieldArray, FieldArray],
    ) -> None:
        self.position, self.above, self.current = position, above, current
        self.background = background

    def rows(self, keep: npt.NDArray[np.bool_]) -> _Curves:
        """The layouts marked in `keep` (n,)."""
        return _Curves(
            self.position[keep],
            self.above[keep],
            self.current[keep],
            (self.background[0][keep], self.background[1][keep]),
        )

    def _add(self, kernel: FieldArray) -> FieldArray:
        total: FieldArray = np.einsum("n...k,nk->n...", kernel, self.current)
        return total

    def bracket(
        self, centre: FloatArray, reach: FloatArray, steps: int, choose: Choice, *, null: bool
    ) -> tuple[FloatArray, FloatArray]:
        """Ends (n,) of the scan step that holds the chosen stationary point, NaN if none."""
        scan = centre[:, np.newaxis] + reach[:, np.newaxis] * np.linspace(-1.0, 1.0, steps + 1)
        across = scan[:, :, np.newaxis] - self.position[:, np.newaxis, :]
        line = field_gradient(across, self.above[:, np.newaxis, :])
        peak = self._add(line.peak) + self.background[0][:, np.newaxis]
        if null:
            field = self._add(line.null) + self.background[1][:, np.newaxis]
            rise = _product(field, -self._add(line.null_by_position))
            turns = (rise[:, :-1] < 0.0) & (rise[:, 1:] >= 0.0)
            small = np.abs(field) < _NULL_SHARE * np.abs(peak)
            turns &= small[:, :-1] | small[:, 1:]
        else:
            rise = _product(peak, -self._add(line.peak_by_position))
            turns = (rise[:, :-1] > 0.0) & (rise[:, 1:] <= 0.0)
        if choose == "nearest":
            rank = np.abs(np.linspace(-1.0, 1.0, steps + 1)[:-1] + 1.0 / steps)[np.newaxis, :]
        else:
            rank = -np.maximum(np.abs(peak[:, :-1]), np.abs(peak[:, 1:]))
        rank = np.where(turns, rank, np.inf)
        best = rank.argmin(axis=1)
        row = np.arange(len(scan))
        there = turns[row, best]
        low = np.where(there, scan[row, best], np.nan)
        return low, np.where(there, scan[row, best + 1], np.nan)

    def slope(self, place: FloatArray, *, null: bool) -> tuple[FloatArray, FloatArray]:
        """Half the slope of the squared reading (negated for a peak) and its derivative."""
        across = place[:, np.newaxis] - self.position
        inverse = 1.0 / (self.above + 1j * across)
        kernels = (inverse, -1j * inverse**2, -2.0 * inverse**3)
        parts = [kernel.imag if null else kernel.real for kernel in kernels]
        # Units of LINE_FIELD_CONSTANT drop out of the root; the background must be in them.
        field, first, second = (self._add(part) for part in parts)
        field = field + self.background[1 if null else 0] / LINE_FIELD_CONSTANT
        value = _product(field, first)
        bend = _product(first, first) + _product(field, second)
        return (value, bend) if null else (-value, -bend)


def _product(a: FieldArray, b: FieldArray) -> FloatArray:
    """Real part of conj(a) b."""
    if np.iscomplexobj(a) or np.iscomplexobj(b):
        product: FloatArray = (np.conj(a) * b).real
        return product
    return np.asarray(a * b, dtype=np.float64)
