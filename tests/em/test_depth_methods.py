"""Depth methods: exact over one line, honest about noise, silent where they do not hold."""

import numpy as np
import pytest

from asfound.em import (
    CrossSection,
    DepthReason,
    gradient_width_depth,
    null_at_45_depth,
    section_field,
    two_coil_depth,
    two_coil_depth_sd,
    width_depth,
)
from asfound.errors import InputError

DEPTHS = np.array([0.2, 0.6, 1.2, 2.5, 5.0])


def reading(depth, offset, height):
    """Horizontal coil over one line, scalar offset a depth."""
    line = CrossSection(np.zeros((len(depth), 1)), depth[:, None], np.ones((len(depth), 1)))
    return section_field(line, offset[:, None], height)[0][:, 0]


def test_two_coils_give_the_depth_exactly_at_any_gain():
    zero = np.zeros_like(DEPTHS)
    bottom, top = reading(DEPTHS, zero, 0.08), reading(DEPTHS, zero, 0.58)
    for gain in (1.0, 3.7e9):
        estimate = two_coil_depth(gain * bottom, gain * top, 0.5, 0.08)
        np.testing.assert_allclose(estimate.depth, DEPTHS, rtol=1e-11)
        assert (estimate.reason == DepthReason.VALID).all()


def test_widths_give_the_depth_exactly_at_any_fraction():
    # The half-width is found by root-free scanning of the true field, not by the formula.
    for fraction in (0.3, 0.5, 0.8):
        for depth in DEPTHS:
            u = np.linspace(0, 12 * depth, 400_001)
            field = reading(np.full_like(u, depth), u, 0.05)
            half = np.interp(-fraction, -field / field[0], u)
            estimate = width_depth(2 * half, fraction)
            assert float(estimate.depth) == pytest.approx(depth, rel=1e-7)


def test_widths_of_the_coil_difference_give_the_depth_exactly():
    for fraction in (0.3, 0.5, 0.8):
        for depth in DEPTHS:
            u = np.linspace(0, 2 * depth + 1, 400_001)
            lower = reading(np.full_like(u, depth), u, 0.05)
            upper = reading(np.full_like(u, depth), u, 0.45)
            difference = (lower - upper) / (lower - upper)[0]
            falling = u[: np.argmin(difference)]
            half = np.interp(-fraction, -difference[: len(falling)], falling)
            estimate = gradient_width_depth(2 * half, fraction)
            assert float(estimate.depth) == pytest.approx(depth, rel=1e-6)


def test_the_difference_of_coils_is_sharper_than_one_coil():
    # 2 z at half for one coil; the gradient of a dipole-like pair falls faster.
    one, two = width_depth(2.5, 0.5), gradient_width_depth(2.5, 0.5)
    assert float(two.depth) > float(one.depth)


def test_the_field_stands_at_45_degrees_one_distance_aside():
    z = DEPTHS + 0.05
    line = CrossSection(np.zeros((5, 1)), DEPTHS[:, None], np.ones((5, 1)))
    horizontal, vertical = section_field(line, z[:, None], 0.05)
    np.testing.assert_allclose(horizontal, -vertical, rtol=1e-12)
    np.testing.assert_allclose(null_at_45_depth(z, 0.05).depth, DEPTHS, rtol=1e-12)


def test_an_angle_error_moves_the_45_degree_depth_as_its_variance_says():
    # A coil at 45° + e goes null where the field leans by as much: u = z tan(45° + e).
    z, e = 1.3, 1e-5
    moved = z * np.tan(np.pi / 4 + e)
    error = null_at_45_depth(moved).depth - null_at_45_depth(z).depth
    sd = np.sqrt(null_at_45_depth(z, angle_sd=e).variance)
    assert float(sd) == pytest.approx(float(error), rel=1e-4)


@pytest.mark.parametrize("relative", [0.003, 0.01])
def test_two_coil_variance_is_what_noisy_readings_scatter(relative):
    rng = np.random.default_rng(11)
    z = 1.0 + np.array([0.05, 0.45])
    sd = relative / z
    noisy = 1 / z + sd * rng.standard_normal((200_000, 2))
    estimate = two_coil_depth(noisy[:, 0], noisy[:, 1])
    exact = two_coil_depth(1 / z[0], 1 / z[1], bottom_sd=sd[0], top_sd=sd[1])
    assert np.nanstd(estimate.depth) == pytest.approx(float(exact.variance) ** 0.5, rel=0.02)
    assert float(exact.variance) ** 0.5 == pytest.approx(
        float(two_coil_depth_sd(1.0, relative_noise=relative)), rel=1e-12
    )


def test_depth_noise_grows_as_depth_times_depth_plus_separation():
    sd = two_coil_depth_sd(np.array([1.0, 2.0]) - 0.05, 0.4, 0.05, 0.01)
    assert sd[1] / sd[0] == pytest.approx(2.0 * 2.4 / (1.0 * 1.4), rel=1e-12)


@pytest.mark.parametrize("method", [width_depth, gradient_width_depth])
def test_width_variances_agree_with_differences_of_the_depth(method):
    step = 1e-6
    for width, fraction in ((1.0, 0.5), (3.0, 0.8), (2.0, 0.3)):
        by_width = (method(width + step, fraction).depth - method(width - step, fraction).depth) / (
            2 * step
        )
        by_fraction = (
            method(width, fraction + step).depth - method(width, fraction - step).depth
        ) / (2 * step)
        assert float(method(width, fraction, width_sd=0.02).variance) == pytest.approx(
            (0.02 * by_width) ** 2, rel=1e-6
        )
        assert float(method(width, fraction, fraction_sd=0.01).variance) == pytest.approx(
            (0.01 * by_fraction) ** 2, rel=1e-6
        )


def test_every_reading_without_a_depth_has_its_reason_and_advice():
    bottom = np.array([np.nan, -1.0, 1.0, 100.0, 1.0, 1.0])
    top = np.array([1.0, 1.0, 1.5, 1.0, 0.995, 0.7])
    estimate = two_coil_depth(bottom, top, bottom_sd=0.01, top_sd=0.01)
    expected = [
        DepthReason.MISSING,
        DepthReason.NOT_POSITIVE,
        DepthReason.NO_DECREASE,
        DepthReason.ABOVE_GROUND,
        DepthReason.DROWNED,
        DepthReason.VALID,
    ]
    np.testing.assert_array_equal(estimate.reason, expected)
    np.testing.assert_array_equal(np.isnan(estimate.depth), estimate.reason != 0)
    np.testing.assert_array_equal(np.isnan(estimate.variance), estimate.reason != 0)
    assert "again" in DepthReason.DROWNED.sentence
    assert len({reason.sentence for reason in DepthReason}) == len(DepthReason)


def test_impossible_fractions_and_coils_are_refused_with_what_to_measure():
    with pytest.raises(InputError, match=r"1\.5\. Measure the width at a fraction between"):
        width_depth(1.0, 1.5)
    with pytest.raises(InputError, match="Measure the distance between the coils"):
        two_coil_depth(2.0, 1.0, separation=0.0)
