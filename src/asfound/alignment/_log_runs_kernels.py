"""Loops along the log: points too close to the one before, usual steps, turns, runs."""

from __future__ import annotations

from math import atan2, cos, floor, pi, sqrt

import numpy as np
import numpy.typing as npt

from asfound.compiled import (
    BYTES,
    BYTES_OUT,
    CODES,
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
Bytes = npt.NDArray[np.int8]

SHORT_STEP = 0.3
LONGEST_STRIDE = 1.0
STRIDE = 0.5
USUAL_STEPS = 3.0
LEAST_STEP_LIMIT = 12.0
LARGEST_STEP = 30.0
WIDE_STEPS, WIDEST_STEP, EVEN_SHARE = 1.5, 100.0, 0.75
STEP_ELSE = 5.0
SMOOTH_TURN = 40.0 * pi / 180.0
LEADS = 10.0 * pi / 180.0
REVERSAL = 115.0 * pi / 180.0
COS_SMOOTH = cos(SMOOTH_TURN)
COS_REVERSAL = cos(REVERSAL)
NOISE = 3.0
LARGEST_NOISE = 0.6
SHUFFLED_SHARE = 0.33
WINDOW = 8
SHORTEST_RUN = 3
ASTRAY_LEAST = 1.5
ASTRAY_SCATTER = 6.0
BESIDE_LOG = 3.0
HOLE = 1.4

SMOOTH, ROUGH, BACK = 0, 1, 2
"""What the path does at a point: goes on, turns, doubles back."""


@part
def _step(x: Floats, y: Floats, a: int, b: int) -> float:
    return sqrt((x[b] - x[a]) ** 2 + (y[b] - y[a]) ** 2)


@part
def _turn(x: Floats, y: Floats, chain: Codes, kept: Integers, k: int) -> float:
    """Unsigned, of the path at a kept point [rad]; zero at both ends of a chain."""
    if k < 1 or k > len(kept) - 2:
        return 0.0
    a, b, c = kept[k - 1], kept[k], kept[k + 1]
    if chain[a] != chain[b] or chain[b] != chain[c]:
        return 0.0
    ax, ay = x[b] - x[a], y[b] - y[a]
    bx, by = x[c] - x[b], y[c] - y[b]
    return abs(atan2(ax * by - ay * bx, ax * bx + ay * by))


@part
def _look(ax: float, ay: float, bx: float, by: float, scatter: float) -> int:
    """What a path does between two steps with so much scatter about it."""
    dot = ax * bx + ay * by
    before, after = sqrt(ax * ax + ay * ay), sqrt(bx * bx + by * by)
    if dot >= COS_SMOOTH * before * after:
        return SMOOTH
    if dot < COS_REVERSAL * before * after:
        return BACK
    loose = NOISE * scatter / max(min(before, after), 0.05)
    if abs(atan2(ax * by - ay * bx, dot)) > SMOOTH_TURN + min(loose, LARGEST_NOISE):
        return ROUGH
    return SMOOTH


@part
def _within(x: Floats, y: Floats, a: int, b: int, c: int, d: int) -> bool:
    """Whether the way from c to d goes on smoothly from that from a to b."""
    ax, ay = x[b] - x[a], y[b] - y[a]
    bx, by = x[d] - x[c], y[d] - y[c]
    reach = sqrt((ax * ax + ay * ay) * (bx * bx + by * by))
    return bool(ax * bx + ay * by > COS_SMOOTH * reach)


@part
def _usual_near(x: Floats, y: Floats, chain: Codes, kept: Integers, k: int) -> float:
    """Median step of the log near a kept point, but for the steps to it and from it [m]."""
    steps = np.empty(2 * WINDOW)
    count = 0
    for i in range(max(k - 1 - WINDOW, 0), min(k + 1 + WINDOW, len(kept) - 1)):
        if i != k - 1 and i != k and chain[kept[i]] == chain[kept[i + 1]] == chain[kept[k]]:
            steps[count] = _step(x, y, kept[i], kept[i + 1])
            count += 1
    return _median(steps[:count])


@part
def _off_chord(x: Floats, y: Floats, a: int, b: int, c: int) -> float:
    """Distance of b from the straight way from a to c [m]."""
    ux, uy = x[c] - x[a], y[c] - y[a]
    t = ((x[b] - x[a]) * ux + (y[b] - y[a]) * uy) / max(ux * ux + uy * uy, 1e-12)
    t = min(max(t, 0.0), 1.0)
    return sqrt((x[b] - x[a] - t * ux) ** 2 + (y[b] - y[a] - t * uy) ** 2)


@part
def _even(steps: Floats, usual: float) -> bool:
    """Whether most steps are about as long as usual: those of a log in no order are not."""
    alike = 0
    for step in steps:
        alike += usual / WIDE_STEPS <= step <= usual * WIDE_STEPS
    return bool(alike >= EVEN_SHARE * len(steps))


@part
def _median(values: Floats) -> float:
    lower, upper = (len(values) - 1) // 2, len(values) // 2
    ordered = np.partition(values, upper)
    below = ordered[upper]
    if lower < upper:
        below = ordered[0]
        for k in range(1, upper):
            below = max(below, ordered[k])
    return float((below + ordered[upper]) / 2.0)


@part
def _close(
    kept: Integers,
    first: int,
    end: int,
    nodes: Integers,
    starts: Integers,
    runs: int,
    singles: Integers,
    alone: int,
) -> tuple[int, int]:
    """End a run before `end`; one too short to prove anything falls apart into points."""
    if end - first < SHORTEST_RUN:
        for k in range(first, end):
            singles[alone] = kept[k]
            alone += 1
        return runs, alone
    at = starts[runs]
    for k in range(first, end):
        nodes[at] = kept[k]
        at += 1
    starts[runs + 1] = at
    return runs + 1, alone


@part
def _sound(chain: Codes, kept: Integers, turns: Bytes, chains: int) -> npt.NDArray[np.bool_]:
    """Kept points where the path does not double back again and again, near them or all along."""
    count = len(kept)
    backs, number = np.zeros(chains, np.int64), np.zeros(chains, np.int64)
    for k in range(count):
        number[chain[kept[k]]] += 1
        backs[chain[kept[k]]] += turns[k] == BACK
    whole = backs / np.maximum(number, 1) <= SHUFFLED_SHARE
    sound = np.empty(count, np.bool_)
    near = 0
    for k in range(min(WINDOW, count)):
        near += turns[k] == BACK
    for k in range(count):
        if k + WINDOW < count:
            near += turns[k + WINDOW] == BACK
        if k > WINDOW:
            near -= turns[k - WINDOW - 1] == BACK
        width = min(k + WINDOW + 1, count) - max(k - WINDOW, 0)
        sound[k] = near <= SHUFFLED_SHARE * width and whole[chain[kept[k]]]
    return sound


@kernel(FLOATS, FLOATS, CODES, INTEGERS_OUT, INTEGERS_OUT)
def thin_log(
    x: Floats, y: Floats, chain: Codes, kept: Integers, close: Integers
) -> tuple[int, int]:
    """Tell points that follow the one before within half a metre of walking from the rest.

    Parameters
    ----------
    x, y, chain
        By point.
    kept, close : (p,) int64
        Filled: points, ascending.

    Returns
    -------
    int, int
        How many are kept, and how many are close.
    """
    keeps = closes = 0
    walked = 0.0
    for k in range(len(x)):
        short = False
        if k > 0:
            step = _step(x, y, k - 1, k)
            before = walked
            walked += min(step, LONGEST_STRIDE)
            short = (
                step < SHORT_STEP
                and chain[k] == chain[k - 1]
                and floor(walked / STRIDE) == floor(before / STRIDE)
            )
        if short:
            close[closes] = k
            closes += 1
        else:
            kept[keeps] = k
            keeps += 1
    return keeps, closes


@kernel(FLOATS, FLOATS, CODES, INTEGERS, FLOATS_OUT)
def step_limits(x: Floats, y: Floats, chain: Codes, kept: Integers, limit: Floats) -> None:
    """Longest step a run may take [m]: some times the median step of the chain.

    Parameters
    ----------
    x, y, chain
        By point.
    kept : (k,) int64
        Points, chain after chain.
    limit : (chains,) float64
        Filled.
    """
    first = 0
    steps = np.empty(len(kept))
    while first < len(kept):
        number = chain[kept[first]]
        count = short = 0
        last = first + 1
        while last < len(kept) and chain[kept[last]] == number:
            step = _step(x, y, kept[last - 1], kept[last])
            short += step <= LEAST_STEP_LIMIT / USUAL_STEPS
            steps[count] = step
            count += 1
            last += 1
        # most chains need no sorting: their median is plainly below the limit
        if count == 0:
            usual = STEP_ELSE
        elif 2 * short > count + 1:
            usual = 0.0
        else:
            usual = _median(steps[:count])
        # where shots are taken every hundred feet and more, little more than that
        largest = LARGEST_STEP
        if WIDE_STEPS * usual > LARGEST_STEP and _even(steps[:count], usual):
            largest = min(WIDE_STEPS * usual, WIDEST_STEP)
        limit[number] = min(max(USUAL_STEPS * usual, LEAST_STEP_LIMIT), largest)
        first = last


@kernel(FLOATS, FLOATS, FLOATS, CODES, INTEGERS, BYTES_OUT)
def look_at_turns(
    x: Floats, y: Floats, scatter: Floats, chain: Codes, kept: Integers, turns: Bytes
) -> None:
    """What the path through the kept points does at each: goes on, turns, or doubles back.

    Parameters
    ----------
    x, y, scatter, chain
        By point.
    kept : (k,) int64
        Points, chain after chain.
    turns : (k,) int8
        Filled: `SMOOTH`, `ROUGH` or `BACK`; `SMOOTH` at both ends of a chain.
    """
    turns[:] = SMOOTH
    for k in range(1, len(kept) - 1):
        a, b, c = kept[k - 1], kept[k], kept[k + 1]
        if chain[a] == chain[b] and chain[b] == chain[c]:
            turns[k] = _look(
                x[b] - x[a],
                y[b] - y[a],
                x[c] - x[b],
                y[c] - y[b],
                max(scatter[a], scatter[b], scatter[c]),
            )


@kernel(
    FLOATS, FLOATS, FLOATS, CODES, FLOATS, INTEGERS_OUT, BYTES_OUT, INTEGERS_OUT, FLOATS_OUT
)  # fmt: skip
def set_aside(
    x: Floats,
    y: Floats,
    scatter: Floats,
    chain: Codes,
    limit: Floats,
    kept: Integers,
    turns: Bytes,
    astray: Integers,
    off: Floats,
) -> int:
    """Take out points that the log has in the middle of a straight walk and that lie elsewhere.

    The walk goes on beyond such a point as before, and where it lies far off it leaves a hole
    where the point should be: its position was mistyped or misread, and may fall on another line.

    Parameters
    ----------
    x, y, scatter, chain
        By point.
    limit : (chains,) float64
        Longest step [m].
    kept, turns
        By point of the log; moved up where points are taken out.
    astray : (k,) int64
        Filled: points taken out.
    off : (k,) float64
        Filled: how far each lies off the walk [m].

    Returns
    -------
    int
        How many are taken out.
    """
    found = 0
    count = len(kept)
    k = 2
    while k < count - 2:
        if turns[k] == SMOOTH:
            k += 1
            continue
        z, a, b, c, d = kept[k - 2], kept[k - 1], kept[k], kept[k + 1], kept[k + 2]
        number = chain[b]
        if chain[z] != number or chain[d] != number:
            k += 1
            continue
        hole, longest = _step(x, y, a, c), limit[number]
        away = _off_chord(x, y, a, b, c)
        if (
            hole < longest
            and away > max(ASTRAY_LEAST, ASTRAY_SCATTER * scatter[b])
            and SHORT_STEP < _step(x, y, z, a) < longest
            and SHORT_STEP < _step(x, y, c, d) < longest
            and _within(x, y, z, a, a, c)
            and _within(x, y, a, c, c, d)
            and (away <= BESIDE_LOG or hole > HOLE * _usual_near(x, y, chain, kept, k))
        ):
            astray[found], off[found] = k, away
            found += 1
            k += 2
        k += 1
    if found == 0:
        return 0
    at, done = astray[0], 0
    holes = np.empty(found, np.int64)
    for k in range(astray[0], count):
        if done < found and astray[done] == k:
            astray[done], holes[done] = kept[k], at
            done += 1
            continue
        kept[at], turns[at] = kept[k], turns[k]
        at += 1
    # points beside a hole have other neighbours now
    for done in range(found):
        for k in range(holes[done] - 1, holes[done] + 1):
            a, b, c = kept[k - 1], kept[k], kept[k + 1]
            turns[k] = _look(
                x[b] - x[a],
                y[b] - y[a],
                x[c] - x[b],
                y[c] - y[b],
                max(scatter[a], scatter[b], scatter[c]),
            )
    return found


@kernel(
    FLOATS, FLOATS, CODES, INTEGERS, FLOATS, BYTES, INTEGERS_OUT, INTEGERS_OUT, INTEGERS_OUT
)  # fmt: skip
def find_runs(
    x: Floats,
    y: Floats,
    chain: Codes,
    kept: Integers,
    limit: Floats,
    turns: Bytes,
    nodes: Integers,
    starts: Integers,
    singles: Integers,
) -> tuple[int, int]:
    """Stretches of the log whose steps are usual, and whose path turns little.

    Parameters
    ----------
    x, y, chain
        By point.
    kept : (k,) int64
        Points, chain after chain.
    limit : (chains,) float64
        Longest step [m].
    turns : (k,) int8
        As `look_at_turns` finds them.
    nodes : (k,) int64
        Filled: points of runs, run after run.
    starts : (k + 1,) int64
        Filled: where each run begins, and where the last ends.
    singles : (k,) int64
        Filled: points in no run.

    Returns
    -------
    int, int
        How many runs, and how many points are in none.
    """
    count = len(kept)
    sound = _sound(chain, kept, turns, len(limit))
    runs = alone = 0
    starts[0] = 0
    first = 0
    linked = False
    cut_next = False
    for k in range(count):
        # the link from this point to the next
        onward = False
        if k + 1 < count:
            a, b = kept[k], kept[k + 1]
            if chain[a] == chain[b] and sound[k] and sound[k + 1]:
                square = (x[b] - x[a]) ** 2 + (y[b] - y[a]) ** 2
                onward = 0.0 < square <= limit[chain[b]] ** 2
        # at a point that is not smooth, the link that the path on its far side does not lead into
        # goes, or the longer one where both sides do
        cut, cut_next = cut_next, False
        if linked and onward and turns[k] != SMOOTH:
            bent_before, bent_after = (
                _turn(x, y, chain, kept, k - 1),
                _turn(x, y, chain, kept, k + 1),
            )
            if abs(bent_before - bent_after) > LEADS:
                backward = bent_before > bent_after
            else:
                backward = _step(x, y, kept[k - 1], kept[k]) >= _step(x, y, kept[k], kept[k + 1])
            cut = cut or backward
            cut_next = not backward
        if k > 0 and (cut or not linked):
            runs, alone = _close(kept, first, k, nodes, starts, runs, singles, alone)
            first = k
        linked = onward
    if count > 0:
        runs, alone = _close(kept, first, count, nodes, starts, runs, singles, alone)
    return runs, alone
