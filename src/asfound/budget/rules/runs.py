"""Runs of shots in which one follows another: along a line, or in the log.

Both views of a job are worked out once and shared by all rules. Sorting is skipped where rows
already stand in order, as in most logs.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.model import Assembly, Shots

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Runs:
    """m shots, run after run.

    Parameters
    ----------
    order : (m,) int64
        Shot indices.
    run : (m,) int64
        Number of each one's run, from 0, ascending.
    """

    order: Integers
    run: Integers

    def __len__(self) -> int:
        return len(self.order)

    @property
    def count(self) -> int:
        """Number of runs."""
        return int(self.run[-1]) + 1 if len(self.run) else 0

    def starts(self) -> Integers:
        """(runs + 1,) where each run starts in `order`."""
        return np.searchsorted(self.run, np.arange(self.count + 1))

    def blocks(self, size: int) -> Iterator[Runs]:
        """The same runs, as many whole ones at a time as come to about `size` shots."""
        starts = self.starts()
        first = 0
        while first < self.count:
            last = int(np.searchsorted(starts, starts[first] + size, "right")) - 1
            last = min(max(last, first + 1), self.count)
            rows = slice(starts[first], starts[last])
            yield Runs(self.order[rows], self.run[rows] - first)
            first = last

    def only(self, usable: Flags) -> Runs:
        """The same runs without the shots that are not usable ((n,) bool over all shots)."""
        kept = usable[self.order]
        if kept.all():
            return self
        return Runs(self.order[kept], _renumbered(self.run[kept]))

    def split(self, *keys: npt.NDArray[np.generic]) -> Runs:
        """Runs cut wherever one of the keys ((n,) over all shots) changes."""
        cut = np.zeros(len(self.order), bool)
        cut[1:] = self.run[1:] != self.run[:-1]
        for key in keys:
            mine = key[self.order]
            cut[1:] |= mine[1:] != mine[:-1]
        return Runs(self.order, np.cumsum(cut))


def along_lines(assembly: Assembly) -> Runs:
    """Every line as a run, in order of rank; numbered by the lines that have shots."""
    order, _ = assembly.members()
    return Runs(order, _renumbered(assembly.line[order]))


def by_signal(lines: Runs, shots: Shots, assembly: Assembly) -> Runs:
    """Lines split into what one upload logged on one hook-up, each in order along the line."""
    order = lines.order
    if not len(order):
        return lines
    base = int(shots.hookup.codes.max(initial=-1)) + 2
    pair = shots.source[order].astype(np.int64) * base + shots.hookup.codes[order] + 1
    within = (lines.run[1:] == lines.run[:-1]) & (pair[1:] != pair[:-1])
    if not within.any():
        return lines
    code = lines.run * (int(pair.max()) + 1) + pair
    regrouped = np.argsort(code, kind="stable")
    return Runs(order[regrouped], _renumbered(code[regrouped]))


def in_the_log(shots: Shots) -> Integers:
    """(n,) int64: shots by upload, receiver, time and row.

    Rows without a time keep their place after those with one.
    """
    source, time, row = shots.source, shots.time.view(np.int64), shots.row
    receiver = shots.receiver.codes
    # NaT is the least integer; sorting it last is what the file's order asks for.
    time = np.where(time == np.iinfo(np.int64).min, np.iinfo(np.int64).max, time)
    if len(source) and _ascending(source, receiver, time, row):
        return np.arange(len(source))
    return np.lexsort((row, time, receiver, source))


def _ascending(*keys: npt.NDArray[np.integer]) -> bool:
    """True if rows stand in the order of the keys, the first the most important."""
    tied = np.ones(len(keys[0]) - 1, bool)
    for key in keys:
        if (tied & (key[1:] < key[:-1])).any():
            return False
        tied &= key[1:] == key[:-1]
    return True


def _renumbered(codes: npt.NDArray[np.integer]) -> Integers:
    """Consecutive numbers from 0 for runs of equal codes."""
    if not len(codes):
        return np.empty(0, np.int64)
    cut = np.ones(len(codes), np.int64)
    cut[0] = 0
    cut[1:] = codes[1:] != codes[:-1]
    return np.cumsum(cut)


def scatter_of_runs(values: Floats, runs: Runs, *, least: float, fewest: int = 8) -> Floats:
    """Noise of one value in each run, from how single values leave the middle of their neighbours.

    Parameters
    ----------
    values : (m,) float64
        In the order of the runs, all finite.
    least : float
        Smallest answer.
    fewest : int
        Runs with fewer triples take the median of all runs.

    Returns
    -------
    scatter : (runs,) float64
        1.4826 times the median absolute second difference, scaled to one value.
    """
    if len(values) < 3 or not runs.count:
        return np.full(runs.count, least)
    inner = runs.run[2:] == runs.run[:-2]
    off = np.abs(values[1:-1] - 0.5 * (values[:-2] + values[2:]))[inner]
    run = runs.run[1:-1][inner]
    # One sort finds the median of every run: run number plus a fraction that grows with `off`.
    key = np.sort(run + off / (1.0 + off) * (1 - 1e-9))
    count = np.bincount(run, minlength=runs.count)
    first = np.concatenate([[0], np.cumsum(count)[:-1]])
    if not len(key):
        return np.full(runs.count, least)
    middle = np.clip(first + count // 2, 0, len(key) - 1)
    share = (key[middle] - np.arange(runs.count)) / (1 - 1e-9)
    enough = count >= fewest
    share = np.where(enough, np.clip(share, 0.0, 1 - 1e-9), 0.0)
    scatter = 1.4826 / np.sqrt(1.5) * share / (1.0 - share)
    usual = float(np.median(scatter[enough])) if enough.any() else least
    return np.maximum(np.where(enough, scatter, usual), least)


def middle(values: Floats) -> float:
    """Median of a few finite values: `numpy.median` takes far longer to get ready for them."""
    ordered = np.sort(values)
    count = len(ordered)
    return float(0.5 * (ordered[(count - 1) // 2] + ordered[count // 2]))
