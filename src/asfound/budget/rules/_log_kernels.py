"""Loops over the log: its times, its pace, rows logged twice, and what changes from row to row."""

from __future__ import annotations

from math import hypot, isfinite

import numpy as np
import numpy.typing as npt

from asfound.compiled import (
    CODES,
    CODES_OUT,
    FLAGS_OUT,
    FLOAT,
    FLOATS,
    FLOATS_OUT,
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
Flags = npt.NDArray[np.bool_]

NO_TIME = np.int64(np.iinfo(np.int64).min)
"""NaT as an integer."""
_SECOND = 1_000_000
"""Times are in microseconds."""
_ODD, _ODDER = np.int64(-7046029254386353131), np.int64(-4417276706812531889)
"""Odd numbers without pattern in their bits."""
_NEGATIVE_ZERO = np.int64(np.iinfo(np.int64).min)


@kernel(INTEGERS, SHORTS, CODES, INTEGERS, CODES, *5 * (INTEGERS_OUT,), FLAGS_OUT)
def survey_log(
    order: Integers,
    source: Shorts,
    receiver: Codes,
    time: Integers,
    row: Codes,
    logged: Integers,
    timed: Integers,
    latest: Integers,
    pairs: Integers,
    backward: Integers,
    receivers: Flags,
) -> bool:
    """Count rows and times of every upload, and how often they go back from row to row.

    Parameters
    ----------
    order : (n,) or (0,) int64
        Rows by upload and row; empty: as they stand.
    source : (n,) int16
    receiver, row : (n,) int32
    time : (n,) int64
        [us], or not known.
    logged, timed, latest, pairs, backward : (uploads,) int64, written
        Rows; rows with a time; the latest time; pairs of consecutive timed rows; those of them
        that go back by more than a second.
    receivers : (uploads * width,) bool, written
        Which receivers logged, from code -1 on.

    Returns
    -------
    bool
        False if rows with times do not stand by upload and row: then `pairs` and `backward` are
        not what they should be.
    """
    for k in range(len(logged)):
        logged[k] = timed[k] = pairs[k] = backward[k] = 0
        latest[k] = NO_TIME
    receivers[:] = False
    width = len(receivers) // max(len(logged), 1)
    before, ascending = -1, True
    for k in range(len(source)):
        here = order[k] if len(order) else k
        own = source[here]
        logged[own] += 1
        receivers[own * width + receiver[here] + 1] = True
        if time[here] == NO_TIME:
            continue
        timed[own] += 1
        latest[own] = max(latest[own], time[here])
        if before >= 0:
            if source[before] == own:
                pairs[own] += 1
                backward[own] += time[here] < time[before] - _SECOND
                ascending &= row[here] >= row[before]
            else:
                ascending &= own >= source[before]
        before = here
    return ascending


@part
def _pace(
    one: int, other: int, east: Floats, north: Floats, time: Integers, nearest: float
) -> float:
    """Metres a second from one row to another; 0 where they are near each other."""
    distance = hypot(east[other] - east[one], north[other] - north[one])
    if not distance > nearest:
        return 0.0
    return float(distance / max((time[other] - time[one]) / _SECOND, 1.0))


@kernel(INTEGERS, SHORTS, CODES, INTEGERS, FLOATS, FLOATS, FLOAT, FLOAT, INTEGERS_OUT, FLOATS_OUT)
def too_fast(
    log: Integers,
    source: Shorts,
    receiver: Codes,
    time: Integers,
    east: Floats,
    north: Floats,
    limit: float,
    nearest: float,
    rows: Integers,
    pace: Floats,
) -> tuple[int, int]:
    """Rows to which and from which one would have had to move impossibly fast.

    A row at an end of what a receiver logged has one neighbour only: that is not enough where the
    neighbour was reached as fast from its other side.

    Parameters
    ----------
    log : (n,) int64
        Rows by upload, receiver, time and row.
    source, receiver, time, east, north : (n,)
        [us, m]
    limit, nearest : float
        Fastest pace [m/s], and the distance up to which none is reckoned [m].
    rows : (n,) int64, written
        Rows found, in order of the log.
    pace : (n,) float64, written
        The faster of each one's paces [m/s].

    Returns
    -------
    found, known : int
        Number found, and of rows with time and place.
    """
    kept = np.empty(len(log), np.int64)
    known = 0
    for k in range(len(log)):
        row = log[k]
        kept[known] = row
        known += time[row] != NO_TIME and isfinite(east[row])
    # `fast[k]`: from the row before to row k, of one receiver in one upload.
    fast, fresh = np.zeros(known + 3, np.bool_), np.ones(known + 1, np.bool_)
    any_fast = False
    for k in range(1, known):
        here, before = kept[k], kept[k - 1]
        fresh[k] = source[here] != source[before] or receiver[here] != receiver[before]
        across, up = east[here] - east[before], north[here] - north[before]
        if across * across + up * up > nearest * nearest and not fresh[k]:
            fast[k] = _pace(before, here, east, north, time, nearest) > limit
            any_fast |= fast[k]
    found = 0
    if not any_fast:
        return found, known
    for k in range(known):
        if not (fast[k] or fast[k + 1]):
            continue
        here = kept[k]
        odd = fresh[k] and fast[k + 1] and not fast[k + 2]
        odd |= fresh[k + 1] and fast[k] and (k == 0 or not fast[k - 1])
        if fast[k] and fast[k + 1]:
            odd |= _pace(kept[k - 1], kept[k + 1], east, north, time, nearest) <= limit
        if odd:
            rows[found], pace[found] = here, 0.0
            if fast[k]:
                pace[found] = _pace(kept[k - 1], here, east, north, time, nearest)
            if fast[k + 1]:
                ahead = _pace(here, kept[k + 1], east, north, time, nearest)
                pace[found] = max(pace[found], ahead)
            found += 1
    return found, known


@kernel(INTEGERS, INTEGERS, CODES_OUT)
def hash_rows(x: Integers, time: Integers, mixed: Codes) -> None:
    """A number of few bits for each row, the same for rows alike.

    Parameters
    ----------
    x : (n,) int64
        The bits of a coordinate.
    time : (n,) int64
    mixed : (n,) int32, written
    """
    for k in range(len(x)):
        bits = np.int64(0) if x[k] == _NEGATIVE_ZERO else x[k]
        bits = (bits ^ (time[k] * _ODD)) * _ODDER
        mixed[k] = np.int32((bits ^ (bits >> 29)) >> 32)


@kernel(CODES, CODES, FLAGS_OUT, INTEGERS_OUT)
def rows_alike(mixed: Codes, ordered: Codes, table: Flags, rows: Integers) -> int:
    """Rows whose number very likely occurs more than once.

    Parameters
    ----------
    mixed, ordered : (n,) int32
        As `hash_rows` gives them, and the same sorted.
    table : (65536,) bool, for use in between
    rows : (n,) int64, written

    Returns
    -------
    int
        Number found.
    """
    table[:] = False
    twice = False
    for k in range(1, len(ordered)):
        if ordered[k] == ordered[k - 1]:
            table[ordered[k] & 0xFFFF] = True
            twice = True
    found = 0
    if twice:
        for k in range(len(mixed)):
            rows[found] = k
            found += table[mixed[k] & 0xFFFF]
    return found


@kernel(INTEGERS, INTEGERS, FLOATS, FLOAT, INTEGERS_OUT)
def changes_along(
    order: Integers, starts: Integers, values: Floats, least: float, rows: Integers
) -> int:
    """Shots whose value is more than so much off that of the shot before in their run.

    Parameters
    ----------
    order, starts : (m,), (runs + 1,) int64
    values : (n,) float64
    rows : (m,) int64, written
        Shots found, in the order of the runs.

    Returns
    -------
    int
        Number found.
    """
    found = 0
    for run in range(len(starts) - 1):
        for k in range(starts[run] + 1, starts[run + 1]):
            if abs(values[order[k]] - values[order[k - 1]]) > least:
                rows[found] = order[k]
                found += 1
    return found


@kernel(INTEGERS, CODES, SHORTS, CODES, INTEGERS_OUT)
def hookup_changes(
    log: Integers, line: Codes, source: Shorts, hookup: Codes, rows: Integers
) -> int:
    """Shots on lines whose hook-up is not that of the one before in the log on the same line.

    Parameters
    ----------
    log : (n,) int64
        Shots by upload, receiver, time and row.
    line, source, hookup : (n,)
    rows : (n,) int64, written
        Shots found, in the order of the log.

    Returns
    -------
    int
        Number found.
    """
    found, before = 0, -1
    for k in range(len(log)):
        here = log[k]
        if line[here] < 0:
            continue
        if (
            before >= 0
            and hookup[here] != hookup[before]
            and line[here] == line[before]
            and source[here] == source[before]
        ):
            rows[found] = here
            found += 1
        before = here
    return found
