"""The recursion itself: many lines at once, long lines, places between nodes."""

import numpy as np
import pytest

from asfound.alignment._smoother import Track, between, smooth


def track_of(sizes, rng, wander=1e-4):
    starts = np.concatenate(([0], np.cumsum(sizes)))
    count = int(starts[-1])
    return Track(
        starts,
        rng.uniform(0.5, 6.0, count),
        1.0 / rng.uniform(0.02, 0.1, count) ** 2,
        np.full(count, wander),
        np.zeros(count),
    )


def test_lines_smoothed_together_are_as_lines_smoothed_alone():
    rng = np.random.default_rng(1)
    track = track_of([7, 1, 30, 2, 12], rng)
    data = rng.normal(0.0, 0.1, (2, 52))
    together = smooth(track, data)
    for line in range(5):
        part, index = track.take(np.array([line]))
        alone = smooth(part, data[:, index])
        assert np.array_equal(alone.mean, together.mean[:, index])
        assert np.array_equal(alone.variance, together.variance[index])


def test_an_equal_shift_of_all_shots_passes_through_unchanged():
    rng = np.random.default_rng(3)
    track = track_of([25], rng)
    assert smooth(track, np.ones((1, 25))).mean == pytest.approx(np.ones((1, 25)), abs=1e-5)


def test_places_between_nodes_are_as_if_nodes_had_been_there():
    rng = np.random.default_rng(4)
    track = track_of([20], rng)
    track.kink[8] = 0.5
    data = rng.normal(0.0, 0.1, (1, 20))
    ahead = 0.3 * track.gap[:-1]
    mean, slope, variance = between(track, smooth(track, data), np.arange(19), ahead)

    gap = np.zeros(39)
    gap[0::2][:19], gap[1::2] = ahead, track.gap[:-1] - ahead
    precision, kink, more = np.zeros(39), np.zeros(39), np.zeros((1, 39))
    precision[0::2], kink[0::2], more[:, 0::2] = track.precision, track.kink, data
    dense = Track(np.array([0, 39]), gap, precision, np.full(39, 1e-4), kink)
    result = smooth(dense, more)
    assert mean == pytest.approx(result.mean[:, 1::2], abs=1e-9)
    assert variance == pytest.approx(result.variance[1::2], rel=1e-7)
    step = 1e-4
    ahead_too, _, _ = between(track, smooth(track, data), np.arange(19), ahead + step)
    assert slope == pytest.approx((ahead_too - mean) / step, abs=1e-3)


def test_an_unobserved_node_changes_nothing():
    rng = np.random.default_rng(5)
    track = track_of([10], rng)
    data = rng.normal(0.0, 0.1, (1, 10))
    track.precision[4] = 0.0
    base = smooth(track, data)
    data[0, 4] = 1e6
    assert np.array_equal(smooth(track, data).mean, base.mean)


def test_the_variance_between_shots_grows_with_the_gap():
    gaps = np.array([2.0, 5.0, 20.0, 50.0])
    middle = []
    for gap in gaps:
        steps = np.array([5.0] * 10 + [gap] + [5.0] * 10)
        track = Track(
            np.array([0, 22]),
            np.append(steps, 0.0),
            np.full(22, 1.0 / 0.03**2),
            np.full(22, 1e-4),
            np.zeros(22),
        )
        result = smooth(track, np.zeros((1, 22)))
        middle.append(between(track, result, np.array([10]), np.array([gap / 2]))[2][0])
    assert np.all(np.diff(middle) > 0)
