"""Fits with 1, 2, 3, 4 conductors, each from many starts.

Starts for C conductors: those found for C - 1 with one more at the most promising nodes, and for
two conductors also the best pairs of a coarse grid. Every start is brought near its minimum by a
cheap draft; the best is polished. Where the misfit stays too large, more starts are tried.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from asfound.em.inversion._bounds import Bounds
from asfound.em.inversion._levenberg import LeastSquares, Problem, minimise
from asfound.em.inversion._likelihood import IteratedSquares, Kind, model_field, pretend
from asfound.em.inversion._moments import GeneralMoments, MomentSource, Readings
from asfound.em.inversion._paired_moments import PairedMoments, paired_moments
from asfound.em.inversion._starts import further_starts, pair_starts, single_starts
from asfound.em.inversion._unsigned_starts import unsigned_pair_starts, unsigned_single_starts

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]


class OrderFit(NamedTuple):
    """Best fit with C conductors to n sweeps, largest current first.

    ``place`` (2 C, n) positions, then depths; ``linear`` (C + B, r, n) currents, background;
    ``square`` (n,) misfit; ``converged`` (n,).
    """

    place: FloatArray
    linear: FloatArray
    square: FloatArray
    converged: npt.NDArray[np.bool_]

    def rows(self, rows: IntArray) -> OrderFit:
        """Of selected sweeps."""
        return OrderFit(
            self.place[:, rows],
            self.linear[..., rows],
            self.square[rows],
            self.converged[rows],
        )


class Effort(NamedTuple):
    """How many starts of each sort, and how long a draft may take."""

    forward: int = 2
    pairs: int = 2
    draft_iterations: int = 15


THOROUGH = Effort(forward=10, pairs=10, draft_iterations=25)


def moment_source(readings: Readings) -> MomentSource:
    """The fastest source of moments these readings allow."""
    return paired_moments(readings) or GeneralMoments(readings)


def fit_order(
    readings: Readings,
    kind: Kind,
    bounds: Bounds,
    size: int,
    previous: OrderFit | None,
    effort: Effort,
) -> OrderFit:
    """Best fit with `size` conductors.

    Parameters
    ----------
    readings, kind, bounds : of n sweeps
    size : int
        Number of conductors C.
    previous : OrderFit or None
        Best fit with C - 1; needed if C > 1.
    effort : Effort

    Returns
    -------
    OrderFit
    """
    starts, linear = starts_for(readings, kind, size, previous, effort)
    return fit_from(readings, kind, bounds, starts, linear, effort)


def fit_from(
    readings: Readings,
    kind: Kind,
    bounds: Bounds,
    starts: FloatArray,
    linear: FloatArray | None,
    effort: Effort,
) -> OrderFit:
    """Best fit from given starts.

    Parameters
    ----------
    starts : (2 C, s, n) float64
    linear : (C + B, r, s, n) float64 or None
        Currents to begin with; None lets them be solved for.

    Returns
    -------
    OrderFit
    """
    _, n_starts, n = starts.shape
    size = starts.shape[0] // 2
    rows = np.tile(np.arange(n), n_starts)
    low, high = bounds.boxes(size)
    flat = starts.reshape(2 * size, -1)
    flat_linear = None if linear is None else linear.reshape(*linear.shape[:2], -1)
    source = moment_source(readings) if kind.plain else None
    many = draft_problems(readings, kind, rows if n_starts > 1 else None, source)
    once: Problem
    once = IteratedSquares(readings, kind) if source is None else LeastSquares(source)
    drafts = minimise(
        many,
        flat,
        low[:, rows],
        high[:, rows],
        linear=flat_linear,
        tolerance=2e-3,
        max_iterations=effort.draft_iterations,
    )
    best = np.argmin(drafts.square.reshape(n_starts, n), axis=0) * n + np.arange(n)
    final = minimise(
        once,
        drafts.place[:, best],
        low,
        high,
        linear=drafts.linear[..., best],
        first_damping=1e-6,
        max_iterations=20,
    )
    return sort_by_current(OrderFit(final.place, final.linear, final.square, final.converged))


def sort_by_current(fit: OrderFit) -> OrderFit:
    """Largest current first."""
    size = fit.place.shape[0] // 2
    strength = (fit.linear[:size] ** 2).sum(axis=1)
    order = np.argsort(-strength, axis=0, kind="stable")
    columns = np.arange(fit.place.shape[1])
    linear = fit.linear.copy()
    linear[:size] = np.moveaxis(fit.linear[order, :, columns], -1, 1)
    place = np.concatenate([fit.place[order, columns], fit.place[size:][order, columns]])
    return fit._replace(place=place, linear=linear)


def draft_problems(
    readings: Readings, kind: Kind, rows: IntArray | None, source: MomentSource | None = None
) -> Problem:
    """Problems cheap enough for many starts.

    Parameters
    ----------
    readings, kind : of n sweeps
    rows : (m,) or None
        Sweep of each problem (may repeat); None for one problem a sweep.
    source : MomentSource, optional
        That of `readings`, if at hand.
    """
    if not kind.plain:
        problem = IteratedSquares(readings, kind)
        return problem if rows is None else problem.keep(rows)
    source = moment_source(readings) if source is None else source
    quick: MomentSource = source.draft() if isinstance(source, PairedMoments) else source
    return LeastSquares(quick if rows is None else quick.keep(rows), newton=False)


def starts_for(
    readings: Readings, kind: Kind, size: int, previous: OrderFit | None, effort: Effort
) -> tuple[FloatArray, FloatArray | None]:
    """Starts (2 C, s, n) for `size` conductors, and currents (C + B, r, s, n) where needed."""
    if size == 1:
        if kind.unsigned:
            return unsigned_single_starts(readings, effort.forward)
        return single_starts(readings, effort.forward), None
    if previous is None:
        raise ValueError("a fit with one conductor fewer is needed")
    model = model_field(readings, previous.place, previous.linear)
    signed = readings if kind.plain else pretend(readings, kind, model)
    starts, _ = further_starts(signed, previous.place, previous.linear, effort.forward)
    linear = None
    if kind.unsigned:
        linear = _keep_signs(previous, starts)
    if size == 2 and effort.pairs:
        if linear is not None:
            pairs, pair_linear = unsigned_pair_starts(readings, effort.pairs)
            linear = np.concatenate([linear, pair_linear], axis=2)
        else:
            pairs = pair_starts(signed, effort.pairs)
        starts = np.concatenate([starts, pairs], axis=1)
    return starts, linear


def exchange(
    readings: Readings, kind: Kind, bounds: Bounds, fit: OrderFit, effort: Effort
) -> OrderFit:
    """Take out each conductor in turn and look for a better place for it.

    Parameters
    ----------
    readings, kind, bounds, fit : of n sweeps
    effort : Effort

    Returns
    -------
    OrderFit
        The best found; may be worse than `fit`.
    """
    size = fit.place.shape[0] // 2
    starts: list[FloatArray] = []
    linear: list[FloatArray] = []
    for drop in range(size):
        keep = [i for i in range(size) if i != drop]
        linear_left = fit.linear[keep + list(range(size, fit.linear.shape[0]))]
        left = fit_from(
            readings,
            kind,
            bounds,
            fit.place[keep + [size + i for i in keep]][:, np.newaxis],
            linear_left[:, :, np.newaxis],
            effort,
        )
        some, currents = starts_for(readings, kind, size, left, effort._replace(pairs=0, forward=5))
        starts.append(some)
        if currents is not None:
            linear.append(currents)
    joined = np.concatenate(linear, axis=2) if linear else None
    return fit_from(readings, kind, bounds, np.concatenate(starts, axis=1), joined, effort)


def _keep_signs(previous: OrderFit, starts: FloatArray) -> FloatArray:
    """Currents of the conductors found, none yet in the new one: the signs stay for a start."""
    size = previous.place.shape[0] // 2
    shape = (*previous.linear.shape[:2], starts.shape[1], starts.shape[2])
    known = np.broadcast_to(previous.linear[:, :, np.newaxis], shape)
    fresh = np.zeros((1, *shape[1:]))
    return np.concatenate([known[:size], fresh, known[size:]])
