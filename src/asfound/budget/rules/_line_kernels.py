"""Loops about shots and the lines that they belong to, or may belong to."""

from __future__ import annotations

from math import hypot, inf, isfinite, nan

import numpy as np
import numpy.typing as npt

from asfound.compiled import (
    BYTES,
    BYTES_OUT,
    CODES,
    FLAGS,
    FLOAT,
    FLOATS,
    FLOATS_OUT,
    INTEGER,
    INTEGERS,
    INTEGERS_OUT,
    SHORTS,
    kernel,
    part,
)

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]
Codes = npt.NDArray[np.int32]
Shorts = npt.NDArray[np.int16]
Bytes = npt.NDArray[np.int8]
Flags = npt.NDArray[np.bool_]

NEITHER, SETTLED, WANTED = 0, 1, 2
"""What a shot is in a search for neighbours: passed over, a possible neighbour, or looked at."""

_BRIDGE = 30.0
_WINDOW = 8
_ROUNDS = 8
_DEPTH_SHARE, _DEPTH_LEAST = 0.25, 0.15
_BEYOND, _BEFORE = 3.0, 6.0
_NEAREST = 4
"""Shots of a line whose depths are held against that of a shot beside it."""


@kernel(CODES, INTEGERS, FLOATS, FLAGS, INTEGERS, INTEGER, BYTES_OUT)
def settle(
    line: Codes,
    starts: Integers,
    easting: Floats,
    control: Flags,
    aside: Integers,
    fewest: int,
    state: Bytes,
) -> int:
    """Tell shots that are settled on a line from those that may belong to another.

    Parameters
    ----------
    line : (n,) int32
        -1 for none.
    starts : (lines + 1,) int64
        Where each line's shots start in their order.
    easting : (n,) float64
        NaN where not known [m].
    control : (n,) bool
        Checks, to be passed over.
    aside : (k,) int64
        Shots that lie aside of their line.
    fewest : int
        Shots that make a line one to rely on.
    state : (n,) int8, written

    Returns
    -------
    int
        Number of shots that may belong to another line.
    """
    wanted = 0
    for k in range(len(line)):
        state[k] = NEITHER
        if not control[k] and isfinite(easting[k]):
            own = line[k]
            state[k] = SETTLED
            if own < 0 or starts[own + 1] - starts[own] < fewest:
                state[k] = WANTED
                wanted += 1
    for k in range(len(aside)):
        if state[aside[k]] == SETTLED:
            state[aside[k]] = WANTED
            wanted += 1
    return wanted


@kernel(INTEGERS, BYTES, SHORTS, CODES, INTEGERS_OUT, INTEGERS_OUT, INTEGERS_OUT)
def log_neighbours(
    log: Integers,
    state: Bytes,
    source: Shorts,
    receiver: Codes,
    rows: Integers,
    before: Integers,
    after: Integers,
) -> None:
    """Wanted shots in order of the log, and the settled shots logged last before and first after.

    Parameters
    ----------
    log : (n,) int64
        Shots by upload, receiver, time and row.
    state, source, receiver : (n,)
    rows, before, after : (wanted,) int64, written
        Neighbours are -1 where the same receiver logged none in the same upload.
    """
    found, waiting, last = 0, 0, -1
    for k in range(len(log)):
        shot = log[k]
        if state[shot] == WANTED:
            rows[found] = shot
            before[found] = after[found] = -1
            if last >= 0 and source[last] == source[shot] and receiver[last] == receiver[shot]:
                before[found] = last
            found += 1
        elif state[shot] == SETTLED:
            last = shot
            while waiting < found:
                row = rows[waiting]
                if source[row] == source[shot] and receiver[row] == receiver[shot]:
                    after[waiting] = shot
                waiting += 1


@part
def _place_of(order: Integers, rank: Codes, first: int, last: int, shot: int) -> int:
    """Place of a shot among those of its line, which stand by rank."""
    low, high = first, last - 1
    while low < high:
        middle = (low + high) // 2
        if rank[order[middle]] < rank[shot]:
            low = middle + 1
        else:
            high = middle
    while low + 1 < last and order[low] != shot:
        low += 1
    return low


@part
def _gather(
    order: Integers, state: Bytes, first: int, last: int, middle: int, window: Integers
) -> int:
    """Places of settled shots about one of them, as many to either side as the window takes;
    their number."""
    count, place = 0, middle
    while place > first and count < _WINDOW:
        place -= 1
        if state[order[place]] == SETTLED:
            count += 1
    found = 0
    while place < last and found < count + 1 + _WINDOW:
        if state[order[place]] == SETTLED:
            window[found] = place
            found += 1
        place += 1
    return found


@kernel(
    INTEGERS,
    INTEGERS,
    CODES,
    CODES,
    BYTES,
    FLOATS,
    FLOATS,
    FLOATS,
    INTEGERS,
    INTEGERS,
    FLOATS_OUT,
    FLOATS_OUT,
)
def distances_to_lines(
    order: Integers,
    starts: Integers,
    line: Codes,
    rank: Codes,
    state: Bytes,
    easting: Floats,
    northing: Floats,
    depth: Floats,
    rows: Integers,
    members: Integers,
    distance: Floats,
    gap: Floats,
) -> None:
    """Distance in plan from each shot to the line that a settled shot is a member of.

    The line is taken through its settled shot nearest to the row and the nearest one on the
    row's other side, so that the gap which a run of wrong codes has torn is bridged.

    Parameters
    ----------
    order, starts : (m,), (lines + 1,) int64
        Shots of each line in order of rank.
    line, rank, state : (n,)
    easting, northing, depth : (n,) float64
        [m].
    rows, members : (k,) int64
        Shots, and a settled shot of the line that each is held against.
    distance : (k,) float64, written
        Infinite where the shot lies well beyond the line's end or its depth does not fit [m].
    gap : (k,) float64, written
        Between the line's two shots if the row lies between them, else 0 [m].
    """
    window = np.empty(2 * _WINDOW + 1, np.int64)
    east, north, away = np.empty(len(window)), np.empty(len(window)), np.empty(len(window))
    depths = np.empty(_NEAREST)
    for number in range(len(rows)):
        row, member = rows[number], members[number]
        first, last = starts[line[member]], starts[line[member] + 1]
        middle = _place_of(order, rank, first, last, member)
        count = 0
        for _ in range(_ROUNDS):
            count = _gather(order, state, first, last, middle, window)
            best, nearest = inf, middle
            for k in range(count):
                shot = order[window[k]]
                away[k] = hypot(easting[shot] - easting[row], northing[shot] - northing[row])
                if away[k] < best:
                    best, nearest = away[k], window[k]
            if nearest == middle:
                break
            middle = nearest
        # By distance, and where that is the same, as they stand along the line.
        for k in range(count):
            place, far = window[k], away[k]
            at = k
            while at > 0 and away[at - 1] > far:
                away[at], window[at] = away[at - 1], window[at - 1]
                at -= 1
            away[at], window[at] = far, place
        usual = nan
        known = 0
        for k in range(min(count, _NEAREST)):
            value = depth[order[window[k]]]
            if isfinite(value):
                at = known
                while at > 0 and depths[at - 1] > value:
                    depths[at] = depths[at - 1]
                    at -= 1
                depths[at] = value
                known += 1
        if known:
            usual = 0.5 * (depths[(known - 1) // 2] + depths[known // 2])
        second = -1
        for k in range(count):
            shot = order[window[k]]
            east[k], north[k] = easting[shot] - easting[row], northing[shot] - northing[row]
            apart = hypot(east[k] - east[0], north[k] - north[0])
            if apart > 0.5:
                if east[k] * east[0] + north[k] * north[0] < 0.0 and apart < _BRIDGE:
                    second = k
                    break
                if second < 0:
                    second = k
        distance[number], gap[number] = inf, 0.0
        if second < 0:
            continue
        length = hypot(east[second] - east[0], north[second] - north[0])
        east_part, north_part = (
            (east[second] - east[0]) / length,
            (north[second] - north[0]) / length,
        )
        along = -east[0] * east_part - north[0] * north_part
        if 0.0 <= along <= length:
            gap[number] = length
        off = abs(depth[row] - usual) > _DEPTH_SHARE * usual + _DEPTH_LEAST
        if -_BEFORE <= along <= length + _BEYOND and not off:
            distance[number] = abs(north[0] * east_part - east[0] * north_part)


@kernel(INTEGERS, INTEGERS, FLOATS, FLOATS, FLOAT, FLOAT, INTEGERS_OUT, FLOATS_OUT, FLOATS_OUT)
def wide_spacings(
    order: Integers,
    starts: Integers,
    station: Floats,
    bearing: Floats,
    off_straight: float,
    longest: float,
    rows: Integers,
    distance: Floats,
    off: Floats,
) -> int:
    """Shots too far from the one before on their line for its bends.

    Parameters
    ----------
    order, starts : (m,), (lines + 1,) int64
        Shots of each line in order along it.
    station, bearing : (n,) float64
        Along the line [m], and its course there [rad].
    off_straight, longest : float
        How far the line may leave the straight between two shots, and how far apart they may
        stand [m].
    rows : (m,) int64, written
        Shots found, in the order of the lines.
    distance, off : (m,) float64, written
        From the shot before, and how far the line may leave the straight between [m].

    Returns
    -------
    int
        Number found.
    """
    found = 0
    for run in range(len(starts) - 1):
        for k in range(starts[run] + 1, starts[run + 1]):
            here, before = order[k], order[k - 1]
            apart = station[here] - station[before]
            turn = abs(bearing[here] - bearing[before])
            turn = min(turn, 2.0 * np.pi - turn) if turn == turn else nan
            if apart * turn > 8.0 * off_straight or apart > longest:
                rows[found], distance[found] = here, apart
                off[found] = apart * turn / 8.0 if turn == turn else 0.0
                found += 1
    return found
