"""Updating by exposures, against scikit-learn's Gaussian processes and dense algebra."""

import numpy as np
import pytest
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import RBF, ConstantKernel

from asfound.alignment import JointPosterior, SharedShift, joint_covariance
from asfound.clearance.belief import Belief, Observations, looks


def posterior(station, length, sd, bias, group=0, seed=0):
    """A line whose height is a process of known kernel plus one shared error."""
    rng = np.random.default_rng(seed)
    kernel = sd**2 * RBF(length)(station[:, None])
    shift = np.zeros((len(station), 3))
    shift[:, 2] = bias
    mean = np.column_stack(
        (station, np.zeros(len(station)), 98.0 + rng.normal(0, 0.1, len(station)))
    )
    return JointPosterior(
        station, mean, 0.05**2 * RBF(length)(station[:, None]), kernel,
        (SharedShift("depth-scale", group, shift, 0.0),),
    )  # fmt: skip


def seen_at(line, node, value, variance):
    count = len(node)
    return Observations(
        np.asarray(line), np.asarray(node), np.tile([0.0, 1.0], (count, 1)),
        np.asarray(value, float), np.asarray(variance, float), np.zeros(count, bool),
    )  # fmt: skip


def test_a_line_after_exposures_is_what_a_gaussian_process_regressor_says():
    station = np.linspace(0.0, 40.0, 15)
    line = posterior(station, 6.0, 0.08, 0.05)
    node = np.array([2, 7, 8])
    up = np.array([98.2, 97.9, 98.1])
    variance = np.array([4e-4, 9e-4, 4e-4])
    seen = seen_at(
        [0, 0, 0], node, np.column_stack((np.zeros(3), up)), np.column_stack((variance, variance))
    )
    mean, covariance = Belief({0: line}, seen).at(0, np.arange(15))

    fixed = {"constant_value_bounds": "fixed"}
    kernel = ConstantKernel(0.08**2, **fixed) * RBF(6.0, "fixed") + ConstantKernel(0.05**2, **fixed)
    process = GaussianProcessRegressor(kernel, alpha=variance, optimizer=None)
    process.fit(station[node, None], up - line.mean[node, 2])
    expected, expected_covariance = process.predict(station[:, None], return_cov=True)
    assert mean[:, 2] - line.mean[:, 2] == pytest.approx(expected, abs=1e-8)
    up_only = covariance.reshape(15, 3, 15, 3)[:, 2, :, 2]
    assert up_only == pytest.approx(expected_covariance, abs=1e-8)


def test_lines_that_share_an_error_are_updated_together_as_dense_algebra_says():
    one = posterior(np.linspace(0.0, 20.0, 8), 5.0, 0.06, 0.08, group=3, seed=1)
    two = posterior(np.linspace(0.0, 30.0, 9), 7.0, 0.07, 0.06, group=3, seed=2)
    seen = seen_at([0, 1], [3, 5], [[0.03, 98.2], [-0.02, 97.9]], [[4e-4, 4e-4], [1e-4, 9e-4]])
    belief = Belief({0: one, 1: two}, seen)

    full = np.zeros((51, 51))
    full[:24, :24], full[24:, 24:] = joint_covariance(one), joint_covariance(two)
    cross = np.zeros((8, 3, 9, 3))
    cross[:, 2, :, 2] = 0.08 * 0.06
    full[:24, 24:] = cross.reshape(24, 27)
    full[24:, :24] = full[:24, 24:].T
    look = np.zeros((4, 51))
    look[:2, 9:12] = looks(np.array([0.0, 1.0]))
    look[2:, 24 + 15 : 24 + 18] = looks(np.array([0.0, 1.0]))
    prior = np.concatenate((one.mean.ravel(), two.mean.ravel()))
    noise = np.diag(seen.variance.ravel())
    gain = full @ look.T @ np.linalg.inv(look @ full @ look.T + noise)
    expected = prior + gain @ (seen.value.ravel() - look @ prior)
    after = full - gain @ look @ full
    mean, covariance = belief.at(1, np.arange(9))
    assert mean.ravel() == pytest.approx(expected[24:], abs=1e-8)
    assert covariance == pytest.approx(after[24:, 24:], abs=1e-8)
    between = belief.between(0, np.arange(8), 1, np.arange(9))
    assert between == pytest.approx(after[:24, 24:], abs=1e-8)


def test_other_groups_learn_nothing():
    one = posterior(np.linspace(0.0, 20.0, 8), 5.0, 0.06, 0.08, group=3)
    two = posterior(np.linspace(0.0, 30.0, 9), 7.0, 0.07, 0.06, group=4)
    seen = seen_at([0], [3], [[0.0, 98.5]], [[4e-4, 4e-4]])
    mean, covariance = Belief({0: one, 1: two}, seen).at(1, np.arange(9))
    assert mean == pytest.approx(two.mean, abs=1e-12)
    assert covariance == pytest.approx(joint_covariance(two), abs=1e-12)


def test_a_contradicted_exposure_counts_for_its_own_line_only():
    one = posterior(np.linspace(0.0, 20.0, 8), 5.0, 0.06, 0.08, group=3)
    two = posterior(np.linspace(0.0, 30.0, 9), 7.0, 0.07, 0.06, group=3)
    seen = seen_at([0], [3], [[0.0, 99.5]], [[4e-4, 4e-4]])
    doubted = Observations(
        seen.line, seen.node, seen.left, seen.value, seen.variance, np.ones(1, bool)
    )
    belief = Belief({0: one, 1: two}, doubted)
    assert belief.about(0).at(0, np.array([3]))[0][0, 2] > 99.0
    assert belief.about(1).at(1, np.array([3]))[0][0, 2] == pytest.approx(two.mean[3, 2])
