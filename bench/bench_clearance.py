"""Nearest approaches of a million line segments to ten thousand digs, and probabilities.

Ours: `nearest_approaches`, exact in space, for each line and dig. Reference: the bare query of
shapely's STRtree (2D) for segments near each dig, and `shapely.distance` of the same pairs; it
knows no heights. Geometries are made and trees are built before the clock starts for the
reference, and counted for ours; each is the best of three runs. First ten thousand digs stay while
lines are added: what does not grow with the lines is work on the digs. Then lines and digs grow
together at one density. With --odds also the probability of contact of some invented scenes against
ten million plain draws of the same geometry. Prints seconds of processor time, ratios and peak
memory.

    python bench/bench_clearance.py [--segments 1000000] [--digs 10000] [--odds]
"""

from __future__ import annotations

import argparse
import resource
import time

import numpy as np
import shapely

from asfound.clearance._pieces import Pieces
from asfound.clearance._scene import SPACE, core_distance, make_scene
from asfound.clearance.nearest import Axes, nearest_approaches
from asfound.clearance.odds import odds
from asfound.clearance.solids import footprint_of, solid_of
from asfound.model import Bore, Pit, Post, Trench

NAN = float("nan")
PER_LINE = 100
REACH = 2.0
EAST, NORTH = 500_000.0, 4_000_000.0


def lines(segments, rng):
    """Invented lines of 100 segments of 4 m each, scattered at the density of a town's streets."""
    count = segments // PER_LINE
    side = np.sqrt(count * 1000.0)
    start = rng.uniform(0.0, side, (count, 2))
    bearing = rng.uniform(0.0, 2.0 * np.pi, (count, 1)) + np.cumsum(
        rng.normal(0.0, 0.03, (count, PER_LINE)), axis=1
    )
    x = np.cumsum(np.hstack((start[:, :1], 4.0 * np.sin(bearing))), axis=1)
    y = np.cumsum(np.hstack((start[:, 1:], 4.0 * np.cos(bearing))), axis=1)
    z = 98.8 + 0.3 * rng.standard_normal((count, 1)) + 0.02 * rng.standard_normal(x.shape)
    point = np.column_stack((EAST + x.ravel(), NORTH + y.ravel(), z.ravel()))
    return Axes(point, np.arange(count + 1) * (PER_LINE + 1)), side


def digs(count, side, rng):
    """Invented trenches, bores, pits and posts in equal parts."""
    found = []
    for k in range(count):
        x, y = EAST + rng.uniform(0.0, side), NORTH + rng.uniform(0.0, side)
        a, half = rng.uniform(0.0, 2.0 * np.pi), rng.uniform(3.0, 10.0)
        e, n = (
            x + half * np.array([-1, 0, 1]) * np.sin(a),
            y + half * np.array([-1, 0, 1]) * np.cos(a),
        )
        if k % 4 == 0:
            found.append(Trench("t", e, n, np.array([0.6]), np.array([NAN]), np.array([98.9])))
        elif k % 4 == 1:
            level = np.array([99.5, 98.5, 99.5])
            found.append(Bore("b", e, n, np.full(3, NAN), level, 0.1, 0.2))
        elif k % 4 == 2:
            ring = rng.uniform(1.0, 3.0) * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
            found.append(Pit("p", x + ring[:, 0], y + ring[:, 1], NAN, 98.9))
        else:
            found.append(Post("q", x, y, 0.4, NAN, 98.9))
    return [solid_of(dig, None) for dig in found]


def compare(segments, solids, axes):
    """Seconds of ours and of the reference, and how many pairs."""
    pieces = Pieces.join([solid.pieces for solid in solids])
    owner = np.repeat(np.arange(len(solids)), [len(solid.pieces) for solid in solids])
    ours = np.inf
    for _ in range(3):
        begin = time.process_time()
        found = nearest_approaches(axes, pieces, owner, REACH)
        ours = min(ours, time.process_time() - begin)

    index = np.arange(len(axes.point) - 1)
    index = index[(index + 1) % (PER_LINE + 1) != 0]
    plan = np.ascontiguousarray(axes.point[:, :2])
    strings = shapely.linestrings(np.stack((plan[index], plan[index + 1]), axis=1))
    prints = np.array([footprint_of(solid) for solid in solids])
    begin = time.process_time()
    tree = shapely.STRtree(strings)
    tree.query(prints[:1])  # the tree is built at its first use
    built = time.process_time() - begin
    wide = shapely.box(*(shapely.bounds(prints) + REACH * np.array([-1, -1, 1, 1])).T)
    bare = np.inf
    for _ in range(3):
        begin = time.process_time()
        dig, segment = tree.query(wide)
        distance = shapely.distance(prints[dig], strings[segment])
        bare = min(bare, time.process_time() - begin)
    close = np.count_nonzero(distance <= REACH)
    print(
        f"{segments:>9} segments, {len(solids):>6} digs: ours {ours:6.3f} s for {len(found.line)} "
        f"pairs of line and dig; STRtree query and distance {bare:6.3f} s ({built:.3f} s more to "
        f"build the tree) for {len(dig)} pairs of segment and dig, {close} within reach; ratio "
        f"{ours / bare:.2f} (with building {ours / (bare + built):.2f}); ours took "
        f"{1e6 * ours / segments:.2f} microseconds a segment"
    )


def scene(rng):
    """An invented line of correlated nodes near a dig."""
    count, spacing = int(rng.integers(5, 16)), rng.uniform(0.5, 3.0)
    s = (np.arange(count) - 0.5 * count) * spacing
    bearing = rng.uniform(0.0, 2.0 * np.pi)
    mean = np.column_stack(
        (EAST + s * np.sin(bearing), NORTH + s * np.cos(bearing), 98.8 + 0.02 * s)
    )
    alike = 0.7 * np.exp(-np.abs(s[:, None] - s) / rng.uniform(3.0, 20.0)) + 0.3
    covariance = np.zeros((count, 3, count, 3))
    plane, level = rng.uniform(0.03, 0.2), rng.uniform(0.03, 0.25)
    for axis, sd in enumerate((plane, plane, level)):
        covariance[:, axis, :, axis] = sd**2 * alike
    x, y, a, half = EAST + rng.normal(0, 0.3), NORTH, rng.uniform(0, 2 * np.pi), rng.uniform(1, 8)
    e, n = (
        x + half * np.array([-1, 0, 1]) * np.sin(a),
        y + half * np.array([-1, 0.1, 1]) * np.cos(a),
    )
    level = 98.8 + rng.normal(0.1, 0.35)
    kind = int(rng.integers(4))
    if kind == 0:
        dig = Trench("t", e, n, rng.uniform(0.3, 1.2, 1), np.array([NAN]), np.array([level]))
    elif kind == 1:
        dig = Bore("b", e, n, np.full(3, NAN), level + np.array([0.5, 0, 0.5]), 0.1, 0.3)
    elif kind == 2:
        ring = rng.uniform(0.5, 2.0) * np.array([[-1, -1], [1, -1.2], [1.3, 1], [-1, 1]])
        dig = Pit("p", x + ring[:, 0], y + ring[:, 1], NAN, level)
    else:
        dig = Post("q", x, y, rng.uniform(0.1, 0.6), NAN, level)
    solid = solid_of(dig, None)
    return make_scene(
        mean, covariance.reshape(3 * count, -1), np.ones(count - 1, bool), solid, solid.pieces,
        rng.uniform(0.02, 0.2), float(rng.choice([0.0, 0.3])),
    )  # fmt: skip


def compare_odds(scenes, draws):
    """Probability of contact by ours and by plain draws."""
    took, plain_took, worst = 0.0, 0.0, 0.0
    batch = 20_000
    for seed in range(scenes):
        one = scene(np.random.default_rng(seed))
        begin = time.process_time()
        answer = odds(one)
        took += time.process_time() - begin
        rng = np.random.default_rng((seed, 1))
        begin, hits = time.process_time(), 0
        for _ in range(draws // batch):
            u = rng.standard_normal((batch, one.size))
            touch = core_distance(one, u, SPACE) <= one.radii(u) + one.rounding
            hits += int(np.count_nonzero(touch))
        plain_took += time.process_time() - begin
        worst = max(worst, abs(answer.contact - hits / draws))
    per_ten_million = plain_took * 1e7 / draws
    print(
        f"{scenes} scenes: ours {1000 * took / scenes:.0f} ms a scene; {draws} plain draws of the "
        f"same geometry, scaled to ten million: {per_ten_million / scenes:.0f} s a scene; "
        f"{per_ten_million / took:.0f} times faster; largest difference {worst:.5f} "
        f"(one deviation of the plain draws alone: up to {0.5 / np.sqrt(draws):.5f})"
    )


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--segments", type=int, default=1_000_000)
    parser.add_argument("--digs", type=int, default=10_000)
    parser.add_argument("--odds", action="store_true", help="probabilities against plain draws")
    parser.add_argument("--scenes", type=int, default=20)
    parser.add_argument("--draws", type=int, default=200_000)
    choice = parser.parse_args()
    rng = np.random.default_rng(5)
    axes, side = lines(choice.segments, rng)
    solids = digs(choice.digs, side, rng)
    size = 10_000
    while size <= choice.segments:
        part = Axes(
            axes.point[: size // PER_LINE * (PER_LINE + 1)], axes.starts[: size // PER_LINE + 1]
        )
        compare(size, solids, part)
        size *= 10
    if choice.segments >= 10_000:
        print("lines and digs together:")
    size = 10_000
    while size <= choice.segments:
        rng = np.random.default_rng(6)
        axes, side = lines(size, rng)
        compare(size, digs(size // PER_LINE, side, rng), axes)
        size *= 10
    if choice.odds:
        compare_odds(choice.scenes, choice.draws)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    print(f"peak memory {peak:.0f} MiB, geometries of the reference included")


if __name__ == "__main__":
    main()
