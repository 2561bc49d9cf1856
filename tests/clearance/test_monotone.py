"""What must never shrink when digs, lines and rules grow, or grow when more is known."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from asfound.alignment import JointPosterior, SharedShift
from asfound.clearance import regret, solid_of
from asfound.clearance._scene import make_scene
from asfound.clearance.belief import Belief, Observations
from asfound.clearance.nearest import Axes, nearest_approaches
from asfound.clearance.odds import odds
from asfound.model import Bore, ClearanceRule, Pit, Post, Trench

NAN = float("nan")
EAST, NORTH = 500_000.0, 4_000_000.0
KINDS = ("trench", "bore", "pit", "post")


def dig_of(kind, *, wide=0.0, deep=0.0, long=0.0):
    """A dig, and the same made wider, deeper or longer."""
    bottom = 98.95 - deep
    if kind == "trench":
        return Trench(
            "t", EAST + np.array([-3.0 - long, 3.0 + long]), NORTH + np.zeros(2),
            np.array([0.4 + wide]), np.array([NAN]), np.array([bottom]),
        )  # fmt: skip
    if kind == "bore":  # its path stays: only the reaming grows
        return Bore(
            "b", EAST + np.array([-6.0, 6.0 + long]), NORTH + np.array([-1.0, 1.0 + long / 6.0]),
            np.array([NAN]), np.full(2, 98.6), 0.1, 0.2 + wide,
        )  # fmt: skip
    if kind == "pit":
        half = 0.5 + wide
        return Pit(
            "p", EAST + half * np.array([-1.0, 1.0, 1.0, -1.0]),
            NORTH + (half + long) * np.array([-1.0, -1.0, 1.0, 1.0]), NAN, bottom,
        )  # fmt: skip
    return Post("q", EAST, NORTH, 0.3 + wide, NAN, bottom)


def distance(dig, line):
    solid = solid_of(dig, None)
    near = nearest_approaches(
        Axes(line, np.array([0, len(line)])), solid.pieces,
        np.zeros(len(solid.pieces), np.int64), 1e6,
    )  # fmt: skip
    return float(near.distance[0])


lengths = st.floats(0.0, 2.0)


@settings(max_examples=120, deadline=None)
@given(
    kind=st.sampled_from(KINDS), wide=lengths, deep=lengths, long=lengths,
    seed=st.integers(0, 10_000),
)  # fmt: skip
def test_no_dig_gets_farther_from_a_line_by_growing(kind, wide, deep, long, seed):
    rng = np.random.default_rng(seed)
    line = np.array([EAST, NORTH, 98.0]) + rng.normal(0.0, [5.0, 5.0, 1.0], (6, 3))
    plain = distance(dig_of(kind), line)
    for more in ({"wide": wide}, {"deep": deep}, {"long": long}):
        assert distance(dig_of(kind, **more), line) <= plain + 1e-9


def scene_of(dig, *, radius=0.05, spread=0.2, side=0.0, nodes=5):
    s = np.linspace(-10.0, 10.0, nodes)
    mean = np.column_stack((np.full(nodes, EAST + side), NORTH + s, np.full(nodes, 98.7)))
    covariance = np.zeros((nodes, 3, nodes, 3))
    for axis, sd in enumerate((0.06, 0.06, 0.1)):
        covariance[:, axis, :, axis] = sd**2
    solid = solid_of(dig, None)
    return make_scene(
        mean, covariance.reshape(3 * nodes, -1), np.ones(nodes - 1, bool), solid, solid.pieces,
        radius, spread,
    )  # fmt: skip


def rules_of(distance_, horizontal, vertical):
    return (
        ClearanceRule("d", "d", "distance", distance=distance_),
        ClearanceRule("z", "z", "zone", horizontal=horizontal),
        ClearanceRule("s", "s", "separation", horizontal=horizontal, vertical=vertical),
    )


small = st.floats(0.0, 0.3)


@settings(max_examples=6, deadline=None)
@given(kind=st.sampled_from(KINDS), wide=small, fat=small, side=st.floats(0.0, 0.8))
def test_contact_and_breach_never_get_less_likely_with_size(kind, wide, fat, side):
    rules = rules_of(0.2, 0.3, 0.2)
    plain = odds(scene_of(dig_of(kind), side=side), rules)
    wider = odds(scene_of(dig_of(kind, wide=wide), side=side), rules)
    fatter = odds(scene_of(dig_of(kind), radius=0.05 + 0.5 * fat, side=side), rules)
    for other in (wider, fatter):
        slack = 5.0 * max(plain.error, other.error) + 1e-6
        assert other.contact >= plain.contact - slack
        assert np.all(np.array(other.breach) >= np.array(plain.breach) - slack)


@settings(max_examples=10, deadline=None)
@given(
    kind=st.sampled_from(KINDS), more=st.tuples(small, small, small), side=st.floats(0.0, 0.8)
)  # fmt: skip
def test_what_asks_for_more_room_is_never_likelier_kept(kind, more, side):
    scene = scene_of(dig_of(kind), side=side)
    lax = rules_of(0.1, 0.2, 0.1)
    strict = rules_of(0.1 + more[0], 0.2 + more[1], 0.1 + more[2])
    answer = odds(scene, lax + strict)
    slack = 5.0 * answer.error + 1e-6
    for k in range(3):
        assert answer.contact <= answer.breach[k] + 1e-12
        assert answer.breach[k] <= answer.breach[3 + k] + slack


@settings(max_examples=8, deadline=None)
@given(pilot=st.floats(0.05, 0.3), side=st.floats(0.0, 0.5))
def test_a_pilot_hole_never_hits_likelier_than_its_reaming(pilot, side):
    bore = dig_of("bore", wide=0.1)
    answer = odds(scene_of(bore, side=side), pilot_radius=min(0.5 * pilot, 0.15))
    assert answer.pilot <= answer.contact + 1e-12


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10_000), better=st.floats(0.05, 1.0))
def test_no_exposure_makes_any_line_less_sure_and_a_better_one_makes_it_surer(seed, better):
    rng = np.random.default_rng(seed)

    def line(group):
        station = np.sort(rng.uniform(0.0, 40.0, 7))
        apart = (station[:, None] - station) ** 2
        kernel = np.exp(-0.5 * apart / rng.uniform(2.0, 12.0) ** 2)
        shift = np.zeros((7, 3))
        shift[:, 2] = rng.normal(0.0, 0.06)
        return JointPosterior(
            station, rng.normal(0.0, 1.0, (7, 3)), 0.05**2 * kernel, 0.08**2 * kernel,
            (SharedShift("depth-scale", group, shift, 0.0),),
        )  # fmt: skip

    lines = {0: line(3), 1: line(3)}
    angle = rng.uniform(0.0, 2.0 * np.pi, 2)
    seen = Observations(
        np.array([0, 1]), rng.integers(0, 7, 2), np.column_stack((np.cos(angle), np.sin(angle))),
        rng.normal(0.0, 0.1, (2, 2)), rng.uniform(1e-4, 4e-3, (2, 2)), np.zeros(2, bool),
    )  # fmt: skip
    finer = replace(seen, variance=seen.variance * better)
    for k in (0, 1):
        nodes = np.arange(7)
        before = Belief(lines, Observations.none()).at(k, nodes)[1]
        after = Belief(lines, seen).at(k, nodes)[1]
        finest = Belief(lines, finer).at(k, nodes)[1]
        # not only each variance: any combination of the axis
        assert np.linalg.eigvalsh(before - after).min() > -1e-12
        assert np.linalg.eigvalsh(after - finest).min() > -1e-12


@given(st.floats(0.0, 1.0), st.floats(0.001, 0.5))
def test_regret_is_none_where_all_is_sure_and_worst_where_it_is_a_toss_up(p, avoidance):
    assert regret(0.0, avoidance) == regret(1.0, avoidance) == 0.0
    # against the best that can be done without knowing, less what knowing costs
    expected = min(p, avoidance) - avoidance * p
    assert regret(p, avoidance) == pytest.approx(expected, abs=1e-12)
    assert regret(p, avoidance) <= regret(avoidance, avoidance) + 1e-12
