import numpy as np
import pytest

from asfound.errors import InputError
from asfound.stakeout import Outcome, return_check

SHARP = np.diag([0.008**2, 0.008**2, 0.015**2])
DULL = np.diag([0.25**2, 0.25**2, 0.5**2])
HERE = np.array([1000.0, 2000.0, 30.0])


def away(step):
    return HERE + np.array(step)


def test_a_close_return_with_sharp_measurements_is_the_same_spot():
    result = return_check(HERE, SHARP, away([0.01, -0.005, 0.01]), SHARP)
    assert result.outcome is Outcome.SAME
    assert "same spot" in result.words


def test_a_float_solution_decides_nothing():
    result = return_check(HERE, SHARP, away([0.1, 0.1, 0.2]), DULL)
    assert result.outcome is Outcome.NOT_DECIDABLE
    assert result.detectable > 0.5
    assert "Measure again" in result.words


def test_a_frame_mix_up_is_another_spot():
    result = return_check(HERE, SHARP, away([1.34, -0.51, 0.88]), SHARP)
    assert result.outcome is Outcome.DIFFERENT
    assert result.p_value < 1e-6
    assert result.horizontal == pytest.approx(np.hypot(1.34, 0.51))


def test_without_heights_two_axes_are_compared():
    there = away([0.01, 0.0, np.nan])
    result = return_check(HERE, SHARP, there, SHARP)
    assert result.freedom == 2
    assert np.isnan(result.up)
    assert "up" not in result.words


def test_errors_that_both_share_cancel():
    shared = np.diag([0.05**2, 0.05**2, 0.05**2])
    off = away([0.06, 0.0, 0.0])
    blurred = return_check(HERE, SHARP + shared, off, SHARP + shared)
    clear = return_check(HERE, SHARP + shared, off, SHARP + shared, shared=shared)
    assert blurred.outcome is Outcome.NOT_DECIDABLE
    assert clear.outcome is Outcome.DIFFERENT
    assert clear.horizontal_95 < blurred.horizontal_95


def test_a_missing_position_or_a_covariance_that_is_none_is_refused():
    with pytest.raises(InputError, match="both positions"):
        return_check(HERE, SHARP, np.array([np.nan, 0.0, 0.0]), SHARP)
    with pytest.raises(InputError, match="covariance"):
        return_check(HERE, SHARP, HERE, SHARP, shared=2 * SHARP)
