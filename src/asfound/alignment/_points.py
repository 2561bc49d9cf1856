"""What the assembly needs to know of each shot, and paths as flat arrays."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.alignment._points_kernels import (
    CODE_RANGE,
    between,
    lower_medians,
    place_points,
    seen_uploads,
    usable_shots,
)
from asfound.model import Fix, Ground, Shots

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

# Scale of a shot's horizontal scatter [m] before any error budget exists. Common practice: an
# RTK fix with an EM peak is good to some centimetres, a float solution to decimetres.
SCATTER = 0.05
SCATTER_OF_FIX = {
    Fix.NONE: 5.0,
    Fix.AUTONOMOUS: 3.0,
    Fix.DIFFERENTIAL: 0.7,
    Fix.PPS: 3.0,
    Fix.RTK_FLOAT: 0.3,
    Fix.ESTIMATED: 3.0,
}

SAMPLE = 2048
MARGIN = 128
SCATTERING = 2_654_435_761
"""Places in a sample are multiples of a number that has nothing in common with any spacing."""


@dataclass(frozen=True, eq=False)
class Points:
    """Shots that may belong to a line, renumbered in log order within their chain.

    Parameters
    ----------
    shot : (p,) int64
        Index in `Shots`.
    x, y : (p,) float64
        Easting and northing less an origin [m].
    key : (p,) int32
        Shots with different keys are never joined: utility, and the field's line name.
    chain : (p,) int32
        Key, upload and receiver: within a chain, points stand in the order of the log.
    hookup : (p,) int32
        -1 unknown.
    log : (p,) int64
        Place in the log of all uploads, whatever the key: uploads one after the other.
    upload : (p,) int32
        Upload and receiver.
    scatter : (p,) float64
        Expected horizontal scatter [m].
    named : (keys,) bool
        The key carries a line name given in the field.
    """

    shot: Integers
    x: Floats
    y: Floats
    key: npt.NDArray[np.int32]
    chain: npt.NDArray[np.int32]
    hookup: npt.NDArray[np.int32]
    log: Integers
    upload: npt.NDArray[np.int32]
    scatter: Floats
    named: npt.NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.x)


@dataclass(frozen=True, eq=False)
class Paths:
    """Points in order along several paths, one path after the other.

    Parameters
    ----------
    nodes : (m,) int64
        Point indices; path i is ``nodes[starts[i]:starts[i + 1]]``.
    starts : (paths + 1,) int64
    """

    nodes: Integers
    starts: Integers

    def __len__(self) -> int:
        return len(self.starts) - 1

    @property
    def sizes(self) -> Integers:
        return np.diff(self.starts)

    def owner_of(self, position: Integers | npt.NDArray[np.int32]) -> Integers:
        """Path of each of some nodes, given by position."""
        return np.asarray(np.searchsorted(self.starts, position, side="right") - 1)

    @staticmethod
    def of_sizes(nodes: Integers, sizes: Integers) -> Paths:
        return Paths(nodes, np.concatenate(([0], np.cumsum(sizes))).astype(np.int64))

    @staticmethod
    def join(parts: list[Paths]) -> Paths:
        """Several sets of paths, one after the other."""
        nodes = np.concatenate([part.nodes for part in parts])
        return Paths.of_sizes(nodes, np.concatenate([part.sizes for part in parts]))

    def take(self, chosen: Integers) -> Paths:
        """Chosen paths, in the order asked for."""
        sizes = self.sizes[chosen]
        return Paths.of_sizes(self.nodes[ragged(self.starts[chosen], sizes)], sizes)


def ragged(starts: Integers, sizes: Integers) -> Integers:
    """Indices of several stretches, one after the other: start, start + 1, ..."""
    total = int(sizes.sum())
    ends = np.cumsum(sizes)
    return np.arange(total) - np.repeat(ends - sizes, sizes) + np.repeat(starts, sizes)


def grouped_median(values: Floats, group: npt.NDArray[np.integer], groups: int) -> Floats:
    """(groups,) lower median of each group's values, NaN for an empty group; groups ascend."""
    median = np.empty(groups)
    lower_medians(values, np.searchsorted(group, np.arange(groups + 1)), median)
    return median


def select_points(shots: Shots, ground: Ground) -> Points:
    """Points that may belong to a line: placed, and no control check."""
    names, _ = field_names(shots)
    lowest = int(shots.utility.min(initial=0))
    utilities = int(shots.utility.max(initial=0)) - lowest + 1
    receivers = len(shots.receiver.names) + 1
    sources = int(shots.source.max(initial=0)) + 1
    log = np.empty(len(shots), np.int64)
    number = np.zeros(utilities * len(names), np.int64)
    unsorted = np.zeros(sources, bool)
    easting = np.ascontiguousarray(ground.easting)
    northing = np.ascontiguousarray(ground.northing)
    count, rises = usable_shots(
        easting, northing, shots.control.codes, shots.utility, shots.line.codes,
        names, lowest, shots.source, shots.time.view(np.int64), shots.row, log, number, unsorted,
    )  # fmt: skip
    log = log[:count]
    if not rises or unsorted.any():
        log = _log_order(shots, log, np.flatnonzero(unsorted) if rises else np.arange(sources))
    seen = np.zeros(sources * receivers, bool)
    walk = np.empty(0, np.int64)
    if not seen_uploads(log, shots.source, shots.receiver.codes, receivers, seen):
        of_log = shots.source[log].astype(np.int64) * receivers + shots.receiver.codes[log]
        walk = np.argsort(of_log, kind="stable")

    codes = np.flatnonzero(number)
    begin = np.cumsum(number[codes]) - number[codes]
    scatter_of = np.full(2 * CODE_RANGE, SCATTER)
    for fix, scatter in SCATTER_OF_FIX.items():
        scatter_of[fix + CODE_RANGE] = scatter
    points = Points(
        shot=np.empty(count, np.int64),
        x=np.empty(count),
        y=np.empty(count),
        key=np.empty(count, np.int32),
        chain=np.empty(count, np.int32),
        hookup=np.empty(count, np.int32),
        log=np.empty(count, np.int64),
        upload=np.empty(count, np.int32),
        scatter=np.empty(count),
        named=codes % len(names) > 0,
    )
    place_points(
        log, walk, easting, northing, median(easting, log), median(northing, log),
        shots.utility, shots.line.codes, names, lowest, _codes(number > 0), begin,
        shots.source, shots.receiver.codes, receivers, _codes(seen),
        shots.hookup.codes, shots.fix, scatter_of,
        points.shot, points.x, points.y, points.key, points.hookup, points.log, points.upload,
        points.scatter, points.chain,
    )  # fmt: skip
    return points


def field_names(shots: Shots) -> tuple[Integers, tuple[str, ...]]:
    """Names given to lines, with spaces and case evened out.

    Returns
    -------
    number : (names + 1,) int64
        By code in `Shots.line`, -1 for no name; the last is that of code -1.
    spelling : tuple of str
        Of each.
    """
    index: dict[str, int] = {}
    spelling: list[str] = []
    lookup = []
    for name in shots.line.names:
        plain = " ".join(name.split())
        if plain.casefold() not in index:
            index[plain.casefold()] = len(spelling)
            spelling.append(plain)
        lookup.append(index[plain.casefold()] if plain else -1)
    return np.array([*lookup, -1], np.int64), tuple(spelling)


def median(values: Floats, chosen: Integers) -> float:
    """Median of chosen values, 0 of none.

    Of many values only those near the median of a sample are sorted.
    """
    count = len(chosen)
    if count == 0:
        return 0.0
    lower, upper = (count - 1) // 2, count // 2
    if count > 10 * SAMPLE:
        sample = np.sort(values[chosen[np.arange(SAMPLE) * SCATTERING % count]])
        inside = np.empty(count)
        less, number = between(
            values, chosen, sample[SAMPLE // 2 - MARGIN], sample[SAMPLE // 2 + MARGIN], inside
        )
        if less <= lower and upper < less + number:
            part = np.partition(inside[:number], (lower - less, upper - less))
            return float((part[lower - less] + part[upper - less]) / 2.0)
    return float(np.median(values[chosen]))


def _codes(seen: npt.NDArray[np.bool_]) -> npt.NDArray[np.int32]:
    """Codes 0, 1, ... for those seen."""
    return np.cumsum(seen, dtype=np.int32) - np.int32(1)


def _log_order(shots: Shots, shot: Integers, unsorted: Integers) -> Integers:
    """Shots by upload, then time, then row; of uploads only those that may be out of order."""
    shot = shot[np.argsort(shots.source[shot], kind="stable")]
    begin = np.searchsorted(shots.source[shot], np.arange(int(unsorted[-1]) + 2))
    for one in unsorted.tolist():
        part = shot[begin[one] : begin[one + 1]]
        part[:] = part[np.lexsort((shots.row[part], shots.time[part].view(np.int64)))]
    return shot
