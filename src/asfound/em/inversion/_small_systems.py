"""Many small symmetric systems at once, the systems along the last axis.

LAPACK called per matrix spends its time in calls when the matrices are 2 by 2 to 8 by 8, so the
elimination is written out over whole arrays: `matrix[i, j]` is one number of every system.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

_SMALLEST_PIVOT = 1e-14  # of the diagonal; below it two columns are one to rounding


def cholesky(matrix: FloatArray) -> FloatArray:
    """Lower triangular factors of symmetric positive (semi)definite matrices.

    Parameters
    ----------
    matrix : (p, p, n) float64
        Only the lower triangle is read.

    Returns
    -------
    lower : (p, p, n) float64
        ``matrix = lower lower'``; a pivot lost to rounding is held at 1e-14 of its diagonal, so
        that a degenerate system yields a long step (which damping shortens), never NaN.
    """
    return cholesky_if_definite(matrix)[0]


def cholesky_if_definite(matrix: FloatArray) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
    """Factors as of `cholesky`, and which matrices are positive definite, (n,).

    The factors of the others are finite but mean nothing.
    """
    size = matrix.shape[0]
    lower = np.zeros_like(matrix)
    definite = np.ones(matrix.shape[2], dtype=bool)
    # Also beside the largest diagonal, so that no step overflows.
    least = 1e-40 * np.abs(np.einsum("iin->in", matrix)).max(axis=0) + 1e-200
    for j in range(size):
        pivot = matrix[j, j].copy()
        for k in range(j):
            pivot -= lower[j, k] * lower[j, k]
        floor = _SMALLEST_PIVOT * np.abs(matrix[j, j]) + least
        definite &= pivot > floor
        # A negative pivot turned positive keeps the factors of indefinite matrices small.
        np.sqrt(np.maximum(np.abs(pivot), floor), out=pivot)
        lower[j, j] = pivot
        inverse = 1.0 / pivot
        for i in range(j + 1, size):
            entry = matrix[i, j].copy()
            for k in range(j):
                entry -= lower[i, k] * lower[j, k]
            lower[i, j] = entry * inverse
    return lower, definite


def solve_lower(lower: FloatArray, right: FloatArray) -> FloatArray:
    """Solve ``lower y = right``.

    Parameters
    ----------
    lower : (p, p, n) float64
    right : (p, n) or (p, m, n) float64

    Returns
    -------
    y : like `right`
    """
    solution = right.copy()
    for i in range(lower.shape[0]):
        for k in range(i):
            solution[i] -= lower[i, k] * solution[k]
        solution[i] /= lower[i, i]
    return solution


def solve_upper(lower: FloatArray, right: FloatArray) -> FloatArray:
    """Solve ``lower' y = right``; shapes as in `solve_lower`."""
    size = lower.shape[0]
    solution = right.copy()
    for i in reversed(range(size)):
        for k in range(i + 1, size):
            solution[i] -= lower[k, i] * solution[k]
        solution[i] /= lower[i, i]
    return solution
