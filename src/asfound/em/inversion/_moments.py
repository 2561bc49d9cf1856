"""What a fit needs to know of the readings: inner products of fields, derivatives and data.

For every sweep the columns are, in this order: the field per unit current of each conductor,
the uniform background (horizontal, vertical), then the fields' derivatives by position and by
depth of each conductor. A fit by least squares needs only the weighted inner products of these
columns with each other and with the data, and Newton's method those of the second derivatives
(twice by depth, then by position and depth; twice by position is minus twice by depth, because
the field is harmonic).
"""

from __future__ import annotations

from typing import NamedTuple, Protocol

import numpy as np
import numpy.typing as npt

from asfound.em._line_fields import LINE_FIELD_CONSTANT, coil_field, coil_field_gradient

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]
BoolArray = npt.NDArray[np.bool_]


class Moments(NamedTuple):
    """Inner products of m problems with C conductors and B background columns.

    ``gram`` (p, p, m), ``data`` (p, r, m), ``square`` (m,), where p = 3 C + B and r is 1, or 2
    for phasors (in-phase and quadrature). Of the second derivatives: ``bend_gram``
    (2 C, C + B, m) with fields and background, ``bend_data`` (2 C, r, m), if asked for.
    """

    gram: FloatArray
    data: FloatArray
    square: FloatArray
    bend_gram: FloatArray | None = None
    bend_data: FloatArray | None = None


class MomentSource(Protocol):
    """Computes `Moments` for a batch of sweeps."""

    n_background: int

    @property
    def rounding(self) -> FloatArray:
        """Rounding error of a sum of squared residuals, (m,)."""
        ...

    def __call__(self, place: FloatArray, *, bend: bool) -> Moments:
        """Moments of all sweeps of the source for conductors at `place` (2 C, m).

        `place` holds the positions of the conductors, then their depths [m]; `bend` asks for
        the second derivatives.
        """
        ...

    def keep(self, rows: IntArray) -> MomentSource:
        """The same for the sweeps `rows` (which may repeat)."""
        ...


class Readings(NamedTuple):
    """Scaled readings of n sweeps, padded to k.

    ``position, height, vertical`` (n or 1, k); ``value`` (n, r, k), the sweep's peak is 1;
    ``weight`` (n, k), inverse variance in the scaled unit, 0 for padding. The unit of current
    is such that the field is 1/r: a conductor 1 m below the coil shows 1.
    """

    position: FloatArray
    height: FloatArray
    vertical: BoolArray
    value: FloatArray
    weight: FloatArray
    background: bool

    @property
    def evenly_weighted(self) -> bool:
        """Whether all readings of a sweep weigh the same."""
        weight = self.weight
        return weight.strides[1] == 0 or bool(np.all(weight == weight[:, :1]))

    def rows(self, rows: IntArray) -> Readings:
        """The sweeps `rows`; shared sampling stays shared."""
        if self.position.shape[0] == 1:
            where = (self.position, self.height, self.vertical)
        else:
            where = (self.position[rows], self.height[rows], self.vertical[rows])
        return Readings(*where, self.value[rows], self.weight[rows], self.background)


def columns(readings: Readings, place: FloatArray, *, order: int = 2) -> FloatArray:
    """Columns of the model for each sweep.

    Parameters
    ----------
    readings : Readings of n sweeps
    place : (2 C, n) float64
        Positions, then depths [m].
    order : int
        Highest derivative.

    Returns
    -------
    (n, p, k) float64
        Fields, background; if `order` >= 1 derivatives by position, by depth; if 2 those twice
        by depth, by position and depth (see the module's text).
    """
    n_conductors = place.shape[0] // 2
    places = place.T[:, :, np.newaxis]
    across = readings.position[:, np.newaxis] - places[:, :n_conductors]
    above = places[:, n_conductors:] + readings.height[:, np.newaxis]
    vertical = readings.vertical[:, np.newaxis]
    if order == 0:
        parts = [coil_field(across, above, vertical) / LINE_FIELD_CONSTANT]
    else:
        parts = [c / LINE_FIELD_CONSTANT for c in coil_field_gradient(across, above, vertical)]
    if readings.background:
        coils = np.concatenate([~vertical, vertical], axis=1).astype(np.float64)
        parts.insert(1, np.broadcast_to(coils, (across.shape[0], 2, across.shape[2])))
    if order == 2:
        # Twice by depth: 2/w³. By position and depth: -2i/w³. (w = z + i u.)
        inverse = 1.0 / (across * across + above * above)
        real = 2.0 * above * inverse**2 * (4.0 * above * above * inverse - 3.0)
        imag = -2.0 * across * inverse**2 * (4.0 * above * above * inverse - 1.0)
        parts.append(np.where(vertical, imag, real))
        parts.append(np.where(vertical, -real, imag))
    return np.concatenate(parts, axis=1)


class GeneralMoments:
    """Moments by explicit columns: any sampling, any weights.

    Parameters
    ----------
    readings : Readings
    chunk : int
        Sweeps computed at once, to bound memory.
    """

    def __init__(self, readings: Readings, chunk: int = 256) -> None:
        self.readings = readings
        self.n_background = 2 if readings.background else 0
        self._chunk = chunk

    def keep(self, rows: IntArray) -> GeneralMoments:
        return GeneralMoments(self.readings.rows(rows), self._chunk)

    @property
    def rounding(self) -> FloatArray:
        value, weight = self.readings.value, self.readings.weight
        size: FloatArray = np.einsum("nrk,nrk,nk->n", value, value, weight)
        return 1e-15 * size

    def __call__(self, place: FloatArray, *, bend: bool) -> Moments:
        n_conductors, m = place.shape[0] // 2, place.shape[1]
        n_linear = n_conductors + self.n_background
        n_columns = n_linear + 2 * n_conductors
        n_all = n_columns + (2 * n_conductors if bend else 0)
        gram = np.empty((n_all, n_columns, m))
        data = np.empty((n_all, self.readings.value.shape[1], m))
        square = np.empty(m)
        for start in range(0, m, self._chunk):
            part = slice(start, min(start + self._chunk, m))
            readings = self.readings.rows(np.arange(part.start, part.stop))
            model = columns(readings, place[:, part], order=2 if bend else 1)
            weighted = model * readings.weight[:, np.newaxis]
            first = model[:, :n_columns].transpose(0, 2, 1)
            gram[:, :, part] = (weighted @ first).transpose(1, 2, 0)
            data[:, :, part] = (weighted @ readings.value.transpose(0, 2, 1)).transpose(1, 2, 0)
            square[part] = np.einsum(
                "nrk,nrk,nk->n", readings.value, readings.value, readings.weight
            )
        for i in range(n_conductors, n_linear):
            # A coil that took no reading has an empty background column; 1 keeps it regular.
            gram[i, i] = np.where(gram[i, i] > 0, gram[i, i], 1.0)
        if not bend:
            return Moments(gram, data, square)
        return Moments(
            gram[:n_columns],
            data[:n_columns],
            square,
            gram[n_columns:, :n_linear],
            data[n_columns:],
        )
