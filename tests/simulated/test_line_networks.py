"""Do shots come together as the lines they were taken on, in streets of many shapes?

Invented streets without field names: mains with services, cables side by side, rings, crossings,
jogs, lines round a building; each logged in four ways. A line has come back if one assembled line
holds all of its shots and nobody else's. Where it has not, it should be in pieces rather than
drawn together with another line: a false line misleads, a missing join only costs a name.
"""

from collections import Counter

import numpy as np
import pytest

from asfound.alignment import assemble
from asfound.model import Ground, Shots, Utility

SEEDS = range(20)
NOISE = 0.02  # of a shot across and along [m]: an RTK fix; common practice, no source
GAS, ELECTRIC, WATER, TELECOM = (
    Utility.GAS, Utility.ELECTRIC, Utility.WATER, Utility.COMMUNICATION,
)  # fmt: skip


def taken_along(corners, step, rng):
    """Places of shots about a step apart along straight legs."""
    corners = np.asarray(corners, float)
    along = np.append(0.0, np.cumsum(np.hypot(*np.diff(corners, axis=0).T)))
    count = max(round(along[-1] / step), 1) + 1
    station = np.linspace(0, along[-1], count)
    station[1:-1] += rng.uniform(-0.15, 0.15, max(count - 2, 0)) * step
    return np.column_stack([np.interp(station, along, values) for values in corners.T])


def arc(radius, begin, end):
    angle = np.linspace(begin, end, 60)
    return np.column_stack((radius * np.cos(angle), radius * np.sin(angle)))


def cul_de_sac(step, rng):
    radius, half = rng.uniform(9, 14), rng.uniform(3, 4.5)
    path = np.concatenate((
        [(-80, -half), (-radius, -half)],
        arc(radius, np.pi * 1.1, np.pi * 2.9),
        [(-radius, half), (-80, half)],
    ))  # fmt: skip
    inner = path * [1, 0.8] + [0.7, 0.3]
    return [(GAS, taken_along(path, step, rng)), (ELECTRIC, taken_along(inner, step, rng))]


def street_grid(step, rng):
    lean = rng.uniform(-3, 3, 6)
    along = [[(-60, 40 * k), (90, 40 * k + lean[k])] for k in range(3)]
    across = [[(45 * k - 20, -30), (45 * k - 20 + lean[3 + k], 110)] for k in range(3)]
    return [(WATER, taken_along(line, step, rng)) for line in along] + [
        (TELECOM, taken_along(line, step, rng)) for line in across
    ]


def winding_cables(step, rng):
    east = np.linspace(0, 120, 200)
    north = 8 * np.sin(east / 12)
    return [
        (TELECOM, taken_along(np.column_stack((east, north + aside)), step, rng))
        for aside in (0.0, 3.0)
    ]


def main_with_services(step, rng):
    lines = [(GAS, taken_along([(0, 0), (120, 2)], step, rng))]
    for k in range(8):
        east, side = 8 + 14 * k + rng.uniform(-3, 3), rng.choice([-1, 1])
        near, far = rng.uniform(0.8, 2.0), rng.uniform(6, 14)
        legs = [(east, east / 60 + side * near), (east + rng.uniform(-2, 2), side * far)]
        lines.append((GAS, taken_along(legs, min(step, 3.0), rng)))
    return lines


def services_alone(step, rng):
    return [
        (GAS, taken_along([(x, 0), (x + rng.uniform(-1, 1), rng.uniform(5, 9))], 2.5, rng))
        for x in range(0, 90, 15)
    ]


def round_a_building(step, rng):
    path = [(0, 0), (40, 0), (40, 25), (70, 25), (70, 0), (100, 0)]
    return [(WATER, taken_along(path, step, rng))]


def jogs(step, rng):
    return [
        (WATER, taken_along([(0, y), (40, y), (41.5, y + 2), (90, y + 2)], step, rng))
        for y in (0, 4)
    ]


def ring(step, rng):
    return [(TELECOM, taken_along(arc(25, 0, 1.94 * np.pi), step, rng))]


def towards_one_pole(step, rng):
    return [
        (ELECTRIC, taken_along([(0, y), (60, 3 + 0.8 * np.sign(y - 3))], step, rng)) for y in (0, 6)
    ]


def uneven_steps(step, rng):
    east = np.cumsum(rng.choice([1.0, 2, 4, 8, 12], 18))
    return [(WATER, np.column_stack((east, 0.02 * east + aside))) for aside in (0.0, 5.0)]


def three_side_by_side(step, rng):
    apart = rng.uniform(0.6, 1.5)
    return [
        (ELECTRIC, taken_along([(0, y), (60, y), (90, y + 15)], step, rng))
        for y in apart * np.arange(3)
    ]


STREETS = (
    cul_de_sac, street_grid, winding_cables, main_with_services, services_alone, round_a_building,
    jogs, ring, towards_one_pole, uneven_steps, three_side_by_side,
)  # fmt: skip


def walked(owner, rng):
    """Line after line, each from either end."""
    order = []
    for line in rng.permutation(owner.max() + 1):
        own = np.flatnonzero(owner == line)
        order.extend(own if rng.random() < 0.5 else own[::-1])
    return np.array(order)


def interrupted(owner, rng):
    """Every line in two visits, all visits in any order."""
    visits = []
    for line in range(owner.max() + 1):
        own = np.flatnonzero(owner == line)
        visits += [own[: len(own) // 2], own[len(own) // 2 :]]
    return np.concatenate([visits[k] for k in rng.permutation(len(visits))])


def shuffled(owner, rng):
    """In no order, without times."""
    return rng.permutation(len(owner))


def came_back(street, way, seed):
    """How each line of a street came back: "whole", "in pieces", or "with another's shots"."""
    rng = np.random.default_rng([seed, STREETS.index(street)])
    lines = street(rng.uniform(3, 6), rng)
    owner = np.repeat(np.arange(len(lines)), [len(places) for _, places in lines])
    turn = rng.uniform(0, 2 * np.pi)
    spin = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    places = np.concatenate([places for _, places in lines]) @ spin.T
    order = way(owner, rng)
    owner = owner[order]
    easting, northing = (places[order] + rng.normal(0, NOISE, places.shape)).T
    step = np.cumsum(rng.integers(15, 60, len(order))).astype("timedelta64[s]")
    time = np.datetime64("2026-05-04T08:00:00", "us") + step
    shots = Shots.build(
        easting, northing, depth=np.full(len(order), 1.0),
        utility=np.array([int(lines[k][0]) for k in owner], np.int8),
        time=np.datetime64("NaT") if way is shuffled else time,
    )  # fmt: skip
    line = assemble(shots, on_a_plane(easting, northing)).line
    verdicts = Counter()
    for own in range(len(lines)):
        found = np.unique(line[owner == own])
        drawn = found[found >= 0]
        mixed = np.isin(line[owner != own], drawn).any()
        whole = len(found) == len(drawn) == 1
        verdicts["with another's shots" if mixed else "whole" if whole else "in pieces"] += 1
    return verdicts


def on_a_plane(easting, northing):
    zero = np.zeros(len(easting))
    return Ground(
        easting=easting, northing=northing, height=zero + 100.0, longitude=zero, latitude=zero,
        ellipsoidal_height=zero + 100.0, convergence=zero, combined_factor=zero + 1.0,
        epoch=zero + 2026.9, operation=np.zeros(len(zero), np.int16), operations=(),
        unit_metres=1.0, vertical_reference="ellipsoidal height",
    )  # fmt: skip


def share(way, streets, verdict):
    """Share of all lines of some streets that came back in some way."""
    found = sum((came_back(street, way, seed) for street in streets for seed in SEEDS), Counter())
    return found[verdict] / found.total()


@pytest.mark.slow
@pytest.mark.parametrize("street", STREETS)
def test_nearly_every_line_walked_one_after_the_other_comes_back(street):
    assert share(walked, [street], "whole") >= 0.95


@pytest.mark.slow
def test_lines_walked_one_after_the_other_are_hardly_ever_drawn_together():
    assert share(walked, STREETS, "with another's shots") <= 0.005


@pytest.mark.slow
@pytest.mark.parametrize(
    ("way", "whole", "mixed"), [(interrupted, 0.9, 0.08), (shuffled, 0.85, 0.08)]
)
def test_most_lines_come_back_however_the_log_jumps(way, whole, mixed):
    assert share(way, STREETS, "whole") >= whole
    assert share(way, STREETS, "with another's shots") <= mixed
