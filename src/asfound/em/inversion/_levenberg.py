"""Levenberg-Marquardt for many small problems at once, within bounds.

Problems that have converged retire, so that the work of a batch is the sum of the work of its
problems. Damping follows the gain ratio (Nielsen 1999); near the minimum the exact Hessian takes
over where it is positive definite, so that ill-conditioned problems converge quadratically too;
a place at its bound that wants to go beyond is held there.
"""

from __future__ import annotations

from typing import NamedTuple, Protocol

import numpy as np
import numpy.typing as npt

from asfound.em.inversion._moments import MomentSource
from asfound.em.inversion._small_systems import (
    cholesky_if_definite,
    solve_lower,
    solve_upper,
)
from asfound.em.inversion._varpro import Projection, project

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

_FIRST_REFUSAL = 1e-3  # damping after a step was refused, at least
_LAST_STEP = 1e-6  # promised fall below which a Newton step needs no look back
_NEWTON_BELOW = 10.0  # promised fall of the square (in noise variances) under which Newton is used


class Problem(Protocol):
    """A batch of least-squares problems with the currents eliminated."""

    @property
    def rounding(self) -> FloatArray:
        """Rounding error of the square, (m,)."""
        ...

    def evaluate(self, place: FloatArray, linear: FloatArray | None) -> Projection:
        """Projection at `place` (2 C, m); `linear` is that of the place before, if any."""
        ...

    def keep(self, rows: IntArray) -> Problem:
        """The same for selected problems."""
        ...


class LeastSquares:
    """Plain weighted least squares on the moments of a batch."""

    def __init__(self, source: MomentSource, *, newton: bool = True) -> None:
        self._source = source
        self._newton = newton

    @property
    def rounding(self) -> FloatArray:
        return self._source.rounding

    def evaluate(self, place: FloatArray, linear: FloatArray | None) -> Projection:
        return project(self._source(place, bend=self._newton), self._source.n_background)

    def keep(self, rows: IntArray) -> LeastSquares:
        return LeastSquares(self._source.keep(rows), newton=self._newton)


class Minimum(NamedTuple):
    """Where m problems came to rest.

    ``place`` (2 C, m); ``linear`` (C + B, r, m) currents and background; ``square`` (m,);
    ``converged`` (m,); ``iterations`` (m,).
    """

    place: FloatArray
    linear: FloatArray
    square: FloatArray
    converged: npt.NDArray[np.bool_]
    iterations: IntArray


def minimise(
    problem: Problem,
    start: FloatArray,
    low: FloatArray,
    high: FloatArray,
    *,
    linear: FloatArray | None = None,
    max_iterations: int = 30,
    tolerance: float = 1e-10,
    first_damping: float = 1e-3,
) -> Minimum:
    """Minimise the projected sum of squares over the places.

    Parameters
    ----------
    problem : Problem
        m problems.
    start, low, high : (2 C, m) float64
        Where to start; bounds.
    linear : (C + B, r, m) float64, optional
        Currents and background to begin with, for problems that need them.
    max_iterations : int
    tolerance : float
        A problem has converged when the square would fall by less than this (the square is in
        units of the noise variance, so the place is then known to sqrt(tolerance) of its
        standard deviation), or by less than rounding. A Newton step that promises less than
        `_LAST_STEP` is taken unseen, currents following to first order: what it leaves is of
        second order.
    first_damping : float

    Returns
    -------
    Minimum
    """
    m = start.shape[1]
    place = np.clip(start, low, high)
    state = problem.evaluate(place, linear)
    rounding = problem.rounding
    rest = Minimum(
        place.copy(),
        state.linear.copy(),
        state.square.copy(),
        np.zeros(m, dtype=bool),
        np.full(m, max_iterations),
    )
    active = np.arange(m)
    damping = np.full(m, first_damping)
    growth = np.full(m, 2.0)
    for iteration in range(max_iterations):
        step, gain, sure = _step(state, place, low, high, damping)
        # What a step promises is surer by far than a difference of two squares.
        small = np.maximum(tolerance, 1e-5 * rounding)
        if sure is not None:
            small = np.where(sure, np.maximum(small, _LAST_STEP), small)
        close = merged(place, 0.02)
        done = (gain <= small) | close
        if done.any():
            stay, go = np.flatnonzero(~done), np.flatnonzero(done)
            left = state.keep(go)
            rest.converged[active[go]] = True
            rest.iterations[active[go]] = iteration
            last = np.where(close[go], 0.0, np.clip(place + step, low, high)[:, go] - place[:, go])
            _retire(rest, active[go], place[:, go], left, last, gain[go])
            active, gain, state = active[stay], gain[stay], state.keep(stay)
            place, step, low, high = (np.take(a, stay, axis=1) for a in (place, step, low, high))
            damping, growth = damping[stay], growth[stay]
            problem, rounding = problem.keep(stay), rounding[stay]
        if len(active) == 0:
            break
        trial = np.clip(place + step, low, high)
        tried = problem.evaluate(trial, state.linear)
        fall = state.square - tried.square
        # A fall lost in rounding is no reason to refuse the last, tiny step.
        accept = fall > -rounding
        ratio = np.clip(fall / np.maximum(gain, 1e-300), 0.0, 1.0)
        good = np.maximum(1.0 / 3.0, 1.0 - (2.0 * ratio - 1.0) ** 3)
        # The first refusal goes straight to a damping that shows.
        refused = np.maximum(damping * growth, _FIRST_REFUSAL)
        damping = np.where(accept, np.maximum(damping * good, 1e-15), refused)
        damping = np.where(accept & (ratio > 0.9), damping * 0.1, damping)
        growth = np.where(accept, 2.0, growth * 2.0)
        if accept.all():
            place, state = trial, tried
        else:
            place = np.where(accept, trial, place)
            taken = np.flatnonzero(accept)
            for to, values in zip(state, tried.keep(taken), strict=True):
                if to is not None and values is not None:
                    to[..., taken] = values
    if len(active):
        _retire(rest, active, place, state, np.zeros_like(place), np.zeros(len(active)))
    return rest


def _retire(
    rest: Minimum,
    where: IntArray,
    place: FloatArray,
    state: Projection,
    last: FloatArray,
    gain: FloatArray,
) -> None:
    """Write problems into `where`, with a last step (Newton's only) that is not evaluated."""
    rest.linear[..., where] = state.linear
    rest.square[where] = state.square
    rest.place[:, where] = place
    if state.drift is not None:
        rest.place[:, where] += last
        rest.linear[..., where] += (state.drift * last).sum(axis=2)
        moved = (last != 0).any(axis=0)
        rest.square[where] = np.maximum(state.square - np.where(moved, gain, 0.0), 0.0)


def merged(place: FloatArray, share: float) -> npt.NDArray[np.bool_]:
    """Problems in which two conductors lie closer than `share` of their depth.

    Such a pair is a dipole to the readings: separation and current can trade without end.
    """
    size = place.shape[0] // 2
    close = np.zeros(place.shape[1], dtype=bool)
    for a in range(size):
        for b in range(a):
            apart = (place[a] - place[b]) ** 2 + (place[size + a] - place[size + b]) ** 2
            close |= apart < (share * share) * place[size + a] * place[size + b]
    return close


def _step(
    state: Projection, place: FloatArray, low: FloatArray, high: FloatArray, damping: FloatArray
) -> tuple[FloatArray, FloatArray, npt.NDArray[np.bool_] | None]:
    """Damped step, the fall of the square it promises, and where it is Newton's."""
    held = ((place <= low) & (state.gradient > 0)) | ((place >= high) & (state.gradient < 0))
    diagonal = np.abs(np.einsum("iim->im", state.hessian))
    # A floor keeps a conductor of no current from running away.
    np.maximum(diagonal, 1e-9 * diagonal.max(axis=0) + np.finfo(np.float64).tiny, out=diagonal)
    diagonal *= damping
    if state.newton is None:
        step, gain, _ = _solve(state.hessian, state.gradient, diagonal, held)
        return step, gain, None
    step, gain, definite = _solve(state.newton, state.gradient, diagonal, held)
    sure = definite & (gain < _NEWTON_BELOW)
    other = np.flatnonzero(~sure)
    if len(other):
        step[:, other], gain[other], _ = _solve(
            *(np.take(a, other, axis=-1) for a in (state.hessian, state.gradient, diagonal, held))
        )
    return step, gain, sure


def _solve(
    hessian: FloatArray,
    gradient: FloatArray,
    damping: FloatArray,
    held: npt.NDArray[np.bool_],
) -> tuple[FloatArray, FloatArray, npt.NDArray[np.bool_]]:
    """Step of the damped system, its promise, and whether the system is positive definite.

    Places held at their bounds do not move. The promise is -(2 g's + s'Hs) with
    (H + damping) s = -g.
    """
    system = hessian.copy()
    if held.any():
        free = ~held
        gradient = gradient * free
        system *= free[:, np.newaxis] & free[np.newaxis]
        for i in range(len(held)):
            system[i, i] += held[i]
    for i in range(len(held)):
        system[i, i] += damping[i]
    lower, definite = cholesky_if_definite(system)
    half = solve_lower(lower, gradient)
    step = -solve_upper(lower, half)
    gain = (half * half).sum(axis=0) + (damping * step * step).sum(axis=0)
    return step, gain, definite
