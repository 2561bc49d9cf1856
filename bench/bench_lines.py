"""A million shots into ten thousand lines with envelopes, against the bare coordinate operation.

Ours: `assemble`, `fit_lines` and `find_crossings` on invented streets. Reference: PROJ moving the
same number of points from ITRF2014 (3D, each with its epoch) to NAD 83(2011) and a state plane,
the least that any processing of these shots must do. Prints seconds of processor time, the
best of three rounds each, the ratio and the peak memory.

    python bench/bench_lines.py [--lines 10000] [--shuffled]
"""

from __future__ import annotations

import argparse
import resource
import time

import numpy as np
from pyproj import Transformer

from asfound.alignment import assemble, find_crossings, fit_lines
from asfound.compiled import make_all
from asfound.model import Budget, BudgetTerm, Frame, Ground, JobSettings, Shots

ROUNDS = 3
SHOTS_PER_LINE = 100
UTILITIES = (1, 2, 3, 4)


def streets(lines, rng):
    """Invented streets with four utilities side by side, each with a bend or two.

    Returns easting, northing, height of the line and utility, shot by shot.
    """
    count = lines * SHOTS_PER_LINE
    street = np.arange(lines) // len(UTILITIES)
    side = int(np.ceil(np.sqrt(street[-1] / 2 + 1)))
    block = street // 2
    start_x = (block % side) * 1200.0 + np.where(street % 2, 250.0, 0.0)
    start_y = (block // side) * 1200.0 + np.where(street % 2, 0.0, 250.0)
    bearing = np.where(street % 2, 0.0, np.pi / 2.0) + rng.normal(0.0, 0.05, street[-1] + 1)[street]
    turn = np.zeros((street[-1] + 1, SHOTS_PER_LINE))
    for _ in range(2):
        at = rng.integers(10, SHOTS_PER_LINE - 10, len(turn))
        turn[np.arange(len(turn)), at] = rng.choice([-0.4, -0.2, 0.2, 0.4], len(turn))
    direction = bearing[:, None] + np.cumsum(turn, axis=1)[street]
    step = rng.uniform(3.5, 6.5, (lines, SHOTS_PER_LINE))
    aside = (np.arange(lines) % len(UTILITIES)) * 1.5
    x = start_x[:, None] + np.cumsum(step * np.sin(direction), axis=1)
    y = start_y[:, None] + np.cumsum(step * np.cos(direction), axis=1)
    x += aside[:, None] * np.cos(direction[:, :1])
    y -= aside[:, None] * np.sin(direction[:, :1])
    height = 98.8 + 0.2 * aside[:, None] + np.cumsum(step * 0.01, axis=1)
    utility = np.repeat(np.array(UTILITIES, np.int8)[np.arange(lines) % 4], SHOTS_PER_LINE)
    x = x.ravel() + 500_000.0 + rng.normal(0.0, 0.025, count)
    y = y.ravel() + 100_000.0 + rng.normal(0.0, 0.025, count)
    return x, y, height.ravel(), utility


def records(x, y, height, utility, line, rng):
    """Shots, ground and a budget with shared terms, made of plain arrays."""
    count = len(x)
    depth = np.full(count, 1.2) + 0.1 * np.sin(np.arange(count) / 9.0)
    shots = Shots.build(x, y, utility=utility, depth=depth)
    zero = np.zeros(count)
    ground = Ground(
        x, y, height + depth, zero, zero, height + depth, zero, zero + 1.0, zero + 2026.9,
        np.zeros(count, np.int16), (), 1.0, "ellipsoidal height",
    )  # fmt: skip
    independent = np.zeros((count, 3, 3))
    independent[:, 0, 0] = independent[:, 1, 1] = 0.025**2
    independent[:, 2, 2] = 0.03**2
    group = (line // 100).astype(np.int32)
    base = np.full(count, 0.005**2)
    scale = (0.02 * depth) ** 2
    terms = (
        BudgetTerm("base", "base", "bench", base, base, zero, np.full(count, 0.008**2), group),
        BudgetTerm("depth-scale", "scale", "bench", zero, zero, zero, scale, group),
    )
    covariance = independent.copy()
    covariance[:, 0, 0] += base
    covariance[:, 1, 1] += base
    covariance[:, 2, 2] += 0.008**2 + scale
    centre = height + rng.normal(0.0, 0.03, count)
    budget = Budget.of(
        terms, covariance, independent, centre, zero, zero, np.zeros((count, 3)), zero + np.nan
    )
    return shots, ground, budget


def reference(count, rng):
    """Processor seconds of the bare 4D operation."""
    longitude = -104.8 + rng.uniform(-0.05, 0.05, count)
    latitude = 39.0 + rng.uniform(-0.05, 0.05, count)
    height = rng.uniform(1700.0, 1800.0, count)
    epoch = np.full(count, 2026.9)
    moved = Transformer.from_crs("EPSG:7912", "EPSG:6319", always_xy=True)
    plane = Transformer.from_crs("EPSG:6319", "EPSG:6428", always_xy=True)
    begin = time.process_time()
    there = moved.transform(longitude, latitude, height, epoch)
    plane.transform(there[0], there[1], there[2], there[3])
    return time.process_time() - begin


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--lines", type=int, default=10_000)
    parser.add_argument("--shuffled", action="store_true", help="rows in no order, no times")
    choice = parser.parse_args()
    make_all()
    rng = np.random.default_rng(11)
    x, y, height, utility = streets(choice.lines, rng)
    line = np.arange(len(x)) // SHOTS_PER_LINE
    if choice.shuffled:
        order = rng.permutation(len(x))
        x, y, height, utility = x[order], y[order], height[order], utility[order]
        line = line[order]
    shots, ground, budget = records(x, y, height, utility, line, rng)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    settings = JobSettings("bench", Frame("EPSG:6428"))
    fit = np.zeros(len(shots), np.int8)
    took, bare = np.full(3, np.inf), np.inf
    for _ in range(ROUNDS):
        lines = crossings = None
        clock = [time.process_time()]
        assembly = assemble(shots, ground)
        clock.append(time.process_time())
        lines = fit_lines(shots, ground, budget, assembly, fit, settings)
        clock.append(time.process_time())
        crossings = find_crossings(lines)
        clock.append(time.process_time())
        took = np.minimum(took, np.diff(clock))
        bare = min(bare, reference(len(shots), rng))
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    print(f"{len(shots)} shots, {len(lines)} lines, {len(crossings)} crossings")
    print(f"assemble  {took[0]:6.2f} s")
    print(f"fit_lines {took[1]:6.2f} s")
    print(f"crossings {took[2]:6.2f} s")
    print(f"all       {sum(took):6.2f} s   PROJ 4D {bare:.2f} s   ratio {sum(took) / bare:.1f}")
    print(f"peak memory {peak:.0f} MiB, of which {before:.0f} MiB before the first call")


if __name__ == "__main__":
    main()
