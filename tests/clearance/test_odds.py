"""Probabilities against closed forms, and monotone in what they must be monotone in."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import ncx2, norm

from asfound.clearance import surface_from_points
from asfound.clearance._scene import make_scene
from asfound.clearance.odds import odds
from asfound.clearance.solids import solid_of
from asfound.model import Bore, ClearanceRule, Pit, Post, Trench

NAN = float("nan")
EAST, NORTH = 500_000.0, 4_000_000.0


def rigid_scene(
    dig, *, height, plane, level, offset=0.0, radius=0.05, half=20.0, nodes=2, spread=0.0
):
    """A straight line northwards that moves as a whole, and a dig."""
    s = np.linspace(-half, half, nodes)
    mean = np.column_stack((np.full(nodes, EAST + offset), NORTH + s, np.full(nodes, height)))
    covariance = np.zeros((nodes, 3, nodes, 3))
    for axis, sd in enumerate((plane, plane, level)):
        covariance[:, axis, :, axis] = sd**2
    solid = solid_of(dig, None)
    return make_scene(
        mean, covariance.reshape(3 * nodes, -1), np.ones(nodes - 1, bool), solid, solid.pieces,
        radius, spread,
    )  # fmt: skip


def distance_rule(size):
    return ClearanceRule("own", "own", "distance", distance=size)


@pytest.mark.parametrize("gap", [0.02, 0.15, 0.4])
def test_under_a_wide_bottom_the_chance_is_one_normal_integral(gap):
    pit = Pit(
        "p", EAST + np.array([-9.0, 9.0, 9.0, -9.0]), NORTH + np.array([-9.0, -9.0, 9.0, 9.0]),
        NAN, 99.0, horizontal_sd=0.0, vertical_sd=0.05,
    )  # fmt: skip
    scene = rigid_scene(pit, height=99.0 - 0.05 - gap, plane=0.05, level=0.12)
    answer = odds(scene, [distance_rule(0.3)])
    sd = np.hypot(0.05, 0.12)
    assert answer.contact == pytest.approx(norm.cdf(-gap / sd), abs=1e-5)
    assert answer.breach[0] == pytest.approx(norm.cdf((0.3 - gap) / sd), abs=1e-5)


@pytest.mark.parametrize("gap", [0.0, 0.2, -0.5])
def test_a_bore_square_to_the_line_hits_with_the_normal_chance_of_a_band(gap):
    bore = Bore(
        "b", EAST + np.array([-20.0, 20.0]), NORTH + np.zeros(2), np.full(2, NAN),
        np.full(2, 98.0), 0.1, 0.3, horizontal_sd=0.0, vertical_sd=0.1,
        horizontal_steering=0.0, vertical_steering=0.01,
    )  # fmt: skip
    scene = rigid_scene(bore, height=98.0 + gap, plane=0.05, level=0.08)
    answer = odds(scene, pilot_radius=0.05)
    sd = np.sqrt(0.1**2 + 0.08**2 + (0.01 * 20.0) ** 2)  # 20 m bored: steering 0.2 m

    def band(reach):
        return norm.cdf((reach - gap) / sd) - norm.cdf((-reach - gap) / sd)

    # the drift also tilts the path: its distance is shorter by the cosine, 1e-4 at 0.01 m/m
    assert answer.contact == pytest.approx(band(0.05 + 0.15), abs=1.5e-3)
    assert answer.pilot == pytest.approx(band(0.05 + 0.05), abs=1.5e-3)


@pytest.mark.parametrize(("side", "up"), [(0.3, 0.1), (0.0, 0.25), (0.6, -0.2)])
def test_a_bore_along_the_line_hits_with_the_noncentral_chi_squared_chance(side, up):
    bore = Bore(
        "b", EAST + np.zeros(2), NORTH + np.array([-200.0, 200.0]), np.full(2, NAN),
        np.full(2, 98.0), 0.1, 0.3, horizontal_sd=0.1, vertical_sd=0.1,
        horizontal_steering=0.0, vertical_steering=0.0,
    )  # fmt: skip
    scene = rigid_scene(bore, height=98.0 + up, offset=side, plane=0.07, level=0.07)
    variance = 0.1**2 + 0.07**2
    centre = (side**2 + up**2) / variance
    answer = odds(scene, [distance_rule(0.3)])
    assert answer.contact == pytest.approx(ncx2.cdf(0.2**2 / variance, 2, centre), abs=1.5e-3)
    assert answer.breach[0] == pytest.approx(ncx2.cdf(0.5**2 / variance, 2, centre), abs=1.5e-3)


def test_a_post_beside_the_line_hits_with_the_normal_chance_of_its_width():
    post = Post("q", EAST, NORTH, 0.4, NAN, 90.0, horizontal_sd=0.05)
    scene = rigid_scene(post, height=99.0, offset=0.4, plane=0.1, level=0.05)
    sd = np.hypot(0.05, 0.1)
    zone = ClearanceRule("z", "z", "zone", horizontal=0.45)
    answer = odds(scene, [zone])
    band = norm.cdf((0.25 - 0.4) / sd) - norm.cdf((-0.25 - 0.4) / sd)
    assert answer.contact == pytest.approx(band, abs=1.5e-3)
    wide = norm.cdf((0.7 - 0.4) / sd) - norm.cdf((-0.7 - 0.4) / sd)
    assert answer.breach[0] == pytest.approx(wide, abs=1.5e-3)


SURVEYED = surface_from_points(
    np.array([[EAST + x, NORTH + y, 100.0] for x in (-6.0, 0.0, 6.0) for y in (-1.0, 1.0)]),
    "invented ground about the middle of a dig",
)


def below_ground(dig, place, *, height, level, along=0.0, nodes=2):
    """A level line that crosses the dig at a place along it, or runs under it from there."""
    half = 20.0
    s = np.linspace(-half, half, nodes)
    east = np.full(nodes, EAST + place) if along == 0.0 else EAST + place + along * s
    north = NORTH + s if along == 0.0 else np.full(nodes, NORTH)
    mean = np.column_stack((east, north, np.full(nodes, height)))
    covariance = np.zeros((nodes, 3, nodes, 3))
    for axis, sd in enumerate((0.01, 0.01, level)):
        covariance[:, axis, :, axis] = sd**2
    solid = solid_of(dig, SURVEYED)
    scene = make_scene(
        mean, covariance.reshape(3 * nodes, -1), np.ones(nodes - 1, bool), solid, solid.pieces,
        0.05, 0.0,
    )  # fmt: skip
    return scene, solid


LONG = Trench(
    "t", EAST + np.array([-30.0, 30.0]), NORTH + np.zeros(2), np.array([2.0]), np.array([1.0]),
    np.array([NAN]), vertical_sd=0.05,
)  # fmt: skip


@pytest.mark.parametrize("place", [0.0, 12.0, -24.0])
def test_ground_that_is_guessed_at_the_ends_of_a_trench_leaves_its_middle_as_sure(place):
    scene, _ = below_ground(LONG, place, height=99.0 - 0.05 - 0.1, level=0.04)
    # 0.02 m of the points and 3 % of the way to the nearest, one metre aside
    away = np.hypot(max(abs(place) - 6.0, 0.0), 1.0)
    sd = np.sqrt(0.05**2 + 0.04**2 + 0.02**2 + (0.03 * away) ** 2)
    answer = odds(scene, [distance_rule(0.3)])
    assert answer.contact == pytest.approx(norm.cdf(-0.1 / sd), abs=2e-3)
    assert answer.breach[0] == pytest.approx(norm.cdf(0.2 / sd), abs=2e-3)
    # inside the dig the distance of the axis is none: the radius is all that is left
    expected = np.maximum(0.1 + sd * norm.ppf([0.05, 0.5, 0.95]), -0.05)
    assert answer.quantiles == pytest.approx(expected, abs=0.1 * sd)


@pytest.mark.parametrize("place", [0.0, 24.0])
def test_a_bore_below_guessed_ground_is_doubtful_only_where_the_ground_is(place):
    bore = Bore(
        "b", EAST + np.array([-30.0, 30.0]), NORTH + np.zeros(2), np.full(2, 1.5),
        np.full(2, NAN), 0.1, 0.3, 0.0, 0.05, 0.0, 0.0,
    )  # fmt: skip
    scene, _ = below_ground(bore, place, height=98.2, level=0.04)
    away = np.hypot(max(abs(place) - 6.0, 0.0), 1.0)
    sd = np.sqrt(0.05**2 + 0.04**2 + 0.02**2 + (0.03 * away) ** 2)
    gap, reach = 0.3, 0.2
    band = norm.cdf((reach - gap) / sd) - norm.cdf((-reach - gap) / sd)
    assert odds(scene).contact == pytest.approx(band, abs=3e-3)


def test_a_line_all_along_under_guessed_ground_touches_as_often_as_plain_draws_say():
    nodes = 21
    scene, solid = below_ground(LONG, 0.0, height=98.65, level=0.04, along=1.0, nodes=nodes)
    rng = np.random.default_rng(11)
    draws = 200_000
    station = np.linspace(10.0, 50.0, nodes)
    sd = np.interp(station, solid.ground_station, solid.ground_sd)
    apart = (station[:, None] - station) / 10.0
    covariance = np.outer(sd, sd) * np.exp(-0.5 * apart**2) + 1e-12 * np.eye(nodes)
    bottom = 99.0 + rng.standard_normal((draws, nodes)) @ np.linalg.cholesky(covariance).T
    bottom += 0.05 * rng.standard_normal((draws, 1))
    top = 98.65 + 0.05 + 0.04 * rng.standard_normal((draws, 1))
    plain = np.mean((bottom - top).min(axis=1) <= 0.0)
    assert 0.1 < plain < 0.9
    assert odds(scene).contact == pytest.approx(plain, abs=0.01)


def test_a_size_that_is_not_known_is_integrated_over():
    pit = Pit(
        "p", EAST + np.array([-9.0, 9.0, 9.0, -9.0]), NORTH + np.array([-9.0, -9.0, 9.0, 9.0]),
        NAN, 99.0, horizontal_sd=0.0, vertical_sd=0.0,
    )  # fmt: skip
    scene = rigid_scene(pit, height=98.7, plane=0.02, level=0.1, radius=0.1, spread=0.5)
    u = norm.ppf((np.arange(20_000) + 0.5) / 20_000)
    expected = norm.cdf((0.1 * np.exp(0.5 * u) - 0.3) / 0.1).mean()
    assert odds(scene).contact == pytest.approx(expected, abs=1.5e-3)


def test_without_any_doubt_the_answer_is_yes_or_no():
    post = Post("q", EAST, NORTH, 0.4, NAN, 98.0, horizontal_sd=0.0, vertical_sd=0.0)
    near = rigid_scene(post, height=99.0, offset=0.2, plane=1e-7, level=1e-7)
    far = rigid_scene(post, height=99.0, offset=0.3, plane=1e-7, level=1e-7)
    assert odds(near).contact == 1.0
    assert odds(far).contact == 0.0


def test_of_a_few_scenes_ten_million_plain_draws_say_the_same():
    # straight lines that move as a whole: distances by closed forms of their own
    rng = np.random.default_rng(8)
    draws, batch = 10_000_000, 1_000_000
    post = Post("q", EAST, NORTH, 0.3, NAN, 98.9, horizontal_sd=0.08, vertical_sd=0.06)
    bore = Bore(
        "b", EAST + np.array([-9.0, 9.0]), NORTH + np.array([-4.0, 4.0]), np.full(2, NAN),
        np.array([98.8, 98.5]), 0.1, 0.25, 0.06, 0.07, 0.01, 0.012,
    )  # fmt: skip
    hits = np.zeros(2)
    along = np.array([0.0, 1.0, 0.0])
    left = np.array([-8.0, 18.0]) / np.hypot(8.0, 18.0)
    a, b = np.array([-9.0, -4.0, 98.8]), np.array([9.0, 4.0, 98.5])
    length = np.linalg.norm(b - a)
    for _ in range(draws // batch):
        move = rng.standard_normal((batch, 3)) * [0.07, 0.07, 0.09]
        dig = rng.standard_normal((batch, 3)) * [0.08, 0.08, 0.06]
        plan = np.maximum(np.abs(0.22 + move[:, 0] - dig[:, 0]) - 0.15, 0.0)
        down = np.maximum(98.9 + dig[:, 2] - (98.85 + move[:, 2]), 0.0)
        hits[0] += np.count_nonzero(plan**2 + down**2 <= 0.06**2)
        u = rng.standard_normal((batch, 4))
        ends = []
        for end, station in ((a, 0.0), (b, length)):
            aside = 0.06 * u[:, 0] + 0.01 * station * u[:, 1]
            drop = 0.07 * u[:, 2] + 0.012 * station * u[:, 3]
            ends.append(end + np.column_stack((aside * left[0], aside * left[1], drop)))
        way = ends[1] - ends[0]
        normal = np.cross(way, along)
        gap = ends[0] - (np.array([0.22, 0.0, 98.85]) + move)
        apart = np.abs(np.sum(normal * gap, axis=1)) / np.linalg.norm(normal, axis=1)
        hits[1] += np.count_nonzero(apart <= 0.06 + 0.125)
    plain = hits / draws
    ours = [
        odds(
            rigid_scene(dig, height=98.85, offset=0.22, plane=0.07, level=0.09, radius=0.06)
        ).contact
        for dig in (post, bore)
    ]
    assert plain.min() > 0.05
    assert ours == pytest.approx(plain, abs=0.002)


sizes = st.floats(0.02, 0.4)


@settings(max_examples=15, deadline=None)
@given(gap=st.floats(-0.2, 0.6), one=sizes, two=sizes, radius=st.floats(0.01, 0.2))
def test_a_greater_required_distance_is_never_likelier_kept(gap, one, two, radius):
    trench = Trench(
        "t", EAST + np.array([-3.0, 3.0]), NORTH + np.array([-1.0, 1.0]), np.array([0.6]),
        np.array([NAN]), np.array([99.0]),
    )  # fmt: skip
    scene = rigid_scene(
        trench, height=99.0 - gap, plane=0.05, level=0.1, radius=radius, nodes=6, spread=0.2
    )
    answer = odds(scene, [distance_rule(min(one, two)), distance_rule(max(one, two))])
    assert answer.contact <= answer.breach[0] <= answer.breach[1]


@settings(max_examples=12, deadline=None)
@given(
    kind=st.sampled_from(["trench", "pit", "post"]), deep=st.floats(0.0, 0.3),
    fat=st.floats(0.0, 0.1), wide=st.floats(0.0, 0.3), side=st.floats(0.0, 0.8),
)  # fmt: skip
def test_deeper_wider_digs_and_fatter_lines_never_touch_less_likely(kind, deep, fat, wide, side):
    def chance(more, radius, size):
        bottom = 98.95 - more
        if kind == "trench":
            dig = Trench(
                "t", EAST + np.array([-3.0, 3.0]), NORTH + np.zeros(2), np.array([0.4 + size]),
                np.array([NAN]), np.array([bottom]),
            )  # fmt: skip
        elif kind == "pit":
            half = 0.5 + size
            dig = Pit(
                "p", EAST + half * np.array([-1.0, 1.0, 1.0, -1.0]),
                NORTH + half * np.array([-1.0, -1.0, 1.0, 1.0]), NAN, bottom,
            )  # fmt: skip
        else:
            dig = Post("q", EAST, NORTH, 0.3 + size, NAN, bottom)
        scene = rigid_scene(
            dig, height=98.8, offset=side, plane=0.06, level=0.1, radius=radius, nodes=5
        )
        return odds(scene)

    plain = chance(0.0, 0.05, 0.0)
    for other in (chance(deep, 0.05, 0.0), chance(0.0, 0.05 + fat, 0.0), chance(0.0, 0.05, wide)):
        assert other.contact >= plain.contact - 4.0 * max(plain.error, other.error) - 1e-6
