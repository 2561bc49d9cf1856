"""Crossings: where, how far apart, how sure, and what is none."""

import numpy as np
import pytest
from scipy.stats import norm

from asfound.alignment import assemble, find_crossings, fit_lines


def cross(scene, *, drop=0.4, terms=(), bearing=0.0, centre=None, diameter=np.nan, utility=(2, 4)):
    """Two lines through (50, 0), the second lower by `drop`; and their budget."""
    along = np.arange(0.0, 101.0, 5.0)
    count = len(along)
    angle = np.radians(bearing)
    x = np.concatenate([along, 50.0 + (along - 48.0) * np.sin(angle)])
    y = np.concatenate([np.zeros(count), (along - 48.0) * np.cos(angle)])
    centre = np.repeat([98.8, 98.8 - drop], count) if centre is None else centre
    shots = scene.shots(x, y, utility=np.repeat(utility, count).astype(np.int8))
    ground = scene.ground(x, y, np.full(2 * count, 100.0))
    budget = scene.budget(centre, 0.03, 0.03, [make(2 * count) for make in terms], diameter)
    assembly = assemble(shots, ground)
    lines = fit_lines(shots, ground, budget, assembly, np.zeros(2 * count, np.int8), scene.settings)
    return lines, budget


def test_a_crossing_is_found_with_its_place_and_separation(scene):
    lines, _ = cross(scene)
    (found,) = find_crossings(lines)
    assert (found.line_a, found.line_b) == (0, 1)
    assert (found.easting, found.northing) == pytest.approx((50.0, 0.0), abs=1e-3)
    assert (found.station_a, found.station_b) == pytest.approx((50.0, 48.0), abs=1e-3)
    assert found.separation == pytest.approx(0.4, abs=1e-3)
    assert found.angle == pytest.approx(np.pi / 2.0, abs=1e-3)
    assert np.isnan(found.surface_separation)


def test_the_sd_is_that_of_both_lines_and_gives_the_certainty(scene):
    lines, _ = cross(scene, drop=0.03)
    (found,) = find_crossings(lines)
    expected = np.sqrt(
        np.interp(50.0, lines[0].axis_station, lines[0].covariance[:, 2, 2])
        + np.interp(48.0, lines[1].axis_station, lines[1].covariance[:, 2, 2])
    )
    assert found.separation_sd == pytest.approx(expected, rel=1e-3)
    assert found.order_certainty == pytest.approx(
        norm.cdf(found.separation / found.separation_sd), abs=1e-9
    )


def test_the_upper_line_comes_first(scene):
    lines, _ = cross(scene, drop=-0.5)
    (found,) = find_crossings(lines)
    assert (found.line_a, found.line_b) == (1, 0)
    assert found.separation == pytest.approx(0.5, abs=1e-3)
    assert found.order_certainty > 0.999


def test_half_of_both_diameters_is_taken_off(scene):
    lines, _ = cross(scene, diameter=0.1683)
    (found,) = find_crossings(lines)
    assert found.surface_separation == pytest.approx(0.4 - 0.1683, abs=1e-3)


@pytest.mark.parametrize("bearing", [30.0, 60.0, 135.0])
def test_the_angle_is_between_the_axes(scene, bearing):
    lines, _ = cross(scene, bearing=bearing)
    (found,) = find_crossings(lines)
    assert np.degrees(found.angle) == pytest.approx(abs(90.0 - bearing), abs=0.2)


def test_errors_both_lines_share_cancel_where_the_budget_is_given(scene):
    lines, budget = cross(scene, terms=[lambda n: scene.term("base", n, 0.005, 0.10)])
    apart = find_crossings(lines)[0].separation_sd
    together = find_crossings(lines, budget)[0].separation_sd
    assert apart == pytest.approx(np.hypot(together, 0.10 * np.sqrt(2.0)), rel=1e-3)
    assert together < 0.03


def test_errors_of_different_groups_do_not_cancel(scene):
    def two_bases(count):
        return scene.term("base", count, 0.005, 0.10, np.repeat([0, 1], count // 2))

    lines, budget = cross(scene, terms=[two_bases])
    apart = find_crossings(lines)[0].separation_sd
    assert find_crossings(lines, budget)[0].separation_sd == pytest.approx(apart, rel=1e-9)


def test_without_heights_the_crossing_is_told_without_a_separation(scene):
    lines, _ = cross(scene, centre=np.full(42, np.nan))
    (found,) = find_crossings(lines)
    assert np.isnan(found.separation)
    assert np.isnan(found.separation_sd)
    assert np.isnan(found.order_certainty)


def test_a_branch_that_starts_on_its_main_does_not_cross_it(scene):
    main, branch = np.arange(0.0, 101.0, 5.0), np.arange(-0.1, 20.0, 3.0)
    x = np.concatenate([main, np.full(len(branch), 52.0)])
    y = np.concatenate([np.zeros(len(main)), branch])
    shots, ground = scene.shots(x, y), scene.ground(x, y)
    budget = scene.budget(np.full(len(x), 98.8))
    assembly = assemble(shots, ground)
    lines = fit_lines(shots, ground, budget, assembly, np.zeros(len(x), np.int8), scene.settings)
    assert len(lines) == 2
    assert len(assembly.tees) == 1
    assert find_crossings(lines) == ()


def test_one_line_or_none_crosses_nothing(scene):
    lines, _ = cross(scene)
    assert find_crossings(()) == ()
    assert find_crossings(lines[:1]) == ()
