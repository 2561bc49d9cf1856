"""Lines and digs cut by planes, held to closed forms, random draws and an independent library."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from scipy.stats import chi2

from asfound.clearance import solid_of, surface_from_points
from asfound.deliver.report.dig_groups import LONGEST, stretches
from asfound.deliver.report.dig_marks import body_outline, required_outline
from asfound.deliver.report.dig_profile import EXAGGERATIONS, TALLEST, profile_scale
from asfound.deliver.report.dig_sections import (
    Course,
    chord,
    cut_line,
    dig_levels,
    level_bottom,
    profile_cuts,
    section_through,
)
from asfound.model import Approach, Bore, ClearanceRule, Pit, Post, Trench, Utility

NAN = float("nan")
INCH = 0.0254  # exact, international yard and pound agreement 1959
FLAT = surface_from_points(
    np.array([(e, n, 100.0) for e in np.arange(-40.0, 400.0, 20.0) for n in (-20.0, 20.0)]), "flat"
)


def approach(point, bearing, **more):
    given = {
        "line": "W1", "line_index": 0, "utility": Utility.WATER, "source": "located",
        "line_station": 0.0, "dig_station": 0.0, "line_point": np.asarray(point, float),
        "dig_point": np.array([0.0, 0.0, 99.0]), "line_bearing": bearing,
        "line_covariance": np.diag([0.01, 0.02, 0.03]), "ground_height": 100.0, "crosses": False,
        "clearance": 0.5, "horizontal": 0.5, "vertical": 0.0, "line_below": True,
        "clearance_sd": 0.1, "clearance_range": np.array([0.3, 0.5, 0.7]), "p_contact": 1e-5,
        "p_contact_pilot": NAN, "p_error": 1e-6, "rules": (), "outside_diameter": 0.2,
        "diameter_basis": "known", "depth_basis": "located", "unsupported": False, "risk": 0.0,
        "words": (),
    }  # fmt: skip
    return Approach(**(given | more))


def trench(length=20.0, depth=1.5):
    return Trench(
        "T",
        np.array([0.0, length]),
        np.zeros(2),
        np.full(2, 0.6),
        np.full(2, depth),
        np.full(2, NAN),
    )


def test_a_cut_lies_where_line_and_plane_meet():
    random = np.random.default_rng(4)
    for _ in range(50):
        point, origin = random.normal(size=3), random.normal(size=2)
        bearing, turn, slope = random.uniform(0, 2 * np.pi), random.uniform(0, 2 * np.pi), 0.1
        along = np.array([np.cos(turn), np.sin(turn)])
        run = np.array([np.sin(bearing), np.cos(bearing), slope])
        if abs(run[:2] @ [-along[1], along[0]]) < 0.3:
            continue
        cut = cut_line(point, bearing, slope, np.eye(3), origin, along)
        # point + t run = origin + x along in plan: two equations, solved by LAPACK
        t, x = np.linalg.solve(np.column_stack([run[:2], -along]), origin - point[:2])
        assert cut.through
        assert cut.x == pytest.approx(x, abs=1e-9)
        assert cut.height == pytest.approx(point[2] + t * slope, abs=1e-9)


def test_a_cuts_spread_is_that_of_lines_drawn_at_random():
    random = np.random.default_rng(5)
    root = random.normal(size=(3, 3)) * 0.1
    covariance = root @ root.T
    origin, along, bearing = np.zeros(2), np.array([1.0, 0.0]), np.radians(35.0)
    cut = cut_line(np.array([1.0, 2.0, 3.0]), bearing, 0.2, covariance, origin, along)
    shifted = np.array([1.0, 2.0, 3.0]) + random.normal(size=(40_000, 3)) @ root.T
    run = np.array([np.sin(bearing), np.cos(bearing), 0.2])
    met = shifted - (shifted[:, 1] / run[1])[:, None] * run
    found = np.cov(met[:, [0, 2]].T)
    assert cut.covariance == pytest.approx(found, rel=0.05, abs=2e-4)


def test_the_ellipse_holds_95_percent():
    cut = cut_line(
        np.zeros(3), 0.3, 0.0, np.diag([0.04, 0.01, 0.09]), np.zeros(2), np.array([1.0, 0.0])
    )
    apart = cut.ring() - [cut.x, cut.height]
    distance = np.einsum("ki,ij,kj->k", apart, np.linalg.inv(cut.covariance), apart)
    # 95 % quantile of chi-squared with two degrees of freedom, from SciPy
    assert distance == pytest.approx(chi2.ppf(0.95, 2), rel=1e-9)


def test_a_line_at_a_slant_is_cut_longer_by_one_over_the_sine():
    cut = cut_line(np.zeros(3), np.radians(30.0), 0.0, np.eye(3), np.zeros(2), np.array([0.0, 1.0]))
    body = body_outline(cut, 0.1)
    assert np.ptp(body[:, 0]) == pytest.approx(0.2 / np.sin(np.radians(30.0)), rel=1e-3)
    assert np.ptp(body[:, 1]) == pytest.approx(0.2, rel=1e-3)


def test_required_outlines_have_the_rules_sizes_beyond_the_lines_outside():
    cut = cut_line(
        np.array([0.0, 5.0, 99.0]), 0.0, 0.0, np.eye(3), np.zeros(2), np.array([1.0, 0.0])
    )
    gas = ClearanceRule("g", "g", "distance", distance=12 * INCH)
    ring = required_outline(cut, 0.1, gas)
    reach = np.hypot(ring[:, 0] - cut.x, ring[:, 1] - cut.height)
    assert reach == pytest.approx(0.1 + 0.3048)  # 12 in are 0.3048 m exactly
    zone = required_outline(cut, 0.1, ClearanceRule("z", "z", "zone", horizontal=18 * INCH))
    assert np.ptp(zone[:, 0]) == pytest.approx(2 * (0.1 + 0.4572))
    assert np.isinf(zone[:, 1]).all()
    rule = ClearanceRule("s", "s", "separation", horizontal=3.048, vertical=0.4572)
    box = required_outline(cut, 0.1, rule)
    assert np.ptp(box, axis=0) == pytest.approx([2 * 3.148, 2 * 0.5572])


def test_a_profile_shows_each_crossing_where_shapely_finds_it():
    line = np.array([(2.0, -5.0, 98.0), (9.0, 5.0, 98.4), (14.0, -5.0, 98.8)])
    course = Course(line, np.broadcast_to(0.01 * np.eye(3), (3, 3, 3)))
    cuts = profile_cuts(approach((5.5, 0, 98.2), 0.6), course, solid_of(trench(), FLAT))
    met = shapely.intersection(
        shapely.LineString(line[:, :2]), shapely.LineString([(0, 0), (20, 0)])
    )
    assert [cut.x for cut in cuts] == pytest.approx(sorted(p.x for p in met.geoms))
    assert [cut.height for cut in cuts] == pytest.approx([98.2, 98.6])
    assert all(cut.through for cut in cuts)


def test_a_line_beside_is_projected_and_one_beyond_the_end_is_cut_there():
    solid = solid_of(trench(), FLAT)
    beside = np.array([(0.0, 1.0, 98.0), (20.0, 1.2, 98.0)])
    near = approach((8.0, 1.08, 98.0), np.radians(89.4), dig_station=8.0)
    (cut,) = profile_cuts(near, Course(beside, np.zeros((2, 3, 3))), solid)
    assert not cut.through
    assert (cut.x, cut.height) == pytest.approx((8.0, 98.0))
    across = np.array([(-2.0, -5.0, 98.0), (-2.0, 5.0, 98.0)])
    (cut,) = profile_cuts(
        approach((-2.0, 0.0, 98.0), 0.0), Course(across, np.zeros((2, 3, 3))), solid
    )
    assert cut.through
    assert cut.x == pytest.approx(-2.0)


def test_a_trench_is_as_deep_as_planned_and_a_bores_error_grows_with_its_length():
    levels = dig_levels(solid_of(trench(depth=1.5), FLAT), FLAT)
    assert levels.bottom == pytest.approx(98.5)
    assert levels.ground == pytest.approx(100.0)
    bore = Bore(
        "B", np.array([0.0, 40.0]), np.zeros(2), np.full(2, NAN), np.full(2, 98.0), 0.1, 0.4,
        vertical_sd=0.05, vertical_steering=0.01,
    )  # fmt: skip
    levels = dig_levels(solid_of(bore, FLAT), FLAT)
    assert levels.top - levels.bottom == pytest.approx(0.4)
    assert levels.vertical_sd == pytest.approx(np.hypot(0.05, 0.01 * levels.station))


def test_sections_of_posts_are_square_to_the_line_and_point_to_it():
    post = Post("P", 3.0, 4.0, 0.4, 1.0)
    solid = solid_of(post, FLAT)
    near = approach((3.0, 6.0, 99.2), np.radians(90.0), dig_point=np.array([3.0, 4.2, 99.2]))
    section = section_through(solid, (near,), 0)
    assert section.along == pytest.approx([0.0, 1.0], abs=1e-12)
    ((place, cut),) = section.cuts
    assert (place, cut.x, cut.height) == (0, pytest.approx(2.0), pytest.approx(99.2))
    ((low, high),) = chord(shapely.Point(3.0, 4.0).buffer(0.2, 64), section, 5.0)
    assert (low, high) == pytest.approx((-0.2, 0.2), abs=1e-6)
    assert level_bottom(solid) == pytest.approx(99.0)


def test_a_pits_section_starts_at_its_wall():
    pit = Pit("K", np.array([0.0, 4.0, 4.0, 0.0]), np.array([0.0, 0.0, 3.0, 3.0]), 1.2)
    near = approach((5.0, 1.5, 99.0), 0.0, dig_point=np.array([4.0, 1.5, 99.0]))
    solid = solid_of(pit, FLAT)
    section = section_through(solid, (near,), 0)
    assert section.cuts[0][1].x == pytest.approx(1.0)
    ((low, high),) = chord(shapely.box(0, 0, 4, 3), section, 20.0)
    assert (low, high) == pytest.approx((-4.0, 0.0))
    assert level_bottom(solid) == pytest.approx(98.8)


@pytest.mark.parametrize(("span", "rise"), [(25.0, 2.0), (300.0, 9.0), (4.0, 6.0), (60.0, 0.4)])
def test_heights_are_exaggerated_by_a_round_factor_that_fits(span, rise):
    per_mm, factor = profile_scale(span, rise, 150.0)
    assert factor in EXAGGERATIONS
    assert rise * factor / per_mm <= TALLEST + 1e-9
    assert span / per_mm <= 150.0 + 1e-9
    larger = [k for k in EXAGGERATIONS if k > factor]
    assert not larger or rise * larger[0] / per_mm > TALLEST


def test_a_long_dig_is_drawn_in_stretches_that_hold_a_line():
    solid = solid_of(trench(length=300.0), FLAT)
    near = (approach((150.0, 0.0, 98.0), 0.0, dig_station=150.0),)
    found = stretches(solid, near, [12.0])
    assert [any(low <= s <= high for low, high in found) for s in (150.0, 12.0)] == [True, True]
    assert all(high - low < LONGEST for low, high in found)
    assert len(found) == 2
    assert stretches(solid_of(trench(), FLAT), near, []) == [(0.0, 20.0)]
