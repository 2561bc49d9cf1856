import numpy as np
import pytest

from asfound.geodesy import grid_bearing, rotate_covariance, rotate_vector, true_bearing

RNG = np.random.default_rng(11)


def test_true_north_lies_at_minus_convergence_on_the_grid():
    convergence = np.array([0.02])
    east, north = rotate_vector(np.zeros(1), np.ones(1), convergence)
    assert np.arctan2(east, north)[0] == pytest.approx(-0.02)
    assert grid_bearing(np.zeros(1), convergence)[0] == pytest.approx(2 * np.pi - 0.02)


def test_bearings_come_back():
    bearing, convergence = RNG.uniform(0, 2 * np.pi, 50), RNG.uniform(-0.1, 0.1, 50)
    again = true_bearing(grid_bearing(bearing, convergence), convergence)
    assert again == pytest.approx(bearing)


def test_a_covariance_turns_as_samples_of_it_do():
    root = RNG.normal(size=(3, 3))
    covariance = root @ root.T
    convergence = 0.3
    samples = RNG.multivariate_normal(np.zeros(3), covariance, 200_000)
    east, north = rotate_vector(samples[:, 0], samples[:, 1], np.full(len(samples), convergence))
    expected = np.cov(np.column_stack([east, north, samples[:, 2]]).T)
    found = rotate_covariance(covariance[None], np.array([convergence]))[0]
    assert found == pytest.approx(expected, abs=0.02 * np.trace(covariance))
    assert np.linalg.eigvalsh(found) == pytest.approx(np.linalg.eigvalsh(covariance))


def test_turning_there_and_back_changes_nothing():
    root = RNG.normal(size=(20, 3, 3))
    covariance = root @ np.swapaxes(root, 1, 2)
    convergence = RNG.uniform(-0.2, 0.2, 20)
    again = rotate_covariance(rotate_covariance(covariance, convergence), -convergence)
    assert again == pytest.approx(covariance)
