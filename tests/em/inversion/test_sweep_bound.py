"""The Cramér-Rao bound of a sweep."""

import numpy as np
import pytest

from asfound.em.inversion import fit_places, shared_batch, sweep_bound
from asfound.em.inversion._certainty import folded_information

TAPE = np.linspace(-3, 3, 61)
SAMPLING = (
    np.tile(TAPE, 4),
    np.repeat([0.05, 0.45, 0.05, 0.45], 61),
    np.repeat([0, 0, 1, 1], 61).astype(np.int8),
)


def test_the_bound_of_the_worked_example_is_the_published_one():
    # CHECKS.md, Electromagnetics (independent script).
    bound = sweep_bound(
        np.array([0.0, 0.8]), np.array([1.2, 1.0]), np.array([0.1, -0.035]), *SAMPLING
    )
    np.testing.assert_allclose(bound.position_sd, [0.0245, 0.0405], atol=5e-5)
    np.testing.assert_allclose(bound.depth_sd, [0.0082, 0.0327], atol=5e-5)
    np.testing.assert_allclose(1e3 * bound.current_sd, [5.27, 5.15], atol=5e-3)


def test_least_squares_attains_the_bound_in_the_worked_example():
    # CHECKS.md: "a least-squares Monte Carlo of 200 draws attains it".
    x, h, coil = SAMPLING
    place, depth, current = np.array([0.0, 0.8]), np.array([1.2, 1.0]), np.array([0.1, -0.035])
    across, above = x[:, np.newaxis] - place, depth + h[:, np.newaxis]
    each = np.where(coil[:, np.newaxis] == 1, -across, above) / (across**2 + above**2)
    field = 2e-7 * each @ current
    noise = 0.01 * np.abs(field).max()
    draws = field + noise * np.random.default_rng(2).standard_normal((1000, len(x)))
    batch = shared_batch(x, h, coil, draws * 1e9, unit="nT", signed=True, noise_floor=noise * 1e9)
    fits = fit_places(batch, 2)
    bound = sweep_bound(place, depth, current, *SAMPLING)
    for found, truth, sd, beyond in (
        (fits.position, place, bound.position_sd, 0.09),
        (fits.depth, depth, bound.depth_sd, 0.09),
        # Opposite currents grow together without limit as the two draw near: a longer tail.
        (fits.current, current, bound.current_sd, 0.15),
    ):
        ratio = np.sqrt(((found - truth) ** 2).mean(axis=0)) / sd
        # A ratio of 1000 draws has a standard error of 0.022.
        np.testing.assert_allclose(ratio, 1.0, atol=beyond)


def test_the_bound_grows_in_proportion_to_the_noise():
    layout = (np.array([0.0]), np.array([1.0]), np.array([0.1]))
    one = sweep_bound(*layout, *SAMPLING, relative_noise=0.01)
    ten = sweep_bound(*layout, *SAMPLING, relative_noise=0.10)
    np.testing.assert_allclose(ten.covariance, 100 * one.covariance, rtol=1e-9, atol=1e-15)
    floor = sweep_bound(*layout, *SAMPLING, relative_noise=0.0, noise_floor=0.01 * 2e-8 / 1.05)
    np.testing.assert_allclose(floor.covariance, one.covariance, rtol=1e-9, atol=1e-15)


def test_a_magnitude_at_zero_says_nothing_of_the_field_and_far_from_zero_all():
    assert folded_information(np.array([0.0])) == pytest.approx([0.0], abs=1e-6)
    assert folded_information(np.array([4.5, 9.0])) == pytest.approx([1.0, 1.0], abs=1e-3)
    assert (np.diff(folded_information(np.linspace(0, 5, 40))) >= -1e-9).all()
