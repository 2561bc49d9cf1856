"""Each shot against its neighbours on the line: what they would have led one to expect there.

For a shot between neighbours at stations s- and s+ the straight line between the two predicts
its height, depth and place; the median over the nearest four pairs is robust against a bad
neighbour on either side. At line ends, where pairs are lacking, the two lines through the
neighbours on one side serve, with their larger uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.model import Assembly, Budget, Fix, Ground, Shots

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

_PAIRS = 4
_REACH = 30.0


@dataclass(frozen=True, eq=False)
class AlongLine:
    """Residuals of m line shots against their neighbours, and per-shot copies.

    Parameters
    ----------
    order, starts : (m,), (lines + 1,) int64
        As `Assembly.members`.
    depth, ground : (n,) float64
        Shot minus expectation [m]; NaN where it can't be said.
    lateral : (n,) float64
        Distance across the line from the best of several predictions [m].
    depth_expected : (n,) float64
        [m].
    depth_spread, ground_spread, lateral_spread : (n,) float64
        Standard deviation expected of the residual [m].
    log_current : (n,) float64
        Natural log of the current reading minus its expectation.
    """

    order: Integers
    starts: Integers
    depth: Floats
    depth_expected: Floats
    depth_spread: Floats
    ground: Floats
    ground_spread: Floats
    lateral: Floats
    lateral_spread: Floats
    log_current: Floats


def along_line(shots: Shots, ground: Ground, budget: Budget, assembly: Assembly) -> AlongLine:
    """Compare each shot with its neighbours along the line, vectorised over all lines.

    Heights, depths and places are compared with all shots of the line, currents only with those
    of the same upload and hook-up.

    Returns
    -------
    AlongLine
    """
    order, starts = assembly.members()
    whole = _Neighbours(order, assembly.line[order], assembly.station)
    same_signal = sequences(assembly, shots.source, shots.hookup.codes)
    own = np.sqrt(np.maximum(budget.independent[:, 2, 2], 0.0))
    plan = np.sqrt(np.maximum(budget.independent[:, 0, 0], budget.independent[:, 1, 1]))
    # Even ground rises and falls by a few centimetres between shots.
    ground_own = np.hypot(np.where(np.isfinite(shots.up_sd), shots.up_sd, 0.02), 0.02)

    depth_expected = whole.expected(shots.depth)
    steady = (shots.fix == Fix.RTK_FIXED) | (shots.fix == Fix.NOT_RECORDED)
    lateral, lateral_spread = _lateral(order[steady[order]], ground, assembly, plan)
    with np.errstate(divide="ignore", invalid="ignore"):
        log_current = np.log(shots.current)
    return AlongLine(
        order,
        starts,
        shots.depth - depth_expected,
        depth_expected,
        np.hypot(own * _shrink(shots.depth, depth_expected), 0.03 * depth_expected) * whole.factor,
        ground.height - whole.expected(ground.height),
        ground_own * whole.factor,
        lateral,
        lateral_spread,
        log_current - same_signal.expected(log_current),
    )


def _shrink(depth: Floats, expected: Floats) -> Floats:
    """Share by which a depth's noise is less if the reading is too large.

    The budget takes the reading at its word; a tenfold depth must not excuse itself.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(depth > expected, np.maximum(expected, 0.0) / depth, 1.0)


def sequences(assembly: Assembly, *keys: npt.NDArray[np.integer]) -> _Neighbours:
    """Shots of each line in order, split further by keys such as the upload.

    Parameters
    ----------
    keys : (n,) integers
        Of the shots.
    """
    joined = np.flatnonzero(assembly.line >= 0)
    columns = [assembly.rank[joined], *(key[joined] for key in reversed(keys))]
    order = joined[np.lexsort((*columns, assembly.line[joined]))]
    changes = np.zeros(len(order), bool)
    for key in (assembly.line, *keys):
        changes[1:] |= key[order][1:] != key[order][:-1]
    return _Neighbours(order, np.cumsum(changes), assembly.station)


class _Neighbours:
    """Neighbour pairs of m shots in sequences along lines.

    Parameters
    ----------
    order : (m,) int64
        Shots, sequence after sequence.
    sequence : (m,) integers
        Number of each one's sequence, ascending.
    station : (n,) float64
        Of all shots [m].
    """

    def __init__(self, order: Integers, sequence: npt.NDArray[np.integer], station: Floats) -> None:
        self.order = order
        self.total = len(station)
        count = len(order)
        along = station[order]
        place = np.arange(count)
        self.first = np.searchsorted(sequence, sequence, "left")
        self.last = np.searchsorted(sequence, sequence, "right") - 1
        step = np.arange(1, _PAIRS + 1)
        before, after = place[:, None] - step, place[:, None] + step
        top = max(count - 1, 0)
        self.low, self.high = np.clip(before, 0, top), np.clip(after, 0, top)
        width = along[self.high] - along[self.low]
        paired = (before >= self.first[:, None]) & (after <= self.last[:, None])
        self.paired = paired & (width > 1e-6) & (width < 2 * _REACH)
        self.share = np.divide(
            along[:, None] - along[self.low],
            width,
            out=np.full(width.shape, 0.5),
            where=width > 1e-6,
        )
        ends = np.flatnonzero(~self.paired.any(axis=1))
        side = np.concatenate([before, after], axis=1)[ends]
        near = np.clip(side, 0, top)
        inside = (side >= self.first[ends, None]) & (side <= self.last[ends, None])
        inside &= np.abs(along[near] - along[ends, None]) < _REACH
        self.ends, self.near, self.inside = ends, near, inside

    @property
    def factor(self) -> Floats:
        """(n,) how much wider a residual scatters than one shot alone."""
        factor = np.full(len(self.order), 1.3)
        factor[self.ends] = 2.0
        return self._full(factor)

    def _full(self, values: Floats) -> Floats:
        full = np.full(self.total, np.nan)
        full[self.order] = values
        return full

    def _pairs(self, values: Floats) -> Floats:
        mine = values[self.order]
        return np.where(
            self.paired, mine[self.low] * (1 - self.share) + mine[self.high] * self.share, np.nan
        )

    def expected(self, values: Floats) -> Floats:
        """(n,) what the neighbours lead one to expect of (n,) values; NaN where none do."""
        guess = self._pairs(values)
        mine = values[self.order]
        one_sided = np.where(self.inside, mine[self.near], np.nan)
        result = _median(guess)
        result[self.ends] = _median(one_sided)
        return self._full(result)


_BETWEEN = ((-1, 1), (-2, -1), (1, 2), (-2, 1), (-1, 2), (-2, -1, 1, 2))
"""Neighbours (by places before and behind) that may each predict where a shot should lie: between
two of them on a straight, beyond two of them next to a bend, among four of them on a curve."""


def _lateral(
    order: Integers, ground: Ground, assembly: Assembly, spread: Floats
) -> tuple[Floats, Floats]:
    """Each shot's distance from the prediction that suits it best, across the line.

    A shot that is itself well placed agrees with at least one of the predictions, whatever bends
    the line has and whichever single neighbour is misplaced; a misplaced one agrees with none.

    Parameters
    ----------
    order : (m,) int64
        Shots with steady positions, by line and rank.
    spread : (n,) float64
        Standard deviation of one position across the line [m].

    Returns
    -------
    lateral, lateral_spread : (n,) float64
        Distance and its standard deviation [m]; NaN where no prediction is possible.
    """
    count, total = len(order), len(ground)
    lateral, best = np.full(total, np.nan), np.full(total, np.nan)
    if count < 3:
        return lateral, best
    line = assembly.line[order]
    east, north, sd = ground.easting[order], ground.northing[order], spread[order]
    place = np.arange(count)
    reach = (-2, -1, 1, 2)
    near = {k: np.clip(place + k, 0, count - 1) for k in reach}
    valid = {k: (place + k >= 0) & (place + k < count) & (line[near[k]] == line) for k in reach}
    # The course comes from the neighbours alone, lest a misplaced shot bend it.
    back = np.where(valid[-1], near[-1], np.where(valid[1], near[1], place))
    ahead = np.where(
        valid[1] & valid[-1],
        near[1],
        np.where(valid[2], near[2], np.where(valid[-2], near[-2], place)),
    )
    course = np.stack([east[ahead] - east[back], north[ahead] - north[back]])
    length = np.hypot(*course)
    course = course / np.where(length > 0.05, length, np.nan)
    along, left = {}, {}
    for k in reach:
        de, dn = east[near[k]] - east, north[near[k]] - north
        along[k] = de * course[0] + dn * course[1]
        left[k] = dn * course[0] - de * course[1]
    score = np.full(count, np.nan)
    off, off_sd = np.full(count, np.nan), np.full(count, np.nan)
    for offsets in _BETWEEN:
        guess, variance = np.zeros(count), sd**2
        usable = np.ones(count, bool)
        for j in offsets:
            weight = np.ones(count)
            for k in offsets:
                if k != j:
                    gap = along[j] - along[k]
                    usable &= np.abs(gap) > 0.2
                    weight = weight * -along[k] / np.where(np.abs(gap) > 0.2, gap, 1.0)
            usable &= valid[j] & (np.abs(along[j]) < _REACH)
            guess = guess + weight * left[j]
            variance = variance + weight**2 * sd[near[j]] ** 2
        with np.errstate(invalid="ignore"):
            this = np.abs(guess) / np.sqrt(variance)
            better = usable & np.isfinite(this) & ~(this >= score)
        score[better] = this[better]
        off[better], off_sd[better] = np.abs(guess[better]), np.sqrt(variance[better])
    lateral[order], best[order] = off, off_sd
    return lateral, best


def _median(values: Floats) -> Floats:
    """Row-wise median of (n, k) without regard to NaN; NaN where all are."""
    ordered = np.sort(values, axis=1)
    known = np.isfinite(ordered).sum(axis=1)
    rows = np.arange(len(values))
    low = np.maximum((known - 1) // 2, 0)
    high = np.minimum(known // 2, values.shape[1] - 1)
    return np.asarray(0.5 * (ordered[rows, low] + ordered[rows, high]))
