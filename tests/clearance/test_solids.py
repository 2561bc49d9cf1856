"""Digs as solids: what they take in plan, how deep, and what is refused."""

import numpy as np
import pytest
import shapely

from asfound.clearance import (
    bore_between,
    bore_by_station,
    footprint_of,
    solid_of,
    surface_from_points,
)
from asfound.clearance._polygons import triangles_of
from asfound.errors import InputError
from asfound.model import Bore, Pit, Post, Trench

NAN = float("nan")
ONE = np.array([NAN])
FLAT = surface_from_points(
    np.array([[x, y, 100.0] for x in (-30.0, 0.0, 30.0) for y in (-30.0, 0.0, 30.0)]), "invented"
)


def trench(**changes):
    given = {
        "name": "t", "easting": np.array([0.0, 10.0]), "northing": np.array([0.0, 0.0]),
        "width": np.array([0.6]), "depth": np.array([1.2]), "elevation": ONE,
    }  # fmt: skip
    return Trench(**{**given, **changes})


def bore(**changes):
    given = {
        "name": "b", "easting": np.array([0.0, 10.0]), "northing": np.array([0.0, 0.0]),
        "depth": np.array([1.5]), "elevation": ONE, "pilot_diameter": 0.1, "final_diameter": 0.3,
    }  # fmt: skip
    return Bore(**{**given, **changes})


def test_a_trench_takes_its_width_along_its_axis_and_follows_the_ground_down():
    rising = surface_from_points(
        np.array([[x, y, 100.0 + 0.1 * x] for x in (-5.0, 15.0) for y in (-5.0, 5.0)]), "invented"
    )
    solid = solid_of(trench(), rising)
    assert footprint_of(solid).area == pytest.approx(6.0)
    bottoms = solid.pieces.shape[:, 6]
    assert bottoms[0] == pytest.approx(98.8, abs=1e-9)
    assert solid.pieces.shape[:, 7] == pytest.approx(0.1)


def test_doubt_of_the_ground_adds_to_the_doubt_of_a_depth_but_not_of_an_elevation():
    for by_depth, by_elevation in (
        (trench(), trench(depth=ONE, elevation=np.array([98.8]))),
        (bore(), bore(depth=ONE, elevation=np.array([98.5]))),
    ):
        sure = solid_of(by_elevation, FLAT)
        assert sure.vertical_sd == 0.05
        assert sure.ground_root(np.array([1.0, 5.0])).shape == (2, 0)
        doubtful = solid_of(by_depth, FLAT)
        assert doubtful.vertical_sd == 0.05
        # 0.02 m of the points, and 3 % of the distance to the nearest: 0.12 m after four metres
        assert doubtful.ground_sd[0] == pytest.approx(0.02)
        middle = doubtful.ground_root(np.array([4.0]))
        assert np.linalg.norm(middle) == pytest.approx(np.hypot(0.02, 0.12))
    for by_depth in (Post("q", 5.0, 0.0, 0.3, 1.0), pit(1.0)):
        assert solid_of(by_depth, FLAT).vertical_sd > 0.05


def pit(depth):
    square = np.array([[4.0, -1.0], [6.0, -1.0], [6.0, 1.0], [4.0, 1.0]])
    return Pit("p", *square.T, depth)


def test_the_doubt_of_the_ground_is_alike_nearby_and_keeps_its_size():
    ends = surface_from_points(
        np.array([[x, y, 100.0] for x in (20.0, 30.0, 40.0) for y in (-1.0, 1.0)]), "invented"
    )
    solid = solid_of(trench(easting=np.array([0.0, 60.0])), ends)
    station = np.linspace(0.0, 60.0, 61)
    root = solid.ground_root(station)
    assert root.shape[1] < 20
    covariance = root @ root.T
    sd = np.sqrt(np.diag(covariance))
    assert sd == pytest.approx(np.interp(station, solid.ground_station, solid.ground_sd))
    assert sd[0] > 0.5 > 0.2 > sd[30]
    correlation = covariance / np.outer(sd, sd)
    assert correlation[0, 1] > 0.98
    assert abs(correlation[0, 60]) < 0.01
    assert correlation == pytest.approx(
        np.exp(-0.5 * ((station[:, None] - station) / 10.0) ** 2), abs=0.02
    )


def test_a_pit_is_made_of_triangles_that_cover_it_exactly():
    rng = np.random.default_rng(2)
    for _ in range(50):
        angle = 2.0 * np.pi * (np.arange(9) + rng.uniform(0.0, 0.8, 9)) / 9.0
        ring = np.column_stack((np.cos(angle), np.sin(angle))) * rng.uniform(0.4, 3.0, (9, 1))
        polygon = shapely.Polygon(ring)
        parts = [shapely.Polygon(t) for t in triangles_of(ring)]
        assert sum(part.area for part in parts) == pytest.approx(polygon.area, rel=1e-12)
        assert shapely.union_all(parts).symmetric_difference(polygon).area < 1e-9


def test_a_pit_is_dug_below_its_lowest_ground():
    rising = surface_from_points(
        np.array([[x, y, 100.0 + 0.1 * x] for x in (-5.0, 5.0) for y in (-5.0, 5.0)]), "invented"
    )
    square = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
    solid = solid_of(Pit("p", *square.T, 2.0), rising)
    assert solid.pieces.shape[0, 6] == pytest.approx(97.9)


def test_a_bore_from_angles_and_a_radius_keeps_to_them():
    path = bore_between(
        (0.0, 0.0, 100.0), (60.0, 0.0, 100.0),
        entry_angle=np.radians(12), exit_angle=np.radians(10),
        level_height=97.5, bend_radius=30.0,
    )  # fmt: skip
    slope = np.diff(path[:, 2]) / np.diff(path[:, 0])
    assert np.degrees(np.arctan(-slope[0])) == pytest.approx(12.0, abs=1e-6)
    assert np.degrees(np.arctan(slope[-1])) == pytest.approx(10.0, abs=1e-6)
    assert path[:, 2].min() == pytest.approx(97.5)
    # on the arc, three neighbours lie on a circle of the radius
    a, b, c = path[2], path[3], path[4]
    sides = [np.linalg.norm(p - q) for p, q in ((a, b), (b, c), (a, c))]
    area = 0.5 * np.linalg.norm(np.cross(b - a, c - a))
    assert np.prod(sides) / (4.0 * area) == pytest.approx(30.0, rel=1e-6)


def test_stations_and_offsets_lead_along_an_axis_and_to_its_right():
    axis = np.array([[0.0, 0.0], [0.0, 10.0], [10.0, 10.0]])
    path = bore_by_station(
        axis, np.array([5.0, 15.0]), np.array([1.0, 1.0]), np.array([98.0, 97.0])
    )
    assert path == pytest.approx(np.array([[1.0, 5.0, 98.0], [5.0, 9.0, 97.0]]))


@pytest.mark.parametrize(
    ("dig", "what"),
    [
        (trench(easting=np.zeros(2)), "no length"),
        (trench(easting=np.array([0.0, 0.0, 5.0]), northing=np.zeros(3)), "repeats"),
        (trench(easting=np.zeros(1), northing=np.zeros(1)), "1 point"),
        (trench(width=np.array([0.0])), "width"),
        (trench(width=np.array([0.5, 0.5, 0.5])), "3 widths for 2 points"),
        (trench(depth=np.array([-1.0])), "depth is -1.0"),
        (trench(elevation=np.array([98.0])), "both depths and elevations"),
        (trench(depth=ONE), "missing"),
        (trench(horizontal_sd=-0.1), "uncertainty"),
        (bore(final_diameter=0.05), "less than the pilot"),
        (bore(pilot_diameter=0.0), "diameters"),
        (bore(horizontal_steering=NAN), "steering"),
        (bore(depth=ONE, elevation=np.array([101.0, 98.0])), "above ground"),
        (bore(easting=np.zeros(2)), "no length"),
        (Pit("p", np.array([0.0, 1.0, 0.0, 1.0]), np.array([0.0, 1.0, 1.0, 0.0]), 1.0), "crosses"),
        (Pit("p", np.array([0.0, 1.0]), np.array([0.0, 1.0]), 1.0), "different corners"),
        (Pit("p", np.array([0.1, 10.3, 20.7]), np.array([0.1, 10.3, 20.6999]), 1.0), "no area"),
        (Post("q", 0.0, 0.0, -0.3, 1.0), "diameter is -0.3"),
        (Post("q", NAN, 0.0, 0.3, 1.0), "no place"),
        (Post("q", 500.0, 0.0, 0.3, 1.0), "no heights"),
        # by another height reference or unit: a dig that would meet nothing
        (trench(depth=ONE, elevation=np.array([130.0])), "30.00 m above ground"),
        (Pit("p", np.array([0.0, 1, 1]), np.array([0.0, 0, 1]), NAN, 101.0), "1.00 m above"),
        (Post("q", 0.0, 0.0, 0.3, NAN, 328.0), "228.00 m above ground"),
        (Post("q", 0.0, 0.0, 0.3, NAN, -30.0), "130 m below ground"),
        (bore(depth=ONE, elevation=np.array([-20.0])), "120 m below ground"),
        (trench(depth=np.array([1200.0])), "depth is 1200 m"),
    ],
)
def test_what_can_not_be_dug_is_refused_with_a_remedy(dig, what):
    with pytest.raises(InputError, match=what) as caught:
        solid_of(dig, FLAT)
    assert caught.value.remedy
    assert dig.name in caught.value.where


def test_a_trench_may_cross_a_hollow_deeper_than_its_bottom():
    hollow = surface_from_points(
        np.array([[x, y, 100.0 - 3.0 * (x == 5.0)] for x in (0.0, 3.0, 5.0, 7.0, 10.0)
                  for y in (-5.0, 5.0)]), "invented",
    )  # fmt: skip
    assert solid_of(trench(depth=ONE, elevation=np.array([99.0])), hollow)


def test_depth_without_ground_is_refused():
    with pytest.raises(InputError, match="no ground surface") as caught:
        solid_of(trench(), None)
    assert "elevations" in caught.value.remedy


@pytest.mark.parametrize(
    ("change", "what"),
    [
        ({"exit": (0.0, 0.0, 100.0)}, "one point"),
        ({"bend_radius": 0.0}, "bend radius"),
        ({"entry_angle": 2.0}, "entry angle"),
        ({"level_height": 99.9}, "takes"),
        ({"exit": (20.0, 0.0, 100.0)}, "limbs need"),
    ],
)
def test_a_bore_plan_that_does_not_fit_together_is_refused(change, what):
    plan = {
        "entry": (0.0, 0.0, 100.0), "exit": (60.0, 0.0, 100.0), "entry_angle": 0.2,
        "exit_angle": 0.2, "level_height": 97.5, "bend_radius": 30.0,
    }  # fmt: skip
    plan.update(change)
    with pytest.raises(InputError, match=what):
        bore_between(plan.pop("entry"), plan.pop("exit"), **plan)


def test_ground_is_straight_in_triangles_and_unknown_far_away():
    rng = np.random.default_rng(1)
    plan = rng.uniform(-10, 10, (40, 2))
    surface = surface_from_points(
        np.column_stack((plan, 100.0 + 0.05 * plan[:, 0] - 0.02 * plan[:, 1])), "invented"
    )
    at = rng.uniform(-4, 4, (30, 2))
    height, sd = surface.heights(*at.T)
    assert height == pytest.approx(100.0 + 0.05 * at[:, 0] - 0.02 * at[:, 1], abs=1e-9)
    assert np.all(sd < 0.2)
    assert np.isnan(surface.heights(np.array([500.0]), np.array([0.0]))[0]).all()


def test_ground_beside_points_in_a_row_is_that_of_the_nearest_with_more_doubt():
    row = np.column_stack((np.arange(5.0), np.zeros(5), 100.0 + np.arange(5.0)))
    surface = surface_from_points(row, "invented")
    height, sd = surface.heights(np.array([2.0, 2.0]), np.array([0.0, 10.0]))
    assert height[0] == pytest.approx(102.0, abs=1e-3)
    assert sd[1] > 0.2 > sd[0]


@pytest.mark.parametrize("widths", [[0.6], [0.6, 0.9, 0.6, 1.4, 0.5]])
@pytest.mark.parametrize("seed", range(12))
def test_the_footprint_of_a_trench_is_one_area_without_hairlines(widths, seed):
    rng = np.random.default_rng((4, seed))
    bearing = np.cumsum(rng.uniform(-1.2, 1.2, 4))
    length = rng.uniform(3.0, 14.0, 4)
    e = np.concatenate(([0.0], np.cumsum(length * np.sin(bearing))))
    n = np.concatenate(([0.0], np.cumsum(length * np.cos(bearing))))
    ring = np.array([[x, y, 100.0] for x in range(-64, 65, 8) for y in range(-64, 65, 8)])
    ground = surface_from_points(ring, "invented ground")
    dig = trench(easting=e, northing=n, width=np.array(widths))
    solid = solid_of(dig, ground)
    assert len(solid.pieces) > 8  # legs are cut where the ground may bend
    shape = footprint_of(solid)
    assert shape.geom_type == "Polygon"
    assert not shape.interiors
    # no point of the axis or of a corner's circle is outside, and no thin part is added
    assert shape.buffer(1e-3).covers(shapely.LineString(np.column_stack((e, n))))
    opened = shape.buffer(-0.01).buffer(0.0101)
    assert opened.symmetric_difference(shape).area < 0.02 * shape.length
    narrow = 0.5 * min(widths)
    inner = shapely.LineString(np.column_stack((e, n))).buffer(narrow, cap_style="flat")
    assert inner.difference(shape).area < 1e-3
