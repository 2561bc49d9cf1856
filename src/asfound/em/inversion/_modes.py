"""Other places that explain a sweep about as well.

Where the weakest conductor is only just seen, quite different layouts can have nearly the same
misfit, and the curvature at the best one says nothing of the others. So such sweeps are searched
again from many starts, and a standard deviation is made large enough to reach every layout found
whose misfit is not much larger: a layout at distance d whose misfit is larger by D lies at
sqrt(D) standard deviations by its likelihood, so the standard deviation is at least d / sqrt(D).
"""

from __future__ import annotations

from itertools import permutations

import numpy as np
import numpy.typing as npt

from asfound.em.inversion._bounds import Bounds
from asfound.em.inversion._levenberg import minimise
from asfound.em.inversion._likelihood import Kind
from asfound.em.inversion._moments import Readings
from asfound.em.inversion._orders import (
    THOROUGH,
    OrderFit,
    draft_problems,
    fit_from,
    starts_for,
)

FloatArray = npt.NDArray[np.float64]

FARTHEST = 25.0  # of the misfit, in noise variances: layouts beyond are ruled out
_NEAREST = 2.0  # two equal layouts: each lies 0.7 of their distance from the truth


def explore(
    readings: Readings,
    kind: Kind,
    bounds: Bounds,
    fit: OrderFit,
    previous: OrderFit | None,
    variance: FloatArray,
) -> tuple[OrderFit, FloatArray]:
    """Search for rival layouts.

    Parameters
    ----------
    readings, kind, bounds, fit : of n sweeps
    previous : OrderFit or None
        Best fit with one conductor fewer.
    variance : (n,) float64
        Noise variance in units of the assumed one.

    Returns
    -------
    fit : OrderFit
        The best layout, should a better one have turned up.
    reach : (2 C, n) float64
        Standard deviations of positions, then depths, that reach the rivals [m].
    """
    size, n = fit.place.shape[0] // 2, fit.place.shape[1]
    starts, linear = starts_for(readings, kind, size, previous, THOROUGH)
    n_starts = starts.shape[1]
    rows = np.tile(np.arange(n), n_starts)
    low, high = bounds.boxes(size)
    drafts = minimise(
        draft_problems(readings, kind, rows),
        starts.reshape(2 * size, -1),
        low[:, rows],
        high[:, rows],
        linear=None if linear is None else linear.reshape(*linear.shape[:2], -1),
        tolerance=2e-2,
        max_iterations=THOROUGH.draft_iterations,
    )
    square = drafts.square.reshape(n_starts, n)
    place = drafts.place.reshape(2 * size, n_starts, n)
    best = np.argmin(square, axis=0)
    better = np.flatnonzero(square[best, np.arange(n)] < fit.square - 0.01)
    if len(better):
        where = best[better] * n + better
        again = fit_from(
            readings.rows(better),
            kind.rows(better),
            bounds.rows(better),
            drafts.place[:, where][:, np.newaxis],
            drafts.linear[..., where][:, :, np.newaxis],
            THOROUGH,
        )
        fit = fit.rows(np.arange(n))
        won = np.flatnonzero(again.square < fit.square[better])
        for to, values in zip(fit, again.rows(won), strict=True):
            to[..., better[won]] = values
    worse = (square - fit.square) / variance
    apart = _apart(place, fit.place[:, np.newaxis])
    reach = apart / np.sqrt(np.maximum(worse, _NEAREST))
    reach[:, worse > FARTHEST] = 0.0
    return fit, reach.max(axis=1)


def _apart(place: FloatArray, best: FloatArray) -> FloatArray:
    """Distances of layouts from the best one, each conductor from the one it can best stand for.

    Shapes (2 C, s, n); positions, then depths.
    """
    size = place.shape[0] // 2
    options = []
    for order in permutations(range(size)):
        turned = list(order) + [size + c for c in order]
        options.append(np.abs(place[turned] - best))
    each = np.stack(options)
    total = (each**2).sum(axis=1)
    chosen = np.argmin(total, axis=0)
    result: FloatArray = np.take_along_axis(each, chosen[np.newaxis, np.newaxis], axis=0)[0]
    return result
