"""Loops that bring shots into log order within their chains."""

from __future__ import annotations

from math import isfinite

import numpy as np
import numpy.typing as npt

from asfound.compiled import (
    BYTES,
    CODES,
    CODES_OUT,
    FLAGS_OUT,
    FLOAT,
    FLOATS,
    FLOATS_OUT,
    INTEGER,
    INTEGERS,
    INTEGERS_OUT,
    SHORTS,
    kernel,
)

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]
Codes = npt.NDArray[np.int32]
Shorts = npt.NDArray[np.int16]
Bytes = npt.NDArray[np.int8]
Flags = npt.NDArray[np.bool_]

CODE_RANGE = 128
"""Codes in a byte run from -128 to 127."""


@kernel(
    FLOATS, FLOATS, CODES, BYTES, CODES, INTEGERS, INTEGER, SHORTS, INTEGERS, CODES,
    INTEGERS_OUT, INTEGERS_OUT, FLAGS_OUT,
)  # fmt: skip
def usable_shots(
    easting: Floats,
    northing: Floats,
    control: Codes,
    utility: Bytes,
    line: Codes,
    name_of_line: Integers,
    lowest: int,
    source: Shorts,
    time: Integers,
    row: Codes,
    shot: Integers,
    number: Integers,
    unsorted: Flags,
) -> tuple[int, bool]:
    """Find shots that may belong to a line, count those of each key, and see whether they rise.

    Parameters
    ----------
    easting, northing, control, utility, line, source, time, row
        By shot.
    name_of_line : (names + 1,) int64
        Name of each line code, -1 for none; the last is that of code -1.
    lowest : int
        Of the utilities.
    shot : (n,) int64
        Filled: shots that are placed and are no control checks.
    number : (utilities * (names + 1),) int64
        Zeros on entry; filled: shots of each utility and name, none first.
    unsorted : (sources,) bool
        False on entry; filled: the source has rows that don't follow each other in time.

    Returns
    -------
    int
        How many are usable.
    bool
        Sources ascend.
    """
    names = len(name_of_line)
    count = 0
    rises = True
    last = 0
    for i in range(len(easting)):
        if not (isfinite(easting[i]) and isfinite(northing[i]) and control[i] < 0):
            continue
        number[(int(utility[i]) - lowest) * names + name_of_line[line[i]] + 1] += 1
        if count > 0:
            if source[i] != source[last]:
                rises = rises and source[i] > source[last]
            elif time[i] < time[last] or (time[i] == time[last] and row[i] < row[last]):
                unsorted[source[i]] = True
        shot[count] = i
        last = i
        count += 1
    return count, rises


@kernel(INTEGERS, SHORTS, CODES, INTEGER, FLAGS_OUT)
def seen_uploads(
    shot: Integers, source: Shorts, receiver: Codes, receivers: int, seen: Flags
) -> bool:
    """Mark which sources and receivers (`source * receivers + receiver + 1`) occur.

    Returns
    -------
    bool
        They ascend.
    """
    rises = True
    last = 0
    for k in range(len(shot)):
        here = int(source[shot[k]]) * receivers + receiver[shot[k]] + 1
        rises = rises and here >= last
        last = here
        seen[here] = True
    return rises


@kernel(
    INTEGERS, INTEGERS, FLOATS, FLOATS, FLOAT, FLOAT, BYTES, CODES, INTEGERS, INTEGER, CODES,
    INTEGERS_OUT, SHORTS, CODES, INTEGER, CODES, CODES, BYTES, FLOATS,
    INTEGERS_OUT, FLOATS_OUT, FLOATS_OUT, CODES_OUT, CODES_OUT, INTEGERS_OUT, CODES_OUT,
    FLOATS_OUT, CODES_OUT,
)  # fmt: skip
def place_points(
    log: Integers,
    walk: Integers,
    easting: Floats,
    northing: Floats,
    east: float,
    north: float,
    utility: Bytes,
    line: Codes,
    name_of_line: Integers,
    lowest: int,
    key_of: Codes,
    begin: Integers,
    source: Shorts,
    receiver: Codes,
    receivers: int,
    upload_of: Codes,
    hookup_of: Codes,
    fix: Bytes,
    scatter_of: Floats,
    shot: Integers,
    x: Floats,
    y: Floats,
    key: Codes,
    hookup: Codes,
    place: Integers,
    upload: Codes,
    scatter: Floats,
    chain: Codes,
) -> None:
    """Put shots where they belong: by key, by upload, and within those by the log.

    Parameters
    ----------
    log : (p,) int64
        Shots in the order of the log, upload after upload.
    walk : (p,) or (0,) int64
        Places in `log` in the order of uploads with their receivers; none if that is the log's.
    easting, northing, utility, line, source, receiver, hookup_of, fix
        By shot.
    east, north : float
        Origin [m].
    name_of_line, lowest
        As for `usable_shots`.
    key_of, upload_of
        Codes of keys (as `usable_shots` counts them) and of uploads (as `seen_uploads` has them).
    begin : (keys,) int64
        Where the points of each key begin; spoilt.
    scatter_of : (256,) float64
        By fix + `CODE_RANGE` [m].
    shot, x, y, key, hookup, place, upload, scatter, chain
        Filled: columns of `Points`, `place` being its `log`.
    """
    names = len(name_of_line)
    for step in range(len(log)):
        at = walk[step] if len(walk) > 0 else step
        i = log[at]
        code = key_of[(int(utility[i]) - lowest) * names + name_of_line[line[i]] + 1]
        to = begin[code]
        begin[code] = to + 1
        shot[to] = i
        x[to] = easting[i] - east
        y[to] = northing[i] - north
        key[to] = code
        hookup[to] = hookup_of[i]
        place[to] = at
        upload[to] = upload_of[int(source[i]) * receivers + receiver[i] + 1]
        scatter[to] = scatter_of[int(fix[i]) + CODE_RANGE]
    number = 0
    for k in range(len(key)):
        if k > 0 and (key[k] != key[k - 1] or upload[k] != upload[k - 1]):
            number += 1
        chain[k] = number


@kernel(FLOATS, INTEGERS, FLOAT, FLOAT, FLOATS_OUT)
def between(
    values: Floats, chosen: Integers, low: float, high: float, inside: Floats
) -> tuple[int, int]:
    """Copy chosen values from `low` to `high`; return how many are less, and how many these are."""
    less = 0
    count = 0
    for k in chosen:
        value = values[k]
        if value < low:
            less += 1
        elif value <= high:
            inside[count] = value
            count += 1
    return less, count


@kernel(FLOATS, INTEGERS, FLOATS_OUT)
def lower_medians(values: Floats, starts: Integers, median: Floats) -> None:
    """Lower median of each stretch of values, NaN where one is empty."""
    for k in range(len(starts) - 1):
        stretch = values[starts[k] : starts[k + 1]]
        middle = (len(stretch) - 1) // 2
        median[k] = np.partition(stretch, middle)[middle] if middle >= 0 else np.nan
