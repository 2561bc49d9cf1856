"""Loops over pieces of a pole's log: what ground nearby says of them, and which are odd."""

from __future__ import annotations

from math import floor, hypot, inf, isnan, nan, sqrt

import numpy as np
import numpy.typing as npt

from asfound.compiled import (
    CODES_OUT,
    FLOAT,
    FLOATS,
    FLOATS_OUT,
    GRID,
    GRID_OUT,
    INTEGERS,
    INTEGERS_OUT,
    kernel,
    part,
)

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]
Codes = npt.NDArray[np.int32]

UNEVEN = 0.04
"""Ground's own steps from shot to shot, kerbs apart [m], 1 sigma."""
CROSS_SLOPE = 0.05
"""Slope of the ground between two lines [m/m], 1 sigma."""
CHANGE_OF_SLOPE = 0.02
"""By how much that differs along two lines [m/m], 1 sigma."""
BEYOND_KERBS = 0.25
"""An offset that no kerb explains [m]."""
CONSISTENT = 3.0
"""How far apart what should agree may lie, in standard deviations."""
SUREST = 5.0
"""How large an offset must be, in standard deviations."""
WIDEST = 3
"""Pieces in a row that may be odd together."""

SAMPLE = 12
"""Shots of a piece that ask around."""
NEIGHBOURS = 16
"""The nearest shots that answer each."""
FEWEST = 3
"""Samples at which a witness must have measured."""
ANSWERS = SAMPLE * NEIGHBOURS
"""Witnesses that a piece can have, at most."""


@kernel(INTEGERS, INTEGERS, *(INTEGERS_OUT, INTEGERS_OUT, INTEGERS_OUT, INTEGERS_OUT, INTEGERS_OUT))
def cut_runs(
    starts: Integers,
    steps: Integers,
    run: Integers,
    first: Integers,
    last: Integers,
    before: Integers,
    behind: Integers,
) -> int:
    """Pieces of all runs that have a step, cut at each.

    Parameters
    ----------
    starts : (runs + 1,) int64
    steps : (s,) int64
        Places of steps inside runs, ascending.
    run, first, last : (2 s,) int64, written
        Of each piece: its run and its places, `first` to `last - 1`.
    before, behind : (2 s,) int64, written
        Numbers of the steps at both ends of each piece, -1 at a run's end.

    Returns
    -------
    pieces : int
        How many were written.
    """
    count, here = 0, 0
    for number in range(len(steps)):
        while starts[here + 1] <= steps[number]:
            here += 1
        if not count or run[count - 1] != here:
            run[count], first[count], before[count] = here, starts[here], -1
            count += 1
        last[count - 1], behind[count - 1] = steps[number], number
        run[count], first[count], before[count] = here, steps[number], number
        last[count], behind[count] = starts[here + 1], -1
        count += 1
    return count


@part
def _hash(east: int, north: int, places: int) -> int:
    return (east * 73_856_093 ^ north * 19_349_663) & (places - 1)


@part
def _sample(first: int, last: int, number: int) -> int:
    """The places of a piece that ask around: evenly spread, both ends among them."""
    return int(np.rint(number * ((last - 1 - first) / (SAMPLE - 1)) + first))


@part
def _nearest(
    x: float,
    y: float,
    reach: float,
    head: Codes,
    following: Codes,
    spot: Floats,
    nearest: Integers,
    away: Floats,
) -> int:
    """Points within reach of a place, the nearest first: fills their numbers and distances."""
    east_cell, north_cell = floor(x / reach), floor(y / reach)
    count = 0
    for beside in range(9):
        column, row = east_cell + beside % 3 - 1, north_cell + beside // 3 - 1
        point = head[_hash(column, row, len(head))]
        while point >= 0:
            apart = (spot[point, 0] - x) ** 2 + (spot[point, 1] - y) ** 2
            # Two cells may share a place of the table: a point counts in its own cell only.
            if (
                apart < reach * reach
                and (count < NEIGHBOURS or apart < away[count - 1])
                and floor(spot[point, 0] / reach) == column
                and floor(spot[point, 1] / reach) == row
            ):
                at = min(count, NEIGHBOURS - 1)
                while at > 0 and away[at - 1] > apart:
                    away[at], nearest[at] = away[at - 1], nearest[at - 1]
                    at -= 1
                away[at], nearest[at] = apart, point
                count = min(count + 1, NEIGHBOURS)
            point = following[point]
    return count


@kernel(
    *(INTEGERS, INTEGERS, FLOATS, FLOATS, FLOATS, INTEGERS, INTEGERS, INTEGERS, FLOAT),
    *(CODES_OUT, CODES_OUT, CODES_OUT, CODES_OUT, GRID_OUT),
    *(INTEGERS_OUT, INTEGERS_OUT, INTEGERS_OUT, INTEGERS_OUT, GRID_OUT),
)
def ask_around(
    order: Integers,
    starts: Integers,
    east: Floats,
    north: Floats,
    height: Floats,
    run: Integers,
    first: Integers,
    last: Integers,
    reach: float,
    head: Codes,
    following: Codes,
    around: Codes,
    owner: Codes,
    spot: Floats,
    sampled: Integers,
    heard: Integers,
    witness: Integers,
    piece_of: Integers,
    said: Floats,
) -> None:
    """How far pieces lie above ground that other runs measured close by.

    A witness is a piece of another run, or the whole of one that was not cut. Of each, its shot
    nearest to each sample of a piece counts; the median over the samples is what it says.

    Parameters
    ----------
    order, starts : (m,), (runs + 1,) int64
    east, north, height : (n,) float64
        Ground of all shots [m].
    run, first, last : (p,) int64
        Pieces, those of a run one after the other.
    reach : float
        How far away a witness may stand [m].
    head : (a power of two,) int32, written
        A table of a grid's cells by their hash: the last point in each, -1 for none, -2 where no
        piece is near.
    following, around, owner : (m,) int32, written
        Of points near pieces: the one before in the same place of the table, -1 for none; place;
        run.
    spot : (m, 2) float64, written
        Easting and northing of the same points, close together in memory.
    sampled, heard : (p,), (p + 1,) int64, written
        Samples of each piece, and where its witnesses start in what follows.
    witness, piece_of : (p ANSWERS,) int64, written
        Run and piece (-1: none) of each witness.
    said : (p ANSWERS, 3) float64, written
        Height above it and distance [m], and at how many samples.
    """
    pieces = len(run)
    head[:] = -2
    first_of_run = np.full(len(starts), -1)
    for piece in range(pieces - 1, -1, -1):
        first_of_run[run[piece]] = piece
        for number in range(SAMPLE):
            shot = order[_sample(first[piece], last[piece], number)]
            east_cell, north_cell = floor(east[shot] / reach), floor(north[shot] / reach)
            for beside in range(9):
                column, row = east_cell + beside % 3 - 1, north_cell + beside // 3 - 1
                head[_hash(column, row, len(head))] = -1

    points = 0
    for number in range(len(starts) - 1):
        for here in range(starts[number], starts[number + 1]):
            shot = order[here]
            column, row = floor(east[shot] / reach), floor(north[shot] / reach)
            place = _hash(column, row, len(head))
            if head[place] >= -1:
                following[points], around[points], owner[points] = head[place], here, number
                spot[points, 0], spot[points, 1] = east[shot], north[shot]
                head[place] = points
                points += 1

    nearest, away = np.empty(NEIGHBOURS, np.int64), np.empty(NEIGHBOURS)
    above, distance = np.empty((ANSWERS, SAMPLE)), np.empty(ANSWERS)
    answers, asked_last = np.empty(ANSWERS, np.int64), np.empty(ANSWERS, np.int64)
    count = 0
    for piece in range(pieces):
        heard[piece], sampled[piece] = count, 0
        before = -1
        for number in range(SAMPLE):
            here = _sample(first[piece], last[piece], number)
            if here == before:
                continue
            before = here
            sampled[piece] += 1
            asking = order[here]
            near = _nearest(
                east[asking], north[asking], reach, head, following, spot, nearest, away
            )
            for rank in range(near):
                there = nearest[rank]
                if owner[there] == run[piece]:
                    continue
                speaker = first_of_run[owner[there]]
                if speaker >= 0:
                    while last[speaker] <= around[there]:
                        speaker += 1
                at = heard[piece]
                while at < count and (witness[at] != owner[there] or piece_of[at] != speaker):
                    at += 1
                own = at - heard[piece]
                if at == count:
                    witness[at], piece_of[at] = owner[there], speaker
                    answers[own], distance[own], asked_last[own] = 0, 0.0, -1
                    count += 1
                if asked_last[own] == here:
                    continue
                asked_last[own] = here
                # Kept in order, for the median.
                off = height[asking] - height[order[around[there]]]
                slot = answers[own]
                while slot > 0 and above[own, slot - 1] > off:
                    above[own, slot] = above[own, slot - 1]
                    slot -= 1
                above[own, slot] = off
                distance[own] += sqrt(away[rank])
                answers[own] += 1
        for at in range(heard[piece], count):
            own = at - heard[piece]
            few = answers[own]
            said[at, 0] = 0.5 * (above[own, (few - 1) // 2] + above[own, few // 2])
            said[at, 1], said[at, 2] = distance[own] / few, few
    heard[pieces] = count


@part
def _heard(
    asked: range,
    offset: Floats,
    trusted_only: bool,
    sampled: Integers,
    heard: Integers,
    witness: Integers,
    piece_of: Integers,
    said: Floats,
    runs: Integers,
    sums: Floats,
) -> int:
    """What each other run says of some pieces together, as far as it can be trusted.

    Witnesses whose own ground is known to be off do not count, nor, if so asked, what is said of
    such pieces. A run must have measured at a third of the samples. Fills `runs` and, in `sums`,
    height above each and distance; returns how many.
    """
    count, samples = 0, 0
    for piece in asked:
        if trusted_only and not isnan(offset[piece]):
            continue
        samples += sampled[piece]
        for at in range(heard[piece], heard[piece + 1]):
            if piece_of[at] >= 0 and not isnan(offset[piece_of[at]]):
                continue
            own = 0
            while own < count and runs[own] != witness[at]:
                own += 1
            if own == count:
                runs[own], count = witness[at], count + 1
                sums[own, 0] = sums[own, 1] = sums[own, 2] = 0.0
            sums[own, 0] += said[at, 2] * said[at, 0]
            sums[own, 1] += said[at, 2] * said[at, 1]
            sums[own, 2] += said[at, 2]
    kept = 0
    for own in range(count):
        if sums[own, 2] >= FEWEST and 3 * sums[own, 2] >= samples:
            runs[kept] = runs[own]
            sums[kept, 0] = sums[own, 0] / sums[own, 2]
            sums[kept, 1] = sums[own, 1] / sums[own, 2]
            kept += 1
    return kept


@part
def _combine(value: float, sd: float, other: float, other_sd: float) -> tuple[float, float]:
    """Weighted mean of two values; one whose standard deviation is infinite does not count."""
    weight, other_weight = 1.0 / (sd * sd), 1.0 / (other_sd * other_sd)
    total = weight + other_weight
    return (weight * value + other_weight * other) / total, sqrt(1.0 / total)


@kernel(
    *(INTEGERS, INTEGERS, INTEGERS, FLOATS, FLOATS, FLOATS, FLOAT),
    *(INTEGERS, INTEGERS, INTEGERS, INTEGERS, GRID, FLOATS_OUT, FLOATS_OUT, INTEGERS_OUT),
)
def judge_spans(
    run: Integers,
    before: Integers,
    behind: Integers,
    step: Floats,
    step_sd: Floats,
    offset: Floats,
    least: float,
    sampled: Integers,
    heard: Integers,
    witness: Integers,
    piece_of: Integers,
    said: Floats,
    value: Floats,
    score: Floats,
    agreeing: Integers,
) -> None:
    """Which pieces, alone or two or three in a row between two steps, can be called odd.

    Parameters
    ----------
    run, before, behind : (p,) int64
        From `cut_runs`.
    step, step_sd : (s,) float64
        Size of each step, what lies behind it minus what lies before [m].
    offset : (p,) float64
        Of pieces already called odd, NaN for others [m]; those are not judged again.
    least : float
        Smallest offset of interest [m].
    sampled, heard, witness, piece_of, said
        From `ask_around`.
    value, score, agreeing : (p WIDEST,), written
        By first piece and pieces in a row less one: the offset [m], its size over its standard
        deviation, and how many witnesses bear it out; NaN where nothing is odd.
    """
    pieces = len(run)
    here_runs, rest_runs = np.empty(WIDEST * ANSWERS, np.int64), np.empty(2 * ANSWERS, np.int64)
    here, rest = np.empty((WIDEST * ANSWERS, 3)), np.empty((2 * ANSWERS, 3))
    value[:] = nan
    for first in range(pieces):
        for last in range(first, min(first + WIDEST, pieces)):
            if run[last] != run[first] or not isnan(offset[last]):
                break
            front, back = before[first], behind[last]
            if last > first and (front < 0 or back < 0):
                continue
            # Across both steps.
            front_value = back_value = 0.0
            front_sd = back_sd = inf
            if front >= 0:
                beyond = 0.0 if isnan(offset[first - 1]) else offset[first - 1]
                front_value, front_sd = beyond + step[front], hypot(step_sd[front], UNEVEN)
            if back >= 0:
                beyond = 0.0 if isnan(offset[last + 1]) else offset[last + 1]
                back_value, back_sd = beyond - step[back], hypot(step_sd[back], UNEVEN)
            size, sd = _combine(front_value, front_sd, back_value, back_sd)
            if abs(size) < least or (
                abs(front_value - size) > CONSISTENT * front_sd
                or abs(back_value - size) > CONSISTENT * back_sd
            ):
                continue
            # What ground nearby says: between two steps against the same witness beside the rest
            # of the line, which takes the cross slope out. Only the pieces next to it, since
            # witnesses come and go along a line.
            known = sampled, heard, witness, piece_of, said
            count = _heard(range(first, last + 1), offset, False, *known, here_runs, here)
            slope = CROSS_SLOPE
            if front >= 0 and back >= 0:
                slope = CHANGE_OF_SLOPE
                sides = range(first - 1, last + 2, last - first + 2)
                beside = _heard(sides, offset, True, *known, rest_runs, rest)
                kept = 0
                for k in range(count):
                    other = 0
                    while other < beside and rest_runs[other] != here_runs[k]:
                        other += 1
                    if other < beside:
                        here[kept, 0] = here[k, 0] - rest[other, 0]
                        here[kept, 1] = here[k, 1]
                        kept += 1
                count = kept
            number = 0
            if count:
                total = seen = 0.0
                for k in range(count):
                    weight = 1.0 / (UNEVEN**2 + (slope * here[k, 1]) ** 2)
                    total += weight
                    seen += weight * here[k, 0]
                seen, seen_sd = seen / total, sqrt(1.0 / total)
                # One witness far off is no contradiction, and none that would convict either.
                if abs(seen - size) > CONSISTENT * seen_sd:
                    continue
                if abs(seen) > 2.0 * seen_sd and seen * size > 0.0:
                    for k in range(count):
                        number += abs(here[k, 0] - size) < abs(here[k, 0])
                    size, sd = _combine(size, sd, seen, seen_sd)
            if not number and (front < 0 or back < 0 or abs(size) < BEYOND_KERBS):
                continue
            if abs(size) < least or abs(size) < SUREST * sd:
                continue
            at = first * WIDEST + last - first
            value[at], score[at], agreeing[at] = size, abs(size) / sd, number
