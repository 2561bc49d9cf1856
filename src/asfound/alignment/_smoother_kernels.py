"""The smoother's loops: one line after the other, and along each line node after node.

`fit_lines` takes a line through all its rounds (wander, smoothing, judging, again) while its
nodes lie in the processor's cache. Columns are smoothed two at a time, for they share gains and
variances; a single column is given twice. What has to be known for several sizes of the wander
is advanced side by side, in lanes, because one recursion alone would wait for its divisions.

Symbols: the state is position and slope, with variance p11, p12, p22 before a node's observation
and f11, f12, f22 past it; w the observation's precision, d the step to the next node, q the
wander; r1, r2 the adjoint of the state and n11, n12, n22 its information. The recursions are
arranged so that as little as can be waits for the division by 1 + w p11.
"""

from __future__ import annotations

from math import exp, log, sqrt
from typing import Any

import numpy as np
import numpy.typing as npt

from asfound.compiled import (
    CUBE,
    CUBE_OUT,
    FLAGS,
    FLOAT,
    FLOATS,
    FLOATS_OUT,
    GRID,
    GRID_OUT,
    INTEGERS,
    kernel,
    part,
)

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

LANES = 8
"""Sizes of the wander carried side by side; `_neighbourhoods` names each of the eight."""
STRETCH = 6
"""An interval's wander is told by its two nodes and so many more on either side."""
OUTLIER_START = 3.0
OUTLIER_GONE = 6.0
JUMP_START = 3.0
JUMP_ROOM = 1.5
REACH = 5
"""Rivals: scores of shots and of the intervals between them, so many places either way."""
EQUAL = 2e-6
"""Squares of scores that differ by less of themselves count as equal."""
HELD_ROUNDS = 3
ROUNDS = 6
MOVED = 1.2214027581601699
"""A line is smoothed again if its wander anywhere differs by this factor, exp(0.2)."""
CLIP = 3.0
_HALF = STRETCH + 1
"""Half a neighbourhood: seven nodes, which `_sevens` puts together."""
_SCRATCH = 10 * LANES
_AROUND = 2 * STRETCH + 1
_NEXT: Any = np.uintp(1)
"""Nodes are counted by unsigned integers: Python's negative indices would be looked for at every
access, and loops not run several nodes at once."""
_FAINT = -300.0
"""Logarithm of a share too small to count."""
_LOG_TEN = 2.302585092994046


# --- smoothing -----------------------------------------------------------------------------


@part
def _filter(
    first: int,
    last: int,
    gap: Floats,
    precision: Floats,
    wander: Floats,
    kink: Floats,
    data: Floats,
    one: int,
    two: int,
    prior: Floats,
    kept: Floats,
    filtered: Floats,
    known: Floats,
) -> None:
    """Forward over a line: columns one and two of the state, its variance, and 1 / (1 + w p11)."""
    p11, p12, p22 = prior[0], 0.0, prior[1]
    x_one, v_one, x_two, v_two = 0.0, 0.0, 0.0, 0.0
    for i in range(first, last):
        w, d = precision[i], gap[i]
        y_one, y_two = 0.0, 0.0
        if w > 0.0:
            y_one, y_two = data[one, i], data[two, i]
        bent = p22 + kink[i]
        qd = wander[i] * d
        w1, w2 = w * p11, w * p12
        w22 = w2 * p12
        keep = 1.0 / (1.0 + w1)
        kept[i - first] = keep
        known[0, i], known[1, i], known[2, i] = p11 * keep, p12 * keep, p22 - w22 * keep
        k1, k2 = w1 * keep, w2 * keep
        off_one, off_two = y_one - x_one, y_two - x_two
        filtered[one, 0, i], filtered[one, 1, i] = x_one + k1 * off_one, v_one + k2 * off_one
        filtered[two, 0, i], filtered[two, 1, i] = x_two + k1 * off_two, v_two + k2 * off_two
        both = (w1 + d * w2) * keep
        x_one, v_one = (x_one + d * v_one) + both * off_one, v_one + k2 * off_one
        x_two, v_two = (x_two + d * v_two) + both * off_two, v_two + k2 * off_two
        p11 = keep * (p11 + d * (2.0 * p12 - d * w22)) + d * d * (bent + qd * (1.0 / 3.0))
        p12 = keep * (p12 - d * w22) + d * (bent + 0.5 * qd)
        p22 = bent + qd - w22 * keep


@part
def _look_back(
    first: int,
    last: int,
    gap: Floats,
    precision: Floats,
    data: Floats,
    one: int,
    two: int,
    kept: Floats,
    filtered: Floats,
    known: Floats,
    mean: Floats,
    variance: Floats,
    adjoint: Floats,
    information: Floats,
) -> None:
    """Backward over a line that was filtered: what the nodes ahead say, and the posterior."""
    # of the nodes ahead, as seen past a node's own observation: nothing at the line's end
    h11, h12, h22 = 0.0, 0.0, 0.0
    r1_one, r2_one, r1_two, r2_two = 0.0, 0.0, 0.0, 0.0
    for step in range(last - first):
        i = last - _NEXT - step
        f11, f12 = known[0, i], known[1, i]
        x_one, x_two = filtered[one, 0, i], filtered[two, 0, i]
        variance[i] = f11 - (f11 * f11 * h11 + 2.0 * f11 * f12 * h12 + f12 * f12 * h22)
        mean[one, i] = x_one + f11 * r1_one + f12 * r2_one
        mean[two, i] = x_two + f11 * r1_two + f12 * r2_two
        w, keep = precision[i], kept[i - first]
        k2 = w * f12
        push_one, push_two = 0.0, 0.0
        if w > 0.0:
            push_one, push_two = w * (data[one, i] - x_one), w * (data[two, i] - x_two)
        # N = (I - K H)' h (I - K H) + H' H w / (1 + w p11), with I - K H = [[keep, 0], [-k2, 1]]
        left = keep * h11 - k2 * h12
        n12 = keep * h12 - k2 * h22
        n11 = keep * (left + w) - k2 * n12
        information[0, i], information[1, i], information[2, i] = n11, n12, h22
        adjoint[one, 1, i], adjoint[two, 1, i] = r2_one, r2_two
        d = gap[i - _NEXT] if i > first else 0.0
        # back over the step, h = F' N F; written out so that little waits for n11
        b, e, dw = keep * d, 1.0 - k2 * d, d * keep * w
        v1, v2 = b * h11 + e * h12, b * h12 + e * h22
        h22 = b * v1 + (e * v2 + d * dw)
        h12 = keep * v1 + (dw - k2 * v2)
        h11 = n11
        r1, r2 = r1_one, r2_one
        r1_one, r2_one = keep * r1 + (push_one - k2 * r2), b * r1 + (e * r2 + d * push_one)
        r1, r2 = r1_two, r2_two
        r1_two, r2_two = keep * r1 + (push_two - k2 * r2), b * r1 + (e * r2 + d * push_two)
        adjoint[one, 0, i], adjoint[two, 0, i] = r1_one, r1_two


@part
def _longest(starts: Integers) -> int:
    longest = 0
    for line in range(len(starts) - 1):
        longest = max(longest, starts[line + 1] - starts[line])
    return longest


@kernel(
    INTEGERS, FLOATS, FLOATS, FLOATS, FLOATS, GRID, FLOATS,
    GRID_OUT, FLOATS_OUT, CUBE_OUT, GRID_OUT, CUBE_OUT, GRID_OUT,
)  # fmt: skip
def smooth_lines(
    starts: Integers,
    gap: Floats,
    precision: Floats,
    wander: Floats,
    kink: Floats,
    data: Floats,
    prior: Floats,
    mean: Floats,
    variance: Floats,
    filtered: Floats,
    known: Floats,
    adjoint: Floats,
    information: Floats,
) -> None:
    """Smooth all columns of all lines; see `_smoother.Track` and `_smoother.Smoothed`.

    Parameters
    ----------
    prior : (2,) float64
        Variance of position and of slope at a line's start.
    """
    columns = len(data)
    kept = np.empty(_longest(starts))
    for line in range(len(starts) - 1):
        first: Any = np.uintp(starts[line])
        last: Any = np.uintp(starts[line + 1])
        for one in range(0, columns, 2):
            two = min(one + 1, columns - 1)
            _filter(
                first, last, gap, precision, wander, kink, data, one, two, prior,
                kept, filtered, known,
            )  # fmt: skip
            _look_back(
                first, last, gap, precision, data, one, two,
                kept, filtered, known, mean, variance, adjoint, information,
            )  # fmt: skip


@kernel(
    FLOATS, FLOATS, FLOATS, CUBE, GRID, CUBE, GRID, INTEGERS, FLOATS,
    GRID_OUT, GRID_OUT, FLOATS_OUT,
)  # fmt: skip
def between_nodes(
    gap: Floats,
    wander: Floats,
    kink: Floats,
    filtered: Floats,
    known: Floats,
    adjoint: Floats,
    information: Floats,
    node: Integers,
    ahead: Floats,
    mean: Floats,
    slope: Floats,
    variance: Floats,
) -> None:
    """Posterior at places past nodes and before the next ones; see `_smoother.between`."""
    columns = len(mean)
    for k in range(len(node)):
        i, past = node[k], ahead[k]
        rest = gap[i] - past
        bent = known[2, i] + kink[i]
        qd = wander[i] * past
        p11 = known[0, i] + past * (2.0 * known[1, i] + past * (bent + qd * (1.0 / 3.0)))
        p12 = known[1, i] + past * (bent + 0.5 * qd)
        p22 = bent + qd
        n11, n12, n22 = information[0, i + 1], information[1, i + 1], information[2, i + 1]
        n22 = n22 + rest * (2.0 * n12 + rest * n11)
        n12 = n12 + rest * n11
        variance[k] = p11 - (p11 * p11 * n11 + 2.0 * p11 * p12 * n12 + p12 * p12 * n22)
        for c in range(columns):
            r1 = adjoint[c, 0, i + 1]
            r2 = adjoint[c, 1, i + 1] + rest * r1
            x, v = filtered[c, 0, i], filtered[c, 1, i]
            mean[c, k] = x + past * v + p11 * r1 + p12 * r2
            slope[c, k] = v + p12 * r1 + p22 * r2


# --- wander --------------------------------------------------------------------------------


@part
def _innovations(
    first: int,
    last: int,
    gap: Floats,
    precision: Floats,
    stiffness: Floats,
    kink: Floats,
    data: Floats,
    one: int,
    two: int,
    left: Floats,
    prior: Floats,
    sizes: Floats,
    lane: Floats,
    squares: Floats,
    keeps: Floats,
) -> None:
    """Squared innovation in standard deviations, and 1 / (1 + w p11), by node and lane.

    Only the component across the line counts, for along it the station is measured from the
    shots themselves. Before the line's first node and past its last stand STRETCH and more
    that say nothing.
    """
    n = LANES
    for k in range(LANES):
        lane[k], lane[n + k], lane[2 * n + k] = prior[0], 0.0, prior[1]
        for state in range(3, 7):
            lane[state * n + k] = 0.0
        lane[7 * n + k] = sizes[k]
    for j in range(n * STRETCH):
        squares[j], keeps[j] = 0.0, 1.0
    for j in range(n * (last - first + STRETCH), n * (last - first + _AROUND)):
        squares[j], keeps[j] = 0.0, 1.0
    one_across, two_across = 1.0, 0.0
    for i in range(first, last):
        w, d = precision[i], gap[i]
        y_one, y_two = 0.0, 0.0
        if w > 0.0:
            y_one, y_two = data[one, i], data[two, i]
        if one != two:
            one_across, two_across = left[0, i], left[1, i]
        qd = stiffness[i - first] * d
        qd2, qd3 = 0.5 * qd * d, qd * d * d * (1.0 / 3.0)
        extra = kink[i]
        dd, d2 = d * d, 2.0 * d
        for k in range(LANES):
            p11, p12, p22 = lane[k], lane[n + k], lane[2 * n + k]
            x_one, v_one = lane[3 * n + k], lane[4 * n + k]
            x_two, v_two = lane[5 * n + k], lane[6 * n + k]
            size = lane[7 * n + k]
            w1, w2 = w * p11, w * p12
            w22 = w2 * p12
            keep = 1.0 / (1.0 + w1)
            off_one, off_two = y_one - x_one, y_two - x_two
            off = off_one * one_across + off_two * two_across
            lane[8 * n + k] = off * off * w * keep
            lane[9 * n + k] = keep
            k2 = w2 * keep
            both = (w1 + d * w2) * keep
            lane[3 * n + k] = (x_one + d * v_one) + both * off_one
            lane[4 * n + k] = v_one + k2 * off_one
            lane[5 * n + k] = (x_two + d * v_two) + both * off_two
            lane[6 * n + k] = v_two + k2 * off_two
            bent = p22 + extra
            lane[k] = keep * (p11 + d2 * p12 - dd * w22) + (dd * bent + size * qd3)
            lane[n + k] = keep * (p12 - d * w22) + (d * bent + size * qd2)
            lane[2 * n + k] = (bent - keep * w22) + size * qd
        here = n * (i - first + STRETCH)
        for k in range(LANES):
            squares[here + k], keeps[here + k] = lane[8 * n + k], lane[9 * n + k]


@part
def _clip(places: int, squares: Floats, clip: float) -> None:
    """Innovations beyond so many standard deviations count linearly."""
    for j in range(LANES * places):
        square = squares[j]
        linear = 2.0 * clip * sqrt(square) - clip * clip
        squares[j] = linear if square > clip * clip else square


@part
def _sevens(places: int, squares: Floats, keeps: Floats, twos: Floats, fours: Floats) -> None:
    """Sums and products, from each place over `_HALF` = 4 + 2 + 1 of them, in their stead."""
    n = LANES
    for j in range(n * (places - 1)):
        twos[j] = squares[j] + squares[j + n]
    for j in range(n * (places - 3)):
        fours[j] = twos[j] + twos[j + 2 * n]
    for j in range(n * (places - 6)):
        squares[j] = fours[j] + (twos[j + 4 * n] + squares[j + 6 * n])
    for j in range(n * (places - 1)):
        twos[j] = keeps[j] * keeps[j + n]
    for j in range(n * (places - 3)):
        fours[j] = twos[j] * twos[j + 2 * n]
    for j in range(n * (places - 6)):
        keeps[j] = fours[j] * (twos[j + 4 * n] * keeps[j + 6 * n])


@part
def _power(x: float) -> float:
    """exp(x) for x in -300 to 0, in a form that a loop can do several of at once.

    The series of exp(x / 1024), squared ten times: right to 1e-12 down to x = -20, to 1e-8 at
    x = -100.
    """
    y = x * (1.0 / 1024.0)
    p = (1.0 / 24.0 + y * (1.0 / 120.0)) + y * y * (1.0 / 720.0)
    p = (1.0 + y) + y * y * ((1.0 / 2.0 + y * (1.0 / 6.0)) + y * y * p)
    p = p * p
    p = p * p
    p = p * p
    p = p * p
    p = p * p
    p = p * p
    p = p * p
    p = p * p
    p = p * p
    return p * p


@part
def _whole_line(
    nodes: int,
    squares: Floats,
    keeps: Floats,
    finer: Floats,
    fine: Floats,
    prior: float,
    spread: float,
    shares: Floats,
) -> float:
    """Posterior mean of log10 q of a line as a whole.

    The likelihood of a line is smooth in log q: between the lanes it is read off a spline.
    """
    for f in range(len(fine)):
        off = (fine[f] - prior) / spread
        shares[f] = -0.5 * off * off
    for k in range(LANES):
        total, product = 0.0, 1.0
        for place in range(STRETCH, nodes + STRETCH, _HALF):
            total += squares[LANES * place + k]
            product *= keeps[LANES * place + k]
            # logarithms of products, not of every factor
            if product < 1e-100:
                total -= log(product)
                product = 1.0
        likelihood = -0.5 * (total - log(product))
        for f in range(len(fine)):
            shares[f] += finer[k, f] * likelihood
    best = -np.inf
    for f in range(len(fine)):
        best = max(best, shares[f])
    for f in range(len(fine)):
        shares[f] = _power(max(shares[f] - best, _FAINT))
    total, moment = 0.0, 0.0
    for f in range(len(fine)):
        total += shares[f]
        moment += shares[f] * fine[f]
    return moment / total


@part
def _neighbourhoods(
    nodes: int,
    squares: Floats,
    keeps: Floats,
    grid: Floats,
    centre: float,
    spread: float,
    lane: Floats,
    shares: Floats,
    wander: Floats,
) -> None:
    """Wander of each interval: posterior mean of log q of its neighbourhood, about the line's."""
    n = LANES
    rows = shares.reshape((-1, LANES))
    for j in range(n * nodes):
        shares[j] = -0.5 * (squares[j] + squares[j + n * _HALF])
    for i in range(nodes):
        even = max(max(rows[i, 0], rows[i, 4]), max(rows[i, 2], rows[i, 6]))
        odd = max(max(rows[i, 1], rows[i, 5]), max(rows[i, 3], rows[i, 7]))
        best = max(even, odd)
        for k in range(LANES):
            rows[i, k] -= best
    for j in range(n * nodes):
        x = shares[j] if shares[j] > _FAINT else _FAINT
        # the likelihood holds the root of the product, so no logarithm is needed
        shares[j] = _power(x) * sqrt(keeps[j] * keeps[j + n * _HALF])
    for k in range(LANES):
        off = (grid[k] - centre) / spread
        lane[k] = exp(-0.5 * off * off)
        lane[n + k] = lane[k] * grid[k]
    for i in range(nodes):
        total, moment = 0.0, 0.0
        for k in range(LANES):
            total += lane[k] * rows[i, k]
            moment += lane[n + k] * rows[i, k]
        wander[i] = moment / total
    for i in range(nodes):
        wander[i] = _power(_LOG_TEN * wander[i])


@kernel(
    INTEGERS, FLOATS, FLOATS, FLOATS, FLOATS, GRID, GRID, FLOATS, FLOATS, FLOAT,
    GRID_OUT,
)  # fmt: skip
def likelihoods_of_lines(
    starts: Integers,
    gap: Floats,
    precision: Floats,
    stiffness: Floats,
    kink: Floats,
    data: Floats,
    left: Floats,
    prior: Floats,
    sizes: Floats,
    clip: float,
    result: Floats,
) -> None:
    """Log likelihood of each node by LANES sizes of the wander; see `_smoother`."""
    two = min(1, len(data) - 1)
    places = _longest(starts) + _AROUND
    lane = np.empty(_SCRATCH)
    squares, keeps = np.empty(LANES * places), np.empty(LANES * places)
    for line in range(len(starts) - 1):
        first: Any = np.uintp(starts[line])
        last: Any = np.uintp(starts[line + 1])
        _innovations(
            first, last, gap, precision, stiffness[first:last], kink, data, 0, two, left, prior,
            sizes, lane, squares, keeps,
        )  # fmt: skip
        _clip(last - first + _AROUND, squares, clip)
        for i in range(first, last):
            for k in range(LANES):
                here = LANES * (i - first + STRETCH) + k
                result[k, i] = -0.5 * (squares[here] - log(keeps[here]))


# --- judging -------------------------------------------------------------------------------


@part
def _weight_of(score: float) -> float:
    """Huber's weight beyond three standard deviations, fading to nothing at six."""
    if score <= OUTLIER_START:
        return 1.0
    fade = (OUTLIER_GONE - score) / (OUTLIER_GONE - OUTLIER_START)
    return min(max(fade, 0.0), 1.0) * OUTLIER_START / score


@part
def _shot_scores(
    first: int,
    last: int,
    data: Floats,
    one: int,
    two: int,
    variance: Floats,
    precision: Floats,
    usable: Flags,
    left: Floats,
    mean: Floats,
    posterior: Floats,
    shots: Floats,
) -> None:
    """Squared distance of each shot from the axis fitted without it, in standard deviations."""
    for i in range(first, last):
        off = data[one, i] - mean[one, i]
        shots[i - first] = off * off
    if one != two:
        for i in range(first, last):
            off, other = data[one, i] - mean[one, i], data[two, i] - mean[two, i]
            across = off * left[0, i] + other * left[1, i]
            unknown = left[0, i] == 0.0 and left[1, i] == 0.0
            shots[i - first] = off * off + other * other if unknown else across * across
    for i in range(first, last):
        # taking a shot of variance v / w out of its own posterior p: p' = p / (1 - p w / v)
        rest = 1.0 - posterior[i] * precision[i]
        rest = rest if rest > 1e-6 else 1e-6
        square = shots[i - first] / (rest * (posterior[i] + variance[i] * rest))
        shots[i - first] = square if usable[i] else 0.0


@part
def _jump_scores(
    first: int,
    last: int,
    gap: Floats,
    one: int,
    two: int,
    left: Floats,
    closed: Flags,
    adjoint: Floats,
    information: Floats,
    jumps: Floats,
    sizes: Floats,
) -> None:
    """Squared score and size of a jump in direction half-way between each node and the next.

    With r and N the adjoint of the slope there and its information from the backward recursion,
    the jump's estimate is r / N and its score r / sqrt(N) (auxiliary residuals; Harvey and
    Koopman 1992, Diagnostic checking of unobserved-components time series models).
    """
    for i in range(first, last - _NEXT):
        half = 0.5 * gap[i]
        sizes[i - first] = adjoint[one, 1, i + _NEXT] + half * adjoint[one, 0, i + _NEXT]
    if one != two:
        for i in range(first, last - _NEXT):
            half = 0.5 * gap[i]
            push, other = (
                sizes[i - first],
                adjoint[two, 1, i + _NEXT] + half * adjoint[two, 0, i + _NEXT],
            )
            # across the line, as the shots at both ends have it; to the left is a turn to the left
            side_one, side_two = left[0, i] + left[0, i + _NEXT], left[1, i] + left[1, i + _NEXT]
            length = sqrt(side_one * side_one + side_two * side_two)
            length = length if length > 1e-9 else 1e-9
            sizes[i - first] = -(push * side_one + other * side_two) / length
    for i in range(first, last - _NEXT):
        half = 0.5 * gap[i]
        n11, n12, n22 = (
            information[0, i + _NEXT],
            information[1, i + _NEXT],
            information[2, i + _NEXT],
        )
        certain = n22 + half * (2.0 * n12 + half * n11)
        told = (certain > 1e-6) & (not closed[i])
        push = sizes[i - first]
        size = push / (certain if certain > 1e-6 else 1e-6)
        sizes[i - first] = size
        jumps[i - first] = push * size if told else 0.0
    jumps[last - first - _NEXT] = 0.0


@part
def _wins(place: int, nodes: int, shots: Floats, jumps: Floats) -> bool:
    """Whether a score is the largest within REACH places either way.

    Shots stand at even places and the jumps after them at odd ones. A line's last shot and the
    jump before it have the same score, for nothing else tells of either: one shot doesn't make
    a turn, and rounding must not decide. So of equals shots go before jumps, then the first.
    """
    score = jumps[place // 2] if place % 2 else shots[place // 2]
    for other in range(max(place - REACH, 0), min(place + REACH + 1, 2 * nodes)):
        rival = jumps[other // 2] if other % 2 else shots[other // 2]
        if abs(rival - score) <= EQUAL * score:
            if other % 2 < place % 2 or (other % 2 == place % 2 and other < place):
                return False
        elif rival > score:
            return False
    return True


@part
def _change(
    first: int,
    last: int,
    usable: Flags,
    lenient: bool,
    shots: Floats,
    jumps: Floats,
    sizes: Floats,
    weight: Floats,
    release: Floats,
    turn: Floats,
) -> bool:
    """Change weights and releases where a score asks for it; whether any was.

    The worst of its neighbourhood goes down; anyone may come back up, but not for ever.
    """
    nodes = last - first
    pending = False
    for i in range(first, last):
        pending |= (shots[i - first] > OUTLIER_START**2) | (jumps[i - first] > JUMP_START**2)
        pending |= usable[i] & (weight[i] < 1.0)
    if not pending:
        return False
    touched = False
    for j in range(nodes):
        i = first + j
        wanted = _weight_of(sqrt(shots[j])) if usable[i] else 0.0
        up = lenient and wanted > weight[i]
        if abs(wanted - weight[i]) > 0.05 and (
            up or (shots[j] > OUTLIER_START**2 and _wins(2 * j, nodes, shots, jumps))
        ):
            weight[i] = wanted
            touched = True
        if jumps[j] > JUMP_START**2 and _wins(2 * j + 1, nodes, shots, jumps):
            size = min(max(sizes[j], -2.0), 2.0)
            release[i] += (JUMP_ROOM * size) ** 2
            turn[i] += size
            touched = True
    return touched


# --- a line through its rounds -------------------------------------------------------------


@kernel(
    INTEGERS, FLOATS, GRID, FLOATS, FLAGS, GRID, FLOATS, FLOATS, FLAGS,
    FLOATS, FLOAT, FLOATS, FLOATS, FLOATS, GRID, FLOATS,
    FLOATS_OUT, FLOATS_OUT, FLOATS_OUT, FLOATS_OUT, FLOATS_OUT, FLOATS_OUT,
    GRID_OUT, FLOATS_OUT, CUBE_OUT, GRID_OUT, CUBE_OUT, GRID_OUT,
)  # fmt: skip
def fit_each_line(
    starts: Integers,
    gap: Floats,
    data: Floats,
    variance: Floats,
    usable: Flags,
    left: Floats,
    extra: Floats,
    kink: Floats,
    closed: Flags,
    usual: Floats,
    held: float,
    spreads: Floats,
    grid: Floats,
    fine: Floats,
    finer: Floats,
    prior: Floats,
    weight: Floats,
    wander: Floats,
    release: Floats,
    turn: Floats,
    precision: Floats,
    full_wander: Floats,
    mean: Floats,
    posterior: Floats,
    filtered: Floats,
    known: Floats,
    adjoint: Floats,
    information: Floats,
) -> None:
    """Fit one or two columns of every line; see `_robust.fit_channel`.

    Parameters
    ----------
    left : (2, n) float64
        (2, 0) where there is one column.
    usual : (lines,) float64
        log10 of the prior median of q.
    held : float
        Until turns are found q stays below the usual one by this power of ten.
    spreads : (2,) float64
        Prior standard deviation of log10 q: of a line, of a neighbourhood about its line.
    grid, fine, finer : (LANES,), (f,), (LANES, f) float64
        log10 q of the lanes and in between, and the spline that leads from these to those.
    prior : (2,) float64
        Variance of position and of slope at a line's start.
    """
    two = len(data) - 1
    longest = _longest(starts)
    places = longest + _AROUND
    lane, lane_size = np.empty(_SCRATCH), 10.0**grid
    squares, keeps = np.empty(LANES * places), np.empty(LANES * places)
    twos, fours = np.empty(LANES * places), np.empty(LANES * places)
    shares = np.empty(len(fine))
    turns, stiffness, free, kept = (
        np.empty(longest), np.empty(longest), np.empty(longest), np.empty(longest),
    )  # fmt: skip
    shots, jumps, sizes = np.empty(longest), np.empty(longest), np.empty(longest)
    for line in range(len(starts) - 1):
        first: Any = np.uintp(starts[line])
        last: Any = np.uintp(starts[line + 1])
        if first == last:
            continue
        cap = 10.0 ** (usual[line] + held)
        for i in range(first, last):
            release[i], turn[i] = 0.0, 0.0
        # round -1 only estimates and smooths
        touched, changed = True, True
        for attempt in range(-1, ROUNDS):
            if attempt >= 0 and touched:
                _shot_scores(
                    first, last, data, 0, two, variance, precision, usable, left, mean,
                    posterior, shots,
                )  # fmt: skip
                _jump_scores(
                    first, last, gap, 0, two, left, closed, adjoint, information, jumps, sizes
                )
                touched = _change(
                    first, last, usable, attempt < ROUNDS - 2, shots, jumps, sizes,
                    weight, release, turn,
                )  # fmt: skip
            if touched:
                changed = True
                for i in range(first, last):
                    precision[i] = weight[i] / variance[i]
                    turns[i - first] = extra[i] + release[i] / max(gap[i], 0.1)
                    stiffness[i - first] = 1.0 + turns[i - first]
            free_now = attempt >= HELD_ROUNDS
            if changed and (free_now or attempt < 0):
                changed = False
                _innovations(
                    first, last, gap, precision, stiffness, kink, data, 0, two, left, prior,
                    lane_size, lane, squares, keeps,
                )  # fmt: skip
                _clip(last - first + _AROUND, squares, CLIP)
                _sevens(last - first + _AROUND, squares, keeps, twos, fours)
                whole = _whole_line(
                    last - first, squares, keeps, finer, fine, usual[line], spreads[0], shares
                )
                _neighbourhoods(
                    last - first, squares, keeps, grid, whole, spreads[1], lane, twos, free
                )
            if free_now:
                for i in range(first, last):
                    now, then = free[i - first], wander[i]
                    if now > MOVED * then or then > MOVED * now:
                        touched = True
                if not touched:
                    break
            if touched:
                for i in range(first, last):
                    if free_now:
                        wander[i] = free[i - first]
                    elif attempt < 0:
                        wander[i] = min(free[i - first], cap)
                    full_wander[i] = wander[i] + turns[i - first]
                _filter(
                    first, last, gap, precision, full_wander, kink, data, 0, two, prior,
                    kept, filtered, known,
                )  # fmt: skip
                _look_back(
                    first, last, gap, precision, data, 0, two,
                    kept, filtered, known, mean, posterior, adjoint, information,
                )  # fmt: skip
