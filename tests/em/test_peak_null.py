"""Exact peaks and nulls of assumed layouts."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from asfound.em import (
    CrossSection,
    null_position,
    peak_position,
    section_field,
    section_field_curves,
)
from asfound.errors import InputError


def street(ratio, offset=0.8):
    return CrossSection(np.array([0.0, offset]), np.array([1.2, 1.0]), np.array([0.1, 0.1 * ratio]))


@pytest.mark.parametrize("ratio", [-0.6, -0.2, 0.1, 0.5])
def test_peak_and_null_are_those_of_a_fine_scan(ratio):
    x = np.linspace(-1.5, 1.5, 3_000_001)
    horizontal, vertical = section_field(street(ratio), x, 0.05)
    peak = peak_position(street(ratio), 0.05)
    assert float(peak) == pytest.approx(x[np.abs(horizontal).argmax()], abs=2e-6)
    zeros = x[:-1][np.signbit(vertical[:-1]) != np.signbit(vertical[1:])]
    nearest = zeros[np.abs(zeros - peak).argmin()]
    assert float(null_position(street(ratio), 0.05, near=peak)) == pytest.approx(nearest, abs=2e-6)


@settings(max_examples=60, deadline=None)
@given(
    st.floats(-3, 3), st.floats(0.3, 3), st.floats(0.3, 3), st.floats(-0.8, 0.8), st.floats(0, 1)
)
def test_the_slope_vanishes_at_every_peak_found(offset, depth, beside, ratio, height):
    section = CrossSection(
        np.array([0.0, offset]), np.array([depth, beside]), np.array([1.0, ratio])
    )
    peak = peak_position(section, height)
    if np.isnan(peak):
        return
    horizontal, _ = section_field_curves(section, np.atleast_1d(peak), height)
    steepest = 1.0 / min(depth, beside)
    assert abs(float(horizontal.slope[0])) <= 1e-9 * abs(float(horizontal.field[0])) * steepest
    assert float((horizontal.field * horizontal.bend)[0]) <= 1e-12


def test_mirrored_layouts_give_mirrored_peaks_and_nulls():
    rng = np.random.default_rng(1)
    position, depth = rng.uniform(-2, 2, (50, 3)), rng.uniform(0.5, 2, (50, 3))
    current = rng.uniform(-1, 1, (50, 3))
    section = CrossSection(position, depth, current)
    mirror = CrossSection(-position, depth, current)
    for find in (peak_position, null_position):
        np.testing.assert_allclose(find(section, 0.05), -find(mirror, 0.05), atol=1e-11)


def test_scaling_a_layout_scales_its_peak():
    small = CrossSection(np.array([0.0, 0.8]), np.array([1.15, 0.95]), np.array([0.1, 0.03]))
    large = CrossSection(np.array([0.0, 8.0]), np.array([11.5, 9.5]), np.array([0.1, 0.03]))
    assert float(peak_position(large, 0.5)) == pytest.approx(10 * float(peak_position(small, 0.05)))


def test_a_common_phase_moves_nothing():
    plain, turned = street(-0.35), street(-0.35)
    turned = CrossSection(plain.position, plain.depth, plain.current * np.exp(0.7j))
    for find in (peak_position, null_position):
        assert float(find(turned, 0.05)) == pytest.approx(float(find(plain, 0.05)), abs=1e-12)


def test_a_neighbour_in_quadrature_leaves_a_dip_not_a_zero():
    section = CrossSection(np.array([0.0, 0.8]), np.array([1.2, 1.0]), np.array([0.1, 0.035j]))
    null = null_position(section, 0.05)
    _, vertical = section_field(section, np.atleast_1d(null), 0.05)
    around = section_field(section, null + np.linspace(-0.3, 0.3, 601), 0.05)[1]
    assert np.abs(vertical[0]) > 0
    assert np.abs(around).min() == pytest.approx(np.abs(vertical[0]), rel=1e-6)


def test_a_uniform_background_shifts_the_null_as_derived():
    # K I u / (z² + u²) = b has the root u = (1 - sqrt(1 - 4 q² z²)) / 2 q, q = b / K I.
    z, q = 1.25, 0.1
    section = CrossSection(np.zeros(1), np.array([1.2]), np.ones(1), background_vertical=2e-7 * q)
    expected = (1 - np.sqrt(1 - 4 * q**2 * z**2)) / (2 * q)
    assert float(null_position(section, 0.05)) == pytest.approx(expected, rel=1e-12)


def test_without_a_peak_in_reach_the_answer_is_not_a_number():
    section = CrossSection(np.array([0.0]), np.array([1.0]), np.array([0.1]))
    assert np.isnan(peak_position(section, 0.05, near=5.0, reach=1.0))


def test_slopes_along_the_sweep_agree_with_complex_steps():
    section = street(0.4)
    x = np.linspace(-2, 2, 17)
    step = 1e-30

    def field(place):
        w = (section.depth + 0.05) + 0j
        across = place[:, None] - section.position
        squared = w * w + across * across
        return 2e-7 * np.stack(
            [(section.current * w / squared).sum(1), (-section.current * across / squared).sum(1)]
        )

    slopes = field(x + 1j * step).imag / step
    for curve, slope in zip(section_field_curves(section, x, 0.05), slopes, strict=True):
        np.testing.assert_allclose(curve.slope, slope, rtol=1e-12)
        bend = np.gradient(curve.slope, x)
        np.testing.assert_allclose(curve.bend[4:-4], bend[4:-4], atol=0.1 * np.abs(bend).max())


def test_a_conductor_above_ground_is_refused_with_what_to_measure():
    with pytest.raises(InputError, match="depth below ground to the conductor's centre"):
        CrossSection(np.array([0.0]), np.array([0.0]), np.array([1.0]))
    with pytest.raises(InputError, match="Read the current over each line"):
        CrossSection(np.array([0.0]), np.array([1.0]), np.array([np.nan]))
