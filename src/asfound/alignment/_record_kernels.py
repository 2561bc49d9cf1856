"""Loops that turn finished paths into columns by shot."""

from __future__ import annotations

from math import atan2, pi, sqrt

import numpy as np
import numpy.typing as npt

from asfound.compiled import (
    CODES,
    CODES_OUT,
    FLAGS,
    FLAGS_OUT,
    FLOATS,
    FLOATS_OUT,
    INTEGERS,
    INTEGERS_OUT,
    kernel,
    part,
)

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]
Codes = npt.NDArray[np.int32]
Flags = npt.NDArray[np.bool_]

SMALL_TURN = 0.1
GAP_SPACINGS = 3.5
GAP_LEAST = 15.0


@kernel(INTEGERS, INTEGERS, INTEGERS, FLAGS_OUT, INTEGERS_OUT)
def look_at_walks(
    nodes: Integers, starts: Integers, shot: Integers, backward: Flags, first: Integers
) -> None:
    """Which paths run against the way the log mostly walked them, and their first shots.

    Parameters
    ----------
    nodes, starts
        Of `Paths`.
    shot : (p,) int64
        By point.
    backward : (paths,) bool
        Filled.
    first : (paths,) int64
        Filled.
    """
    for path in range(len(starts) - 1):
        begin, end = starts[path], starts[path + 1]
        middle = 0.5 * (end - begin - 1)
        walk = 0.0
        least = shot[nodes[begin]]
        for k in range(begin, end):
            walk += (k - begin - middle) * nodes[k]
            least = min(least, shot[nodes[k]])
        backward[path] = walk < 0.0 or (walk == 0.0 and nodes[begin] > nodes[end - 1])
        first[path] = least


@kernel(INTEGERS, INTEGERS, INTEGERS, FLAGS, INTEGERS_OUT, INTEGERS_OUT)
def lay_paths(
    nodes: Integers,
    starts: Integers,
    order: Integers,
    backward: Flags,
    laid: Integers,
    laid_starts: Integers,
) -> None:
    """Put chosen paths one after the other, some of them turned round.

    Parameters
    ----------
    nodes, starts
        Of `Paths`.
    order : (k,) int64
        Paths.
    backward : (paths,) bool
        Which to turn round.
    laid, laid_starts
        Filled: of the new `Paths`.
    """
    at = 0
    for k in range(len(order)):
        path = order[k]
        begin, end = starts[path], starts[path + 1]
        laid_starts[k] = at
        if backward[path]:
            for other in range(end - begin):
                laid[at + other] = nodes[end - 1 - other]
        else:
            for other in range(end - begin):
                laid[at + other] = nodes[begin + other]
        at += end - begin
    laid_starts[len(order)] = at


@kernel(INTEGERS, FLAGS, INTEGERS_OUT, FLAGS_OUT, FLOATS_OUT, FLOATS_OUT)
def turn_round(
    starts: Integers, turned: Flags, nodes: Integers, off: Flags, tx: Floats, ty: Floats
) -> None:
    """Turn paths round in place, with all that goes with their nodes."""
    for path in range(len(starts) - 1):
        if turned[path]:
            low, high = starts[path], starts[path + 1] - 1
            while low <= high:
                nodes[low], nodes[high] = nodes[high], nodes[low]
                off[low], off[high] = off[high], off[low]
                tx[low], tx[high] = -tx[high], -tx[low]
                ty[low], ty[high] = -ty[high], -ty[low]
                low += 1
                high -= 1


@part
def _distance(x: Floats, y: Floats, a: int, b: int) -> float:
    return sqrt((x[b] - x[a]) ** 2 + (y[b] - y[a]) ** 2)


@part
def _foot(x: Floats, y: Floats, point: int, a: int, b: int) -> float:
    """How far between two others the foot of a point is: 0 to 1."""
    ex, ey = x[b] - x[a], y[b] - y[a]
    square = max(ex * ex + ey * ey, 1e-12)
    along = (x[point] - x[a]) * ex + (y[point] - y[a]) * ey
    return float(min(max(along / square, 0.0), 1.0))


@part
def _arcsine(sine: float) -> float:
    """Of at most `SMALL_TURN`: the series to where the next term is below a double's digits."""
    s = sine * sine
    return sine * (
        1.0 + s * (1 / 6 + s * (3 / 40 + s * (15 / 336 + s * (105 / 3456 + s * (
            945 / 42240 + s * (10395 / 599040))))))
    )  # fmt: skip


@kernel(
    FLOATS, FLOATS, CODES, INTEGERS, INTEGERS, INTEGERS, FLAGS, FLOATS, FLOATS, FLOATS,
    CODES_OUT, CODES_OUT, FLOATS_OUT, FLOATS_OUT, CODES_OUT, INTEGERS_OUT,
)  # fmt: skip
def record_paths(
    x: Floats,
    y: Floats,
    hookup: Codes,
    shot: Integers,
    nodes: Integers,
    starts: Integers,
    off: Flags,
    tx: Floats,
    ty: Floats,
    usual: Floats,
    line: Codes,
    rank: Codes,
    station: Floats,
    bearing: Floats,
    hookup_of_line: Codes,
    wide: Integers,
) -> int:
    """Columns by shot of paths with directions.

    A node off the line gets the station of its foot between its neighbours. Bearings along a
    line differ little: most are told from one of those before by the sine between them.

    Parameters
    ----------
    x, y, hookup, shot
        By point.
    nodes, starts
        Of `Paths`.
    off, tx, ty
        By node: off the line, never so at an end of a path; unit vector along it.
    usual : (paths,) float64
        Distance between shots [m].
    line, rank, station, bearing
        Filled by shot; -1 and NaN for those on no path.
    hookup_of_line : (paths,) int32
        Filled: the one hook-up of each, -1 for several.
    wide : (m,) int64
        Filled: node positions before stretches without shots.

    Returns
    -------
    int
        How many such stretches.
    """
    line[:] = -1
    gaps = 0
    for path in range(len(starts) - 1):
        begin, end = starts[path], starts[path + 1]
        limit = max(GAP_SPACINGS * usual[path], GAP_LEAST)
        own = hookup[nodes[begin]]
        anchor_x, anchor_y, anchor = 0.0, 0.0, 0.0
        along = 0.0
        good = begin
        for k in range(begin, end):
            node = nodes[k]
            one = shot[node]
            line[one] = path
            rank[one] = k - begin
            if hookup[node] != own:
                own = np.int32(-1)
            sine = tx[k] * anchor_y - ty[k] * anchor_x
            if abs(sine) < SMALL_TURN and tx[k] * anchor_x + ty[k] * anchor_y > 0.0:
                angle = anchor + _arcsine(sine)
            else:
                anchor_x, anchor_y, anchor = tx[k], ty[k], atan2(tx[k], ty[k])
                angle = anchor
            if angle < 0.0:
                angle += 2.0 * pi
            bearing[one] = angle if angle < 2.0 * pi else angle - 2.0 * pi
            if off[k]:
                continue
            before, last = along, nodes[good]
            if k > begin:
                along += _distance(x, y, last, node)
            for other in range(good + 1, k):
                share = _foot(x, y, nodes[other], last, node)
                station[shot[nodes[other]]] = before + share * (along - before)
            station[one] = along
            for other in range(good, k):
                step = station[shot[nodes[other + 1]]] - station[shot[nodes[other]]]
                if step > limit:
                    wide[gaps] = other
                    gaps += 1
            good = k
        hookup_of_line[path] = own
    for one in range(len(line)):
        if line[one] < 0:
            rank[one] = -1
            station[one] = bearing[one] = np.nan
    return gaps
