"""Expectations from neighbours, against plain loops and lines whose answer is known."""

import numpy as np
import pytest

from asfound.budget.rules._along_kernels import odd_depths
from asfound.budget.rules._stretch_kernels import median_steps, scatter_of
from asfound.budget.rules.runs import Runs, in_the_log
from asfound.budget.rules.steps import straight_steps


def expected_plainly(station, values):
    """What neighbours lead one to expect, by the rule's words: a plain loop."""
    expected = np.full(len(values), np.nan)
    for k in range(len(values)):
        guesses, pairs = [], 0
        for j in range(1, 5):
            if k - j >= 0 and k + j < len(values) and station[k + j] - station[k - j] < 60:
                pairs += 1
                places = station[[k - j, k + j]]
                guesses.append(np.interp(station[k], places, values[[k - j, k + j]]))
        if pairs < 3:
            near = np.abs(station - station[k]) < 30
            near[k] = False
            near[: max(k - 4, 0)] = near[k + 5 :] = False
            guesses = values[near]
        if np.isfinite(guesses).any():
            expected[k] = np.nanmedian(guesses)
    return expected


def along(depth, station, *, scores=0.0):
    """Depths under level ground that lies at 0, so that depth and height say the same."""
    count = len(depth)
    order, starts = np.arange(count), np.array([0, count])
    rows, usual, spread = np.empty(count, np.int64), np.empty(count), np.empty(count)
    level, own = np.zeros(count), np.full((count, 4), 1e-4)
    found = odd_depths(
        order, starts, station, depth, level, -depth, own, scores, rows, usual, spread
    )
    return rows[:found], usual[:found], spread[:found]


@pytest.mark.parametrize("seed", range(4))
def test_expectations_are_the_medians_of_what_pairs_of_neighbours_predict(seed):
    rng = np.random.default_rng(seed)
    station = np.cumsum(rng.choice([1.0, 3.0, 9.0, 40.0], 80, p=[0.3, 0.5, 0.15, 0.05]))
    depth = 1.2 + 0.3 * rng.standard_normal(80)
    depth[rng.random(80) < 0.2] = np.nan
    expected = expected_plainly(station, depth)
    rows, usual, _ = along(depth, station)
    assert rows.tolist() == np.flatnonzero(np.isfinite(depth) & np.isfinite(expected)).tolist()
    np.testing.assert_allclose(usual, expected[rows], rtol=1e-12)


@pytest.mark.parametrize("seed", range(4))
def test_no_depth_is_passed_over_that_lies_off(seed):
    # Rough depths, so that both kinds occur; those passed over at a glance count too.
    rng = np.random.default_rng(seed)
    station = 3.0 * np.arange(400)
    depth = 1.0 + 0.1 * rng.standard_normal(400)
    rows, usual, spread = along(depth, station)
    off = rows[np.abs(depth[rows] - usual) > 3.0 * spread]
    assert 20 < len(off) < 200
    assert along(depth, station, scores=3.0)[0].tolist() == off.tolist()


def test_a_steady_grade_is_expected_exactly(survey, straight):
    scene = survey(straight(count=21), noise=0.0, flat=True)
    scene = scene.having(depth=1.0 + 0.02 * np.arange(21))
    scene = scene.having([10], depth=5.0)
    odd = scene.context().depths
    assert odd.rows.tolist() == [10]
    assert odd.expected[0] == pytest.approx(1.2, abs=1e-9)


def test_one_bad_depth_leaves_its_neighbours_expectations_alone(survey, straight):
    for row in range(21):
        scene = survey(straight(count=21), noise=0.0)
        odd = scene.having([row], depth=12.0).context().depths
        assert odd.rows.tolist() == [row]
        assert odd.expected[0] == pytest.approx(1.2, abs=0.1)


@pytest.mark.parametrize("row", [0, 4, 7, 16, 20])
def test_a_place_aside_is_measured_from_the_line_of_the_others(survey, straight, row):
    scene = survey(straight(count=21), noise=0.0).moved([row], north=0.8)
    odd = scene.context().places
    assert odd.rows.tolist() == [row]
    assert odd.aside[0] == pytest.approx(0.8, abs=0.01)


def test_places_on_a_curve_are_no_odd_ones(survey, curved):
    assert len(survey(curved(radius=6.0, spacing=1.0)).context().places.rows) == 0


def test_a_current_is_held_against_the_logarithms_of_its_neighbours(survey, straight):
    scene = survey(straight(count=21), noise=0.0)
    current = 0.1 * np.exp(-np.arange(21) / 20.0)
    current[8] *= 2.0
    odd = scene.having(current=current).context().currents
    assert odd.rows.tolist() == [8]
    assert odd.change[0] == pytest.approx(np.log(2.0), abs=1e-9)


def test_a_pipe_laid_straight_under_uneven_ground_has_no_odd_depths(survey, straight, silent):
    scene = survey(straight(count=31), flat=True, noise=0.5)
    bumps = 0.35 * np.sin(np.arange(31) * 1.3)
    scene = scene.moved(slice(None), up=bumps).having(depth=scene.shots.depth + bumps)
    silent(scene, "depth-neighbours")


def test_a_cable_that_follows_uneven_ground_has_no_odd_depths_either(survey, straight, silent):
    scene = survey(straight(count=31), flat=True, noise=0.5)
    silent(scene.moved(slice(None), up=0.35 * np.sin(np.arange(31) * 1.3)), "depth-neighbours")


def test_the_log_is_sorted_by_upload_receiver_time_and_row(survey, straight):
    scene = survey(straight(count=30), straight((0, 5), count=30, source=1))
    shuffled = scene.reordered(np.random.default_rng(2).permutation(60))
    order = in_the_log(shuffled.shots)
    assert (np.diff(shuffled.shots.time[order]) > np.timedelta64(0)).all()
    np.testing.assert_array_equal(in_the_log(scene.shots), np.arange(60))


def test_rows_without_a_time_come_after_those_with_one(survey, straight):
    scene = survey(straight(count=6))
    scene = scene.having([2], time=np.datetime64("NaT", "us"))
    assert in_the_log(scene.shots).tolist() == [0, 1, 3, 4, 5, 2]


@pytest.mark.parametrize("noise", [0.02, 0.1, 0.5])
def test_scatter_is_that_of_the_noise(noise):
    rng = np.random.default_rng(4)
    values = noise * rng.standard_normal(2000) + 0.001 * np.arange(2000)
    assert scatter_of(values, 2000, np.empty(2000)) == pytest.approx(noise, rel=0.08)


def test_scatter_is_not_taken_in_by_outliers():
    rng = np.random.default_rng(4)
    values = 0.02 * rng.standard_normal(2000)
    values[::25] += 3.0
    assert scatter_of(values, 2000, np.empty(2000)) == pytest.approx(0.02, rel=0.25)


@pytest.mark.parametrize("count", [3, 4, 10, 57])
def test_scatter_is_by_the_median_second_difference(count):
    values = np.random.default_rng(count).standard_normal(count)
    second = np.sort(np.abs(values[1:-1] - 0.5 * (values[:-2] + values[2:])))
    # 1.4826: consistency of the median absolute deviation with a normal distribution's sigma;
    # a second difference of equal variances has 1.5 times the variance of one.
    usual = 1.4826 / np.sqrt(1.5) * second[(count - 2) // 2]
    assert scatter_of(values, count, np.empty(count)) == pytest.approx(usual, rel=1e-12)


def test_a_step_is_measured_on_a_slope_with_its_standard_deviation():
    # Monte Carlo: the mean is the step, the scatter is the stated one.
    rng = np.random.default_rng(6)
    station = np.arange(20) * 3.0
    runs = Runs(np.arange(20), np.array([0, 20]))
    sizes, stated = [], []
    for _ in range(400):
        values = 0.03 * station + 0.5 * (station >= 30) + 0.02 * rng.standard_normal(20)
        steps = straight_steps(values, np.full(20, 0.02), station, runs, least=0.15, score=4.5)
        assert steps.place.tolist() == [10]
        sizes.append(steps.size[0])
        stated.append(steps.size_sd[0])
    assert np.mean(sizes) == pytest.approx(0.5, abs=0.006)
    assert np.std(sizes) == pytest.approx(np.mean(stated), rel=0.12)


def steps_of(values):
    step = np.empty(len(values))
    median_steps(values, len(values), step)
    return step


def test_median_steps_ignore_a_single_outlier():
    values = np.zeros(30)
    values[9] = 5.0
    values[20:] += 1.0
    step = steps_of(values)
    assert np.nanmax(np.abs(np.delete(step, [19, 20, 21]))) == 0.0
    assert step[20] == 1.0


def test_median_steps_leave_a_steady_drift_out():
    values = -0.03 * np.arange(30.0)
    values[15:] += 0.2
    step = steps_of(values)
    assert step[15] == pytest.approx(0.2)
    assert np.nanmax(np.abs(step[4:12])) < 1e-12


def test_median_steps_need_three_values_on_either_side():
    assert np.flatnonzero(np.isfinite(steps_of(np.arange(9.0)))).tolist() == [3, 4, 5, 6]
    assert np.isnan(steps_of(np.arange(5.0))).all()
