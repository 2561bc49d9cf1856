"""Batched small systems against LAPACK (numpy.linalg, an independent library)."""

import numpy as np
import pytest

from asfound.em.inversion._small_systems import (
    cholesky,
    cholesky_if_definite,
    solve_lower,
    solve_upper,
)


@pytest.mark.parametrize("size", [1, 2, 4, 8])
def test_systems_are_solved_as_lapack_solves_them(size):
    rng = np.random.default_rng(size)
    square = rng.standard_normal((50, size, size))
    matrix = square @ square.transpose(0, 2, 1) + 0.1 * np.eye(size)
    right = rng.standard_normal((50, size))
    lower = cholesky(matrix.transpose(1, 2, 0))
    np.testing.assert_allclose(lower.transpose(2, 0, 1), np.linalg.cholesky(matrix), rtol=1e-9)
    solved = solve_upper(lower, solve_lower(lower, right.T))
    np.testing.assert_allclose(
        solved.T, np.linalg.solve(matrix, right[..., np.newaxis])[..., 0], rtol=1e-7
    )


def test_an_indefinite_matrix_is_told_and_stays_finite():
    matrix = np.array([[[1.0, 1.0], [2.0, 0.5]], [[2.0, 0.5], [1.0, 1.0]]])
    lower, definite = cholesky_if_definite(matrix)
    np.testing.assert_array_equal(definite, [False, True])
    assert np.isfinite(lower).all()


def test_a_singular_system_gives_a_finite_answer():
    matrix = np.ones((2, 2, 1))
    lower = cholesky(matrix)
    assert np.isfinite(solve_upper(lower, solve_lower(lower, np.ones((2, 1))))).all()
