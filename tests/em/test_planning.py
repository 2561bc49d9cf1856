"""Predicted readings and maps of what a neighbour does."""

import numpy as np
import pytest

from asfound.em import (
    CrossSection,
    distortion_maps,
    peak_of_readings,
    predict_readings,
    receiver_display,
    two_coil_depth,
)
from asfound.errors import InputError


def test_predicted_readings_lead_to_the_predicted_display():
    street = CrossSection(np.array([0.0, 0.8]), np.array([1.2, 1.0]), np.array([0.1, -0.035]))
    plan = predict_readings(street, np.linspace(-2, 2, 4001))
    peak = peak_of_readings(plan.position, plan.horizontal[0])
    assert float(peak.position) == pytest.approx(float(plan.display.peak), abs=1e-4)
    at = plan.horizontal[0].argmax()
    depth = two_coil_depth(plan.horizontal[0, at], plan.horizontal[1, at]).depth
    assert float(depth) == pytest.approx(float(plan.display.depth), abs=1e-3)
    assert plan.vertical.shape == (2, 4001)


def test_maps_hold_the_display_of_each_layout():
    offset, ratio = np.array([-1.5, 0.4, 0.8, 2.5]), np.array([-0.6, -0.35, 0.2, 0.35])
    maps = distortion_maps(1.2, offset, ratio, neighbour_depth=1.0)
    for i, r in enumerate(ratio):
        for j, x in enumerate(offset):
            shown = receiver_display(
                CrossSection(np.array([0.0, x]), np.array([1.2, 1.0]), np.array([1.0, r]))
            )
            assert maps.peak_shift[i, j] == pytest.approx(float(shown.peak), abs=1e-9)
            assert maps.depth_error[i, j] == pytest.approx(float(shown.depth) - 1.2, abs=1e-9)
            assert maps.separation[i, j] == pytest.approx(float(shown.separation), abs=1e-9)


def test_a_same_way_neighbour_reads_deep_and_an_opposite_one_shallow():
    # The worked example's rule over a range of offsets: the dangerous sign is the unseen one.
    maps = distortion_maps(1.2, np.linspace(0.5, 1.5, 11), np.array([-0.35, 0.35]))
    assert (maps.depth_error[0] < 0).all()
    assert (maps.depth_error[1] > 0).all()
    # To 0.8 m the same-way neighbour shows less than half of the other's warning.
    assert (np.abs(maps.separation[1, :4]) < 0.5 * np.abs(maps.separation[0, :4])).all()


def test_without_current_a_neighbour_does_nothing():
    maps = distortion_maps(1.2, np.array([0.3, 1.0]), np.array([0.0]))
    np.testing.assert_allclose(maps.peak_shift, 0, atol=1e-12)
    np.testing.assert_allclose(maps.depth_error, 0, atol=1e-12)
    assert not maps.wrong_line.any()


def test_a_strong_shallow_neighbour_takes_the_peak_over():
    maps = distortion_maps(2.0, np.array([0.5]), np.array([0.8]), neighbour_depth=0.5)
    assert maps.wrong_line.all()


def test_several_layouts_at_once_are_refused_with_what_to_give():
    section = CrossSection(np.zeros((2, 1)), np.ones((2, 1)), np.ones((2, 1)))
    with pytest.raises(InputError, match="Give one layout"):
        predict_readings(section, np.linspace(-1, 1, 5))
