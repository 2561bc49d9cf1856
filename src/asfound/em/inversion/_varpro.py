"""Variable projection: least squares in the places only, the currents eliminated.

With A the fields and background, D the derivatives (each times its current), M = A'A:

    currents c = M⁻¹ A'd         residual r = d - A c         square = d'd - (A'd)' c
    gradient   = -D'r
    Hessian   ~= D'D - (D'A) M⁻¹ (A'D)                        (Kaufman 1975)
    Hessian    = D'D - (D'A - V) M⁻¹ (A'D - V') - Q           (Newton)

where V = (dA/dplace)' r and Q = (second derivatives of A c)' r hold the residual.
Everything comes from the inner products in `Moments`. Source: Golub and Pereyra (1973), Kaufman
(1975), derived again here for moments.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from asfound.em.inversion._moments import Moments
from asfound.em.inversion._small_systems import cholesky, solve_lower, solve_upper

FloatArray = npt.NDArray[np.float64]


class Projection(NamedTuple):
    """Least squares at given places, for m problems.

    ``square`` (m,) weighted sum of squared residuals; ``linear`` (C + B, r, m) currents, then
    background; ``gradient`` (2 C, m) of half the square; ``hessian`` (2 C, 2 C, m) after Kaufman,
    always positive semidefinite; and if the moments allow, ``newton`` (2 C, 2 C, m) the exact one
    and ``drift`` (C + B, r, 2 C, m), how the currents and background change with the places.
    """

    square: FloatArray
    linear: FloatArray
    gradient: FloatArray
    hessian: FloatArray
    newton: FloatArray | None
    drift: FloatArray | None

    def keep(self, which: npt.NDArray[np.intp]) -> Projection:
        """Selected problems."""
        # `take` keeps the problems in the fastest axis, where indexing would not.
        return Projection(
            self.square[which],
            np.take(self.linear, which, axis=-1),
            np.take(self.gradient, which, axis=-1),
            np.take(self.hessian, which, axis=-1),
            None if self.newton is None else np.take(self.newton, which, axis=-1),
            None if self.drift is None else np.take(self.drift, which, axis=-1),
        )


def project(moments: Moments, n_background: int) -> Projection:
    """Eliminate currents and background.

    Parameters
    ----------
    moments : Moments of m problems
    n_background : int

    Returns
    -------
    Projection
    """
    gram, data, square = moments.gram, moments.data, moments.square
    C = (gram.shape[0] - n_background) // 3
    n_linear = C + n_background
    lower = cholesky(gram[:n_linear, :n_linear])
    half = solve_lower(lower, data[:n_linear])
    linear = solve_upper(lower, half)
    rest = np.maximum(square - (half * half).sum(axis=(0, 1)), 0.0)
    cross = gram[:n_linear, n_linear:]
    slopes = data[n_linear:].copy()
    for i in range(n_linear):
        slopes -= cross[i][:, np.newaxis] * linear[i]
    current = np.concatenate([linear[:C]] * 2)
    gradient = -(current * slopes).sum(axis=1)
    hessian = np.empty((2 * C, 2 * C, len(square)))
    shadow = solve_lower(lower, cross)
    for i in range(2 * C):
        for j in range(i + 1):
            inner = gram[n_linear + i, n_linear + j]
            weight = (current[i] * current[j]).sum(axis=0)
            entry = (inner - (shadow[:, i] * shadow[:, j]).sum(axis=0)) * weight
            hessian[i, j] = hessian[j, i] = entry
    if moments.bend_gram is None or moments.bend_data is None:
        return Projection(rest, linear, gradient, hessian, None, None)
    bends = moments.bend_data.copy()
    for i in range(n_linear):
        bends -= moments.bend_gram[:, i, np.newaxis] * linear[i]
    bend = (current * bends).sum(axis=1)
    newton = np.empty_like(hessian)
    for i in range(2 * C):
        for j in range(i + 1):
            weight = (current[i] * current[j]).sum(axis=0)
            newton[i, j] = gram[n_linear + i, n_linear + j] * weight
    drift = np.empty((*linear.shape[:2], 2 * C, len(square)))
    for part in range(data.shape[1]):
        mixed = cross * current[:, part]
        for i in range(2 * C):
            mixed[i % C, i] -= slopes[i, part]
        shadow = solve_lower(lower, mixed)
        drift[:, part] = -solve_upper(lower, shadow)
        for i in range(2 * C):
            for j in range(i + 1):
                newton[i, j] -= (shadow[:, i] * shadow[:, j]).sum(axis=0)
    for c in range(C):
        newton[c, c] += bend[c]  # twice by position = minus twice by depth
        newton[C + c, C + c] -= bend[c]
        newton[C + c, c] -= bend[C + c]
    for i in range(2 * C):
        newton[:i, i] = newton[i, :i]
    return Projection(rest, linear, gradient, hessian, newton, drift)
