"""Peaks, nulls and widths between readings."""

import numpy as np
import pytest

from asfound.em import null_of_readings, peak_of_readings, width_of_readings
from asfound.errors import InputError

Z, AT = 1.3, 0.21


def sweep(count=13, seed=0):
    x = np.sort(np.random.default_rng(seed).uniform(-3, 3, count))
    u = x - AT
    return x, Z / (Z**2 + u**2), -u / (Z**2 + u**2)


def test_over_one_line_the_peak_is_exact_at_any_spacing():
    for seed in range(5):
        x, peak, _ = sweep(13, seed)
        found = peak_of_readings(x, peak)
        assert float(found.position) == pytest.approx(AT, abs=1e-11)
        assert float(found.reading) == pytest.approx(1 / Z, rel=1e-11)


def test_over_one_line_the_width_is_exact_at_any_spacing():
    x, peak, _ = sweep()
    half = width_of_readings(x, peak, 0.5)
    assert float(half.left) == pytest.approx(AT - Z, abs=1e-10)
    assert float(half.right) == pytest.approx(AT + Z, abs=1e-10)


def test_a_sweep_too_short_for_the_width_says_so():
    x, peak, _ = sweep()
    keep = x < AT + 0.8 * Z
    half = width_of_readings(x[keep], peak[keep], 0.5)
    assert float(half.left) == pytest.approx(AT - Z, abs=1e-10)
    assert np.isnan(half.right)


def test_nulls_come_from_signed_and_from_unsigned_readings():
    x = np.linspace(-2, 2, 33)
    u = x - AT
    field = -u / (Z**2 + u**2)
    signed = null_of_readings(x, field)
    unsigned = null_of_readings(x, np.abs(field), signed=False)
    assert float(signed.position) == pytest.approx(AT, abs=1e-4)
    assert float(unsigned.position) == pytest.approx(float(signed.position), abs=1e-12)


def test_scatter_of_noisy_readings_is_the_variance_stated():
    rng = np.random.default_rng(1)
    x, peak, null = sweep()
    noise = rng.normal(0, 0.003, (2, 20_000, 13))
    found = peak_of_readings(x, peak + noise[0], 0.003)
    assert np.nanstd(found.position) == pytest.approx(np.sqrt(np.nanmean(found.variance)), rel=0.03)
    zero = null_of_readings(x, null + noise[1], 0.003, near=AT)
    assert np.nanstd(zero.position) == pytest.approx(np.sqrt(np.nanmean(zero.variance)), rel=0.03)


def test_missing_readings_are_passed_over_or_said():
    x, peak, _ = sweep()
    peak[0] = np.nan
    assert float(peak_of_readings(x, peak).position) == pytest.approx(AT, abs=1e-11)
    peak[np.nanargmax(peak) + 1] = np.nan
    assert np.isnan(peak_of_readings(x, peak).position)


def test_a_peak_at_the_end_of_the_sweep_is_none():
    x = np.linspace(1, 3, 9)
    assert np.isnan(peak_of_readings(x, Z / (Z**2 + x**2)).position)


def test_too_few_readings_are_refused_with_what_to_measure():
    with pytest.raises(InputError, match="at least three readings"):
        peak_of_readings(np.array([0.0, 1.0]), np.array([1.0, 2.0]))
    with pytest.raises(InputError, match="Sort the readings by the tape"):
        peak_of_readings(np.array([0.0, 1.0, 1.0]), np.ones(3))
