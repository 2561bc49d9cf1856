"""Where line and dig touch along paths through normal space, by other means."""

import numpy as np
import pytest
from scipy.special import ndtr

from asfound.clearance._directions import frame_of, soonest_directions
from asfound.clearance._integral import _across
from asfound.clearance._pieces import Pieces
from asfound.clearance._scene import (
    PLAN,
    SEPARATION,
    SPACE,
    core_distance,
    make_scene,
    node_distances,
    touching,
)
from asfound.clearance.nearest import Axes, nearest_approaches
from asfound.clearance.odds import odds
from asfound.clearance.solids import solid_of
from asfound.model import Bore, ClearanceRule, Pit, Post, Trench

NAN = float("nan")
EAST, NORTH = 500_000.0, 4_000_000.0


def invented(seed, kind):
    """A line of nodes that move each by themselves and together, near a dig."""
    rng = np.random.default_rng((7, seed))
    count = int(rng.integers(3, 9))
    s = (np.arange(count) - 0.5 * count) * rng.uniform(0.5, 3.0)
    a, b, half = rng.uniform(0, 2 * np.pi), rng.uniform(0, 2 * np.pi), rng.uniform(1, 8)
    mean = np.column_stack((EAST + s * np.sin(a), NORTH + s * np.cos(a), 98.8 + 0.02 * s))
    alike = 0.7 * np.exp(-np.abs(s[:, None] - s) / rng.uniform(3.0, 20.0)) + 0.3
    covariance = np.zeros((count, 3, count, 3))
    for axis, sd in enumerate((0.1, 0.1, 0.15)):
        covariance[:, axis, :, axis] = sd**2 * alike
    x, level = EAST + rng.normal(0, 0.3), 98.8 + rng.normal(0.1, 0.35)
    e = x + half * np.array([-1, 0, 1]) * np.sin(b)
    n = NORTH + half * np.array([-1, 0.1, 1]) * np.cos(b)
    if kind == "trench":
        slope = np.array([-0.1, 0.0, 0.1])
        dig = Trench("t", e, n, rng.uniform(0.3, 1.2, 1), np.array([NAN]), level + slope)
    elif kind == "bore":
        dig = Bore("b", e, n, np.full(3, NAN), level + np.array([0.5, 0, 0.5]), 0.1, 0.3)
    elif kind == "pit":
        ring = rng.uniform(0.5, 2.0) * np.array([[-1, -1], [1, -1.2], [1.3, 1], [-1, 1]])
        dig = Pit("p", x + ring[:, 0], NORTH + ring[:, 1], NAN, level)
    else:
        dig = Post("q", x, NORTH, rng.uniform(0.1, 0.6), NAN, level)
    solid = solid_of(dig, None)
    real = np.ones(count - 1, bool)
    real[0] = seed % 2 == 0
    covariance = covariance.reshape(3 * count, -1)
    scene = make_scene(mean, covariance, real, solid, solid.pieces, 0.1, 0.3)
    return scene, solid, mean, real


KINDS = ("trench", "bore", "pit", "post")


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("how", [(SPACE, 0.0, 0.0), (PLAN, 0.0, 0.0), (SEPARATION, 0.5, 0.3)])
def test_stretches_are_those_that_dense_looking_finds(kind, how):
    t = np.linspace(-6.5, 6.5, 1301)
    for seed in range(4):
        scene, *_ = invented(seed, kind)
        extra = scene.rounding + np.array([0.3, 0.0])
        directions, _, others = soonest_directions(scene, how, extra)
        lines = [_across(frame_of(scene, one, others), 0, 8, 1) for one in directions]
        across = np.concatenate(lines)
        paths = np.repeat(np.arange(len(lines)), 8)
        goals = scene.radii(across)[:, None] + extra
        first, last, looks = touching(scene, across, paths, np.stack(directions), goals, *how)
        for k in range(len(across)):
            u = across[k] + t[:, None] * directions[paths[k]]
            apart = core_distance(scene, u, *how)
            for e, goal in enumerate(goals[k]):
                within = t[apart <= goal]
                if len(within) == 0:  # a touch between two places that were looked at
                    assert np.isnan(first[k, e]) or last[k, e] - first[k, e] < 0.02
                else:
                    assert first[k, e] <= within[0] + 1e-3  # never understated
                    assert last[k, e] >= within[-1] - 1e-3
                    ends = np.array([first[k, e], last[k, e]])[:, None]
                    there = core_distance(scene, across[k] + ends * directions[paths[k]], *how)
                    assert there.max() <= goal + 1e-3
        assert looks.max() < 100 * len(scene.pieces) * len(scene.node)


@pytest.mark.parametrize("kind", KINDS)
def test_distances_are_those_of_the_nearest_approach(kind):
    for seed in range(20):
        scene, solid, mean, real = invented(seed, kind)
        parts = np.concatenate(([0], np.flatnonzero(~real) + 1, [len(mean)]))
        owner = np.zeros(len(solid.pieces), np.int64)
        near = nearest_approaches(Axes(mean, parts), solid.pieces, owner, np.inf)
        alone = node_distances(scene, SPACE)
        expected = min(near.distance.min() + scene.rounding, alone.min())
        found = core_distance(scene, np.zeros((1, scene.size)), SPACE)
        assert found[0] == pytest.approx(expected, abs=2e-6)


def test_a_dig_of_many_pieces_is_as_far_as_its_nearest_piece():
    scene, *_ = invented(3, "trench")
    u = np.random.default_rng(0).standard_normal((30, scene.size))
    each = [
        core_distance(
            type(scene)(**{**vars(scene), "pieces": scene.pieces.take(np.array([k]))}), u, SPACE
        )
        for k in range(len(scene.pieces))
    ]
    assert isinstance(scene.pieces, Pieces)
    assert np.min(each, axis=0) == pytest.approx(core_distance(scene, u, SPACE), abs=2e-6)


def capsule_chance(start, end, radius, sd):
    """P(a normal point about zero lies within a radius of each segment), by summing slices.

    start, end: (n, 2). Slices lie along the segment; across it the chance is a normal integral.
    """
    way = end - start
    length = np.hypot(*way.T)
    along = way / np.maximum(length, 1e-12)[:, None]
    one = np.sum(start * along, axis=1)
    side = start[:, 0] * along[:, 1] - start[:, 1] * along[:, 0]
    share = (np.arange(80) + 0.5) / 80
    total = np.zeros(len(start))
    for low, width, beyond in (
        (one - radius, radius, -1.0), (one, length, 0.0), (one + length, radius, 1.0),
    ):  # fmt: skip
        width = np.broadcast_to(width, one.shape)[:, None]
        x = low[:, None] + share * width
        out = {-1.0: 1.0 - share, 0.0: 0.0 * share, 1.0: share}[beyond] * radius
        half = np.sqrt(radius**2 - out**2)
        chance = ndtr((side[:, None] + half) / sd) - ndtr((side[:, None] - half) / sd)
        density = np.exp(-0.5 * (x / sd) ** 2) / (sd * np.sqrt(2.0 * np.pi))
        total += np.sum(chance * density * width / 80, axis=1)
    return total


def long_bore(length, steering, nodes_sd, alike):
    """A level bore in pieces of 2 m, a metre beside a level line; (scene, its pieces)."""
    s = np.arange(0.0, length + 1.0, 4.0)
    mean = np.column_stack((np.full(len(s), EAST), NORTH + s, np.full(len(s), 98.8)))
    covariance = np.zeros((len(s), 3, len(s), 3))
    for axis in range(3):
        covariance[:, axis, :, axis] = nodes_sd**2 * np.exp(-np.abs(s[:, None] - s) / alike)
    places = np.arange(0.0, length + 1.0, 2.0)
    bore = Bore(
        "b", np.full(len(places), EAST + 1.0), NORTH + places, np.full(len(places), NAN),
        np.full(len(places), 98.8), 0.1, 0.3, horizontal_sd=0.05, vertical_sd=0.05,
        horizontal_steering=steering, vertical_steering=steering,
    )  # fmt: skip
    solid = solid_of(bore, None)
    return make_scene(
        mean, covariance.reshape(3 * len(s), -1), np.ones(len(s) - 1, bool), solid, solid.pieces,
        0.05, 0.0,
    )  # fmt: skip


def test_a_long_bore_beside_a_line_is_as_sure_as_its_drift_integrated():
    """180 m of bore, 90 pieces, a metre beside a line that is moved as a whole.

    Line and bore are straight and level, so their difference along the way is a segment in the
    plane across: it starts at the bore's place against the line's and drifts in proportion to what
    was bored. For each drift the chance is that of a normal point within a capsule, here summed in
    slices, over a grid of both drifts.
    """
    length, steering = 180.0, 0.01
    scene = long_bore(length, steering, 0.03, 1e9)
    answer = odds(scene, [ClearanceRule("own", "own", "distance", distance=0.5)])
    node = np.linspace(-5.0, 5.0, 161)
    weight = np.exp(-0.5 * node**2)
    weights = np.outer(weight, weight).ravel() / weight.sum() ** 2
    drift = np.stack(np.meshgrid(node, node, indexing="ij"), axis=-1).reshape(-1, 2)
    start = np.tile([1.0, 0.0], (len(drift), 1))
    end = start + drift * steering * length
    for found, radius in ((answer.contact, 0.2), (answer.breach[0], 0.7)):
        wanted = weights @ capsule_chance(start, end, radius, np.hypot(0.05, 0.03))
        assert found == pytest.approx(wanted, abs=3.0 * answer.error + 2e-4)
        assert wanted > 0.03


def test_what_is_looked_at_grows_with_what_is_near_not_with_all_pairs():
    counts = []
    for length in (90.0, 180.0):
        scene = long_bore(length, 0.01, 0.02, 10.0)
        how = (SPACE, 0.0, 0.0)
        directions, _, others = soonest_directions(scene, how, np.array([scene.rounding]))
        across = _across(frame_of(scene, directions[0], others), 0, 64, 1)
        goals = np.full((64, 1), scene.radius + scene.rounding)
        paths = np.zeros(64, np.int64)
        *_, looks = touching(scene, across, paths, np.stack(directions[:1]), goals, *how)
        counts.append(looks.mean())
        # a piece meets a few segments beside it; there are 23 and 46
        assert looks.mean() < 8.0 * len(scene.pieces)
    assert counts[1] < 3.0 * counts[0]
