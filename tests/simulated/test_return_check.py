"""Return checks over simulated returns: how often the same spot is called another one."""

import numpy as np

from asfound.stakeout import Outcome, return_check, return_statistics


def drawn(count, seed):
    """Differences of returns to one spot, by covariances as they occur, and these."""
    rng = np.random.default_rng(seed)
    sd = np.column_stack(
        (rng.uniform(0.008, 0.05, (count, 2)), rng.uniform(0.015, 0.08, (count, 1)))
    )
    turn = rng.uniform(0.0, np.pi, count)
    matrix = sd[:, :, None] ** 2 * np.eye(3)
    c, s = np.cos(turn), np.sin(turn)
    rotation = np.zeros((count, 3, 3))
    rotation[:, 0, 0] = rotation[:, 1, 1] = c
    rotation[:, 0, 1], rotation[:, 1, 0], rotation[:, 2, 2] = -s, s, 1.0
    matrix = rotation @ matrix @ rotation.transpose(0, 2, 1)
    lower = np.linalg.cholesky(matrix)
    return (lower @ rng.standard_normal((count, 3, 1)))[..., 0], matrix


def test_the_same_spot_is_called_different_in_5_percent_of_returns():
    difference, covariance = drawn(40_000, 1)
    difference[::3, 2] = np.nan  # a third without heights
    _, freedom, p_value = return_statistics(difference, covariance)
    assert set(freedom.tolist()) == {2, 3}
    for axes in (2, 3):
        alarms = np.mean(p_value[freedom == axes] < 0.05)
        assert 0.04 < alarms < 0.06


def test_single_checks_give_the_same_as_many_at_once_and_alarm_as_often():
    difference, covariance = drawn(3000, 2)
    half = 0.5 * covariance
    results = [return_check(np.zeros(3), half[k], difference[k], half[k]) for k in range(len(half))]
    _, _, p_value = return_statistics(difference, covariance)
    np.testing.assert_allclose([r.p_value for r in results], p_value, rtol=1e-9)
    different = np.mean([r.outcome is Outcome.DIFFERENT for r in results])
    assert 0.04 < different < 0.06


def test_an_offset_as_large_as_said_to_be_detectable_is_found_in_four_of_five():
    covariance = np.diag([0.02**2, 0.02**2, 0.03**2])
    rng = np.random.default_rng(3)
    one = return_check(np.zeros(3), covariance / 2, np.zeros(3), covariance / 2)
    noise = rng.standard_normal((20_000, 3)) * np.sqrt(np.diag(covariance))
    noise[:, 0] += one.detectable
    _, _, p_value = return_statistics(noise, np.broadcast_to(covariance, (20_000, 3, 3)).copy())
    assert abs(np.mean(p_value < 0.05) - 0.80) < 0.015


def test_spots_beyond_the_tolerance_are_hardly_ever_called_the_same():
    rng = np.random.default_rng(4)
    half = np.diag([0.015**2, 0.015**2, 0.03**2])
    called = 0
    for _ in range(1500):
        off = np.array([0.105, 0.0, 0.0]) + rng.standard_normal(3) * np.sqrt(2 * np.diag(half))
        called += return_check(np.zeros(3), half, off, half).outcome is Outcome.SAME
    assert called / 1500 < 0.03
