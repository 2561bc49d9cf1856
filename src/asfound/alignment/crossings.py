"""Where lines cross in plan, and how surely one lies above the other."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from asfound.alignment._crossing_kernels import PIECE, STRETCH, box_lines, cross_segments
from asfound.model import Budget, Crossing, Line

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

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
    a, b, first, second, t, u = _segment_crossings(lines)
    if len(a) == 0:
        return ()
    # only lines that cross any are looked at from here on
    own, place = np.unique(np.concatenate((a, b)), return_inverse=True)
    place_a, place_b = place.reshape(2, -1)
    met = [lines[k] for k in own.tolist()]
    begin = np.concatenate(([0], np.cumsum([len(line.axis_station) for line in met])))
    first, second = first + begin[place_a], second + begin[place_b]
    station = np.concatenate([line.axis_station for line in met])
    station_a, station_b = _at(station, first, t), _at(station, second, u)
    utility = np.array([int(line.utility) for line in met])
    length = station[begin[1:] - 1]
    end_a = np.minimum(station_a, length[place_a] - station_a)
    end_b = np.minimum(station_b, length[place_b] - station_b)
    tee = (utility[place_a] == utility[place_b]) & (np.minimum(end_a, end_b) < TEE_REACH)
    keep = np.flatnonzero(~tee)
    keep = keep[_distinct(a[keep], b[keep], station_a[keep])]
    first, second, a, b = first[keep], second[keep], a[keep], b[keep]
    t, u = t[keep], u[keep]
    station_a, station_b = station_a[keep], station_b[keep]

    x = np.concatenate([line.easting for line in met])
    y = np.concatenate([line.northing for line in met])
    height = np.concatenate([line.height for line in met])
    vertical = np.concatenate([line.covariance[:, 2, 2] for line in met])
    east, north = _at(x, first, t), _at(y, first, t)
    separation = _at(height, first, t) - _at(height, second, u)
    variance = _at(vertical, first, t) + _at(vertical, second, u)
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
    diameter = np.array([line.outside_diameter for line in met])
    surface = np.abs(separation) - 0.5 * (diameter[place_a] + diameter[place_b])[keep]
    # the upper line first
    swap = separation < 0
    columns = (
        np.where(swap, b, a),
        np.where(swap, a, b),
        np.where(swap, station_b, station_a),
        np.where(swap, station_a, station_b),
        east,
        north,
        np.abs(separation),
        np.where(np.isfinite(separation), sd, np.nan),
        surface,
        angle,
        np.where(swap, 1.0 - certainty, certainty),
    )
    return tuple(map(Crossing, *(column.tolist() for column in columns)))


def _at(values: Floats, index: Integers, share: Floats) -> Floats:
    return np.asarray(values[index] + share * (values[index + 1] - values[index]))


def _segment_crossings(
    lines: tuple[Line, ...],
) -> tuple[Integers, Integers, Integers, Integers, Floats, Floats]:
    """Pairs of crossing segments of different lines, by line, segment and place on it.

    Returns
    -------
    a, b : (k,) int64
        Lines, a < b.
    first, second : (k,) int64
        The segment's first sample within each line.
    t, u : (k,) float64
        Where on each segment (0 up to 1).
    """
    none, nowhere = np.empty(0, np.int64), np.empty(0)
    if len(lines) < 2:
        return none, none, none, none, nowhere, nowhere
    x = np.concatenate([line.easting for line in lines])
    y = np.concatenate([line.northing for line in lines])
    starts = np.zeros(len(lines) + 1, np.int64)
    np.cumsum([len(line.easting) for line in lines], out=starts[1:])
    piece_box = np.empty((len(x) // PIECE + len(lines), 4))
    room = len(x) // (PIECE * STRETCH) + len(lines)
    box = np.empty((room, 4))
    line, sample, piece = (np.zeros(room + 1, np.int64) for _ in range(3))
    number = box_lines(x, y, starts, piece_box, box, line, sample, piece)
    box = box[:number]
    # sweep along the axis on which fewer overlap
    seen = box[box[:, 0] <= box[:, 2]]
    if len(seen) == 0:
        return none, none, none, none, nowhere, nowhere
    widths = (seen[:, 2:] - seen[:, :2]).sum(axis=0)
    extent = seen[:, 2:].max(axis=0) - seen[:, :2].min(axis=0)
    axis = int(widths[1] * extent[0] < widths[0] * extent[1])
    order = np.argsort(box[:, axis], kind="stable")
    box = np.ascontiguousarray(box[order])
    span = np.ascontiguousarray(box[:, axis::2])
    room = 1000
    while True:
        one, two = np.empty(room, np.int64), np.empty(room, np.int64)
        t, u = np.empty(room), np.empty(room)
        found = cross_segments(
            x, y, starts, piece_box, line, sample, piece, order, span, box, one, two, t, u
        )
        if found <= room:
            break
        room = found
    one, two, t, u = one[:found], two[:found], t[:found], u[:found]
    a = np.searchsorted(starts, one, side="right") - 1
    b = np.searchsorted(starts, two, side="right") - 1
    order = np.lexsort((t, one, b, a))
    a, b, one, two = a[order], b[order], one[order], two[order]
    return a, b, one - starts[a], two - starts[b], t[order], u[order]


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
    for term in budget.shared:
        if term.shared_by is None:
            continue
        code_one, code_two = term.shared_by[one], term.shared_by[two]
        same = (code_one == code_two) & (code_one >= 0)
        up = np.broadcast_to(np.asarray(term.up_up, float), (len(term.shared_by),))
        total += np.where(same, 2.0 * np.sqrt(np.maximum(up[one] * up[two], 0.0)), 0.0)
    return np.asarray(np.nan_to_num(total))
