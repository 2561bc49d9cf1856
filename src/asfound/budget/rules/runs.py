"""Runs of shots in which one follows another: along a line, or in the log.

Both views of a job are worked out once and shared by all rules. Sorting is skipped where rows
already stand in order, as in most logs.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from asfound.budget.rules._run_kernels import (
    keep_usable,
    signals_change,
    sort_the_log,
    split_by_signal,
)
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
    starts : (runs + 1,) int64
        Run r is ``order[starts[r]:starts[r + 1]]``.
    """

    order: Integers
    starts: Integers

    @staticmethod
    def numbered(order: Integers, run: npt.NDArray[np.integer]) -> Runs:
        """Runs from the number of each shot's run ((m,), from 0, ascending)."""
        count = int(run[-1]) + 1 if len(run) else 0
        return Runs(order, np.searchsorted(run, np.arange(count + 1)))

    def __len__(self) -> int:
        return len(self.order)

    @property
    def count(self) -> int:
        """Number of runs."""
        return len(self.starts) - 1

    @cached_property
    def run(self) -> Integers:
        """(m,) number of each one's run."""
        return np.repeat(np.arange(self.count), np.diff(self.starts))

    def only(self, usable: Flags) -> Runs:
        """The same runs without the shots that are not usable ((n,) bool over all shots)."""
        order, starts = np.empty_like(self.order), np.empty_like(self.starts)
        runs, shots = keep_usable(self.order, self.starts, usable, order, starts)
        return Runs(order[:shots], starts[: runs + 1])

    def split(self, *keys: npt.NDArray[np.generic]) -> Runs:
        """Runs cut wherever one of the keys ((n,) over all shots) changes."""
        cut = np.zeros(len(self.order), bool)
        cut[self.starts[:-1][np.diff(self.starts) > 0]] = True
        for key in keys:
            mine = key[self.order]
            cut[1:] |= mine[1:] != mine[:-1]
        return Runs(self.order, np.append(np.flatnonzero(cut), len(cut)))


def along_lines(assembly: Assembly) -> Runs:
    """Every line as a run, in order of rank; a line without shots is an empty one."""
    return Runs(*assembly.members())


def by_signal(lines: Runs, shots: Shots) -> Runs:
    """Lines split into what one upload logged on one hook-up, each in order along the line."""
    keys = shots.source, shots.hookup.codes
    if not signals_change(lines.order, lines.starts, *keys):
        return lines
    order, starts = np.empty_like(lines.order), np.empty(len(lines) + 1, np.int64)
    count = split_by_signal(lines.order, lines.starts, *keys, order, starts)
    return Runs(order, starts[: count + 1])


def in_the_log(shots: Shots) -> Integers:
    """(n,) int64: shots by upload, receiver, time and row.

    Rows without a time keep their place after those with one.
    """
    order = np.empty(len(shots), np.int64)
    sort_the_log(shots.source, shots.receiver.codes, shots.time.view(np.int64), shots.row, order)
    return order
