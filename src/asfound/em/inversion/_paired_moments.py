"""Moments in closed form for sweeps that share their sampling and have both coils at each place.

With both coils read at a place, a reading is one complex number and a conductor's field is 1/w,
w = z + i u. The derivatives are i/w² and -1/w², and inner products are real parts of sums of
conj(1/a^m) 1/b^n. Because conj(w_a) + w_b = z_a + z_b + i (x_a - x_b) = s does not depend on the
reading, partial fractions give

    sum 1/(conj(a) b)   = (conj(S1a) + S1b) / s
    sum 1/(conj(a) b²)  = (conj(S1a) + S1b) / s² + S2b / s
    sum 1/(conj(a²) b²) = (conj(S2a) + S2b) / s² + 2 (conj(S1a) + S1b) / s³

with S1 = sum 1/w and S2 = sum 1/w² of one conductor alone. So no product of two conductors'
fields is ever summed over the readings. Source: derived here; the tests compare it with the
explicit columns.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from asfound.em.inversion._moments import Moments, Readings

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]
IntArray = npt.NDArray[np.intp]


class PairedMoments:
    """Moments of sweeps with shared sampling, both coils at each place, one weight per sweep.

    Build with `paired_moments`, which says whether the readings allow it.

    Parameters
    ----------
    position, height : (K,), (H,) float64
        Every height was read at every position [m].
    value : (2, r, H, K, n) float64 or float32
        Horizontal and vertical coil, parts of the phasor, scaled. In single precision the sums
        over readings are, which is good to a hundredth of a noise variance: for a draft.
    weight, square : (n,) float64
        Inverse variance; sum of the squares of `value`.
    chunk : int
        Sweeps computed at once: small enough for the processor's cache.
    """

    n_background = 0

    def __init__(
        self,
        position: FloatArray,
        height: FloatArray,
        value: npt.NDArray[np.floating[Any]],
        weight: FloatArray,
        square: FloatArray,
        chunk: int = 256,
    ) -> None:
        self._single = value.dtype == np.float32
        self._position = position
        self._middle = 0.5 * (position.min() + position.max())
        self._height = height
        self._value = value
        self._weight = weight
        self._square = square
        self._chunk = chunk

    def keep(self, rows: IntArray) -> PairedMoments:
        return PairedMoments(
            self._position,
            self._height,
            # Indexing would leave the sweeps in the slowest axis; `take` keeps them in the fastest.
            np.take(self._value, rows, axis=-1),
            self._weight[rows],
            self._square[rows],
            self._chunk,
        )

    def draft(self) -> PairedMoments:
        """The same in single precision."""
        return PairedMoments(
            self._position,
            self._height,
            self._value.astype(np.float32),
            self._weight,
            self._square,
            2 * self._chunk,
        )

    @property
    def rounding(self) -> FloatArray:
        return (3e-7 if self._single else 1e-15) * self._square * self._weight

    def __call__(self, place: FloatArray, *, bend: bool) -> Moments:
        n_conductors, m = place.shape[0] // 2, place.shape[1]
        n_parts, n_heights = self._value.shape[1], len(self._height)
        # From the middle of the sweep, so that a draft keeps its figures far from zero.
        place = place.copy()
        place[:n_conductors] -= self._middle
        n_terms, dtype = 6 if bend else 4, self._value.dtype
        with_ones = np.empty((n_terms, n_conductors, n_heights, m), dtype)
        with_data = np.empty((2, n_parts, n_terms, n_conductors, n_heights, m), dtype)
        for start in range(0, m, self._chunk):
            part = slice(start, start + self._chunk)
            terms = self._terms(place[:, part].astype(dtype), n_terms)
            terms.sum(axis=3, out=with_ones[..., part])
            np.einsum(
                "achkm,drhkm->drachm",
                terms,
                self._value[..., part],
                out=with_data[..., part],
            )
        above = place[n_conductors:, np.newaxis] + self._height[:, np.newaxis]
        ones = _powers(with_ones, above)
        peak, null = _powers(with_data[0], above), _powers(with_data[1], above)
        # sum conj(1/w^p) (peak + i null), over the heights too.
        data = [
            ((a.real + b.imag) + 1j * (b.real - a.imag)).sum(axis=-2)
            for a, b in zip(peak, null, strict=True)
        ]
        return self._assemble(ones, data, place)

    def _terms(
        self, place: npt.NDArray[np.floating[Any]], n_terms: int
    ) -> npt.NDArray[np.floating[Any]]:
        """1/r², u/r², both over r² (and r⁴), u here conductor minus coil; (4 or 6, C, H, K, m)."""
        n_conductors, m = place.shape[0] // 2, place.shape[1]
        n_heights, n_places = len(self._height), len(self._position)
        terms = np.empty((n_terms, n_conductors, n_heights, n_places, m), place.dtype)
        coil = (self._position - self._middle).astype(place.dtype)
        height = self._height.astype(place.dtype)
        across = place[:n_conductors, np.newaxis, np.newaxis] - coil[:, np.newaxis]
        above = place[n_conductors:, np.newaxis] + height[:, np.newaxis]
        inverse = terms[0]
        np.add(across * across, (above * above)[:, :, np.newaxis], out=inverse)
        np.reciprocal(inverse, out=inverse)
        np.multiply(across, inverse, out=terms[1])
        for i in range(2, n_terms):
            np.multiply(terms[i - 2], inverse, out=terms[i])
        return terms

    def _assemble(
        self, ones: list[ComplexArray], data: list[ComplexArray], place: FloatArray
    ) -> Moments:
        C, m = place.shape[0] // 2, place.shape[1]
        position, depth = place[:C], place[C:]
        height = self._height[:, np.newaxis]
        n_parts = data[0].shape[0]
        first, second = ones[:2]
        bend = len(ones) > 2
        inner = np.empty((3 * C, n_parts, m))
        inner[:C] = data[0].real.swapaxes(0, 1)
        inner[C : 2 * C] = data[1].imag.swapaxes(0, 1)
        inner[2 * C :] = -data[1].real.swapaxes(0, 1)
        gram = np.empty((3 * C, 3 * C, m))
        bend_gram = np.empty((2 * C, C, m))
        for a in range(C):
            for b in range(a, C):
                s = 1.0 / ((depth[a] + depth[b] + 2.0 * height) + 1j * (position[a] - position[b]))
                pair = (np.conj(first[a]) + first[b]) * s
                gram[a, b] = gram[b, a] = pair.real.sum(axis=0)
                slope = ((np.conj(second[a]) + second[b] + 2.0 * pair) * s * s).sum(axis=0)
                gram[C + a, C + b] = gram[C + b, C + a] = slope.real
                gram[2 * C + a, 2 * C + b] = gram[2 * C + b, 2 * C + a] = slope.real
                gram[C + a, 2 * C + b] = gram[2 * C + b, C + a] = -slope.imag
                gram[2 * C + a, C + b] = gram[C + b, 2 * C + a] = slope.imag
                # conj(1/a) 1/b² and 1/b³, then the same with a and b exchanged.
                for i, j, p, q in ((a, b, pair, s), (b, a, np.conj(pair), np.conj(s))):
                    if a == b and p is not pair:
                        continue
                    once = (p + second[j]) * q
                    if bend:
                        twice = ((once + ones[2][j]) * q).sum(axis=0)
                        bend_gram[j, i] = 2.0 * twice.real
                        bend_gram[C + j, i] = 2.0 * twice.imag
                    once = once.sum(axis=0)
                    gram[i, C + j] = gram[C + j, i] = -once.imag
                    gram[i, 2 * C + j] = gram[2 * C + j, i] = -once.real
        weight = self._weight
        gram *= weight
        inner *= weight
        square = self._square * weight
        if not bend:
            return Moments(gram, inner, square)
        bend_data = np.empty((2 * C, n_parts, m))
        bend_data[:C] = 2.0 * data[2].real.swapaxes(0, 1)
        bend_data[C:] = -2.0 * data[2].imag.swapaxes(0, 1)
        bend_data *= weight
        bend_gram *= weight
        return Moments(gram, inner, square, bend_gram, bend_data)


def _powers(sums: npt.NDArray[np.floating[Any]], above: FloatArray) -> list[ComplexArray]:
    """Sums of 1/w, 1/w² (and 1/w³) from sums of the terms (..., 4 or 6, C, H, m); z is `above`.

    With q = 1/r²: 1/w = z q - i u q; 1/w² = 2 z² q² - q - 2 i z u q²;
    1/w³ = z (4 z² q³ - 3 q²) - i u (4 z² q³ - q²); the terms hold -u (conductor minus coil).
    """
    q1, u1, q2, u2 = (sums[..., i, :, :, :] for i in range(4))
    square = above * above
    parts = [(above * q1, u1), (2.0 * square * q2 - q1, 2.0 * above * u2)]
    if sums.shape[-4] > 4:
        q3, u3 = sums[..., 4, :, :, :], sums[..., 5, :, :, :]
        parts.append((above * (4.0 * square * q3 - 3.0 * q2), 4.0 * square * u3 - u2))
    result = []
    for real, imag in parts:
        power = np.empty(real.shape, dtype=np.complex128)
        power.real, power.imag = real, imag
        result.append(power)
    return result


def paired_moments(readings: Readings) -> PairedMoments | None:
    """The closed form, if these readings allow it.

    Parameters
    ----------
    readings : Readings

    Returns
    -------
    PairedMoments or None
        None unless sampling is shared, each place is read by both coils at the same heights,
        all readings of a sweep weigh the same, and there is no background.
    """
    shared = readings.position.shape[0] == 1 and readings.value.shape[0] > 0
    if readings.background or not shared:
        return None
    weight = readings.weight
    if not readings.evenly_weighted or not np.all(weight[:, 0] > 0):
        return None
    position, height, vertical = readings.position[0], readings.height[0], readings.vertical[0]
    order = np.lexsort((position, height, vertical))
    half, odd = divmod(len(order), 2)
    if odd or vertical[order[:half]].any() or not vertical[order[half:]].all():
        return None
    peak, null = order[:half], order[half:]
    if not (
        np.array_equal(position[peak], position[null])
        and np.array_equal(height[peak], height[null])
    ):
        return None
    heights, counts = np.unique(height[peak], return_counts=True)
    if np.any(counts != counts[0]):
        return None
    grid = position[peak].reshape(len(heights), counts[0])
    if not np.all(grid == grid[0]):
        return None
    n, n_parts, _ = readings.value.shape
    paired = np.stack([readings.value[:, :, peak], readings.value[:, :, null]])
    paired = paired.reshape(2, n, n_parts, len(heights), counts[0]).transpose(0, 2, 3, 4, 1)
    square = np.einsum("nrk,nrk->n", readings.value, readings.value)
    return PairedMoments(
        grid[0].copy(), heights, np.ascontiguousarray(paired), weight[:, 0].copy(), square
    )
