"""Which segments of different lines cross: boxes first, then segments.

Lines are cut into stretches, stretches into pieces of a few segments. A sweep over the stretches'
boxes finds those that may meet; of those, pieces whose boxes meet and that are not wholly beside
each other are compared segment by segment.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from asfound.compiled import (
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

PIECE = 8
"""Segments of a piece."""
STRETCH = 16
"""Pieces of a stretch."""
SLACK = 1e-6
"""Pieces beside each other are told apart from this distance on [m]."""


@kernel(FLOATS, FLOATS, INTEGERS, GRID_OUT, GRID_OUT, INTEGERS_OUT, INTEGERS_OUT, INTEGERS_OUT)
def box_lines(
    x: Floats,
    y: Floats,
    starts: Integers,
    piece_box: Floats,
    box: Floats,
    line: Integers,
    sample: Integers,
    piece: Integers,
) -> int:
    """Boxes (least x, least y, largest x, largest y) of all pieces and of all stretches.

    Parameters
    ----------
    x, y : (n,) float64
        Samples of all lines, one line after the other; what is NaN is in no box.
    starts : (lines + 1,) int64
    piece_box : (p, 4) float64
        Written, and so is what follows. p >= n / PIECE + lines.
    box : (s, 4) float64
        s >= n / (PIECE * STRETCH) + lines.
    line : (s,) int64
        Of each stretch.
    sample, piece : (s + 1,) int64
        First sample and first piece of each stretch. A stretch's last sample is the next one's
        first where they are of the same line.

    Returns
    -------
    int
        Number of stretches.
    """
    pieces, stretches = 0, 0
    for k in range(len(starts) - 1):
        end = starts[k + 1]
        for begin in range(starts[k], end - 1, PIECE * STRETCH):
            line[stretches], sample[stretches], piece[stretches] = k, begin, pieces
            box[stretches, 0] = box[stretches, 1] = np.inf
            box[stretches, 2] = box[stretches, 3] = -np.inf
            for low in range(begin, min(begin + PIECE * STRETCH, end - 1), PIECE):
                least_x = least_y = np.inf
                most_x = most_y = -np.inf
                for i in range(low, min(low + PIECE + 1, end)):
                    least_x = x[i] if x[i] < least_x else least_x
                    most_x = x[i] if x[i] > most_x else most_x
                    least_y = y[i] if y[i] < least_y else least_y
                    most_y = y[i] if y[i] > most_y else most_y
                piece_box[pieces, 0], piece_box[pieces, 1] = least_x, least_y
                piece_box[pieces, 2], piece_box[pieces, 3] = most_x, most_y
                box[stretches, 0] = min(box[stretches, 0], least_x)
                box[stretches, 1] = min(box[stretches, 1], least_y)
                box[stretches, 2] = max(box[stretches, 2], most_x)
                box[stretches, 3] = max(box[stretches, 3], most_y)
                pieces += 1
            stretches += 1
    piece[stretches] = pieces
    return stretches


@part
def _apart(boxes: Floats, i: int, others: Floats, j: int) -> bool:
    return bool(
        boxes[i, 0] > others[j, 2]
        or others[j, 0] > boxes[i, 2]
        or boxes[i, 1] > others[j, 3]
        or others[j, 1] > boxes[i, 3]
    )


@part
def _beside(x: Floats, y: Floats, i: int, i_end: int, j: int, j_end: int) -> bool:
    """Whether two pieces keep apart across the direction of the first."""
    dx, dy = x[i_end] - x[i], y[i_end] - y[i]
    low = high = 0.0
    for k in range(i + 1, i_end):
        off = (y[k] - y[i]) * dx - (x[k] - x[i]) * dy
        low, high = min(low, off), max(high, off)
    slack = SLACK * (abs(dx) + abs(dy))
    low -= slack
    high += slack
    left = right = True
    for k in range(j, j_end + 1):
        off = (y[k] - y[i]) * dx - (x[k] - x[i]) * dy
        left = left and off > high
        right = right and off < low
    return left or right


@part
def _cross_pieces(
    x: Floats,
    y: Floats,
    i_first: int,
    i_end: int,
    j_first: int,
    j_end: int,
    one: Integers,
    two: Integers,
    along_one: Floats,
    along_two: Floats,
    found: int,
) -> int:
    for i in range(i_first, i_end):
        ax, ay = x[i + 1] - x[i], y[i + 1] - y[i]
        for j in range(j_first, j_end):
            bx, by = x[j + 1] - x[j], y[j + 1] - y[j]
            gx, gy = x[j] - x[i], y[j] - y[i]
            cross = ax * by - ay * bx
            if cross == 0.0:
                continue
            t = (gx * by - gy * bx) / cross
            u = (gx * ay - gy * ax) / cross
            # half open, so that a crossing at a sample is met once
            if t >= 0.0 and t < 1.0 and u >= 0.0 and u < 1.0:
                if found < len(one):
                    one[found], two[found] = i, j
                    along_one[found], along_two[found] = t, u
                found += 1
    return found


@part
def _cross_stretches(
    x: Floats,
    y: Floats,
    end_s: int,
    end_r: int,
    piece_box: Floats,
    sample: Integers,
    piece: Integers,
    s: int,
    r: int,
    one: Integers,
    two: Integers,
    along_one: Floats,
    along_two: Floats,
    found: int,
) -> int:
    """Write the crossings of two stretches whose lines end at samples `end_s` and `end_r`."""
    for p in range(piece[s], piece[s + 1]):
        i = sample[s] + (p - piece[s]) * PIECE
        i_end = min(i + PIECE, end_s)
        for q in range(piece[r], piece[r + 1]):
            if _apart(piece_box, p, piece_box, q):
                continue
            j = sample[r] + (q - piece[r]) * PIECE
            j_end = min(j + PIECE, end_r)
            if _beside(x, y, i, i_end, j, j_end):
                continue
            found = _cross_pieces(x, y, i, i_end, j, j_end, one, two, along_one, along_two, found)
    return found


@kernel(
    FLOATS,
    FLOATS,
    INTEGERS,
    GRID,
    INTEGERS,
    INTEGERS,
    INTEGERS,
    INTEGERS,
    GRID,
    GRID,
    INTEGERS_OUT,
    INTEGERS_OUT,
    FLOATS_OUT,
    FLOATS_OUT,
)
def cross_segments(
    x: Floats,
    y: Floats,
    starts: Integers,
    piece_box: Floats,
    line: Integers,
    sample: Integers,
    piece: Integers,
    order: Integers,
    span: Floats,
    box: Floats,
    one: Integers,
    two: Integers,
    along_one: Floats,
    along_two: Floats,
) -> int:
    """Pairs of segments of different lines that cross.

    Parameters
    ----------
    x, y, starts, piece_box, line, sample, piece
        As of `box_lines`.
    order : (s,) int64
        Stretches in the order of the sweep: by where they begin along one axis.
    span : (s, 2) float64
        Where each begins and ends along that axis, in that order.
    box : (s, 4) float64
        Box of each, in that order.
    one, two : (k,) int64
        Written, as many as there is room for: first sample of the segment of the line of lower
        index, and of that of the other.
    along_one, along_two : (k,) float64
        Written: where on each segment they cross, from 0 up to, not with, 1.

    Returns
    -------
    int
        How many there are.
    """
    found = 0
    for a in range(len(order)):
        for b in range(a + 1, len(order)):
            if span[b, 0] > span[a, 1]:
                break
            if _apart(box, a, box, b):
                continue
            s, r = order[a], order[b]
            if line[s] == line[r]:
                continue
            if line[s] > line[r]:
                s, r = r, s
            found = _cross_stretches(
                x,
                y,
                starts[line[s] + 1] - 1,
                starts[line[r] + 1] - 1,
                piece_box,
                sample,
                piece,
                s,
                r,
                one,
                two,
                along_one,
                along_two,
                found,
            )
    return found
