"""Moments, variable projection and its derivatives, against plain dense linear algebra."""

import numpy as np
import pytest

from asfound.em.inversion._moments import GeneralMoments, Readings, columns
from asfound.em.inversion._paired_moments import paired_moments
from asfound.em.inversion._varpro import project


def _readings(n=40, parts=1, heights=(0.05, 0.45), background=False, seed=0):
    rng = np.random.default_rng(seed)
    place = np.linspace(-3, 3, 31)
    k = 2 * len(heights) * len(place)
    position = np.tile(place, 2 * len(heights))[np.newaxis]
    height = np.tile(np.repeat(heights, len(place)), 2)[np.newaxis]
    vertical = (np.arange(k) >= k // 2)[np.newaxis]
    value = rng.standard_normal((n, parts, k))
    weight = np.broadcast_to(rng.uniform(1, 100, (n, 1)), (n, k)).copy()
    return Readings(position, height, vertical, value, weight, background)


def _places(size, n, seed=1):
    rng = np.random.default_rng(seed)
    return np.concatenate([rng.uniform(-3, 3, (size, n)), rng.uniform(0.3, 3, (size, n))])


@pytest.mark.parametrize("parts", [1, 2])
@pytest.mark.parametrize("size", [1, 2, 3])
def test_the_closed_form_equals_the_explicit_columns(size, parts):
    readings = _readings(parts=parts)
    place = _places(size, 40)
    fast = paired_moments(readings)
    assert fast is not None
    closed, explicit = fast(place, bend=True), GeneralMoments(readings)(place, bend=True)
    for a, b in zip(closed, explicit, strict=True):
        np.testing.assert_allclose(a, b, rtol=1e-11, atol=1e-12 * np.abs(b).max())


def test_the_closed_form_is_refused_where_it_does_not_hold():
    readings = _readings()
    weight = readings.weight.copy()
    weight[0, 3] *= 2.0
    assert paired_moments(readings._replace(weight=weight)) is None
    assert paired_moments(readings._replace(background=True)) is None
    position = readings.position.copy()
    position[0, 0] += 0.01
    assert paired_moments(readings._replace(position=position)) is None
    assert paired_moments(readings._replace(vertical=~readings.vertical)) is not None
    assert paired_moments(readings._replace(vertical=readings.vertical & False)) is None


def test_the_draft_is_good_to_a_hundredth_of_a_noise_variance():
    readings = _readings(n=20)
    place = _places(2, 20)
    exact = paired_moments(readings)
    assert exact is not None
    rough = project(exact.draft()(place, bend=False), 0)
    fine = project(exact(place, bend=False), 0)
    # Weights up to 100 and values of order 1: a square of order 1e4 to seven figures.
    np.testing.assert_allclose(rough.square, fine.square, rtol=2e-6)


@pytest.mark.parametrize("background", [False, True])
@pytest.mark.parametrize("parts", [1, 2])
def test_projection_is_least_squares(parts, background):
    # Reference: numpy.linalg.lstsq on each sweep by itself.
    readings = _readings(n=6, parts=parts, background=background)
    place = _places(2, 6)
    source = GeneralMoments(readings)
    found = project(source(place, bend=False), source.n_background)
    model = columns(readings, place, order=0)
    for i in range(6):
        root = np.sqrt(readings.weight[i])
        right = (readings.value[i] * root).T
        solution, square, *_ = np.linalg.lstsq((model[i] * root).T, right)
        np.testing.assert_allclose(found.linear[..., i], solution, rtol=1e-8, atol=1e-10)
        np.testing.assert_allclose(found.square[i], square.sum(), rtol=1e-9)


@pytest.mark.parametrize("background", [False, True])
@pytest.mark.parametrize("parts", [1, 2])
def test_gradient_and_newton_hessian_are_the_derivatives_of_the_projected_square(parts, background):
    readings = _readings(n=8, parts=parts, background=background)
    place = _places(2, 8)
    source = GeneralMoments(readings)

    def at(where):
        return project(source(where, bend=True), source.n_background)

    here = at(place)
    step = 1e-5
    for i in range(4):
        shift = np.zeros_like(place)
        shift[i] = step
        up, down = at(place + shift), at(place - shift)
        slope = (up.square - down.square) / (4 * step)  # gradient of half the square
        np.testing.assert_allclose(
            here.gradient[i], slope, rtol=1e-5, atol=1e-6 * np.abs(slope).max()
        )
        curve = (up.gradient - down.gradient) / (2 * step)
        np.testing.assert_allclose(
            here.newton[i], curve, rtol=1e-5, atol=1e-6 * np.abs(curve).max()
        )
