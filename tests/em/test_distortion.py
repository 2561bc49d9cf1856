"""The allowance for neighbours' fields."""

import numpy as np
import pytest

from asfound.em import (
    OWN_SIGNAL,
    CrossSection,
    calibrate_distortion,
    distortion_sd,
    draw_neighbours,
    em_depth_sd,
    em_horizontal_sd,
    pinpointing_sd,
    receiver_display,
    shown_errors,
    two_coil_depth_sd,
)
from asfound.em import _distortion_table as table
from asfound.model import Method


@pytest.fixture(scope="module")
def simulated():
    """A fresh simulation of the prior, other seed than the table's."""
    return calibrate_distortion(count=60_000, seed=77)


def test_a_fresh_simulation_gives_the_table_again(simulated):
    for index, fresh in enumerate(simulated):
        for name in ("HORIZONTAL", "DEPTH"):
            stored = getattr(table, name)[index]
            ratio = getattr(fresh, name.lower()) / stored
            # Rows of 0.7 m to 2.3 m and separations to 0.3 depths hold enough draws for this.
            assert np.abs(ratio[1:5, :5] - 1).max() < 0.15
            assert np.abs(np.log(ratio)).mean() < 0.05


@pytest.mark.parametrize("recorded", [True, False])
def test_truth_lies_inside_the_95_percent_regions_of_simulated_shots(recorded):
    rng = np.random.default_rng(5)
    draws = draw_neighbours(OWN_SIGNAL, 60_000, rng)
    errors = shown_errors(draws)
    good = np.isfinite(errors.depth) & (errors.depth > 0.4) & (errors.depth < 3.0)
    depth = errors.depth[good]
    mark = pinpointing_sd(depth)
    across = errors.horizontal_error[good] + mark * rng.standard_normal(len(depth))
    down = errors.depth_error[good] + two_coil_depth_sd(depth) * rng.standard_normal(len(depth))
    separation = np.abs(
        errors.separation[good] + np.sqrt(2) * mark * rng.standard_normal(len(depth))
    )
    separation = separation if recorded else np.nan
    method = Method.DIRECT
    for error, sd in (
        (across, em_horizontal_sd(depth, method, separation)),
        (down, em_depth_sd(depth, method, separation)),
    ):
        inside = np.mean(np.abs(error) <= 1.96 * sd)
        assert 0.94 <= inside <= 0.98


def test_a_same_way_neighbour_reads_deep_while_peak_and_null_nearly_agree():
    # DESIGN.md 4.1, +35 mA: 13 mm between peak and null, yet 0.21 m aside and 0.16 m too deep.
    shown = receiver_display(
        CrossSection(np.array([0.0, 0.8]), np.array([1.2, 1.0]), np.array([0.1, 0.035]))
    )
    assert abs(float(shown.separation)) < 0.02
    assert float(shown.depth) - 1.2 > 0.15
    quiet = distortion_sd(np.abs(shown.separation), shown.depth, Method.DIRECT)
    assert quiet.horizontal > 0.01
    assert quiet.depth > 0.02


def test_a_larger_separation_never_makes_a_shot_better():
    for method in Method:
        for depth in (0.3, 0.8, 1.5, 4.0):
            sd = distortion_sd(np.linspace(0, 2, 200), depth, method)
            assert (np.diff(sd.horizontal) >= -1e-12).all()
            assert (np.diff(sd.depth) >= -1e-12).all()


def test_not_recording_the_separation_costs_more_than_a_small_one():
    depth = np.linspace(0.4, 3, 20)
    unknown = distortion_sd(np.nan, depth, Method.DIRECT)
    small = distortion_sd(0.01 * depth, depth, Method.DIRECT)
    assert (unknown.horizontal > small.horizontal).all()
    assert (unknown.depth > small.depth).all()


def test_signals_that_spread_are_trusted_less():
    order = [Method.DIRECT, Method.INDUCTION, Method.PASSIVE_POWER]
    for separation in (0.0, 0.1, np.nan):
        sds = [float(distortion_sd(separation, 1.2, method).depth) for method in order]
        assert sds == sorted(sds)
        assert sds[0] < sds[-1]
    np.testing.assert_array_equal(
        distortion_sd(0.0, 1.2, Method.UNKNOWN), distortion_sd(0.0, 1.2, Method.INDUCTION)
    )


def test_columns_of_shots_and_single_shots_agree():
    rng = np.random.default_rng(2)
    depth = rng.uniform(0.1, 5, 50)
    separation = np.where(rng.uniform(size=50) < 0.3, np.nan, rng.uniform(0, 1, 50))
    method = rng.integers(0, 7, 50).astype(np.int8)
    together = em_depth_sd(depth, method, separation)
    each = [
        float(em_depth_sd(d, Method(int(m)), s))
        for d, m, s in zip(depth, method, separation, strict=True)
    ]
    np.testing.assert_allclose(together, each, rtol=1e-13)
    assert np.isfinite(together).all()
    assert np.isnan(em_horizontal_sd(np.array([np.nan]))).all()


def test_a_firm_can_calibrate_with_its_own_prior(simulated):
    quiet = distortion_sd(0.0, 1.2, table=simulated[0])
    loud = distortion_sd(0.0, 1.2, table=simulated[2])
    assert loud.depth > quiet.depth
