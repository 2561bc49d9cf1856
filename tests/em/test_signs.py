"""Signs of distortion at one shot."""

import numpy as np
import pytest

from asfound.em import (
    OWN_SIGNAL,
    CoilPair,
    ShotSigns,
    draw_neighbours,
    judge_signs,
    pinpointing_sd,
    sign_library,
    two_coil_depth_sd,
)
from asfound.em._sign_library import show_signs
from asfound.errors import InputError


@pytest.fixture(scope="module")
def library():
    return sign_library(count=40_000, seed=3)


def noisy_shots(count, seed):
    """Shots over drawn layouts as a technician would record them, and their true errors."""
    rng = np.random.default_rng(seed)
    draws = draw_neighbours(OWN_SIGNAL, count, rng)
    shown, wrong, peak = show_signs(draws, CoilPair(), 0.5)
    keep = ~wrong & np.isfinite(shown.depth) & (shown.depth > 0.45) & (shown.depth < 2.5)
    mark = pinpointing_sd(shown.depth)
    at_peak, at_null, at_left, at_right = mark * rng.standard_normal((4, count))
    left = 0.5 * (shown.width - shown.width_difference) + at_peak - at_left
    right = 0.5 * (shown.width + shown.width_difference) + at_right - at_peak
    depth = shown.depth + two_coil_depth_sd(shown.depth) * rng.standard_normal(count)
    raised = shown.raised_depth + two_coil_depth_sd(
        shown.depth, bottom_height=0.55
    ) * rng.standard_normal(count)
    ratio = shown.field * (depth + 0.05) * np.exp(0.051 * rng.standard_normal(count))
    signs = ShotSigns(
        depth[keep],
        (shown.separation + at_null - at_peak)[keep],
        left[keep],
        right[keep],
        raised[keep],
        ratio[keep],
        shown.reversed[keep],
    )
    return signs, peak[keep], (shown.depth - draws.depth)[keep], draws.ratio[keep]


def test_scores_of_lone_lines_are_those_of_noise(library):
    signs, _, _, ratio = noisy_shots(4000, 1)
    score = judge_signs(signs, library).score
    alone = ratio == 0.0
    for name in ("separation", "asymmetry", "height_change", "current"):
        values = getattr(score, name)[alone]
        assert np.mean(values < 1.96) == pytest.approx(0.95, abs=0.02), name
    assert not score.reversed[alone].any()


def test_what_the_signs_imply_holds_the_truth_95_times_in_100(library):
    signs, peak, depth_error, _ = noisy_shots(3000, 2)
    judged = judge_signs(signs, library)
    good = judged.explained
    assert good.mean() > 0.95
    rng = np.random.default_rng(8)
    for error, noise, bias, sd in (
        (peak, pinpointing_sd(signs.depth), judged.horizontal_bias, judged.horizontal_sd),
        (depth_error, two_coil_depth_sd(signs.depth), judged.depth_bias, judged.depth_sd),
    ):
        off = error + noise * rng.standard_normal(len(noise)) - bias
        inside = np.abs(off)[good] <= 1.96 * np.hypot(sd, noise)[good]
        assert 0.94 <= inside.mean() <= 0.98


def test_signs_point_the_way_and_take_error_away(library):
    signs, peak, depth_error, ratio = noisy_shots(8000, 4)
    judged = judge_signs(signs, library)
    strong = judged.explained & (np.abs(ratio) > 0.2)

    def left_over(error, bias):
        return np.sqrt(np.mean((error - bias)[strong] ** 2) / np.mean(error[strong] ** 2))

    assert left_over(peak, judged.horizontal_bias) < 0.95
    assert left_over(depth_error, judged.depth_bias) < 0.6


def test_more_signs_tell_lone_lines_from_neighbours_better(library):
    signs, _, _, ratio = noisy_shots(3000, 5)
    bare = ShotSigns(signs.depth, signs.separation)
    strong = np.abs(ratio) > 0.2
    few, many = judge_signs(bare, library).neighbour, judge_signs(signs, library).neighbour
    good = strong & np.isfinite(few) & np.isfinite(many)
    assert many[good].mean() > few[good].mean() + 0.05


def test_an_arrow_against_the_hook_up_points_to_the_wrong_line(library):
    depth, turned = np.array([1.0, 1.0]), np.array([False, True])
    judged = judge_signs(ShotSigns(depth, reversed=turned), library)
    assert judged.wrong_line[0] < 0.01
    assert judged.wrong_line[1] > 0.99


def test_without_sides_there_is_no_direction(library):
    judged = judge_signs(
        ShotSigns(np.array([1.2]), separation=np.array([0.2]), sided=False), library
    )
    assert judged.horizontal_bias[0] == 0.0
    assert judged.horizontal_sd[0] > 0.05


def test_signs_no_layout_shows_are_left_unexplained(library):
    judged = judge_signs(
        ShotSigns(np.array([1.0]), separation=np.array([0.01]), raised_depth=np.array([9.0])),
        library,
    )
    assert not judged.explained[0]
    assert np.isnan(judged.depth_sd[0])


def test_columns_of_different_length_are_refused():
    with pytest.raises(InputError, match="one value a shot"):
        ShotSigns(np.zeros(3), separation=np.zeros(2))
