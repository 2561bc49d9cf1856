"""Nearest approaches against shapely/GEOS, an independent solver and closed forms."""

import numpy as np
import pytest
import shapely
from scipy.optimize import lsq_linear, minimize_scalar

from asfound.clearance._pieces import DISC, SLAB, TUBE, WEDGE, Pieces
from asfound.clearance.nearest import Axes, nearest_approaches
from asfound.clearance.solids import footprint_of, solid_of
from asfound.model import Bore, Pit, Post, Trench

NAN = float("nan")
ORIGIN = np.array([500_000.0, 4_000_000.0, 100.0])


def nearest(line, solid, reach=1e3):
    axes = Axes(np.asarray(line, float), np.array([0, len(line)]))
    return nearest_approaches(axes, solid.pieces, np.zeros(len(solid.pieces), np.int64), reach)


def wander(rng, count, step=3.0):
    return ORIGIN + np.cumsum(rng.normal(0.0, step, (count, 3)) * [1.0, 1.0, 0.1], axis=0)


def some_dig(rng, kind, deep):
    """A dig near the origin whose bottom lies far above (deep False) or below all lines."""
    level = ORIGIN[2] + (-50.0 if deep else 50.0)
    x, y = ORIGIN[0] + rng.normal(0, 5), ORIGIN[1] + rng.normal(0, 5)
    if kind == "trench":
        axis = np.cumsum(rng.normal(0, 4, (4, 2)), axis=0) + np.array([x, y])
        return Trench("t", *axis.T, rng.uniform(0.3, 2, 1), np.array([NAN]), np.array([level]))
    if kind == "pit":
        angle = 2.0 * np.pi * (np.arange(7) + rng.uniform(0.0, 0.8, 7)) / 7.0
        size = rng.uniform(1, 5, 7)
        return Pit("p", x + size * np.cos(angle), y + size * np.sin(angle), NAN, level)
    return Post("q", x, y, rng.uniform(0.2, 2.0), NAN, level)


@pytest.mark.parametrize("kind", ["trench", "pit"])
def test_in_plan_the_distance_is_that_of_geos_between_line_and_footprint(kind):
    rng = np.random.default_rng(3)
    tried = 0
    for _ in range(120):
        dig = some_dig(rng, kind, deep=True)
        solid = solid_of(dig, None)
        line = wander(rng, 9)
        # round bends and caps are polygons in GEOS: compare with the legs' own rectangles
        if kind == "trench":
            legs = solid.pieces.shape[solid.pieces.kind == SLAB]
            flat = [
                shapely.LineString([s[:2], s[:2] + s[4] * s[2:4]]).buffer(s[5], cap_style="flat")
                for s in legs
            ]
            expected = min(
                [shapely.distance(shapely.LineString(line[:, :2]), leg) for leg in flat]
                + [
                    shapely.distance(shapely.LineString(line[:, :2]), shapely.Point(s[:2])) - s[2]
                    for s in solid.pieces.shape[solid.pieces.kind == DISC]
                ]
            )
            expected = max(expected, 0.0)
        else:
            expected = shapely.distance(shapely.LineString(line[:, :2]), footprint_of(solid))
        tried += expected > 0
        assert nearest(line, solid).distance[0] == pytest.approx(expected, abs=1e-9)
    assert tried > 50


def test_round_holes_are_as_far_as_geos_says_less_their_radius():
    rng = np.random.default_rng(4)
    for _ in range(100):
        dig = some_dig(rng, "post", deep=True)
        line = wander(rng, 9)
        centre = shapely.distance(
            shapely.LineString(line[:, :2]), shapely.Point(dig.easting, dig.northing)
        )
        expected = max(centre - 0.5 * dig.diameter, 0.0)
        assert nearest(line, solid_of(dig, None)).distance[0] == pytest.approx(expected, abs=1e-9)


def segments_apart(a, b, c, d):
    """Distance of segments ab and cd by bounded least squares, an independent solver."""
    matrix = np.column_stack((b - a, -(d - c)))
    fit = lsq_linear(matrix, c - a, bounds=(0.0, 1.0), method="bvls", tol=1e-15)
    return np.linalg.norm(matrix @ fit.x - (c - a))


def test_bores_are_as_far_as_an_independent_solver_of_segments_in_space_says():
    rng = np.random.default_rng(5)
    for _ in range(60):
        path, line = wander(rng, 4), wander(rng, 6)
        bore = Bore("b", *path[:, :2].T, np.full(4, NAN), path[:, 2], 0.1, 0.3)
        expected = min(
            segments_apart(line[i], line[i + 1], path[j], path[j + 1])
            for i in range(5)
            for j in range(3)
        )
        got = nearest(line, solid_of(bore, None))
        assert got.distance[0] + 0.15 == pytest.approx(expected, abs=1e-9)
        assert np.linalg.norm(got.away[0]) == pytest.approx(expected, abs=1e-9)


def test_skew_lines_are_as_far_apart_as_the_triple_product_says():
    a, b = ORIGIN + np.array([-5.0, 0.2, -1.2]), ORIGIN + np.array([5.0, -0.1, -1.1])
    c, d = ORIGIN + np.array([0.3, -4.0, -0.5]), ORIGIN + np.array([-0.2, 4.0, -0.8])
    normal = np.cross(b - a, d - c)
    expected = abs(normal @ (c - a)) / np.linalg.norm(normal)
    bore = Bore(
        "b", np.array([c[0], d[0]]), np.array([c[1], d[1]]), np.full(2, NAN),
        np.array([c[2], d[2]]), 0.1, 0.2,
    )  # fmt: skip
    assert nearest([a, b], solid_of(bore, None)).distance[0] == pytest.approx(
        expected - 0.1, abs=1e-9
    )


@pytest.mark.parametrize("kind", ["trench", "pit", "post"])
def test_below_a_bottom_the_way_is_straight_up_and_down(kind):
    rng = np.random.default_rng(6)
    for _ in range(20):
        dig = some_dig(rng, kind, deep=False)
        solid = solid_of(dig, None)
        inside = footprint_of(solid).representative_point()
        line = np.array([[inside.x, inside.y, ORIGIN[2] + 48.0]] * 2)
        line[1, 0] += 1e-3
        got = nearest(line, solid)
        assert got.distance[0] == pytest.approx(2.0, abs=1e-9)
        assert got.away[0] == pytest.approx([0.0, 0.0, -2.0], abs=1e-9)


def test_a_sloping_bottom_is_met_at_right_angles():
    # closed form: distance from a point below to the plane z = -1 + 0.5 s is d cos(slope)
    trench = Trench(
        "t", ORIGIN[0] + np.array([0.0, 10.0]), ORIGIN[1] + np.array([0.0, 0.0]), np.array([1.0]),
        np.array([NAN]), ORIGIN[2] + np.array([-1.0, 4.0]),
    )  # fmt: skip
    line = ORIGIN + np.array([[5.0, -3.0, 0.5], [5.0, 3.0, 0.5]])
    got = nearest(line, solid_of(trench, None))
    assert got.distance[0] == pytest.approx(1.0 * np.cos(np.arctan(0.5)), abs=1e-9)


def test_all_kinds_of_piece_agree_with_a_brute_search_along_the_line():
    rng = np.random.default_rng(7)
    for _ in range(40):
        rows = [
            (SLAB, (*ORIGIN[:2], 0.6, 0.8, 4.0, 0.5, ORIGIN[2] - 1.0, rng.normal(0, 0.3)), 0, 4),
            (DISC, (*ORIGIN[:2] + 3.0, 0.4, ORIGIN[2] - 1.0), 0, 0),
            (
                WEDGE,
                (
                    *(ORIGIN[:2] + 1),
                    *(ORIGIN[:2] + np.array([4, 1])),
                    *(ORIGIN[:2] + np.array([2, 4])),
                    99.0,
                ),
                0,
                0,
            ),
            (TUBE, (*ORIGIN, *(ORIGIN + np.array([4.0, 1.0, -1.0])), 0.2), 0, 4),
        ]
        a, b = ORIGIN + rng.normal(0, 4, 3), ORIGIN + rng.normal(0, 4, 3)
        for row in rows:
            pieces = Pieces.of([row])
            got = nearest_approaches(
                Axes(np.array([a, b]), np.array([0, 2])), pieces, np.zeros(1, np.int64), 1e3
            )
            expected = brute(row, a, b)
            rounding = row[1][6] if row[0] == TUBE else 0.0
            assert got.distance[0] + rounding == pytest.approx(expected, abs=1e-6)


def brute(row, a, b):
    """Least distance by another formula of each solid and a bounded search from many starts."""

    def distance(share):
        p = a + share * (b - a)
        kind, s = row[0], row[1]
        if kind == TUBE:
            return segments_apart(p, p + 1e-12, np.array(s[:3]), np.array(s[3:6]))
        if kind == DISC:
            plan = max(0.0, np.hypot(p[0] - s[0], p[1] - s[1]) - s[2])
            return np.hypot(plan, max(0.0, s[3] - p[2]))
        if kind == WEDGE:
            plan = shapely.distance(
                shapely.Polygon(np.array(s[:6]).reshape(3, 2)), shapely.Point(p[:2])
            )
            return np.hypot(plan, max(0.0, s[6] - p[2]))
        along = (p[0] - s[0]) * s[2] + (p[1] - s[1]) * s[3]
        aside = max(0.0, abs((p[0] - s[0]) * s[3] - (p[1] - s[1]) * s[2]) - s[5])
        top = 1e4
        wall = shapely.Polygon(
            [(0, s[6] - 100), (s[4], s[6] - 100 + s[7] * s[4]), (s[4], top), (0, top)]
        )
        return np.hypot(aside, shapely.distance(wall, shapely.Point(along, p[2] - 100)))

    grid = np.linspace(0.0, 1.0, 41)
    best = min(distance(g) for g in grid)
    k = int(np.argmin([distance(g) for g in grid]))
    low, high = grid[max(k - 1, 0)], grid[min(k + 1, 40)]
    found = minimize_scalar(
        distance, bounds=(low, high), method="bounded", options={"xatol": 1e-10}
    )
    return min(best, found.fun)


def test_pairs_beyond_reach_are_left_out_and_others_are_in_order():
    post = solid_of(Post("q", ORIGIN[0], ORIGIN[1], 0.4, NAN, 99.0), None)
    far = np.array([[20.0, -5.0, -1.0], [20.0, 5.0, -1.0]]) + ORIGIN
    near = np.array([[2.0, -5.0, -0.5], [2.0, 5.0, -0.5]]) + ORIGIN
    axes = Axes(np.vstack((far, near)), np.array([0, 2, 4]))
    got = nearest_approaches(axes, post.pieces, np.zeros(1, np.int64), 5.0)
    assert got.line.tolist() == [1]
    assert got.distance[0] == pytest.approx(1.8, abs=1e-12)
