"""Field of straight pieces of conductor against independent solvers and limits."""

import magpylib
import numpy as np
import pytest
from scipy.constants import mu_0
from scipy.integrate import quad

from asfound.em import segment_field, segment_field_gradient
from asfound.em._line_fields import LINE_FIELD_CONSTANT, field_per_ampere
from asfound.em._segment_fields import segment_kernel
from asfound.errors import InputError

# The solvers take CODATA's mu0, which differs from 4 pi 1e-7 in the tenth figure.
SAME_CONSTANT = LINE_FIELD_CONSTANT / (mu_0 / (2 * np.pi))


def pieces(seed, count=25):
    rng = np.random.default_rng(seed)
    start, end = rng.uniform(-3, 3, (2, count, 3))
    return start, end, rng.normal(size=count)


def test_pieces_agree_with_a_general_field_solver():
    start, end, current = pieces(0)
    observers = np.random.default_rng(1).uniform(-4, 4, (200, 3))
    sources = [
        magpylib.current.Polyline(current=i, vertices=[a, b])
        for i, a, b in zip(current, start, end, strict=True)
    ]
    solved = SAME_CONSTANT * magpylib.getB(sources, observers, sumup=True)
    field = segment_field(observers, start, end, current)
    size = np.linalg.norm(solved, axis=1, keepdims=True)
    np.testing.assert_allclose(field / size, solved / size, atol=1e-9)


def test_pieces_agree_with_quadrature_of_biot_savart():
    start, end, current = pieces(2, 6)
    observers = np.random.default_rng(3).uniform(-4, 4, (6, 3))
    field = np.array(
        [
            segment_field(o[None], a[None], b[None], i[None])[0]
            for o, a, b, i in zip(observers, start, end, current, strict=True)
        ]
    )
    for k, (o, a, b, i) in enumerate(zip(observers, start, end, current, strict=True)):
        for axis in range(3):

            def integrand(t, o=o, a=a, b=b, axis=axis):
                r = o - (a + t * (b - a))
                return np.cross(b - a, r)[axis] / np.linalg.norm(r) ** 3

            nearest = np.clip((o - a) @ (b - a) / ((b - a) @ (b - a)), 0, 1)
            value, _ = quad(integrand, 0, 1, points=[nearest], epsabs=0, epsrel=1e-11, limit=200)
            expected = 0.5 * LINE_FIELD_CONSTANT * i * value
            assert field[k, axis] == pytest.approx(expected, rel=1e-9)


def test_a_very_long_piece_reads_as_an_endless_line():
    # Straight wire of half-length L: short of the endless wire by r² / 2 L².
    half = 1.0e7
    u, z = np.linspace(-4, 4, 41), np.full(41, 1.3)
    observers = np.stack([u, np.zeros(41), np.zeros(41)], axis=1)
    field = segment_field(
        observers, np.array([[0, -half, -1.3]]), np.array([[0, half, -1.3]]), np.ones(1)
    )
    peak, null = field_per_ampere(u, z)
    np.testing.assert_allclose(field[:, 0], peak, rtol=1e-9)
    np.testing.assert_allclose(field[:, 2], null, rtol=1e-9, atol=1e-18)


def test_a_piece_makes_no_field_on_its_own_axis():
    observers = np.array([[0, 3.0, 0], [0, -2.5, 0], [0, 1e5, 0]])
    field = segment_field(observers, np.array([[0, -1.0, 0]]), np.array([[0, 1.0, 0]]), np.ones(1))
    np.testing.assert_array_equal(field, 0.0)


def test_near_the_axis_the_field_grows_in_proportion_to_the_offset():
    # Closed form seen from beyond the end: K/2 rho (1/a² - 1/b²)/2 to first order in rho.
    rho = np.array([1e-9, 1e-6, 1e-4])
    observers = np.stack([rho, np.full(3, 3.0), np.zeros(3)], axis=1)
    field = segment_field(observers, np.array([[0, -1.0, 0]]), np.array([[0, 1.0, 0]]), np.ones(1))
    slope = 0.5 * LINE_FIELD_CONSTANT * 0.5 * (1 / 2.0**2 - 1 / 4.0**2)
    np.testing.assert_allclose(-field[:, 2] / rho, slope, rtol=1e-7)


def test_far_away_a_short_piece_is_a_current_element():
    # dB = mu0/4pi I dl x r / r³; corrections are of order (length / distance)². The coordinates
    # themselves hold 0.1 m in 4e4 m to 1e-11.
    a, b = np.array([[0.0, -0.05, 0.0]]), np.array([[0.0, 0.05, 0.0]])
    o = np.array([[3e4, 1e4, -2e4]])
    expected = 0.5 * LINE_FIELD_CONSTANT * np.cross(b - a, o) / np.linalg.norm(o) ** 3
    np.testing.assert_allclose(segment_field(o, a, b, np.ones(1)), expected, rtol=1e-10)


def test_cutting_a_piece_in_two_changes_nothing():
    a, b = np.array([[-2.0, 0.5, -1.0]]), np.array([[3.0, -1.0, -0.4]])
    middle = a + 0.37 * (b - a)
    o = np.random.default_rng(4).uniform(-3, 3, (50, 3))
    whole = segment_field(o, a, b, np.ones(1))
    cut = segment_field(o, np.vstack([a, middle]), np.vstack([middle, b]), np.ones(2))
    np.testing.assert_allclose(cut, whole, rtol=1e-11, atol=1e-20)


def test_phasor_currents_add_as_complex_numbers():
    start, end, current = pieces(5, 4)
    o = np.random.default_rng(6).uniform(-3, 3, (7, 3))
    phase = np.exp(1j * np.arange(4))
    field = segment_field(o, start, end, current * phase)
    real = segment_field(o, start, end, (current * phase).real)
    imaginary = segment_field(o, start, end, (current * phase).imag)
    np.testing.assert_allclose(field, real + 1j * imaginary, rtol=1e-12)


def test_derivatives_by_end_points_agree_with_central_differences():
    start, end, current = pieces(7, 8)
    o = np.random.default_rng(8).uniform(-3, 3, (20, 3))
    per_ampere, by_start, by_end = segment_field_gradient(o, start, end, current)
    np.testing.assert_allclose(
        np.einsum("nmi,m->ni", per_ampere, current), segment_field(o, start, end, current)
    )
    step = 1e-5
    for points, derivative in ((start, by_start), (end, by_end)):
        for piece in range(8):
            for axis in range(3):
                points[piece, axis] += step
                above = segment_field(o, start, end, current)
                points[piece, axis] -= 2 * step
                below = segment_field(o, start, end, current)
                points[piece, axis] += step
                slope = (above - below) / (2 * step)
                scale = np.abs(derivative[:, piece]).max()
                np.testing.assert_allclose(derivative[:, piece, :, axis], slope, atol=1e-6 * scale)


def test_kernel_is_stable_close_beside_a_long_piece():
    # 100 km piece, coil 1 m beside it: the plain closed form loses half of its digits here.
    from_start = tuple(np.array([v]) for v in (1.0, 5e4, 0.0))
    from_end = tuple(np.array([v]) for v in (1.0, -5e4, 0.0))
    field = segment_kernel(from_start, from_end)
    expected = LINE_FIELD_CONSTANT * 5e4 / np.hypot(5e4, 1.0)
    assert -field[2][0] == pytest.approx(expected, rel=1e-12)


def test_a_piece_without_length_is_refused_with_what_to_measure():
    with pytest.raises(InputError, match=r"length 0 m\. Measure where it starts and ends"):
        segment_field(np.zeros((1, 3)), np.ones((1, 3)), np.ones((1, 3)), np.ones(1))
    with pytest.raises(InputError, match="needs a start, an end and a measured current"):
        segment_field(np.zeros((1, 3)), np.ones((2, 3)), np.zeros((2, 3)), np.ones(1))
