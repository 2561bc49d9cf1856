"""Probabilities of contact on 200 random scenes against plain draws with a geometry of their own.

The plain draws use other formulas: dense points along the line, finer around the nearest, plan
distances to each outline written anew, and a clamping solver for segments in space.
"""

import numpy as np
import pytest

from asfound.clearance._scene import make_scene
from asfound.clearance.odds import odds
from asfound.clearance.solids import solid_of
from asfound.model import Bore, Pit, Post, Trench

NAN = float("nan")
EAST, NORTH = 500_000.0, 4_000_000.0
SCENES, DRAWS, SAMPLES = 200, 2_000, 24


def invent(seed):
    """A line of correlated nodes, a dig near it, the line's radius and its spread."""
    rng = np.random.default_rng((81, seed))
    count, spacing = int(rng.integers(4, 11)), rng.uniform(0.5, 2.0)
    s = (np.arange(count) - 0.5 * (count - 1)) * spacing
    a = rng.uniform(0.0, 2.0 * np.pi)
    mean = np.column_stack((s * np.sin(a), s * np.cos(a), 98.8 + 0.02 * s))
    alike = 0.7 * np.exp(-np.abs(s[:, None] - s) / rng.uniform(3.0, 20.0)) + 0.3
    covariance = np.zeros((count, 3, count, 3))
    plane, level = rng.uniform(0.03, 0.2), rng.uniform(0.03, 0.25)
    for axis, sd in enumerate((plane, plane, level)):
        covariance[:, axis, :, axis] = sd**2 * alike
    x, b, half = rng.normal(0, 0.3), rng.uniform(0, 2 * np.pi), rng.uniform(1, 8)
    e = x + half * np.array([-1, 1]) * np.sin(b)
    n = half * np.array([-1, 1]) * np.cos(b)
    bottom = 98.8 + rng.normal(0.1, 0.35)
    kind = seed % 4
    slope = np.array([-0.1, 0.1])
    if kind == 0:
        dig = Trench(
            "t", EAST + e, NORTH + n, rng.uniform(0.3, 1.2, 1), np.array([NAN]), bottom + slope
        )
    elif kind == 1:
        dig = Bore(
            "b", EAST + e, NORTH + n, np.array([NAN]), bottom + np.array([0.1, -0.1]), 0.1, 0.3
        )
    elif kind == 2:
        ring = rng.uniform(0.5, 2.0) * np.array([[-1, -1], [1, -1.2], [1.3, 1], [-1, 1]])
        dig = Pit("p", EAST + x + ring[:, 0], NORTH + ring[:, 1], NAN, bottom)
    else:
        dig = Post("q", EAST + x, NORTH, rng.uniform(0.1, 0.6), NAN, bottom)
    radius, spread = rng.uniform(0.02, 0.2), float(rng.choice([0.0, 0.3]))
    return (
        mean + np.array([EAST, NORTH, 0.0]),
        covariance.reshape(3 * count, -1),
        dig,
        radius,
        spread,
    )


def plain(mean, covariance, dig, radius, spread, rng):
    """Share of plain draws that touch."""
    count = len(mean)
    root = np.linalg.cholesky(covariance + 1e-14 * np.eye(3 * count))
    line = (mean - [EAST, NORTH, 0.0]).ravel() + rng.standard_normal((DRAWS, 3 * count)) @ root.T
    line = line.reshape(DRAWS, count, 3)
    sizes = radius * np.exp(spread * rng.standard_normal(DRAWS))
    if isinstance(dig, Bore):
        return np.mean(to_bore(line, dig, rng) <= sizes + 0.5 * dig.final_diameter)
    stray = np.array([dig.horizontal_sd, dig.horizontal_sd, dig.vertical_sd])
    line = line - (rng.standard_normal((DRAWS, 3)) * stray)[:, None, :]
    share = np.linspace(0.0, 1.0, SAMPLES, endpoint=False)[:, None]
    dense = line[:, :-1, None] + share * np.diff(line, axis=1)[:, :, None]
    dense = np.concatenate((dense.reshape(DRAWS, -1, 3), line[:, -1:]), axis=1)
    apart = to_open(dense, dig)
    best, rows = np.argmin(apart, axis=1), np.arange(DRAWS)
    finer = np.linspace(0.0, 1.0, 25)[None, :, None]
    least = apart.min(axis=1)
    for side in (-1, 1):  # once more, finely, to both sides of the best
        there = dense[rows, np.clip(best + side, 0, apart.shape[1] - 1)][:, None]
        here = dense[rows, best][:, None]
        least = np.minimum(least, to_open(here + finer * (there - here), dig).min(axis=1))
    return np.mean(least <= sizes)


def to_open(point, dig):
    """Distance of points from an open dig."""
    x, y, z = point[..., 0], point[..., 1], point[..., 2]
    if isinstance(dig, Post):
        plan = np.maximum(np.hypot(x - (dig.easting - EAST), y) - 0.5 * dig.diameter, 0.0)
        return np.hypot(plan, np.maximum(dig.elevation - z, 0.0))
    if isinstance(dig, Pit):
        ring = np.column_stack((dig.easting - EAST, dig.northing - NORTH))
        plan, inside = np.full(x.shape, np.inf), np.ones(x.shape, bool)
        for one, two in zip(ring, np.roll(ring, -1, axis=0), strict=True):
            ex, ey = two - one
            inside &= ex * (y - one[1]) >= ey * (x - one[0])
            t = np.clip(((x - one[0]) * ex + (y - one[1]) * ey) / (ex**2 + ey**2), 0, 1)
            plan = np.minimum(plan, np.hypot(x - one[0] - t * ex, y - one[1] - t * ey))
        return np.hypot(np.where(inside, 0.0, plan), np.maximum(dig.elevation - z, 0.0))
    ends = np.column_stack((dig.easting - EAST, dig.northing - NORTH))
    length = np.hypot(*(ends[1] - ends[0]))
    unit = (ends[1] - ends[0]) / length
    along = (x - ends[0, 0]) * unit[0] + (y - ends[0, 1]) * unit[1]
    aside = np.abs((x - ends[0, 0]) * unit[1] - (y - ends[0, 1]) * unit[0])
    aside = np.maximum(aside - 0.5 * dig.width[0], 0.0)
    # in the upright plane: distance to the region above the sloping bottom, by its three edges
    low, high = dig.elevation
    bottom = low + (high - low) * np.clip(along / length, 0.0, 1.0)
    over = z >= bottom
    wall = np.maximum(np.maximum(-along, along - length), 0.0)
    t = np.clip(
        (along * length + (z - low) * (high - low)) / (length**2 + (high - low) ** 2), 0.0, 1.0
    )
    edge = np.hypot(along - t * length, z - low - t * (high - low))
    return np.hypot(aside, np.where(over, wall, edge))


def to_bore(line, dig, rng):
    """Distance of each draw's line from its straying straight bore, by clamped parameters."""
    ends = np.column_stack((dig.easting - EAST, dig.northing - NORTH, dig.elevation))
    length = np.linalg.norm(ends[1] - ends[0])
    across = np.array([-(ends[1] - ends[0])[1], (ends[1] - ends[0])[0], 0.0])
    across /= np.linalg.norm(across)
    u = rng.standard_normal((DRAWS, 4))
    moved = []
    for end, station in zip(ends, (0.0, length), strict=True):
        side = dig.horizontal_sd * u[:, 0] + dig.horizontal_steering * station * u[:, 1]
        drop = dig.vertical_sd * u[:, 2] + dig.vertical_steering * station * u[:, 3]
        moved.append(end + side[:, None] * across + drop[:, None] * [0.0, 0.0, 1.0])
    p, q = line[:, :-1], line[:, 1:]
    a, b = moved[0][:, None], moved[1][:, None]
    d1, d2, r = q - p, b - a, p - a

    def dot(one, two):
        return np.sum(one * two, axis=-1)

    aa, ee, bb, cc, ff = dot(d1, d1), dot(d2, d2), dot(d1, d2), dot(d1, r), dot(d2, r)
    denominator = aa * ee - bb * bb
    s = np.clip((bb * ff - cc * ee) / np.maximum(denominator, 1e-12), 0.0, 1.0)
    t = (bb * s + ff) / ee
    s = np.where(t < 0, np.clip(-cc / aa, 0, 1), np.where(t > 1, np.clip((bb - cc) / aa, 0, 1), s))
    t = np.clip(t, 0.0, 1.0)
    gap = r + s[..., None] * d1 - t[..., None] * d2
    return np.sqrt(dot(gap, gap)).min(axis=1)


@pytest.mark.slow
def test_two_hundred_scenes_agree_with_plain_draws():
    ours, counted, error = np.empty(SCENES), np.empty(SCENES), np.empty(SCENES)
    for seed in range(SCENES):
        mean, covariance, dig, radius, spread = invent(seed)
        solid = solid_of(dig, None)
        scene = make_scene(
            mean, covariance, np.ones(len(mean) - 1, bool), solid, solid.pieces, radius, spread
        )
        answer = odds(scene)
        ours[seed], error[seed] = answer.contact, answer.error
        rng = np.random.default_rng((82, seed))
        counted[seed] = plain(mean, covariance, dig, radius, spread, rng)
    chance = np.sqrt(ours * (1.0 - ours) / DRAWS)
    assert np.all(np.abs(ours - counted) <= 0.002 + 4.0 * chance)
    # together they would show a bias of 0.002 that no single scene can
    open_ones = (ours > 0.01) & (ours < 0.99)
    assert np.count_nonzero(open_ones) > 80
    bias = np.mean((ours - counted)[open_ones])
    assert abs(bias) <= 3.0 * np.sqrt(np.sum(chance[open_ones] ** 2)) / np.count_nonzero(open_ones)
    z = (ours - counted)[open_ones] / np.hypot(chance, error)[open_ones]
    assert np.mean(z**2) == pytest.approx(1.0, abs=0.4)
    assert np.median(error) < 6.1e-4
