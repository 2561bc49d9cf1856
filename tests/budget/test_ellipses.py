"""95 % regions against numerical integration, known limits and plain eigenvalues."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import chi2, norm

from asfound.budget import circular_factor, principal_axes


def inside(radius, major, minor):
    """Chance that a normal error with these standard deviations stays within a circle."""

    def slice_at(angle):
        x, half = radius * np.sin(angle), radius * np.cos(angle)
        return norm.pdf(x / major) / major * (2 * norm.cdf(half / minor) - 1) * half

    return 2 * quad(slice_at, 0.0, np.pi / 2, epsabs=1e-12, points=[1.4, 1.5, 1.55])[0]


@pytest.mark.parametrize("ratio", [0.02, 0.1, 0.237, 0.5, 0.7311, 0.9, 0.999])
def test_the_circle_holds_95_percent_by_numerical_integration(ratio):
    factor = float(circular_factor(np.array(ratio)))
    assert inside(factor, 1.0, ratio) == pytest.approx(0.95, abs=1e-6)


def test_a_round_error_gives_the_rayleigh_value():
    # CHECKS.md: Rayleigh 95 % is 2.4477 sigma; exactly the root of chi-squared with 2 degrees.
    assert circular_factor(np.array(1.0)) == pytest.approx(np.sqrt(chi2.ppf(0.95, 2)), abs=1e-6)
    assert round(float(circular_factor(np.array(1.0))), 4) == 2.4477


def test_an_error_along_a_line_gives_the_normal_value():
    # CHECKS.md (NSSDA): 1.9600.
    assert circular_factor(np.array(0.0)) == pytest.approx(norm.ppf(0.975), abs=1e-6)


def test_the_factor_grows_with_roundness():
    assert (np.diff(circular_factor(np.linspace(0, 1, 2001))) > 0).all()


def test_axes_and_bearing_are_those_of_the_eigenvectors():
    rng = np.random.default_rng(4)
    root = rng.standard_normal((200, 2, 2))
    covariance = root @ root.transpose(0, 2, 1)
    major, minor, bearing = principal_axes(
        covariance[:, 0, 0], covariance[:, 1, 1], covariance[:, 0, 1]
    )
    values, vectors = np.linalg.eigh(covariance)
    np.testing.assert_allclose(minor**2, values[:, 0], rtol=1e-6, atol=1e-9)
    np.testing.assert_allclose(major**2, values[:, 1], rtol=1e-12)
    along = np.stack([np.sin(bearing), np.cos(bearing)], axis=1)
    np.testing.assert_allclose(np.abs((along * vectors[:, :, 1]).sum(axis=1)), 1.0, rtol=1e-9)


def test_a_bearing_counts_clockwise_from_north():
    _, _, bearing = principal_axes(np.array([4.0]), np.array([1.0]), np.array([0.0]))
    assert abs(bearing[0]) == pytest.approx(np.pi / 2)
    _, _, bearing = principal_axes(np.array([1.0]), np.array([1.0]), np.array([0.5]))
    assert bearing[0] == pytest.approx(np.pi / 4)


def test_the_circle_and_the_ellipse_hold_95_of_100_drawn_errors():
    rng = np.random.default_rng(8)
    covariance = np.array([[0.04, 0.012], [0.012, 0.01]])
    drawn = rng.multivariate_normal([0, 0], covariance, 200_000)
    major, minor, bearing = (
        float(x[0]) for x in principal_axes(covariance[:1, 0], covariance[1:, 1], covariance[:1, 1])
    )
    radius = major * float(circular_factor(np.array(minor / major)))
    assert (np.hypot(*drawn.T) <= radius).mean() == pytest.approx(0.95, abs=0.002)
    along = drawn @ [np.sin(bearing), np.cos(bearing)]
    across = drawn @ [np.cos(bearing), -np.sin(bearing)]
    within = (along / major) ** 2 + (across / minor) ** 2 <= chi2.ppf(0.95, 2)
    assert within.mean() == pytest.approx(0.95, abs=0.002)
