"""Pieces of a log on which the ground comes out too high or too low by one amount.

A pole made longer or shorter without a word shifts every ground height until someone notices. The
log of each line is cut where the ground steps. A piece between two steps is compared across both
with what lies before and behind it; ground that other lines' shots measured close by must lie
farther below (or above) there than beside the rest of the line, or, at a line's end, below or
above by more than any cross slope. Kerbs and walls are steps too: one step alone proves nothing,
and two that agree must be larger than a kerb unless ground nearby bears them out.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.budget.rules.runs import Runs
from asfound.budget.rules.steps import Steps
from asfound.budget.rules.witnesses import Witnesses

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

_UNEVEN = 0.04
"""Ground's own steps from shot to shot, kerbs apart [m], 1 sigma."""
_CROSS_SLOPE = 0.05
"""Slope of the ground between two lines [m/m], 1 sigma."""
_CHANGE_OF_SLOPE = 0.02
"""By how much that differs along two lines [m/m], 1 sigma."""
_CONSISTENT = 3.0
_ROUNDS = 4
_WIDEST = 3
BEYOND_KERBS = 0.25
"""An offset that no kerb explains [m]."""


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


@dataclass(frozen=True, eq=False)
class _Cut:
    """Places `first` to `last - 1` of the log; the steps at both ends, None at a run's end.

    A step is (size, standard deviation), what lies behind it minus what lies before.
    """

    run: int
    first: int
    last: int
    before: tuple[float, float] | None
    behind: tuple[float, float] | None


def odd_pieces(
    log: Runs, steps: Steps, place: Floats, height: Floats, *, least: float, reach: float
) -> list[Piece]:
    """Pieces of the log whose ground is off by one amount.

    Parameters
    ----------
    log : Runs
        Shots in the order of the log, one run a line and visit.
    steps : Steps
        Of the ground's height, by places in `log`.
    place : (n, 2) float64
        Easting and northing of all shots [m].
    height : (n,) float64
        Ground [m].
    least, reach : float
        Smallest offset of interest, and how far away ground may bear witness [m].

    Returns
    -------
    pieces : list of Piece
        In the order of the log.
    """
    cuts = list(_cuts(log, steps))
    if not cuts:
        return []
    nearby = Witnesses(log, [(cut.first, cut.last) for cut in cuts], place, height, reach)
    spans = list(_spans(cuts))
    offset: dict[int, float] = {}
    found: list[tuple[int, Piece]] = []
    for _ in range(_ROUNDS):
        candidates = []
        for span in spans:
            if not any(number in offset for number in span):
                piece = _judge(log, cuts, span, offset, nearby, least)
                if piece is not None:
                    candidates.append((-piece.score, span.start, len(span), span, piece))
        # The clearest first: what lies beside an odd piece is judged anew once that is known.
        known = set(offset)
        for _, _, _, span, piece in sorted(candidates, key=lambda item: item[:3]):
            around = range(span.start - 1, span.stop + 1)
            if not any(
                n in offset and n not in known and cuts[n].run == cuts[span.start].run
                for n in around
            ):
                offset |= dict.fromkeys(span, piece.offset)
                found.append((span.start, piece))
        if len(offset) == len(known):
            break
    return [piece for _, piece in sorted(found, key=lambda item: item[0])]


def _spans(cuts: list[_Cut]) -> Iterator[range]:
    """Every cut, and two or three in a row between two steps: the ground may step there too."""
    for first in range(len(cuts)):
        yield range(first, first + 1)
        for last in range(first + 1, min(first + _WIDEST, len(cuts))):
            if cuts[last].run != cuts[first].run:
                break
            if cuts[first].before is not None and cuts[last].behind is not None:
                yield range(first, last + 1)


def _cuts(log: Runs, steps: Steps) -> Iterator[_Cut]:
    """Runs that have a step, cut at each."""
    starts = log.starts
    run_of = log.run[steps.place]
    bounds = np.searchsorted(run_of, np.arange(log.count + 1))
    for run in np.unique(run_of).tolist():
        mine = range(int(bounds[run]), int(bounds[run + 1]))
        known = [(float(steps.size[k]), float(steps.size_sd[k])) for k in mine]
        places = [int(starts[run]), *(int(steps.place[k]) for k in mine), int(starts[run + 1])]
        ends: list[tuple[float, float] | None] = [None, *known, None]
        for k in range(len(places) - 1):
            yield _Cut(run, places[k], places[k + 1], ends[k], ends[k + 1])


def _witnesses(
    cuts: list[_Cut], span: range, offset: dict[int, float], nearby: Witnesses
) -> list[tuple[float, float]]:
    """What ground nearby says of a span's offset: (value, standard deviation) of each witness."""
    here = nearby.heard(span, offset)
    if cuts[span.start].before is None or cuts[span.stop - 1].behind is None:
        return [
            (above, float(np.hypot(_UNEVEN, _CROSS_SLOPE * away))) for above, away in here.values()
        ]
    # Between two steps: against the same witness beside the rest of the line, which takes the
    # cross slope out. Only the pieces next to it, since witnesses come and go along a line.
    beside = [n for n in (span.start - 1, span.stop) if n not in offset]
    rest = nearby.heard(beside, offset)
    return [
        (above - rest[run][0], float(np.hypot(_UNEVEN, _CHANGE_OF_SLOPE * away)))
        for run, (above, away) in here.items()
        if run in rest
    ]


def _judge(
    log: Runs,
    cuts: list[_Cut],
    span: range,
    offset: dict[int, float],
    nearby: Witnesses,
    least: float,
) -> Piece | None:
    """The span as an odd piece, or None if it can't be called so."""
    before, behind = cuts[span.start].before, cuts[span.stop - 1].behind
    across = []
    if before is not None:
        beyond = offset.get(span.start - 1, 0.0)
        across.append((beyond + before[0], float(np.hypot(before[1], _UNEVEN))))
    if behind is not None:
        beyond = offset.get(span.stop, 0.0)
        across.append((beyond - behind[0], float(np.hypot(behind[1], _UNEVEN))))
    value, sd = combined(across)
    if abs(value) < least or any(abs(v - value) > _CONSISTENT * s for v, s in across):
        return None
    witnesses = _witnesses(cuts, span, offset, nearby)
    agreeing = 0
    if witnesses:
        seen, seen_sd = combined(witnesses)
        # One witness far off is no contradiction, and none that would convict either.
        if abs(seen - value) > _CONSISTENT * seen_sd:
            return None
        if abs(seen) > 2.0 * seen_sd and seen * value > 0:
            agreeing = sum(abs(v - value) < abs(v) for v, _ in witnesses)
            value, sd = combined([(value, sd), (seen, seen_sd)])
    if len(across) < 2 and not agreeing:
        return None
    if not agreeing and abs(value) < BEYOND_KERBS:
        return None
    if abs(value) < least or abs(value) < 5.0 * sd:
        return None
    rows = log.order[cuts[span.start].first : cuts[span.stop - 1].last]
    return Piece(rows, value, abs(value) / sd, agreeing)


def combined(parts: list[tuple[float, float]]) -> tuple[float, float]:
    """Weighted mean of (value, standard deviation) pairs."""
    values, sds = np.array(parts).T
    weight = 1.0 / sds**2
    return float((weight * values).sum() / weight.sum()), float(1.0 / np.sqrt(weight.sum()))


def middle(values: Floats) -> float:
    """Median of a few finite values: `numpy.median` takes far longer to get ready for them."""
    ordered = np.sort(values)
    count = len(ordered)
    return float(0.5 * (ordered[(count - 1) // 2] + ordered[count // 2]))
