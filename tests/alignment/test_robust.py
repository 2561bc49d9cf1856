"""Judging shots and turns, and the wander a line shows, against the same worked out at length."""

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from asfound.alignment import _robust
from asfound.alignment import _smoother_kernels as kernels
from asfound.alignment._robust import Observed, fit_channel
from asfound.alignment._smoother import Track, between, log_likelihoods, smooth

GRID = np.arange(-9.0, -1.0)


def observed(sizes, rng, columns=2, noise=0.03):
    """Straight lines due north-east (or level), shots every three metres."""
    starts = np.concatenate(([0], np.cumsum(sizes)))
    count = int(starts[-1])
    gap = np.full(count, 3.0)
    gap[starts[1:] - 1] = 0.0
    step = np.arange(count) - np.repeat(starts[:-1], sizes)
    data = np.clip(rng.normal(0.0, noise, (columns, count)), -2.0 * noise, 2.0 * noise)
    if columns == 2:
        data += 3.0 * np.sqrt(0.5) * step
    return Observed(
        starts=starts,
        gap=gap,
        data=data,
        variance=np.full(count, noise**2),
        usable=np.ones(count, bool),
        weight=np.ones(count),
        left=np.tile([[-np.sqrt(0.5)], [np.sqrt(0.5)]], count) if columns == 2 else None,
        extra=np.zeros(count),
        kink=np.zeros(count),
        known=np.zeros(count, bool),
    )


def wander_of(seen, precision, prior):
    """The posterior means of log10 q, written out node by node."""
    count = len(seen.gap)
    track = Track(seen.starts, seen.gap, precision, np.ones(count), seen.kink)
    terms = log_likelihoods(track, seen.data, 10.0**GRID, seen.left)
    fine = np.linspace(-9.0, -2.0, 22)
    result = np.empty(count)
    for line, (low, high) in enumerate(zip(seen.starts[:-1], seen.starts[1:], strict=True)):
        whole = CubicSpline(GRID, terms[:, low:high].sum(axis=1))(fine)
        whole -= 0.5 * (fine - prior[line]) ** 2
        share = np.exp(whole - whole.max())
        centre = fine @ share / share.sum()
        for i in range(low, high):
            near = terms[:, max(low, i - 6) : min(high, i + 8)].sum(axis=1)
            near -= 0.5 * ((GRID - centre) / 0.7) ** 2
            share = np.exp(near - near.max())
            result[i] = 10.0 ** (GRID @ share / share.sum())
    return result


@pytest.mark.parametrize("columns", [1, 2])
def test_the_wander_is_the_posterior_mean_of_each_neighbourhood(columns):
    seen = observed([1, 2, 7, 13, 14, 60, 200], np.random.default_rng(6), columns, 0.01)
    prior = np.full(7, -4.5)
    channel = fit_channel(seen, prior)
    assert np.all(channel.weight == 1.0)
    expected = wander_of(seen, channel.track.precision, prior)
    assert channel.wander == pytest.approx(expected, rel=1e-8)


def test_lines_fitted_together_are_as_lines_fitted_alone():
    rng = np.random.default_rng(2)
    seen = observed([40, 3, 90], rng)
    seen.data[0, 60] += 0.5
    together = fit_channel(seen, np.full(3, -4.5))
    alone = observed([90], rng)
    alone.data[:] = seen.data[:, 43:]
    one = fit_channel(alone, np.full(1, -4.5))
    assert np.array_equal(one.weight, together.weight[43:])
    assert np.array_equal(one.result.mean, together.result.mean[:, 43:])
    assert together.weight[60] < 0.05


def test_a_line_without_shots_among_others_leaves_them_alone():
    rng = np.random.default_rng(7)
    seen, empty = (observed(sizes, rng) for sizes in ([20, 30], [20, 0, 30]))
    empty.data[:] = seen.data
    whole = fit_channel(seen, np.full(2, -4.5))
    split = fit_channel(empty, np.full(3, -4.5))
    assert np.array_equal(whole.result.mean, split.result.mean)


def test_a_shot_is_judged_by_the_line_without_it():
    seen = observed([30], np.random.default_rng(3))
    track = Track(seen.starts, seen.gap, 1.0 / seen.variance, np.full(30, 1e-5), seen.kink)
    result = smooth(track, seen.data)
    squares = np.empty(30)
    kernels._shot_scores(
        0, 30, seen.data, 0, 1, seen.variance, track.precision, seen.usable, seen.left,
        result.mean, result.variance, squares,
    )  # fmt: skip
    for i in range(30):
        without = track.precision.copy()
        without[i] = 0.0
        rest = smooth(Track(seen.starts, seen.gap, without, track.wander, seen.kink), seen.data)
        off = seen.left[:, i] @ (seen.data[:, i] - rest.mean[:, i])
        expected = off**2 / (rest.variance[i] + seen.variance[i])
        assert squares[i] == pytest.approx(expected, rel=1e-5)


def test_the_size_of_a_jump_is_that_of_a_turn_left_free():
    seen = observed([30], np.random.default_rng(4), 1)
    seen.data[0, 16:] += 0.2 * 3.0 * (np.arange(14) + 0.5)
    track = Track(seen.starts, seen.gap, 1.0 / seen.variance, np.full(30, 1e-5), seen.kink)
    result = smooth(track, seen.data)
    squares, sizes = np.empty(30), np.empty(30)
    kernels._jump_scores(
        0, 30, seen.gap, 0, 0, np.empty((2, 0)), seen.known, result.adjoint,
        result.adjoint_variance, squares, sizes,
    )  # fmt: skip
    assert np.argmax(squares) == 15
    for i in (3, 15, 22):
        # a node half-way, at which the direction may change as it likes
        gap = np.insert(seen.gap, i + 1, 1.5)
        gap[i] = 1.5
        free = Track(
            np.array([0, 31]),
            gap,
            np.insert(track.precision, i + 1, 0.0),
            np.full(31, 1e-5),
            np.eye(31)[i + 1] * 1e3,
        )
        turned = smooth(free, np.insert(seen.data, i + 1, 0.0, axis=1))
        _, slope, _ = between(free, turned, np.array([i, i + 1]), np.array([1.5, 0.0]))
        assert sizes[i] == pytest.approx(slope[0, 1] - slope[0, 0], rel=1e-4)


def test_a_sharp_turn_is_released_and_its_shots_are_kept():
    seen = observed([40], np.random.default_rng(5), 1, 0.01)
    seen.data[0, 20:] += 0.5 * 3.0 * (np.arange(20) + 0.5)
    channel = fit_channel(seen, np.full(1, -4.5))
    assert channel.turn[19] == pytest.approx(0.5, abs=0.05)
    assert np.count_nonzero(channel.release) == 1
    assert np.all(channel.weight == 1.0)


@pytest.mark.parametrize("count", [3, 4, 20])
def test_one_last_shot_off_the_line_does_not_make_a_turn(count):
    # its score and that of a turn before it are the same: rounding must not decide
    for seed in range(20):
        seen = observed([count], np.random.default_rng(seed), 1)
        seen.data[0, -1] += 9.0
        channel = fit_channel(seen, np.full(1, -5.5))
        assert channel.weight[-1] == 0.0
        assert np.all(channel.release == 0.0)


def test_equal_scores_go_to_shots_then_to_the_first():
    shots, jumps = np.zeros(8), np.zeros(8)
    shots[3] = shots[4] = jumps[2] = 16.0
    shots[4] *= 1.0 + 1e-9
    jumps[2] *= 1.0 + 1e-9
    won = [kernels._wins(place, 8, shots, jumps) for place in (5, 6, 8)]
    assert won == [False, True, False]


def test_exponentials_side_by_side_are_as_the_library_has_them():
    x = np.concatenate((np.linspace(-20.0, 0.0, 401), [-40.0]))
    ours = np.array([kernels._power(float(value)) for value in x])
    assert ours == pytest.approx(np.exp(x), rel=1e-11)


def test_the_grid_of_the_wander_has_a_lane_for_each_decade():
    assert pytest.approx(GRID) == _robust.WANDER_GRID
