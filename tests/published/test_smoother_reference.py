"""The line smoother against independent implementations of the same statistics.

Sources:
- C. E. Rasmussen and C. K. I. Williams, Gaussian Processes for Machine Learning (2006), eq.
  2.23-2.24 (prediction) and 2.30 (marginal likelihood); the integrated Wiener kernel
  q min(s,t)^2 (3 max(s,t) - min(s,t)) / 6 is their spline covariance, section 6.3 (numbers of
  equations from memory).
- scikit-learn, `GaussianProcessRegressor` (its algorithm 2.1 of the same book), with that kernel
  written as a scikit-learn kernel; and scipy's dense Cholesky solver.
- G. Wahba, Improper priors, spline smoothing and the problem of guarding against model errors in
  regression, J. R. Statist. Soc. B 40 (1978): with a flat prior the mean is the natural cubic
  smoothing spline; scipy's `make_smoothing_spline` minimises
  sum w (y - f)^2 + lam integral f''^2, so w = 1 / r and lam = 1 / q.
"""

import numpy as np
import pytest
from scipy.interpolate import make_smoothing_spline
from scipy.linalg import cho_factor, cho_solve
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import Kernel

from asfound.alignment import _smoother
from asfound.alignment._smoother import Track, between, log_likelihoods, smooth
from asfound.alignment._smoother_kernels import LANES

WANDER = 2e-4


def scene(seed, count=60):
    rng = np.random.default_rng(seed)
    station = np.concatenate(([0.0], np.cumsum(rng.uniform(0.5, 8.0, count - 1))))
    variance = rng.uniform(0.015, 0.08, count) ** 2
    offset = 2.0 * np.sin(station / 60.0) + rng.normal(0.0, np.sqrt(variance))
    track = Track(
        np.array([0, count]),
        np.append(np.diff(station), 0.0),
        1.0 / variance,
        np.full(count, WANDER),
        np.zeros(count),
    )
    return station, variance, offset, track


def covariance(s, t):
    """Prior covariance of the offset at stations s and t, both at least 0."""
    s, t = s[:, None], t[None, :]
    low, high = np.minimum(s, t), np.maximum(s, t)
    wander = WANDER * low**2 * (3.0 * high - low) / 6.0
    return _smoother.POSITION_PRIOR + _smoother.SLOPE_PRIOR * s * t + wander


class IntegratedWiener(Kernel):
    """The same prior in scikit-learn's terms; nothing to be optimised."""

    def __init__(self):
        pass

    def __call__(self, X, Y=None, eval_gradient=False):
        return covariance(X[:, 0], X[:, 0] if Y is None else Y[:, 0])

    def diag(self, X):
        return np.diag(covariance(X[:, 0], X[:, 0]))

    def is_stationary(self):
        return False


@pytest.mark.parametrize("seed", range(5))
def test_mean_and_variance_are_those_of_scikit_learns_gaussian_process(seed):
    station, variance, offset, track = scene(seed)
    result = smooth(track, offset[None])
    # scikit-learn's own arithmetic loses digits against the wide prior: hence its tolerance
    reference = GaussianProcessRegressor(IntegratedWiener(), alpha=variance, optimizer=None)
    reference.fit(station[:, None], offset)
    ahead = 0.37 * np.diff(station)
    mean, _, spread = between(track, result, np.arange(len(station) - 1), ahead)
    for place, ours, our_variance in (
        (station, result.mean[0], result.variance),
        (station[:-1] + ahead, mean[0], spread),
    ):
        theirs, sd = reference.predict(place[:, None], return_std=True)
        assert ours == pytest.approx(theirs, abs=1e-6)
        assert np.sqrt(our_variance) == pytest.approx(sd, abs=1e-6)


@pytest.mark.parametrize("seed", range(5, 10))
def test_mean_variance_and_likelihood_are_those_of_a_dense_solution(seed):
    station, variance, offset, track = scene(seed)
    result = smooth(track, offset[None])
    factor = cho_factor(covariance(station, station) + np.diag(variance), lower=True)
    ahead = 0.61 * np.diff(station)
    place = station[:-1] + ahead
    mean, _, spread = between(track, result, np.arange(len(station) - 1), ahead)
    for at, ours, our_variance in (
        (station, result.mean[0], result.variance),
        (place, mean[0], spread),
    ):
        cross = covariance(at, station)
        dense = covariance(at, at) - cross @ cho_solve(factor, cross.T)
        assert ours == pytest.approx(cross @ cho_solve(factor, offset), abs=1e-6)
        assert our_variance == pytest.approx(np.diag(dense), abs=1e-8)
    # ours leaves out the constant sum of log r and n log 2 pi
    expected = -0.5 * (
        offset @ cho_solve(factor, offset)
        + 2.0 * np.sum(np.log(np.diag(factor[0])))
        - np.sum(np.log(variance))
    )
    # lanes of other sizes beside it don't matter
    factors = np.logspace(-3, 3, LANES)
    factors[2] = 1.0
    ours = log_likelihoods(track, offset[None], factors, clip=1e9)
    assert ours[2].sum() == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize("seed", range(10, 14))
def test_the_mean_is_the_cubic_smoothing_spline(seed, monkeypatch):
    monkeypatch.setattr(_smoother, "SLOPE_PRIOR", 1e4)
    monkeypatch.setattr(_smoother, "POSITION_PRIOR", 1e6)
    station, variance, offset, track = scene(seed)
    spline = make_smoothing_spline(station, offset, w=1.0 / variance, lam=1.0 / WANDER)
    result = smooth(track, offset[None])
    assert result.mean[0] == pytest.approx(spline(station), abs=1e-6)
    ahead = 0.5 * np.diff(station)
    mean, slope, _ = between(track, result, np.arange(len(station) - 1), ahead)
    assert mean[0] == pytest.approx(spline(station[:-1] + ahead), abs=1e-6)
    assert slope[0] == pytest.approx(spline.derivative()(station[:-1] + ahead), abs=1e-6)
