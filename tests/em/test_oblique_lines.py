"""Lines that cross the sweep at an angle or rise and fall."""

import numpy as np
import pytest

from asfound.em import ObliqueLines, oblique_field, oblique_field_gradient, segment_field
from asfound.em._line_fields import field_per_ampere
from asfound.errors import InputError


def lines(seed, count=4):
    rng = np.random.default_rng(seed)
    return [
        rng.uniform(-2, 2, count),
        rng.uniform(0.5, 2, count),
        rng.uniform(-1.2, 1.2, count),
        rng.uniform(-0.5, 0.5, count),
    ]


def test_a_square_level_crossing_is_the_plain_line():
    u = np.linspace(-3, 3, 31)
    places = np.stack([u, np.zeros(31), np.full(31, 0.05)], axis=1)
    field = oblique_field(places, ObliqueLines(*np.array([[0.4], [1.2], [0], [0]])), np.ones(1))
    peak, null = field_per_ampere(u - 0.4, np.full(31, 1.25))
    np.testing.assert_allclose(field[:, 0], peak, rtol=1e-13)
    np.testing.assert_allclose(field[:, 1], 0.0, atol=1e-24)
    np.testing.assert_allclose(field[:, 2], null, rtol=1e-12, atol=1e-22)


def test_oblique_lines_agree_with_very_long_pieces():
    # Other code, other formula: finite pieces of 10 000 km.
    position, depth, skew, grade = lines(1)
    direction = np.stack(
        [np.cos(grade) * np.sin(skew), np.cos(grade) * np.cos(skew), np.sin(grade)], axis=1
    )
    through = np.stack([position, 0 * position, -depth], axis=1)
    current = np.array([1.0, -0.4, 0.2, 0.7])
    places = np.random.default_rng(2).uniform(-2, 2, (40, 3))
    places[:, 2] = np.abs(places[:, 2])
    field = oblique_field(places, ObliqueLines(position, depth, skew, grade), current)
    half = 1e7
    long = segment_field(places, through - half * direction, through + half * direction, current)
    np.testing.assert_allclose(field, long, rtol=1e-7, atol=1e-7 * np.abs(long).max())


def test_derivatives_agree_with_central_differences():
    values = lines(3)
    places = np.random.default_rng(4).uniform(-2, 2, (30, 3))
    places[:, 2] = np.abs(places[:, 2])
    gradient = oblique_field_gradient(places, ObliqueLines(*values))
    step = 1e-6
    for index, derivative in enumerate(gradient[1:]):
        ends = []
        for sign in (1, -1):
            moved = [value.copy() for value in values]
            moved[index] += sign * step
            ends.append(oblique_field_gradient(places, ObliqueLines(*moved)).per_ampere)
        slope = (ends[0] - ends[1]) / (2 * step)
        np.testing.assert_allclose(derivative, slope, atol=1e-8 * np.abs(derivative).max())


def test_a_skew_crossing_widens_the_peak_and_feeds_the_along_line_coil():
    # Off square by s, the line lies u cos s away: the half-width grows by 1 / cos s.
    skew = np.pi / 3
    line = ObliqueLines(*np.array([[0.0], [1.0], [skew], [0.0]]))
    places = np.array([[0.0, 0, 0], [1.0 / np.cos(skew), 0, 0]])
    field = oblique_field(places, line, np.ones(1))
    assert field[1, 0] / field[0, 0] == pytest.approx(0.5, rel=1e-12)
    assert field[0, 1] / field[0, 0] == pytest.approx(-np.tan(skew), rel=1e-12)


def test_a_line_along_the_sweep_is_refused_with_what_to_do():
    with pytest.raises(InputError, match="Sweep square to the line"):
        ObliqueLines(*np.array([[0.0], [1.0], [np.pi / 2], [0.0]]))
