"""Pieces of a log on which the ground comes out too high or too low by one amount.

A pole made longer or shorter without a word shifts every ground height until someone notices. The
log of each line is cut where the ground steps. A piece between two steps is compared across both
with what lies before and behind it; ground that other lines' shots measured close by must lie
farther below (or above) there than beside the rest of the line, or, at a line's end, below or
above by more than any cross slope. Kerbs and walls are steps too: one step alone proves nothing,
and two that agree must be larger than a kerb unless ground nearby bears them out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.budget.rules import _piece_kernels
from asfound.budget.rules._piece_kernels import ANSWERS, WIDEST, ask_around, cut_runs, judge_spans
from asfound.budget.rules.runs import Runs
from asfound.budget.rules.steps import Steps

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

BEYOND_KERBS = _piece_kernels.BEYOND_KERBS
"""An offset that no kerb explains [m]."""
_ROUNDS = 4
_ROOM = 512
"""Places of the table of cells to each piece: it marks up to a hundred, most shall stay empty."""


@dataclass(frozen=True, eq=False)
class Piece:
    """Shots whose ground is off.

    Parameters
    ----------
    rows : (k,) int64
        Shots.
    offset : float
        How much too high the ground comes out [m].
    score : float
        Its size over its standard deviation.
    witnesses : int
        Other lines whose ground nearby bears it out.
    """

    rows: Integers
    offset: float
    score: float
    witnesses: int


def odd_pieces(
    log: Runs,
    steps: Steps,
    east: Floats,
    north: Floats,
    height: Floats,
    *,
    least: float,
    reach: float,
) -> list[Piece]:
    """Pieces of the log whose ground is off by one amount.

    Parameters
    ----------
    log : Runs
        Shots in the order of the log, one run a line and visit.
    steps : Steps
        Of the ground's height, by places in `log`.
    east, north, height : (n,) float64
        Ground of all shots [m].
    least, reach : float
        Smallest offset of interest, and how far away ground may bear witness [m].

    Returns
    -------
    pieces : list of Piece
        In the order of the log.
    """
    run, first, last, before, behind = np.empty((5, 2 * len(steps)), np.int64)
    count = cut_runs(log.starts, steps.place, run, first, last, before, behind)
    if not count:
        return []
    run, first, last, before, behind = (part[:count] for part in (run, first, last, before, behind))
    nearby = _asked(log, run, first, last, east, north, height, reach)
    offset = np.full(count, np.nan)
    value, score = np.empty(count * WIDEST), np.empty(count * WIDEST)
    agreeing = np.empty(count * WIDEST, np.int64)
    found: dict[int, Piece] = {}
    for _ in range(_ROUNDS):
        judge_spans(
            *(run, before, behind, steps.size, steps.size_sd, offset, least),
            *nearby,
            *(value, score, agreeing),
        )
        # The clearest first: what lies beside an odd piece is judged anew once that is known.
        odd = np.flatnonzero(np.isfinite(value))
        fresh = np.zeros(count, bool)
        for at in odd[np.argsort(-score[odd], kind="stable")].tolist():
            start, stop = at // WIDEST, at // WIDEST + at % WIDEST + 1
            around = slice(max(start - 1, 0), stop + 1)
            if not (fresh[around] & (run[around] == run[start])).any():
                offset[start:stop], fresh[start:stop] = value[at], True
                rows = log.order[first[start] : last[stop - 1]]
                found[start] = Piece(rows, float(value[at]), float(score[at]), int(agreeing[at]))
        if not fresh.any():
            break
    return [found[start] for start in sorted(found)]


def _asked(
    log: Runs,
    run: Integers,
    first: Integers,
    last: Integers,
    east: Floats,
    north: Floats,
    height: Floats,
    reach: float,
) -> tuple[Integers, Integers, Integers, Integers, Floats]:
    """What ground nearby says of each piece, as `judge_spans` takes it."""
    count = len(run)
    head = np.empty(1 << (_ROOM * count).bit_length(), np.int32)
    following, around, owner = (np.empty(len(log), np.int32) for _ in range(3))
    spot = np.empty((len(log), 2))
    sampled, heard = np.empty(count, np.int64), np.empty(count + 1, np.int64)
    witness, piece_of = np.empty((2, count * ANSWERS), np.int64)
    said = np.empty((count * ANSWERS, 3))
    ask_around(
        *(log.order, log.starts, east, north, height, run, first, last, reach),
        *(head, following, around, owner),
        spot,
        *(sampled, heard, witness, piece_of),
        said,
    )
    return sampled, heard, witness, piece_of, said


def combined(parts: list[tuple[float, float]]) -> tuple[float, float]:
    """Weighted mean of (value, standard deviation) pairs."""
    weights = [1.0 / sd**2 for _, sd in parts]
    total = sum(weights)
    mean = sum(w * value for w, (value, _) in zip(weights, parts, strict=True)) / total
    return mean, total**-0.5


def middle(values: Floats) -> float:
    """Median of a few finite values: `numpy.median` takes far longer to get ready for them."""
    ordered = np.sort(values)
    count = len(ordered)
    return float(0.5 * (ordered[(count - 1) // 2] + ordered[count // 2]))
