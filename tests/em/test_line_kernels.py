"""Field of long straight conductors against independent sources."""

import magpylib
import numpy as np
import pytest
from scipy.integrate import quad

from asfound.em._line_fields import (
    LINE_FIELD_CONSTANT,
    coil_field,
    coil_field_gradient,
    field_gradient,
    field_per_ampere,
)


def test_one_ampere_at_one_metre_gives_two_tenths_of_a_microtesla():
    # Definition-level physics: B = mu0 I / (2 pi r).
    peak, null = field_per_ampere(np.array(0.0), np.array(1.0))
    assert peak == pytest.approx(2.0e-7, rel=1e-12)
    assert null == 0.0


def test_half_of_the_peak_stands_one_depth_aside():
    # Bx / Bmax = z² / (z² + x²), derived.
    z = 1.3
    peak, _ = field_per_ampere(np.array([0.0, z, z / 2]), np.array(z))
    np.testing.assert_allclose(peak / peak[0], [1.0, 0.5, 0.8], rtol=1e-14)


def test_field_agrees_with_quadrature_of_biot_savart():
    # Biot-Savart, dB = K/2 I dl x r / r³, integrated by scipy along the endless wire (y axis).
    rng = np.random.default_rng(3)
    for u, z in zip(rng.uniform(-4, 4, 12), rng.uniform(0.3, 4, 12), strict=True):
        integral, _ = quad(
            lambda y, u=u, z=z: (u * u + y * y + z * z) ** -1.5, 0, np.inf, epsabs=0, epsrel=1e-12
        )
        size = LINE_FIELD_CONSTANT * integral
        peak, null = field_per_ampere(np.array(u), np.array(z))
        # dl x r with dl along y and r from wire to coil: (z, 0, -u).
        np.testing.assert_allclose([peak, null], [size * z, -size * u], rtol=1e-9)


def test_field_agrees_with_a_general_field_solver():
    # magpylib (independent library): a straight wire of half-length L; its field differs from the
    # infinite wire's by the factor L / sqrt(L² + r²) = 1 - r²/2L², so L = 1e6 m is infinite here.
    half = 1.0e6
    rng = np.random.default_rng(5)
    u, z = rng.uniform(-5, 5, 200), rng.uniform(0.2, 5, 200)
    wire = magpylib.current.Polyline(current=1.0, vertices=[[0, -half, 0], [0, half, 0]])
    solved = wire.getB(np.stack([u, np.zeros(200), z], axis=1))
    peak, null = field_per_ampere(u, z)
    np.testing.assert_allclose(peak, solved[:, 0], rtol=1e-9)
    np.testing.assert_allclose(null, solved[:, 2], rtol=1e-9, atol=1e-24)


def test_derivatives_agree_with_complex_steps():
    # Complex-step differentiation is exact to rounding and shares no code with the derivatives.
    rng = np.random.default_rng(7)
    u, z = rng.uniform(-3, 3, 50), rng.uniform(0.2, 4, 50)
    step = 1e-30
    moved = [k.imag / step for k in field_per_ampere(u - 1j * step, z + 0j)]
    sunk = [k.imag / step for k in field_per_ampere(u + 0j, z + 1j * step)]
    gradient = field_gradient(u, z)
    np.testing.assert_allclose(gradient.peak_by_position, moved[0], rtol=1e-12)
    np.testing.assert_allclose(gradient.null_by_position, moved[1], rtol=1e-12)
    np.testing.assert_allclose(gradient.peak_by_depth, sunk[0], rtol=1e-12)
    np.testing.assert_allclose(gradient.null_by_depth, sunk[1], rtol=1e-12)


def test_coil_field_picks_the_component_the_coil_sees_and_broadcasts():
    u = np.linspace(-1, 1, 5)[np.newaxis, :, np.newaxis] - np.array([0.0, 0.4])
    z = np.array([[1.0, 1.2], [0.6, 2.0]])[:, np.newaxis, :]
    vertical = np.array([True, False, True, False, True])[np.newaxis, :, np.newaxis]
    field, by_position, by_depth = coil_field_gradient(u, z, vertical)
    peak, null = field_per_ampere(u, z)
    assert field.shape == by_position.shape == by_depth.shape == (2, 5, 2)
    np.testing.assert_allclose(field, np.where(vertical, null, peak), rtol=1e-14)
    np.testing.assert_allclose(coil_field(u, z, vertical), field, rtol=1e-15)
