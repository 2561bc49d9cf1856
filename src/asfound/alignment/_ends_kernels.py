"""Loops over the ends of paths: which goes on as which, and what that makes of the paths.

While ends are joined the points stay where they are: a chain is a list of the paths it was made
of, each with the way it runs. An end has the number of the path it is an end of, plus the number
of paths if it is the path's last point; it keeps it in whatever chain the path is. Where chains
are compared, their ends are counted the same way: heads, then tails.
"""

from __future__ import annotations

from math import atan2, cos, floor, inf, isnan, nan, pi, sqrt
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from asfound.compiled import CODES, FLAGS, FLOATS, FLOATS_OUT, INTEGERS, INTEGERS_OUT, kernel, part

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]
Codes = npt.NDArray[np.int32]
Flags = npt.NDArray[np.bool_]

SAMPLE = 16
NEIGHBOURS = 12
ROUNDS = 10
HARD_GAP = 60.0
HARD_GAP_NAMED = 150.0
HARD_SPACINGS = 12.0
LEAST_GAP = 15.0
STRAIGHT = 35.0 * pi / 180.0
SINGLE_TURN = 15.0 * pi / 180.0
LARGEST_TURN = 115.0 * pi / 180.0
LARGEST_TURN_LOGGED = 150.0 * pi / 180.0
TURN_SCALE = 15.0 * pi / 180.0
TURN_CAP = 6.0
LOOSEST = 0.5
NEVER_STRAIGHT = cos(STRAIGHT + LOOSEST) - 1e-6
NEVER_AHEAD = cos(SINGLE_TURN) - 1e-6
CORNER_SPACINGS = 2.5
CORNER_LEAST = 4.0
SPACING_LEAST, SPACING_MOST, SPACING_ELSE = 1.0, 15.0, 5.0
TOUCHING = 0.5
CROWD = 8
HALVINGS = 5


class Shots(NamedTuple):
    """Of each point; `named` is of each key."""

    x: Floats
    y: Floats
    scatter: Floats
    key: Codes
    chain: Codes
    hookup: Codes
    named: Flags
    alone: Flags


class Chains(NamedTuple):
    """Chains of paths, one after the other: chain i is ``order[bounds[i]:bounds[i + 1]]``.

    `turned` is 1 where a path runs backwards in its chain. `points` and `step` are of each chain:
    how many points, and its usual step (NaN for a single point).
    """

    order: Integers
    turned: Integers
    bounds: Integers
    points: Integers
    step: Floats


class Ends(NamedTuple):
    """Of each end of the paths at the start, for as long as it is the end of a chain.

    Its point, and what is asked of that again and again; the way out of the chain there: a unit
    vector, zero for a single point, and how much of it is noise; the nearest ends, how many are
    known, and whether there are more.
    """

    node: Integers
    place: Floats
    key: Codes
    scatter: Floats
    alone: Flags
    outward: Floats
    near: Integers
    found: Integers
    more: Flags


@part
def _lower_median(values: Floats, count: int) -> float:
    """Of the first `count` values, which it puts in order."""
    for i in range(1, count):
        value = values[i]
        k = i - 1
        while k >= 0 and values[k] > value:
            values[k + 1] = values[k]
            k -= 1
        values[k + 1] = value
    return float(values[(count - 1) // 2])


@part
def _usual_step(
    x: Floats, y: Floats, nodes: Integers, first: int, size: int, square: Floats
) -> float:
    """Lower median of up to `SAMPLE` steps spread over a stretch of nodes; NaN for one point."""
    taken = min(size - 1, SAMPLE)
    if taken == 0:
        return nan
    for k in range(taken):
        at = first + k * (size - 1) // taken
        one, two = nodes[at], nodes[at + 1]
        square[k] = (x[two] - x[one]) ** 2 + (y[two] - y[one]) ** 2
    return sqrt(_lower_median(square, taken))


@part
def _direct(
    x: Floats,
    y: Floats,
    scatter: Floats,
    nodes: Integers,
    first: int,
    last: int,
    outward: Floats,
    end: int,
) -> None:
    """Way out of a stretch of nodes by the first of them, over up to four points."""
    way = 1 if last > first else -1
    size = abs(last - first) + 1
    node = nodes[first]
    near, far = (way, 2 * way) if size >= 4 else (0, last - first)
    one, two, three = nodes[first + near], nodes[first + far], nodes[first + far + near]
    ux = (x[node] + x[one] - x[two] - x[three]) / 2.0
    uy = (y[node] + y[one] - y[two] - y[three]) / 2.0
    length = sqrt(ux * ux + uy * uy)
    outward[end, 0] = ux / max(length, 1e-9)
    outward[end, 1] = uy / max(length, 1e-9)
    outward[end, 2] = min(2.0 * scatter[node] / max(length, 0.1), 1.0)


@part
def _lay(
    chain: int, chains: Chains, nodes: Integers, starts: Integers, line: Integers, at: int
) -> int:
    """Points of a chain in order, into `line` from `at` on; returns where the next begins."""
    for k in range(chains.bounds[chain], chains.bounds[chain + 1]):
        first, end = starts[chains.order[k]], starts[chains.order[k] + 1]
        if chains.turned[k]:
            for place in range(end - 1, first - 1, -1):
                line[at] = nodes[place]
                at += 1
        else:
            for place in range(first, end):
                line[at] = nodes[place]
                at += 1
    return at


@part
def _end_numbers(chains: Chains, count: int) -> Integers:
    """Ends that the chains begin with, then those they end with."""
    number = len(chains.step)
    ends = np.empty(2 * number, np.int64)
    for chain in range(number):
        first, last = chains.bounds[chain], chains.bounds[chain + 1] - 1
        ends[chain] = chains.order[first] + count * chains.turned[first]
        ends[chain + number] = chains.order[last] + count * (1 - chains.turned[last])
    return ends


@part
def _middle(values: Floats, first: int, end: int) -> float:
    """Lower median of ``values[first:end]``, found by partition in place."""
    low, high = first, end - 1
    wanted = first + (end - first - 1) // 2
    while low < high:
        pivot = values[(low + high) // 2]
        i, j = low, high
        while i <= j:
            while values[i] < pivot:
                i += 1
            while values[j] > pivot:
                j -= 1
            if i <= j:
                values[i], values[j] = values[j], values[i]
                i += 1
                j -= 1
        if wanted <= j:
            high = j
        elif wanted >= i:
            low = i
        else:
            break
    return float(values[wanted])


@part
def _spacings(shots: Shots, chains: Chains, ends: Ends, live: Integers) -> Floats:
    """Spacing of each chain: its usual step, for single points the middle one of their key."""
    number, keys = len(chains.step), len(shots.named)
    bounds = np.zeros(keys + 1, np.int64)
    singles = 0
    for chain in range(number):
        if isnan(chains.step[chain]):
            singles += 1
        else:
            bounds[ends.key[live[chain]] + 1] += 1
    usual = np.full(keys, SPACING_ELSE)
    if singles:
        for k in range(keys):
            bounds[k + 1] += bounds[k]
        values = np.empty(number - singles)
        filled = bounds[:-1].copy()
        for chain in range(number):
            if not isnan(chains.step[chain]):
                k = ends.key[live[chain]]
                values[filled[k]] = chains.step[chain]
                filled[k] += 1
        for k in range(keys):
            if bounds[k + 1] > bounds[k]:
                usual[k] = _middle(values, bounds[k], bounds[k + 1])
    spacing = np.empty(number)
    for chain in range(number):
        own = chains.step[chain]
        if isnan(own):
            own = usual[ends.key[live[chain]]]
        spacing[chain] = min(max(own, SPACING_LEAST), SPACING_MOST)
    return spacing


@part
def _cell(value: float, width: float) -> int:
    """Row or column of a place in a grid; far out the last one."""
    return int(min(max(floor(value / width), -1e9), 1e9))


@part
def _bucket(key: int, column: int, row: int, mask: int) -> int:
    return (int(key) * 83492791 ^ column * 73856093 ^ row * 19349663) & mask


@part
def _look_around(
    asked: Integers,
    width: Floats,
    reach: Floats,
    mask: int,
    first: Integers,
    member: Integers,
    ends: Ends,
) -> None:
    """The nearest ends of each end: from its own cell, then from ring after ring around it."""
    place, keys, near, found, more = ends.place, ends.key, ends.near, ends.found, ends.more
    distance = np.empty(NEIGHBOURS)
    for end in asked:
        x, y, key = place[end, 0], place[end, 1], keys[end]
        cell, farthest = width[key], reach[key]
        column, row = _cell(x, cell), _cell(y, cell)
        west, east = _cell(x - farthest, cell), _cell(x + farthest, cell)
        south, north = _cell(y - farthest, cell), _cell(y + farthest, cell)
        number = 0
        more[end] = False
        for ring in range(max(column - west, east - column, row - south, north - row) + 1):
            for i in range(max(column - ring, west), min(column + ring, east) + 1):
                inside = abs(i - column) < ring
                for j in range(max(row - ring, south), min(row + ring, north) + 1):
                    if inside and abs(j - row) < ring:
                        continue
                    bucket = _bucket(key, i, j, mask)
                    for k in range(first[bucket], first[bucket + 1]):
                        other = member[k]
                        square = (place[other, 0] - x) ** 2 + (place[other, 1] - y) ** 2
                        if square > farthest * farthest or other == end or keys[other] != key:
                            continue
                        if number == NEIGHBOURS and square >= distance[number - 1]:
                            more[end] = True
                            continue
                        # several cells share a bucket, and some are looked into twice
                        spot = 0
                        while spot < number and near[end, spot] != other:
                            spot += 1
                        if spot < number:
                            continue
                        if number == NEIGHBOURS:
                            more[end] = True
                            spot = number = number - 1
                        while spot > 0 and distance[spot - 1] > square:
                            distance[spot], near[end, spot] = (
                                distance[spot - 1],
                                near[end, spot - 1],
                            )
                            spot -= 1
                        distance[spot], near[end, spot] = square, other
                        number += 1
            # nothing nearer than the border of the rings seen is left
            safe = min(x - (column - ring) * cell, (column + ring + 1) * cell - x)
            safe = min(safe, y - (row - ring) * cell, (row + ring + 1) * cell - y)
            if number == NEIGHBOURS and distance[number - 1] <= safe * safe:
                more[end] = True
                break
        found[end] = number


@part
def _missing(ends: Ends, live: Integers) -> Integers:
    """Live ends that miss one of their nearest: not looked for yet, or gone while more are left."""
    near, found, more = ends.near, ends.found, ends.more
    alive = np.zeros(len(found), np.bool_)
    for end in live:
        alive[end] = True
    missing, number = np.empty(len(live), np.int64), 0
    for end in live:
        gone = found[end] < 0
        if more[end]:
            for k in range(found[end]):
                gone = gone or not alive[near[end, k]]
        if gone:
            missing[number] = end
            number += 1
    return missing[:number]


@part
def _find_near(named: Flags, ends: Ends, live: Integers) -> None:
    """The nearest live ends of the same key, for those that miss one of theirs.

    At first cells are twice as wide as the farthest join of their key, so that four hold all that
    can be near; where ends are crowded they are smaller. Several cells share a bucket.
    """
    missing = _missing(ends, live)
    if len(missing) == 0:
        return
    place, keys = ends.place, ends.key
    reach = np.empty(len(named))
    for key in range(len(named)):
        reach[key] = HARD_GAP_NAMED if named[key] else HARD_GAP
    width = 2.0 * reach
    mask = 1
    while mask < 2 * len(live):
        mask *= 2
    first = np.empty(mask + 1, np.int64)
    mask -= 1
    home = np.empty(len(live), np.int64)
    for _ in range(HALVINGS):
        first[:] = 0
        for k in range(len(live)):
            end = live[k]
            cell = width[keys[end]]
            home[k] = _bucket(
                keys[end], _cell(place[end, 0], cell), _cell(place[end, 1], cell), mask
            )
            first[home[k] + 1] += 1
        crowd = 0
        for bucket in range(mask + 1):
            crowd += first[bucket + 1] * first[bucket + 1]
            first[bucket + 1] += first[bucket]
        if crowd <= CROWD * len(live):
            break
        width /= 2.0
    filled = first[:-1].copy()
    member = np.empty(len(live), np.int64)
    for k in range(len(live)):
        member[filled[home[k]]] = live[k]
        filled[home[k]] += 1
    _look_around(missing, width, reach, mask, first, member, ends)


@part
def _turn(ax: float, ay: float, bx: float, by: float) -> float:
    """Unsigned angle from one vector to another [rad]."""
    return abs(atan2(ax * by - ay * bx, ax * bx + ay * by))


@part
def _cost(
    stage: int, dx: float, dy: float, gap: float, ax: float, ay: float, bx: float, by: float,
    loose: float, spacing: float, named: bool, next_in_log: bool, other_hookup: bool,
) -> float:  # fmt: skip
    """How doubtful it is that one end goes on from another; infinite where it may not.

    Parameters
    ----------
    stage : int
        0: stretches straight on over a short gap. 1: stretches, corners, single points straight
        ahead. 2: single points round a bend. 3: single points with each other.
    dx, dy, gap : float
        From one end to the other [m].
    ax, ay, bx, by : float
        The way out of the one and into the other: unit vectors, zero for a single point.
    loose : float
        How much of their directions is noise [rad].
    spacing : float
        The larger of the two chains' [m].
    """
    pointed_a, pointed_b = ax != 0.0 or ay != 0.0, bx != 0.0 or by != 0.0
    # without a direction at either end only nearness speaks: be strict
    blind, half = not (pointed_a or pointed_b), pointed_a != pointed_b
    if blind and (stage < 3 or gap > 2.0 * spacing):
        return inf
    # a single shot that the log has next to the end may lie farther ahead
    ahead = max(6.0 * spacing, LEAST_GAP) if next_in_log else 6.0 * spacing
    if half and (stage == 0 or gap > (3.0 * spacing if stage == 1 else ahead)):
        return inf
    hard = HARD_GAP_NAMED if named else min(HARD_GAP, max(HARD_SPACINGS * spacing, LEAST_GAP))
    round_corner = min(max(CORNER_SPACINGS * spacing, CORNER_LEAST), hard)
    if gap >= TOUCHING and ((half and stage == 1) or gap > round_corner):
        # not straight on by far, before angles are worked out
        least = NEVER_AHEAD if half and stage == 1 else NEVER_STRAIGHT
        if pointed_a and ax * dx + ay * dy < least * gap:
            return inf
        if pointed_b and bx * dx + by * dy < least * gap:
            return inf
    turn_a = turn_b = 0.0
    if gap >= TOUCHING:
        if pointed_a:
            turn_a = _turn(ax, ay, dx, dy)
        if pointed_b:
            turn_b = _turn(dx, dy, bx, by)
    elif pointed_a and pointed_b:
        turn_a = _turn(ax, ay, bx, by)
    turn = turn_a + turn_b
    straight = turn <= STRAIGHT + min(loose, LOOSEST)
    if straight:
        allowed = gap <= hard
    else:
        # where the log or the field's own name speaks for it, a corner may follow on a corner
        sharpest = LARGEST_TURN_LOGGED if named or next_in_log else LARGEST_TURN
        allowed = turn <= sharpest and gap <= round_corner
    if stage == 0:
        # stretches over what single shots may have left open
        allowed = allowed and straight and gap <= 3.0 * spacing
    elif half and stage == 1:
        allowed = allowed and turn <= SINGLE_TURN
    elif half:
        within = ahead if turn <= SINGLE_TURN else 3.0 * spacing
        logged = next_in_log and gap <= 1.5 * spacing
        allowed = allowed and ((straight and gap <= within) or logged)
    if not allowed:
        return inf
    bent = (turn_a * turn_a + turn_b * turn_b) / (TURN_SCALE * TURN_SCALE + loose * loose)
    cost = gap / spacing + min(bent, TURN_CAP)
    return cost + (1.0 if other_hookup else 0.0) - (1.0 if next_in_log else 0.0)


@part
def _before(place: Floats, one: int, two: int) -> bool:
    """End farther west and south."""
    if place[one, 0] != place[two, 0]:
        return bool(place[one, 0] < place[two, 0])
    if place[one, 1] != place[two, 1]:
        return bool(place[one, 1] < place[two, 1])
    return one < two


@part
def _chain(number: int, chains: int) -> int:
    """Chain that an end of this number belongs to."""
    return number if number < chains else number - chains


@part
def _opposite(number: int, chains: int) -> int:
    """Other end of the same chain."""
    return number + chains if number < chains else number - chains


@part
def _mutual(
    shots: Shots, ends: Ends, live: Integers, spacing: Floats, stage: int
) -> tuple[Integers, Floats]:
    """By number of end: the one it is joined to (-1 none), each being the other's best, and cost.

    Of ends that cost the same the one farther west and south is taken, so that the choice does
    not depend on the order of rows.
    """
    node, place, key, scatter, alone = ends.node, ends.place, ends.key, ends.scatter, ends.alone
    outward, near, found = ends.outward, ends.near, ends.found
    log_chain, hookup, named = shots.chain, shots.hookup, shots.named
    chains = len(live) // 2
    number_of = np.full(len(node), -1, np.int64)
    for number in range(len(live)):
        number_of[live[number]] = number
    best = np.full(len(live), -1, np.int64)
    least = np.full(len(live), inf)
    for number in range(len(live)):
        a = live[number]
        if alone[a]:
            continue
        chain = _chain(number, chains)
        for k in range(found[a]):
            b = near[a, k]
            other = number_of[b]
            if other < 0 or alone[b] or _chain(other, chains) == chain:
                continue
            wide = max(spacing[chain], spacing[_chain(other, chains)])
            dx, dy = place[b, 0] - place[a, 0], place[b, 1] - place[a, 1]
            gap = sqrt(dx * dx + dy * dy)
            farthest = HARD_GAP_NAMED
            if not named[key[a]]:
                farthest = min(HARD_GAP, max(HARD_SPACINGS * wide, LEAST_GAP))
            # the gap alone costs this, less what the log may speak for it
            if gap > farthest or gap > (least[number] + 1.0) * wide:
                continue
            one, two = node[a], node[b]
            cost = _cost(
                stage, dx, dy, gap,
                outward[a, 0], outward[a, 1], -outward[b, 0], -outward[b, 1],
                outward[a, 2] + outward[b, 2] + min(scatter[a] / max(gap, 0.5), 0.5),
                wide, named[key[a]],
                abs(one - two) == 1 and log_chain[one] == log_chain[two],
                hookup[one] != hookup[two] and hookup[one] >= 0 and hookup[two] >= 0,
            )  # fmt: skip
            tied = cost == least[number] and cost < inf
            if cost < least[number] or (tied and _before(place, b, live[best[number]])):
                best[number], least[number] = other, cost
    link = np.full(len(live), -1, np.int64)
    for number in range(len(live)):
        other = best[number]
        if other > number and best[other] == number:
            # two chains are joined once, even where they are best at both ends
            twin = link[_opposite(number, chains)]
            if twin < 0 or _chain(twin, chains) != _chain(other, chains):
                link[number], link[other] = other, number
    return link, least


@part
def _free_end(number: int, link: Integers, chains: int) -> int:
    """Where one comes out who leaves a chain by an end and goes on; -1 if it is a ring."""
    out = number
    while link[out] >= 0:
        out = _opposite(link[out], chains)
        if out == number:
            return -1
    return out


@part
def _open_ring(number: int, link: Integers, cost: Floats, chains: int) -> None:
    """Take out the dearest link of a ring."""
    worst = low = high = -1
    out = number
    while True:
        one, two = min(out, link[out]), max(out, link[out])
        a, b = _chain(one, chains), _chain(two, chains)
        a, b = min(a, b), max(a, b)
        if worst < 0 or (cost[one], a, b) > (cost[worst], low, high):
            worst, low, high = one, a, b
        out = _opposite(link[out], chains)
        if out == number:
            break
    other = link[worst]
    link[worst] = link[other] = -1


@part
def _relink(chains: Chains, link: Integers, cost: Floats) -> tuple[Chains, Integers]:
    """Chains after joining them at their linked ends, and those of them that are new.

    A ring is opened at its dearest link. The usual steps of the new ones are left open.
    """
    number = len(chains.step)
    order, turned = np.empty_like(chains.order), np.empty_like(chains.turned)
    bounds, points = np.zeros(number + 1, np.int64), np.zeros(number, np.int64)
    step, new = np.empty(number), np.empty(number, np.int64)
    seen = np.zeros(number, np.bool_)
    made = changed = at = 0
    for chain in range(number):
        if seen[chain]:
            continue
        entry = chain
        step[made] = chains.step[chain]
        if link[chain] >= 0 or link[chain + number] >= 0:
            if _free_end(chain, link, number) < 0:
                _open_ring(chain, link, cost, number)
            one = _free_end(chain, link, number)
            two = _free_end(chain + number, link, number)
            entry = min(one, two)
            new[changed] = made
            changed += 1
        while entry >= 0:
            own = _chain(entry, number)
            seen[own] = True
            points[made] += chains.points[own]
            first, last = chains.bounds[own], chains.bounds[own + 1] - 1
            for k in range(last - first + 1):
                if entry < number:
                    order[at], turned[at] = chains.order[first + k], chains.turned[first + k]
                else:
                    order[at], turned[at] = chains.order[last - k], 1 - chains.turned[last - k]
                at += 1
            entry = link[_opposite(entry, number)]
        made += 1
        bounds[made] = at
    return Chains(order, turned, bounds[: made + 1], points[:made], step[:made]), new[:changed]


@part
def _describe(
    shots: Shots, chains: Chains, chosen: Integers, nodes: Integers, starts: Integers, ends: Ends
) -> None:
    """Way out of both ends of chosen chains, and their usual steps."""
    x, y, scatter, outward = shots.x, shots.y, shots.scatter, ends.outward
    count = len(starts) - 1
    square = np.empty(SAMPLE)
    most = 0
    for chain in chosen:
        most = max(most, chains.points[chain])
    line = np.empty(most, np.int64)
    for chain in chosen:
        head, tail = chains.bounds[chain], chains.bounds[chain + 1] - 1
        head_end = chains.order[head] + count * chains.turned[head]
        tail_end = chains.order[tail] + count * (1 - chains.turned[tail])
        _lay(chain, chains, nodes, starts, line, 0)
        last = chains.points[chain] - 1
        _direct(x, y, scatter, line, 0, last, outward, head_end)
        _direct(x, y, scatter, line, last, 0, outward, tail_end)
        chains.step[chain] = _usual_step(x, y, line, 0, last + 1, square)


@kernel(FLOATS, FLOATS, INTEGERS, INTEGERS, FLOATS_OUT)
def usual_steps(x: Floats, y: Floats, nodes: Integers, starts: Integers, step: Floats) -> None:
    """Usual step of each path."""
    square = np.empty(SAMPLE)
    for path in range(len(starts) - 1):
        size = starts[path + 1] - starts[path]
        step[path] = _usual_step(x, y, nodes, starts[path], size, square)


@kernel(FLOATS, FLOATS, FLOATS, CODES, CODES, CODES, FLAGS, FLAGS, INTEGERS, INTEGERS, INTEGERS)
def join_chains(
    x: Floats,
    y: Floats,
    scatter: Floats,
    key: Codes,
    log_chain: Codes,
    hookup: Codes,
    named: Flags,
    alone: Flags,
    nodes: Integers,
    starts: Integers,
    stages: Integers,
) -> tuple[Integers, Integers, Integers]:
    """Chains of paths that go on as one another: order, turned and bounds of `Chains`."""
    count = len(starts) - 1
    shots = Shots(x, y, scatter, key, log_chain, hookup, named, alone)
    chains = Chains(
        np.arange(count),
        np.zeros(count, np.int64),
        np.arange(count + 1),
        starts[1:] - starts[:-1],
        np.empty(count),
    )
    ends = Ends(
        np.empty(2 * count, np.int64),
        np.empty((2 * count, 2)),
        np.empty(2 * count, np.int32),
        np.empty(2 * count),
        np.empty(2 * count, np.bool_),
        np.empty((2 * count, 3)),
        np.empty((2 * count, NEIGHBOURS), np.int64),
        np.full(2 * count, -1, np.int64),
        np.zeros(2 * count, np.bool_),
    )
    node, outward, step = ends.node, ends.outward, chains.step
    square = np.empty(SAMPLE)
    for path in range(count):
        first, last = starts[path], starts[path + 1] - 1
        node[path], node[path + count] = nodes[first], nodes[last]
        _direct(x, y, scatter, nodes, first, last, outward, path)
        _direct(x, y, scatter, nodes, last, first, outward, path + count)
        step[path] = _usual_step(x, y, nodes, first, last - first + 1, square)
    for end in range(2 * count):
        point = node[end]
        ends.place[end, 0], ends.place[end, 1] = x[point], y[point]
        ends.key[end], ends.scatter[end], ends.alone[end] = (
            key[point],
            scatter[point],
            alone[point],
        )
    live = np.arange(2 * count)
    _find_near(named, ends, live)
    for stage in stages:
        for _ in range(ROUNDS):
            spacing = _spacings(shots, chains, ends, live)
            link, cost = _mutual(shots, ends, live, spacing, stage)
            chains, new = _relink(chains, link, cost)
            if len(new) == 0:
                break
            _describe(shots, chains, new, nodes, starts, ends)
            live = _end_numbers(chains, count)
            _find_near(named, ends, live)
    return chains.order, chains.turned, chains.bounds


@kernel(INTEGERS, INTEGERS, INTEGERS, INTEGERS, INTEGERS, INTEGERS_OUT, INTEGERS_OUT)
def lay_out(
    nodes: Integers,
    starts: Integers,
    order: Integers,
    turned: Integers,
    bounds: Integers,
    new_nodes: Integers,
    new_starts: Integers,
) -> None:
    """Chains as paths: their points in order."""
    chains = Chains(order, turned, bounds, order, np.empty(0))
    new_starts[0] = 0
    for chain in range(len(bounds) - 1):
        new_starts[chain + 1] = _lay(chain, chains, nodes, starts, new_nodes, new_starts[chain])
