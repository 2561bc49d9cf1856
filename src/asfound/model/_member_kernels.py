"""Shots of lines put in order by a loop."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from asfound.compiled import CODES, INTEGERS_OUT, kernel

Integers = npt.NDArray[np.int64]
Codes = npt.NDArray[np.int32]


@kernel(CODES, CODES, INTEGERS_OUT, INTEGERS_OUT)
def order_by_rank(line: Codes, rank: Codes, starts: Integers, order: Integers) -> bool:
    """Shots of all lines in order of rank, each put straight in its place.

    Parameters
    ----------
    line, rank : (n,) int32
        -1 for none.
    starts : (lines + 1,) int64
        Written.
    order : (shots on lines,) int64
        Written.

    Returns
    -------
    bool
        False if ranks of a line do not count from 0 without gap: then nothing is in order.
    """
    starts[:] = 0
    for k in range(len(line)):
        if line[k] >= 0:
            starts[line[k] + 1] += 1
    for k in range(1, len(starts)):
        starts[k] += starts[k - 1]
    order[:] = -1
    for k in range(len(line)):
        if line[k] >= 0:
            place = starts[line[k]] + rank[k]
            if rank[k] < 0 or place >= starts[line[k] + 1] or order[place] >= 0:
                return False
            order[place] = k
    return True
