"""What a receiver with one-conductor logic shows."""

import numpy as np
import pytest

from asfound.em import CoilPair, CrossSection, DepthReason, receiver_display


def test_over_one_line_everything_shown_is_right():
    section = CrossSection(
        np.array([[0.0], [0.7]]), np.array([[1.2], [0.6]]), np.array([[0.1], [-0.02]])
    )
    shown = receiver_display(section)
    np.testing.assert_allclose(shown.peak, [0, 0.7], atol=1e-12)
    np.testing.assert_allclose(shown.separation, 0, atol=1e-12)
    np.testing.assert_allclose(shown.depth, [1.2, 0.6], rtol=1e-12)
    np.testing.assert_allclose(shown.current, [0.1, 0.02], rtol=1e-12)


def test_lifting_the_receiver_changes_the_depth_only_beside_a_neighbour():
    alone = CrossSection(np.array([0.0]), np.array([1.2]), np.array([0.1]))
    beside = CrossSection(np.array([0.0, 0.8]), np.array([1.2, 0.8]), np.array([0.1, 0.035]))
    low, high = (receiver_display(alone, raised=raised).depth for raised in (0.0, 0.5))
    assert float(high) == pytest.approx(float(low), abs=1e-9)
    low, high = (receiver_display(beside, raised=raised).depth for raised in (0.0, 0.5))
    assert abs(float(high - low)) > 0.05


def test_a_layout_without_a_peak_shows_nothing_with_its_reason():
    section = CrossSection(np.array([0.0]), np.array([1.0]), np.array([0.1]))
    shown = receiver_display(section, near=6.0, reach=1.0)
    assert np.isnan([shown.peak, shown.null, shown.depth, shown.current]).all()
    assert shown.depth_reason == DepthReason.MISSING


def test_coils_of_another_receiver_change_the_depth_shown_beside_a_neighbour():
    section = CrossSection(np.array([0.0, 0.8]), np.array([1.2, 1.0]), np.array([0.1, 0.035]))
    short = receiver_display(section, CoilPair(0.05, 0.3)).depth
    long = receiver_display(section, CoilPair(0.05, 0.6)).depth
    assert abs(float(long - short)) > 0.01
