"""Shots and their neighbours in the log: what was logged right before and right after."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.budget.rules._line_kernels import SETTLED, WANTED, log_neighbours
from asfound.model import Assembly, Ground, Shots

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Beside:
    """k shots, and the settled shots logged last before and first after each.

    Parameters
    ----------
    rows, before, after : (k,) int64
        -1 where the same receiver logged none in the same upload.
    """

    rows: Integers
    before: Integers
    after: Integers

    def same_signal(self, shots: Shots, assembly: Assembly) -> Flags:
        """(k,) bool: both neighbours are of one line, by the shot's own hook-up and method."""
        rows, before, after = self.rows, self.before, self.after
        line = assembly.line
        same = (before >= 0) & (after >= 0) & (line[before] == line[after])
        for key in (shots.hookup.codes, shots.method):
            same &= (key[before] == key[rows]) & (key[after] == key[rows])
        return np.asarray(same)

    def take(self, kept: Flags | Integers) -> Beside:
        """Some of them."""
        return Beside(self.rows[kept], self.before[kept], self.after[kept])


def logged_beside(shots: Shots, log: Integers, state: npt.NDArray[np.int8], wanted: int) -> Beside:
    """Neighbours in the log.

    Parameters
    ----------
    log : (n,) int64
        Shots by upload, receiver, time and row.
    state : (n,) int8
        `SETTLED` where a shot may be a neighbour, `WANTED` where one looks for neighbours.
    wanted : int
        Number of the latter.
    """
    rows, before, after = (np.empty(wanted, np.int64) for _ in range(3))
    if wanted:
        log_neighbours(log, state, shots.source, shots.receiver.codes, rows, before, after)
    return Beside(rows, before, after)


@dataclass(frozen=True, eq=False)
class Strays:
    """k shots on no line (ascending), how far they lie from their neighbours in the log, and
    whether that is odd.

    Parameters
    ----------
    rows : (k,) int64
    away : (k,) float64
        From the nearer of the shots of lines logged before and after [m].
    misplaced : (k,) bool
        Far from both, or logged along one line of its utility and hook-up.
    """

    rows: Integers
    away: Floats
    misplaced: Flags


def find_strays(
    shots: Shots, ground: Ground, assembly: Assembly, control: Flags, log: Integers, far: float
) -> Strays:
    """Shots on no line that have a neighbour in the log; `far` is what counts as far [m]."""
    state = np.where(assembly.line >= 0, SETTLED, 0).astype(np.int8)
    stray = np.flatnonzero(assembly.line < 0)
    stray = stray[~control[stray] & np.isfinite(ground.easting[stray])]
    state[stray] = WANTED
    beside = logged_beside(shots, log, state, len(stray))
    away = np.full(len(stray), np.inf)
    for near in (beside.before, beside.after):
        distance = np.hypot(
            ground.easting[beside.rows] - ground.easting[near],
            ground.northing[beside.rows] - ground.northing[near],
        )
        away = np.where(near >= 0, np.minimum(away, distance), away)
    known = np.flatnonzero(np.isfinite(away))
    known = known[np.argsort(beside.rows[known])]
    beside, away = beside.take(known), away[known]
    misplaced = beside.same_signal(shots, assembly)
    misplaced &= shots.utility[beside.rows] == assembly.utility[assembly.line[beside.before]]
    return Strays(beside.rows, away, misplaced | (away > far))
