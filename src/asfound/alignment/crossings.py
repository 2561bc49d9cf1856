"""Where lines cross in plan, and how surely one lies above the other."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import shapely
from scipy.special import ndtr

from asfound.model import Budget, Crossing, Line

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

PIECE = 8
TEE_REACH = 1.0
SAME_CROSSING = 2.0


def find_crossings(lines: tuple[Line, ...], budget: Budget | None = None) -> tuple[Crossing, ...]:
    """Crossings in plan between different lines.

    Parameters
    ----------
    lines : tuple of Line
    budget : Budget, optional
        With it, errors that both lines share (same base, same datum operation, same hook-up's
        depth scale) cancel in the vertical separation as far as they are equal. Without it
        they are taken as independent, which can only make the separation look less certain.

    Returns
    -------
    tuple of Crossing
        By first line, then station. A line that ends on another of the same utility (a tee) does
        not cross it.

    Notes
    -----
    Separation is centre to centre; order_certainty = Phi(separation / sd). Between samples
    heights and covariances are interpolated straight, as `Line` is sampled for.
    """
    if len(lines) < 2:
        return ()
    sizes = np.array([len(line.axis_station) for line in lines])
    starts = np.concatenate(([0], np.cumsum(sizes))).astype(np.int64)
    x = np.concatenate([line.easting for line in lines])
    y = np.concatenate([line.northing for line in lines])
    owner = np.repeat(np.arange(len(lines)), sizes)
    first, second, t, u = _segment_crossings(x, y, starts, owner)
    if len(first) == 0:
        return ()
    station = np.concatenate([line.axis_station for line in lines])
    height = np.concatenate([line.height for line in lines])
    shared = np.concatenate([line.covariance[:, 2, 2] for line in lines])
    a, b = owner[first], owner[second]
    station_a, station_b = _at(station, first, t), _at(station, second, u)
    utility = np.array([int(line.utility) for line in lines])
    length = station[starts[1:] - 1]
    end_a = np.minimum(station_a, length[a] - station_a)
    end_b = np.minimum(station_b, length[b] - station_b)
    tee = (utility[a] == utility[b]) & (np.minimum(end_a, end_b) < TEE_REACH)
    keep = np.flatnonzero(~tee)
    keep = keep[_distinct(a[keep], b[keep], station_a[keep])]
    first, second, a, b = first[keep], second[keep], a[keep], b[keep]
    t, u = t[keep], u[keep]
    station_a, station_b = station_a[keep], station_b[keep]

    east, north = _at(x, first, t), _at(y, first, t)
    separation = _at(height, first, t) - _at(height, second, u)
    variance = _at(shared, first, t) + _at(shared, second, u)
    if budget is not None:
        near_a = _nearest_shots(lines, a, station_a)
        near_b = _nearest_shots(lines, b, station_b)
        variance = variance - _common(budget, near_a, near_b)
    sd = np.sqrt(np.maximum(variance, 1e-12))
    certainty = ndtr(separation / sd)
    turn = np.arctan2(x[first + 1] - x[first], y[first + 1] - y[first]) - np.arctan2(
        x[second + 1] - x[second], y[second + 1] - y[second]
    )
    angle = np.abs(np.arctan(np.tan(turn)))
    angle = np.where(np.abs(np.cos(turn)) < 1e-12, np.pi / 2.0, angle)
    diameter = np.array([line.outside_diameter for line in lines])
    surface = np.abs(separation) - 0.5 * (diameter[a] + diameter[b])

    found = []
    for k in range(len(a)):
        swap = bool(separation[k] < 0)
        one, two = (int(b[k]), int(a[k])) if swap else (int(a[k]), int(b[k]))
        s_one, s_two = (station_b[k], station_a[k]) if swap else (station_a[k], station_b[k])
        found.append(
            Crossing(
                line_a=one,
                line_b=two,
                station_a=float(s_one),
                station_b=float(s_two),
                easting=float(east[k]),
                northing=float(north[k]),
                separation=float(abs(separation[k])),
                separation_sd=float(sd[k]) if np.isfinite(separation[k]) else float("nan"),
                surface_separation=float(surface[k]),
                angle=float(angle[k]),
                order_certainty=float(1.0 - certainty[k] if swap else certainty[k]),
            )
        )
    return tuple(found)


def _at(values: Floats, index: Integers, share: Floats) -> Floats:
    return np.asarray(values[index] + share * (values[index + 1] - values[index]))


def _segment_crossings(
    x: Floats, y: Floats, starts: Integers, owner: Integers
) -> tuple[Integers, Integers, Floats, Floats]:
    """Pairs of crossing segments of different lines, and where on each (0 to 1)."""
    sizes = np.diff(starts)
    parts = np.maximum(1, -(-(sizes - 1) // PIECE))
    which = np.repeat(np.arange(len(sizes)), parts)
    within = np.arange(int(parts.sum())) - np.repeat(np.cumsum(parts) - parts, parts)
    begin = starts[which] + within * PIECE
    end = np.minimum(begin + PIECE, starts[which + 1] - 1)
    whole = end > begin
    begin, end, which = begin[whole], end[whole], which[whole]
    number = end - begin + 1
    offset = np.cumsum(number) - number
    index = np.arange(int(number.sum())) - np.repeat(offset, number) + np.repeat(begin, number)
    strings = shapely.linestrings(
        np.column_stack((x[index], y[index])), indices=np.repeat(np.arange(len(begin)), number)
    )
    left, right = shapely.STRtree(strings).query(strings, predicate="intersects")
    once = which[left] < which[right]
    left, right = left[once], right[once]
    segments_l, segments_r = (end - begin)[left], (end - begin)[right]
    pairs = segments_l * segments_r
    total = int(pairs.sum())
    place = np.arange(total) - np.repeat(np.cumsum(pairs) - pairs, pairs)
    width = np.repeat(segments_r, pairs)
    i = np.repeat(begin[left], pairs) + place // width
    j = np.repeat(begin[right], pairs) + place % width
    ax, ay = x[i + 1] - x[i], y[i + 1] - y[i]
    bx, by = x[j + 1] - x[j], y[j + 1] - y[j]
    gx, gy = x[j] - x[i], y[j] - y[i]
    cross = ax * by - ay * bx
    with np.errstate(divide="ignore", invalid="ignore"):
        t = (gx * by - gy * bx) / cross
        u = (gx * ay - gy * ax) / cross
    # half open, so that a crossing at a sample is met once
    hit = np.flatnonzero((t >= 0) & (t < 1) & (u >= 0) & (u < 1))
    order = np.lexsort((t[hit], i[hit], owner[j[hit]], owner[i[hit]]))
    hit = hit[order]
    return i[hit], j[hit], t[hit], u[hit]


def _distinct(a: Integers, b: Integers, station: Floats) -> Integers:
    """Indices without repeats: lines that weave about each other cross once, not many times."""
    if len(a) == 0:
        return np.empty(0, np.int64)
    order = np.lexsort((station, b, a))
    fresh = np.ones(len(order), bool)
    same = (a[order][1:] == a[order][:-1]) & (b[order][1:] == b[order][:-1])
    fresh[1:] = ~(same & (np.diff(station[order]) < SAME_CROSSING))
    return order[fresh]


def _nearest_shots(lines: tuple[Line, ...], line: Integers, station: Floats) -> Integers:
    """(k,) the used shot nearest along each line."""
    own, index = np.unique(line, return_inverse=True)
    kept = [lines[i].used if lines[i].used.any() else ~lines[i].used for i in own]
    sizes = np.array([np.count_nonzero(used) for used in kept])
    shot = np.concatenate([lines[i].shots[used] for i, used in zip(own, kept, strict=True)])
    along = np.concatenate([lines[i].station[used] for i, used in zip(own, kept, strict=True)])
    span = float(max(along.max(), station.max())) + 1.0
    start = np.cumsum(sizes) - sizes
    # stations may step back by noise: order them within each line
    place = along + np.repeat(np.arange(len(own)), sizes) * span
    order = np.argsort(place, kind="stable")
    after = np.searchsorted(place[order], station + index * span)
    low, high = start[index], start[index] + sizes[index] - 1
    after = np.clip(after, low, high)
    before = np.clip(after - 1, low, high)
    one, two = order[before], order[after]
    nearer = np.abs(along[one] - station) <= np.abs(along[two] - station)
    return shot[np.where(nearer, one, two)]


def _common(budget: Budget, one: Integers, two: Integers) -> Floats:
    """(k,) twice the covariance of both heights that shared errors make [m2]."""
    total = np.zeros(len(one))
    for term in budget.terms:
        if term.shared_by is None:
            continue
        code_one, code_two = term.shared_by[one], term.shared_by[two]
        same = (code_one == code_two) & (code_one >= 0)
        up = np.broadcast_to(np.asarray(term.up_up, float), (len(term.shared_by),))
        total += np.where(same, 2.0 * np.sqrt(np.maximum(up[one] * up[two], 0.0)), 0.0)
    return np.asarray(np.nan_to_num(total))
