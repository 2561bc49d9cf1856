"""What the assembly needs to know of each shot, and paths as flat arrays."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

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

    def take(self, chosen: Integers) -> Points:
        """Chosen points; `named` stays as it is."""
        return Points(
            self.shot[chosen],
            self.x[chosen],
            self.y[chosen],
            self.key[chosen],
            self.chain[chosen],
            self.hookup[chosen],
            self.log[chosen],
            self.upload[chosen],
            self.scatter[chosen],
            self.named,
        )


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

    def owner(self) -> Integers:
        """(m,) path of each node."""
        return np.repeat(np.arange(len(self)), self.sizes)

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


def grouped_median(values: Floats, group: Integers, groups: int) -> Floats:
    """(groups,) lower median of each group's values, NaN for an empty group; groups ascend."""
    order = np.lexsort((values, group))
    number = np.bincount(group, minlength=groups)
    begin = np.cumsum(number) - number
    median = np.full(groups, np.nan)
    full = number > 0
    median[full] = values[order][begin[full] + (number[full] - 1) // 2]
    return median


def median_of_stretches(values: Floats, starts: Integers) -> Floats:
    """(stretches,) median of each stretch of values, NaN where empty.

    Of a long stretch sixteen values spread over it are looked at: enough to tell what is usual.
    """
    sizes = np.diff(starts)
    median = np.full(len(sizes), np.nan)
    full = np.flatnonzero(sizes > 0)
    if len(full) == 0:
        return median
    number = sizes[full]
    columns = int(min(16, number.max()))
    taken = np.minimum(number, columns)
    column = np.arange(columns)
    pick = starts[full][:, None] + (column * number[:, None]) // np.maximum(taken, 1)[:, None]
    outside = column >= taken[:, None]
    sample = values[np.where(outside, starts[full][:, None], pick)]
    sample[outside] = np.inf
    sample.sort(axis=1)
    median[full] = sample[np.arange(len(full)), (taken - 1) // 2]
    return median


def select_points(shots: Shots, ground: Ground) -> Points:
    """Points that may belong to a line: placed, and no control check."""
    usable = np.isfinite(ground.easting) & np.isfinite(ground.northing) & (shots.control.codes < 0)
    shot = np.flatnonzero(usable)
    name_code, _ = field_names(shots)
    width = int(name_code.max(initial=-1)) + 2
    wide = (shots.utility.astype(np.int64) * width + name_code + 1)[shot]
    key, values = _compact(wide)
    named = values % width > 0

    receivers = len(shots.receiver.names) + 1
    upload = shots.source.astype(np.int64)[shot] * receivers + shots.receiver.codes[shot] + 1
    upload, uploads = _compact(upload)
    chain, _ = _compact(key.astype(np.int64) * len(uploads) + upload)

    order, log = _log_order(shots, shot, chain)
    shot = shot[order]
    scatter_of = np.full(max(SCATTER_OF_FIX) + 10, SCATTER)
    for fix, value in SCATTER_OF_FIX.items():
        scatter_of[fix] = value
    quality = np.clip(shots.fix[shot], -1, len(scatter_of) - 2)
    east, north = ground.easting[shot], ground.northing[shot]
    return Points(
        shot=shot,
        x=east - (np.median(east) if len(east) else 0.0),
        y=north - (np.median(north) if len(north) else 0.0),
        key=key[order],
        chain=chain[order],
        hookup=shots.hookup.codes[shot],
        log=log,
        upload=upload[order],
        scatter=scatter_of[quality],
        named=named,
    )


def field_names(shots: Shots) -> tuple[npt.NDArray[np.int64], tuple[str, ...]]:
    """Codes (-1 none) of line names with spaces and case evened out, and a name for each."""
    index: dict[str, int] = {}
    spelling: list[str] = []
    lookup = []
    for name in shots.line.names:
        plain = " ".join(name.split())
        if plain.casefold() not in index:
            index[plain.casefold()] = len(spelling)
            spelling.append(plain)
        lookup.append(index[plain.casefold()] if plain else -1)
    return np.array([*lookup, -1], np.int64)[shots.line.codes], tuple(spelling)


def _compact(
    wide: npt.NDArray[np.int64],
) -> tuple[npt.NDArray[np.int32], npt.NDArray[np.int64]]:
    """Codes 0, 1, ... in place of wide ones; a table where it is small, else a sort."""
    if len(wide) == 0:
        return wide.astype(np.int32), wide
    low, high = int(wide.min()), int(wide.max())
    if high - low < 4 * len(wide) + 1000:
        seen = np.zeros(high - low + 1, bool)
        seen[wide - low] = True
        values = np.flatnonzero(seen) + low
        lookup = np.cumsum(seen, dtype=np.int32) - 1
        return lookup[wide - low].astype(np.int32), values.astype(np.int64)
    values, codes = np.unique(wide, return_inverse=True)
    return codes.astype(np.int32), values


def _log_order(
    shots: Shots, shot: Integers, chain: npt.NDArray[np.int32]
) -> tuple[Integers, Integers]:
    """Order by chain, then time, then row, and the place of each in the log of all uploads.

    Cheap where the log is in order already.
    """
    time = shots.time[shot].view(np.int64)
    row = shots.row[shot]
    source = shots.source[shot]
    same = source[1:] == source[:-1]
    later = time[1:] > time[:-1]
    tied = (time[1:] == time[:-1]) & (row[1:] >= row[:-1])
    if bool(np.all(~same | later | tied)) and bool(np.all(source[1:] >= source[:-1])):
        base = np.arange(len(shot))
    else:
        base = np.lexsort((row, time, source))
    ordered = chain[base]
    if bool(np.all(ordered[1:] >= ordered[:-1])):
        return base, np.arange(len(base))
    narrow = ordered.astype(np.int16) if len(ordered) and ordered.max() < 32000 else ordered
    place = np.argsort(narrow, kind="stable")
    return base[place], place
