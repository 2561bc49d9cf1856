"""Loops that put shots in order: along lines, by signal, and in the log."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from asfound.compiled import (
    CODES,
    FLAGS,
    INTEGERS,
    INTEGERS_OUT,
    SHORTS,
    kernel,
    part,
)

Integers = npt.NDArray[np.int64]
Codes = npt.NDArray[np.int32]
Shorts = npt.NDArray[np.int16]
Flags = npt.NDArray[np.bool_]

NO_TIME = np.int64(np.iinfo(np.int64).min)
"""NaT as an integer."""


@part
def _sort_by(
    keys: Integers,
    values: Integers,
    first: int,
    last: int,
    spare_keys: Integers,
    spare_values: Integers,
) -> None:
    """Sort places `first` to `last - 1` of both by key, equal keys as they stand (by merging)."""
    width = 1
    while width < last - first:
        for low in range(first, last, 2 * width):
            middle, high = min(low + width, last), min(low + 2 * width, last)
            left, right = low, middle
            for place in range(low, high):
                if left < middle and (right >= high or keys[left] <= keys[right]):
                    taken = left
                    left += 1
                else:
                    taken = right
                    right += 1
                spare_keys[place], spare_values[place] = keys[taken], values[taken]
        keys[first:last] = spare_keys[first:last]
        values[first:last] = spare_values[first:last]
        width *= 2


@kernel(INTEGERS, INTEGERS, SHORTS, CODES)
def signals_change(order: Integers, starts: Integers, source: Shorts, hookup: Codes) -> bool:
    """Whether upload or hook-up changes within any run."""
    for run in range(len(starts) - 1):
        for k in range(starts[run] + 1, starts[run + 1]):
            here, before = order[k], order[k - 1]
            if source[here] != source[before] or hookup[here] != hookup[before]:
                return True
    return False


@kernel(INTEGERS, INTEGERS, SHORTS, CODES, INTEGERS_OUT, INTEGERS_OUT)
def split_by_signal(
    order: Integers,
    starts: Integers,
    source: Shorts,
    hookup: Codes,
    split: Integers,
    bounds: Integers,
) -> int:
    """Runs regrouped by upload and hook-up, each in the order in which it stood.

    Parameters
    ----------
    order : (m,) int64
    starts : (runs + 1,) int64
    source : (n,) int16
    hookup : (n,) int32
    split : (m,) int64, written
    bounds : (m + 1,) int64, written

    Returns
    -------
    int
        Number of runs, none of them empty.
    """
    keys, spare = np.empty(len(order), np.int64), np.empty(len(order), np.int64)
    spare_keys = np.empty(len(order), np.int64)
    count = 0
    for run in range(len(starts) - 1):
        first, last = starts[run], starts[run + 1]
        ascending = True
        for k in range(first, last):
            split[k] = order[k]
            keys[k] = (np.int64(source[order[k]]) << 32) + hookup[order[k]]
            ascending &= k == first or keys[k] >= keys[k - 1]
        if not ascending:
            _sort_by(keys, split, first, last, spare_keys, spare)
        for k in range(first, last):
            if k == first or keys[k] != keys[k - 1]:
                bounds[count] = k
                count += 1
    bounds[count] = len(order)
    return count


@kernel(INTEGERS, INTEGERS, FLAGS, INTEGERS_OUT, INTEGERS_OUT)
def keep_usable(
    order: Integers, starts: Integers, usable: Flags, kept: Integers, bounds: Integers
) -> tuple[int, int]:
    """Runs without the shots that are not usable; runs of which nothing is left are left out.

    Parameters
    ----------
    order : (m,) int64
    starts : (runs + 1,) int64
    usable : (n,) bool
    kept : (m,) int64, written
    bounds : (runs + 1,) int64, written

    Returns
    -------
    runs, shots : int
    """
    count, total = 0, 0
    for run in range(len(starts) - 1):
        bounds[count] = total
        for k in range(starts[run], starts[run + 1]):
            if usable[order[k]]:
                kept[total] = order[k]
                total += 1
        if total > bounds[count]:
            count += 1
    bounds[count] = total
    return count, total


@part
def _logged_before(
    one: int, other: int, source: Shorts, receiver: Codes, time: Integers, row: Codes
) -> bool:
    """Whether a row comes strictly before another by upload, receiver, time and row.

    No time comes after all times.
    """
    if source[one] != source[other]:
        return bool(source[one] < source[other])
    if receiver[one] != receiver[other]:
        return bool(receiver[one] < receiver[other])
    if time[one] != time[other]:
        if time[one] == NO_TIME or time[other] == NO_TIME:
            return bool(time[other] == NO_TIME)
        return bool(time[one] < time[other])
    return bool(row[one] < row[other])


@kernel(SHORTS, CODES, INTEGERS, CODES, INTEGERS_OUT)
def sort_the_log(
    source: Shorts, receiver: Codes, time: Integers, row: Codes, order: Integers
) -> None:
    """Rows by upload, receiver, time and row: ascending pieces, merged two by two.

    Most logs are one such piece or few. Rows alike in all keys stay in order.

    Parameters
    ----------
    source : (n,) int16
    receiver, row : (n,) int32
    time : (n,) int64
    order : (n,) int64, written
    """
    count, pieces = len(source), 1
    for k in range(count):
        order[k] = k
    for k in range(1, count):
        pieces += _logged_before(k, k - 1, source, receiver, time, row)
    if pieces == 1:
        return
    starts, merged = np.empty(pieces + 1, np.int64), np.empty(count, np.int64)
    pieces = 0
    for k in range(count):
        if k == 0 or _logged_before(k, k - 1, source, receiver, time, row):
            starts[pieces] = k
            pieces += 1
    starts[pieces] = count
    while pieces > 1:
        kept = 0
        for piece in range(0, pieces - 1, 2):
            first, middle, last = starts[piece], starts[piece + 1], starts[piece + 2]
            starts[kept] = first
            kept += 1
            # What already stands before all of the second piece stays where it is.
            low, high = first, middle
            while low < high:
                at = (low + high) // 2
                if _logged_before(order[middle], order[at], source, receiver, time, row):
                    high = at
                else:
                    low = at + 1
            left, right = low, middle
            for place in range(low, last):
                if right == last or (
                    left < middle
                    and not _logged_before(order[right], order[left], source, receiver, time, row)
                ):
                    merged[place] = order[left]
                    left += 1
                else:
                    merged[place] = order[right]
                    right += 1
            order[low:last] = merged[low:last]
        if pieces % 2:
            starts[kept] = starts[pieces - 1]
            kept += 1
        starts[kept] = count
        pieces = kept
