"""Crossings: where, how far apart, how sure, and what is none."""

import numpy as np
import pytest
import shapely
from scipy.stats import norm

from asfound.alignment import assemble, find_crossings, fit_lines
from asfound.model import Line, Utility


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


def drawn(x, y, utility=2):
    """A line whose axis runs through given points, heights not known."""
    count = len(x)
    station = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
    unknown, nothing = np.full(count, np.nan), np.empty((0, 2))
    return Line(
        name="",
        utility=Utility(utility),
        shots=np.arange(count),
        used=np.ones(count, bool),
        weight=np.ones(count),
        station=station,
        residual=np.zeros((count, 3)),
        axis_station=station,
        easting=np.asarray(x, float),
        northing=np.asarray(y, float),
        height=unknown,
        ground_height=unknown,
        bearing=unknown,
        covariance=np.zeros((count, 3, 3)),
        independent=np.zeros((count, 3, 3)),
        bends=nothing,
        gaps=nothing,
    )


def wandering(rng, lines, longest, area, step=3.0):
    made = []
    for size in rng.integers(1, longest, lines):
        bearing = rng.uniform(0, 2 * np.pi) + np.cumsum(rng.normal(0, 0.15, size))
        begin = rng.uniform(0, area, 2)
        made.append(
            drawn(
                begin[0] + np.cumsum(step * np.sin(bearing)),
                begin[1] + np.cumsum(step * np.cos(bearing)),
                utility=int(rng.integers(1, 6)),
            )
        )
    return tuple(made)


def met_by_shapely(lines):
    """Line pairs and places where their axes cross, by shapely's geometry alone."""
    strings = [
        shapely.LineString(np.column_stack((line.easting, line.northing)))
        if len(line.easting) > 1
        else shapely.Point(line.easting[0], line.northing[0])
        for line in lines
    ]
    for i, one in enumerate(strings):
        for j in range(i + 1, len(strings)):
            for point in shapely.get_parts(shapely.intersection(one, strings[j])):
                if not point.is_empty:
                    yield i, j, point.x, point.y


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(("lines", "longest", "area"), [(60, 30, 100.0), (20, 700, 150.0)])
def test_lines_meet_where_shapely_says_they_do(seed, lines, longest, area):
    """Source: the predicates of GEOS, by shapely."""
    drawn_lines = wandering(np.random.default_rng(seed), lines, longest, area)
    found = {}
    for crossing in find_crossings(drawn_lines):
        pair = tuple(sorted((crossing.line_a, crossing.line_b)))
        found.setdefault(pair, []).append((crossing.easting, crossing.northing))
    every = list(met_by_shapely(drawn_lines))
    assert len(every) > 40
    ends = shapely.MultiPoint(
        [(line.easting[k], line.northing[k]) for line in drawn_lines for k in (0, -1)]
    )
    for i, j, x, y in every:
        near = np.hypot(*(np.array(found.get((i, j), [(np.inf, np.inf)])) - (x, y)).T).min()
        # those of one pair closer than two metres along count once; tees don't count
        weaving = sum(1 for a, b, *_ in every if (a, b) == (i, j)) > 1
        tee = shapely.distance(ends, shapely.Point(x, y)) < 1.0
        assert near < 1e-6 or weaving or tee
    places = {(i, j): [] for i, j, *_ in every}
    for i, j, x, y in every:
        places[i, j].append((x, y))
    for pair, points in found.items():
        for point in points:
            assert np.hypot(*(np.array(places[pair]) - point).T).min() < 1e-6


def test_parallel_lines_close_to_each_other_do_not_cross():
    along = np.arange(0.0, 300.0, 2.0)
    waves = 0.02 * np.sin(along)
    lines = [drawn(along * 0.8 + waves, along * 0.6 + 0.05 * k) for k in range(20)]
    assert find_crossings(tuple(lines)) == ()


def test_one_line_across_a_thousand_crosses_each_of_them_in_order():
    x = np.arange(1000.0) * 3.0
    many = [drawn(np.full(3, east), np.array([-5.0, 0.5, 5.0]), 1) for east in x]
    whole = drawn(np.arange(-10.0, 3010.0, 7.0), np.zeros(432), 3)
    found = find_crossings((*many, whole))
    assert [min(c.line_a, c.line_b) for c in found] == list(range(1000))
    assert [c.easting for c in found] == pytest.approx(x, abs=1e-9)


def test_places_that_are_not_known_cross_nothing():
    along = np.arange(0.0, 30.0, 3.0)
    lost = drawn(np.full(10, np.nan), np.full(10, np.nan), 1)
    lines = (drawn(along, along * 0.0), drawn(along * 0.0 + 14.0, along - 14.0, 4))
    assert len(find_crossings((lost, *lines, lost))) == 1
    assert find_crossings((lost, lost)) == ()
