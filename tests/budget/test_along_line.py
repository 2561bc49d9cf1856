"""Expectations from neighbours, against plain loops and lines whose answer is known."""

import numpy as np
import pytest

from asfound.budget.rules.alongline import _median_of_four
from asfound.budget.rules.runs import Runs, in_the_log, scatter_of_runs
from asfound.budget.rules.steps import median_steps, straight_steps


def test_the_median_of_four_is_numpys():
    rng = np.random.default_rng(3)
    values = rng.normal(size=(4, 500))
    values[rng.random((4, 500)) < 0.3] = np.nan
    known = np.isfinite(values).any(axis=0)
    ours = _median_of_four(*values)
    np.testing.assert_allclose(ours[known], np.nanmedian(values[:, known], axis=0))
    assert np.isnan(ours[~known]).all()


def test_a_steady_grade_is_expected_exactly(survey, straight):
    scene = survey(straight(count=21), noise=0.0, flat=True)
    scene = scene.having(depth=1.0 + 0.02 * np.arange(21))
    inner = slice(3, 18)
    np.testing.assert_allclose(
        scene.context().along.depth_expected[inner], scene.shots.depth[inner], atol=1e-9
    )


def test_one_bad_depth_leaves_its_neighbours_expectations_alone(survey, straight):
    for row in range(21):
        scene = survey(straight(count=21), noise=0.0)
        along = scene.having([row], depth=12.0).context().along
        others = np.delete(np.arange(21), row)
        np.testing.assert_allclose(along.depth_expected[others], 1.2, atol=0.05)
        assert along.depth[row] == pytest.approx(10.8, abs=0.1)


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


def test_scatter_of_runs_is_that_of_the_noise():
    rng = np.random.default_rng(4)
    run = np.repeat([0, 1, 2], 2000)
    noise = np.array([0.02, 0.1, 0.5])[run]
    values = noise * rng.standard_normal(6000) + 0.001 * np.arange(6000)
    scatter = scatter_of_runs(values, Runs.numbered(np.arange(6000), run), least=0.0)
    np.testing.assert_allclose(scatter, [0.02, 0.1, 0.5], rtol=0.08)


def test_scatter_is_not_taken_in_by_outliers():
    rng = np.random.default_rng(4)
    values = 0.02 * rng.standard_normal(2000)
    values[::25] += 3.0
    scatter = scatter_of_runs(values, Runs(np.arange(2000), np.array([0, 2000])), least=0.0)
    assert scatter[0] == pytest.approx(0.02, rel=0.25)


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


def test_median_steps_ignore_a_single_outlier():
    values = np.zeros(30)
    values[9] = 5.0
    values[20:] += 1.0
    step = median_steps(values, Runs(np.arange(30), np.array([0, 30])))
    assert np.nanmax(np.abs(np.delete(step, [19, 20, 21]))) == 0.0
    assert step[20] == 1.0


def test_median_steps_leave_a_steady_drift_out():
    values = -0.03 * np.arange(30.0)
    values[15:] += 0.2
    step = median_steps(values, Runs(np.arange(30), np.array([0, 30])))
    assert step[15] == pytest.approx(0.2)
    assert np.nanmax(np.abs(step[4:12])) < 1e-12
