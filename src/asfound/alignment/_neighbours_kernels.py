"""Loops over points and those around them: which lies between which, and what paths that makes.

Points are kept in square cells, and stand in the order of these, so that what is near on the
ground is near in memory. A cell has a bucket in a table; cells far apart may share one.
"""

from __future__ import annotations

from math import atan2, cos, floor, inf, pi, sqrt

import numpy as np
import numpy.typing as npt

from asfound.compiled import (
    CODES,
    CODES_OUT,
    FLAGS_OUT,
    FLOAT,
    FLOATS,
    FLOATS_OUT,
    INTEGERS_OUT,
    kernel,
    part,
)

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]
Codes = npt.NDArray[np.int32]
Flags = npt.NDArray[np.bool_]

FARTHEST = 1e15
GOLDEN = 0.6180339887498949
KEY_STEP = 2_654_435_761

NEIGHBOURS = 10
REACH = 30.0
MERGE = 0.3
TURN_SCALE = 9.0 * pi / 180.0
SMOOTH_TURN = 50.0 * pi / 180.0
COS_SMOOTH = cos(SMOOTH_TURN)
SHARPEST = 110.0 * pi / 180.0
BEND_CAP = 9.0
STRAIGHT_OFFER = 3.0
FIRM = 4
HOOKUP_COST = 1.0
MARGIN = 1e-9
"""Of comparisons that only save work: what they let through is compared exactly."""


@part
def _cell(value: float, per_metre: float) -> int:
    return floor(min(max(value, -FARTHEST), FARTHEST) * per_metre)


@part
def _row_of_buckets(row: int, key: int, buckets: int) -> int:
    """Rows of cells are a golden section of the table apart."""
    return row * (int(GOLDEN * buckets) | 1) + int(key) * KEY_STEP


@part
def _bucket(column: int, row: int, key: int, buckets: int) -> int:
    """Cells of a row have buckets side by side."""
    return (_row_of_buckets(row, key, buckets) + column) & (buckets - 1)


@kernel(FLOATS, FLOATS, CODES, FLOAT, CODES_OUT, CODES_OUT)
def sort_into_cells(
    x: Floats, y: Floats, key: Codes, cell: float, order: Codes, starts: Codes
) -> float:
    """Order of points by cells.

    Parameters
    ----------
    x, y, key
        By point.
    cell : float
        Size [m].
    order : (n,) int32
        Filled: points, bucket after bucket.
    starts : (buckets + 1,) int32
        Filled: where the points of each bucket begin. The buckets' number is a power of two.

    Returns
    -------
    float
        How many points share a point's bucket, in the mean.
    """
    buckets = len(starts) - 1
    place = np.empty(len(x), np.int32)
    starts[:] = 0
    for k in range(len(x)):
        place[k] = _bucket(_cell(x[k], 1.0 / cell), _cell(y[k], 1.0 / cell), key[k], buckets)
        starts[place[k] + 1] += 1
    pairs = 0.0
    for bucket in range(buckets):
        pairs += float(starts[bucket + 1]) ** 2
        starts[bucket + 1] += starts[bucket]
    for k in range(len(x)):
        order[starts[place[k]]] = k
        starts[place[k]] += 1
    for bucket in range(buckets, 0, -1):
        starts[bucket] = starts[bucket - 1]
    starts[0] = 0
    return pairs / max(len(x), 1)


@part
def _gather(
    x: Floats,
    y: Floats,
    key: Codes,
    starts: Codes,
    cell: float,
    k: int,
    limit: float,
    most: int,
    enough: float,
    near: Codes,
    square: Floats,
) -> int:
    """Points of one key nearest to point k, nearest first, and how many they are.

    Not more than `most`, none beyond `limit`; a point within `enough` ends the search.
    """
    buckets = len(starts) - 1
    per_metre = 1.0 / cell
    column, row = _cell(x[k], per_metre), _cell(y[k], per_metre)
    across, up = x[k] - cell * column, y[k] - cell * row
    edge = max(min(min(across, cell - across), min(up, cell - up)), 0.0)
    found = 0
    farthest = limit * limit
    ring = 0
    while True:
        for there in range(row - ring, row + ring + 1):
            # all of the ring's first and last row, and the ends of those between
            step = 1 if ring == 0 or abs(there - row) == ring else 2 * ring
            begin = _row_of_buckets(there, key[k], buckets)
            for here in range(column - ring, column + ring + 1, step):
                bucket = (begin + here) & (buckets - 1)
                for other in range(starts[bucket], starts[bucket + 1]):
                    apart = (x[other] - x[k]) ** 2 + (y[other] - y[k]) ** 2
                    if apart > farthest or other == k or key[other] != key[k]:
                        continue
                    if found == most and apart >= square[most - 1]:
                        continue
                    # of another cell in the same bucket: met there, or will be
                    if _cell(x[other], per_metre) != here or _cell(y[other], per_metre) != there:
                        continue
                    place = min(found, most - 1)
                    while place > 0 and square[place - 1] > apart:
                        near[place], square[place] = near[place - 1], square[place - 1]
                        place -= 1
                    near[place], square[place] = other, apart
                    found = min(found + 1, most)
                    if apart <= enough * enough:
                        return found
        if found == most:
            farthest = min(farthest, square[most - 1])
        seen = edge + cell * ring
        if seen * seen >= farthest:
            return found
        ring += 1


@kernel(FLOATS, FLOATS, CODES, CODES, FLOAT, CODES, FLOATS_OUT)
def nearest_distances(
    x: Floats,
    y: Floats,
    key: Codes,
    starts: Codes,
    cell: float,
    order: Codes,
    distance: Floats,
) -> int:
    """Distance from each point to the nearest of its key.

    Parameters
    ----------
    x, y, key, starts, cell
        Points in cells.
    order : (n,) int32
        The number each is known by.
    distance : (n,) float64
        Filled by number: infinite if there is none within `REACH`; some distance up to `MERGE`
        where the nearest is within that [m].

    Returns
    -------
    int
        How many have one within `MERGE`.
    """
    near, square = np.empty(1, np.int32), np.empty(1)
    crowded = 0
    for k in range(len(x)):
        found = _gather(x, y, key, starts, cell, k, REACH, 1, MERGE, near, square)
        distance[order[k]] = sqrt(square[0]) if found else inf
        crowded += found > 0 and square[0] <= MERGE * MERGE
    return crowded


@kernel(FLOATS, FLOATS, CODES, FLAGS_OUT)
def thin_in_turn(x: Floats, y: Floats, key: Codes, kept: Flags) -> None:
    """Keep each point that has none of its key, kept before it, within `MERGE`.

    Parameters
    ----------
    x, y, key
        By point, in the order in which they are asked.
    kept : (n,) bool
        Filled.
    """
    buckets = 1
    while buckets < len(x):
        buckets *= 2
    last_of = np.full(buckets, -1, np.int32)
    before = np.empty(len(x), np.int32)
    for k in range(len(x)):
        column, row = _cell(x[k], 1.0 / MERGE), _cell(y[k], 1.0 / MERGE)
        kept[k] = True
        for there in range(row - 1, row + 2):
            for here in range(column - 1, column + 2):
                other = last_of[_bucket(here, there, key[k], buckets)]
                while other >= 0 and kept[k]:
                    apart = (x[other] - x[k]) ** 2 + (y[other] - y[k]) ** 2
                    kept[k] = key[other] != key[k] or apart > MERGE * MERGE
                    other = before[other]
        if kept[k]:
            own = _bucket(column, row, key[k], buckets)
            before[k], last_of[own] = last_of[own], k


@part
def _bend(
    ax: float, ay: float, la: float, bx: float, by: float, lb: float, scatter: float, most: float
) -> tuple[float, float]:
    """How much a path bends that comes by one vector's point and leaves by the other's.

    Returns what a bend costs, at most `BEND_CAP`, and the bend itself in units of what noise
    and the turn of a line explain; infinite where the path turns too much or it costs `most`.
    """
    dot = ax * bx + ay * by
    size = la * lb
    if dot > (MARGIN - COS_SMOOTH) * size:
        return inf, inf
    cross = ax * by - ay * bx
    loose = 1.0 + (2.0 * scatter / min(la, lb) / TURN_SCALE) ** 2
    # a turn is more than its sine
    least = (cross / (size * TURN_SCALE)) ** 2 / loose
    if min(least, BEND_CAP) * (1.0 - MARGIN) >= most:
        return inf, inf
    turn = pi - abs(atan2(cross, dot))
    if turn > SMOOTH_TURN:
        return inf, inf
    bent = (turn / TURN_SCALE) ** 2 / loose
    return min(bent, BEND_CAP), bent


@kernel(
    FLOATS, FLOATS, CODES, CODES, FLOAT, CODES, FLOATS, CODES, CODES, FLOATS, FLOATS, FLOATS,
    CODES_OUT, CODES_OUT, FLOATS_OUT, FLOATS_OUT,
)  # fmt: skip
def wish_for_links(
    x: Floats,
    y: Floats,
    key: Codes,
    starts: Codes,
    cell: float,
    hookup: Codes,
    scatter: Floats,
    number: Codes,
    partner: Codes,
    all_x: Floats,
    all_y: Floats,
    reach: Floats,
    wish: Codes,
    other_wish: Codes,
    cost: Floats,
    bent: Floats,
) -> None:
    """Links each point asks for: both of its best pair, or one beside the link it has.

    Parameters
    ----------
    x, y, key, starts, cell
        Points in cells.
    hookup, scatter
        By point.
    number : (n,) int32
        The number each is known by.
    partner : (all,) int32
        By number: the other end of the one link a point has, -1 for none.
    all_x, all_y : (all,) float64
        Places by number.
    reach : (keys,) float64
        Longest link [m].
    wish, other_wish : (n,) int32
        Filled: numbers, -1 for none.
    cost, bent : (n,) float64
        Filled: of the wish, and of its bend alone.
    """
    near, square = np.empty(NEIGHBOURS, np.int32), np.empty(NEIGHBOURS)
    away = np.empty(NEIGHBOURS)
    dx, dy = np.empty(NEIGHBOURS), np.empty(NEIGHBOURS)
    foreign = np.empty(NEIGHBOURS)
    columns = min(NEIGHBOURS, len(x) - 1)
    for k in range(len(x)):
        wish[k] = other_wish[k] = -1
        cost[k] = bent[k] = inf
        found = _gather(x, y, key, starts, cell, k, reach[key[k]], NEIGHBOURS, 0.0, near, square)
        tied = partner[number[k]]
        count = 0
        for one in range(found):
            other = near[one]
            if number[other] == tied:
                continue
            near[count] = other
            away[count] = sqrt(square[one])
            dx[count], dy[count] = x[other] - x[k], y[other] - y[k]
            strange = hookup[other] != hookup[k] and hookup[other] >= 0 and hookup[k] >= 0
            foreign[count] = HOOKUP_COST if strange else 0.0
            count += 1
        if count == 0:
            continue
        lower, upper = (columns - 1) // 2, columns // 2
        scale = 0.5 * (
            (away[lower] if lower < count else REACH) + (away[upper] if upper < count else REACH)
        )
        if tied >= 0:
            ax, ay = all_x[tied] - x[k], all_y[tied] - y[k]
            la = sqrt(ax * ax + ay * ay)
            for b in range(count):
                plain = (la + away[b]) / scale + foreign[b]
                if plain >= cost[k]:
                    continue
                capped, bend = _bend(ax, ay, la, dx[b], dy[b], away[b], scatter[k], cost[k] - plain)
                if plain + capped < cost[k]:
                    cost[k], bent[k] = plain + capped, bend
                    wish[k] = number[near[b]]
            continue
        for a in range(count - 1):
            for b in range(a + 1, count):
                plain = (away[a] + away[b]) / scale + (foreign[a] + foreign[b])
                if plain >= cost[k]:
                    continue
                capped, bend = _bend(
                    dx[a], dy[a], away[a], dx[b], dy[b], away[b], scatter[k], cost[k] - plain
                )
                if plain + capped < cost[k]:
                    cost[k], bent[k] = plain + capped, bend
                    wish[k], other_wish[k] = number[near[a]], number[near[b]]


@kernel(CODES, CODES, CODES, CODES, CODES, CODES_OUT, CODES_OUT)
def mutual_links(
    number: Codes,
    wish: Codes,
    other_wish: Codes,
    place: Codes,
    name: Codes,
    first: Codes,
    second: Codes,
) -> int:
    """Links that both sides ask for, each once.

    Parameters
    ----------
    number, wish, other_wish : (n,) int32
        Who asks for whom.
    place : (all,) int32
        By number: its place in these.
    name : (all,) int32
        By number: what it is called outside; a link begins with the lower name.
    first, second : (2 n,) int32
        Filled: numbers.

    Returns
    -------
    int
        How many.
    """
    count = 0
    for k in range(len(number)):
        for asked in (wish[k], other_wish[k]):
            if asked < 0 or name[asked] < name[number[k]]:
                continue
            there = place[asked]
            if wish[there] == number[k] or other_wish[there] == number[k]:
                first[count], second[count] = number[k], asked
                count += 1
    return count


@part
def _before(cost: Floats, number: Codes, name: Codes, one: int, two: int) -> bool:
    """One asks at less cost than another; of two at the same cost, by name."""
    if cost[one] == cost[two]:
        return bool(name[number[one]] < name[number[two]])
    return bool(cost[one] < cost[two])


@kernel(CODES, CODES, FLOATS, FLOATS, CODES, CODES, CODES, CODES, CODES_OUT, CODES_OUT)
def strong_links(
    number: Codes,
    wish: Codes,
    cost: Floats,
    bent: Floats,
    place: Codes,
    name: Codes,
    partner: Codes,
    length: Codes,
    first: Codes,
    second: Codes,
) -> int:
    """Links by which a path of some length goes straight on to a point that is still free.

    The end of a line between two others lies straight between their ends as well; what its own
    line asks of it counts for more.

    Parameters
    ----------
    number, wish, cost, bent : (n,)
        Who asks for whom, at what cost.
    place, name
        As for `mutual_links`.
    partner, length : (all,) int32
        By number: the other end of its one link, -1 for none; points of the path it ends.
    first, second : (n,) int32
        Filled: numbers, who asks first.

    Returns
    -------
    int
        How many: one at most to each free point.
    """
    best = np.full(len(number), -1, np.int32)
    for k in range(len(number)):
        asked = wish[k]
        if asked < 0 or partner[asked] >= 0 or bent[k] > STRAIGHT_OFFER:
            continue
        if length[number[k]] < FIRM:
            continue
        there = place[asked]
        if best[there] < 0 or _before(cost, number, name, k, best[there]):
            best[there] = k
    count = 0
    for k in range(len(number)):
        if best[k] >= 0:
            first[count], second[count] = number[best[k]], number[k]
            count += 1
    return count


@kernel(
    FLOATS, FLOATS, CODES, CODES, CODES, FLOATS, FLOATS, CODES, CODES, CODES, CODES_OUT, CODES_OUT
)  # fmt: skip
def offered_links(
    all_x: Floats,
    all_y: Floats,
    number: Codes,
    wish: Codes,
    other_wish: Codes,
    cost: Floats,
    bent: Floats,
    place: Codes,
    name: Codes,
    partner: Codes,
    first: Codes,
    second: Codes,
) -> int:
    """Links asked of points that ask for none, ends and corners: two each, with the one it has.

    The second only where it comes straight in, and the path does not double back.

    Parameters
    ----------
    all_x, all_y, name, partner
        By number.
    number, wish, other_wish, cost, bent, place
        As for `mutual_links` and `strong_links`.
    first, second : (2 n,) int32
        Filled: numbers.

    Returns
    -------
    int
        How many.
    """
    best, next_best = np.full(len(number), -1, np.int32), np.full(len(number), -1, np.int32)
    for k in range(len(number)):
        for asked in (wish[k], other_wish[k]):
            if asked < 0:
                continue
            there = place[asked]
            if wish[there] >= 0 or (partner[number[k]] < 0 and partner[asked] >= 0):
                continue
            if best[there] < 0 or _before(cost, number, name, k, best[there]):
                best[there], next_best[there] = k, best[there]
            elif next_best[there] < 0 or _before(cost, number, name, k, next_best[there]):
                next_best[there] = k
    count = 0
    for k in range(len(number)):
        if best[k] < 0:
            continue
        node = number[k]
        previous, later = partner[node], best[k]
        if previous < 0:
            previous, later = number[best[k]], next_best[k]
            first[count], second[count] = previous, node
            count += 1
        if later < 0 or bent[later] > STRAIGHT_OFFER:
            continue
        comes = number[later]
        ax, ay = all_x[node] - all_x[previous], all_y[node] - all_y[previous]
        bx, by = all_x[comes] - all_x[node], all_y[comes] - all_y[node]
        if abs(atan2(ax * by - ay * bx, ax * bx + ay * by)) <= SHARPEST:
            first[count], second[count] = comes, node
            count += 1
    return count


@kernel(CODES, CODES, CODES, CODES, CODES_OUT, CODES_OUT, CODES_OUT)
def at_most_two(
    first: Codes,
    second: Codes,
    link: Codes,
    other_link: Codes,
    asked: Codes,
    fit_first: Codes,
    fit_second: Codes,
) -> int:
    """New links in the order given, without those that come third at a point.

    Parameters
    ----------
    first, second : (k,) int32
        Numbers; none twice.
    link, other_link : (all,) int32
        By number: what it is linked to, -1 for none.
    asked : (all,) int32
        Zeros on entry and on return.
    fit_first, fit_second : (k,) int32
        Filled.

    Returns
    -------
    int
        How many fit.
    """
    count = 0
    for k in range(len(first)):
        fits = True
        for node in (first[k], second[k]):
            has = (link[node] >= 0) + (other_link[node] >= 0) + asked[node]
            fits = fits and has < 2
            asked[node] += 1
        if fits:
            fit_first[count], fit_second[count] = first[k], second[k]
            count += 1
    for k in range(len(first)):
        asked[first[k]] = asked[second[k]] = 0
    return count


@part
def _tie(link: Codes, other_link: Codes, node: int, to: int) -> None:
    if link[node] < 0:
        link[node] = to
    else:
        other_link[node] = to


@part
def _untie(link: Codes, other_link: Codes, node: int, to: int) -> None:
    if link[node] == to:
        link[node] = other_link[node]
    other_link[node] = -1


@part
def _next(link: Codes, other_link: Codes, node: int, before: int) -> int:
    return int(other_link[node] if link[node] == before else link[node])


@part
def _longest_link(
    x: Floats, y: Floats, name: Codes, link: Codes, other_link: Codes, begin: int
) -> tuple[int, int]:
    """Of a closed path; of several as long that of the highest names."""
    one, two = begin, link[begin]
    before, node = one, two
    longest = (x[two] - x[one]) ** 2 + (y[two] - y[one]) ** 2
    while node != begin:
        onward = _next(link, other_link, node, before)
        before, node = node, onward
        square = (x[node] - x[before]) ** 2 + (y[node] - y[before]) ** 2
        if square > longest or (
            square == longest
            and (min(name[before], name[node]), max(name[before], name[node]))
            > (min(name[one], name[two]), max(name[one], name[two]))
        ):
            one, two, longest = before, node, square
    return one, two


@kernel(
    FLOATS, FLOATS, CODES, CODES, CODES, CODES_OUT, CODES_OUT, CODES_OUT, CODES_OUT
)  # fmt: skip
def tie_links(
    x: Floats,
    y: Floats,
    name: Codes,
    first: Codes,
    second: Codes,
    link: Codes,
    other_link: Codes,
    far: Codes,
    length: Codes,
) -> None:
    """Tie points together; a path that closes on itself loses its longest link.

    Parameters
    ----------
    x, y, name
        By number.
    first, second : (k,) int32
        New links.
    link, other_link : (all,) int32
        By number: what it is linked to, -1 for none; changed.
    far, length : (all,) int32
        By number, for ends of paths: the other end and the number of points; changed.
    """
    for k in range(len(first)):
        a, b = first[k], second[k]
        _tie(link, other_link, a, b)
        _tie(link, other_link, b, a)
        if far[a] != b:
            one, two, points = far[a], far[b], length[a] + length[b]
        else:
            one, two = _longest_link(x, y, name, link, other_link, a)
            _untie(link, other_link, one, two)
            _untie(link, other_link, two, one)
            points = length[a]
        far[one], far[two] = two, one
        length[one] = length[two] = points


@kernel(CODES, CODES, CODES, CODES, INTEGERS_OUT, INTEGERS_OUT, INTEGERS_OUT)
def walk_links(
    name: Codes,
    link: Codes,
    other_link: Codes,
    far: Codes,
    order: Integers,
    starts: Integers,
    least: Integers,
) -> int:
    """Walk each path from that of its ends with the lower name.

    Parameters
    ----------
    name, link, other_link, far
        By number.
    order : (all,) int64
        Filled: names, path after path.
    starts : (all + 1,) int64
        Filled: where each path begins, and where the last ends.
    least : (all,) int64
        Filled: the lowest name on each path.

    Returns
    -------
    int
        How many paths.
    """
    paths = 0
    at = 0
    starts[0] = 0
    for begin in range(len(name)):
        # one end of each path: the other is passed by when it is come to
        if other_link[begin] >= 0 or name[far[begin]] < name[begin]:
            continue
        least[paths] = name[begin]
        before, node = -1, begin
        while node >= 0:
            order[at] = name[node]
            least[paths] = min(least[paths], name[node])
            at += 1
            onward = _next(link, other_link, node, before)
            before, node = node, onward
        paths += 1
        starts[paths] = at
    return paths
