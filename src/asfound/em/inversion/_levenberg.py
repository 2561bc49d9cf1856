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
    cholesky,
    cholesky_if_definite,
    solve_lower,
    solve_upper,
)
from asfound.em.inversion._varpro import Projection, project

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

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

    ``place`` (2 C, m), its `Projection`, ``converged`` (m,), ``iterations`` (m,).
    """

    place: FloatArray
    projection: Projection
    converged: npt.NDArray[np.bool_]
    iterations: IntArray


def minimise(
    problem: Problem,
    start: FloatArray,
    low: FloatArray,
    high: FloatArray,
    *,
    linear: FloatArray | None = None,
    max_iterations: int = 60,
    tolerance: float = 1e-12,
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
        standard deviation), or by less than rounding.
    first_damping : float

    Returns
    -------
    Minimum
    """
    m = start.shape[1]
    place = np.clip(start, low, high)
    state = problem.evaluate(place, linear)
    rounding = problem.rounding
    result = state.keep(np.arange(m))
    final = place.copy()
    converged = np.zeros(m, dtype=bool)
    iterations = np.full(m, max_iterations)
    active = np.arange(m)
    damping = np.full(m, first_damping)
    growth = np.full(m, 2.0)
    for iteration in range(max_iterations):
        step, gain = _step(state, place, low, high, damping)
        if state.newton is not None:
            near = np.flatnonzero(gain < _NEWTON_BELOW)
            if len(near):
                _newton_step(state, state.newton, place, low, high, damping, step, gain, near)
        done = (gain <= np.maximum(tolerance, rounding)) | merged(place, 0.02)
        if done.any():
            stay = np.flatnonzero(~done)
            retire = active[done]
            converged[retire] = True
            iterations[retire] = iteration
            final[:, retire] = place[:, done]
            _store(result, state.keep(np.flatnonzero(done)), retire)
            active, place, step, gain = active[stay], place[:, stay], step[:, stay], gain[stay]
            low, high, state = low[:, stay], high[:, stay], state.keep(stay)
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
        damping = np.where(accept, np.maximum(damping * good, 1e-15), damping * growth)
        damping = np.where(accept & (ratio > 0.9), damping * 0.1, damping)
        growth = np.where(accept, 2.0, growth * 2.0)
        if accept.all():
            place, state = trial, tried
        else:
            place = np.where(accept, trial, place)
            _store(state, tried.keep(np.flatnonzero(accept)), np.flatnonzero(accept))
    if len(active):
        final[:, active] = place
        _store(result, state, active)
    return Minimum(final, result, converged, iterations)


def _store(whole: Projection, part: Projection, where: IntArray) -> None:
    """Write `part` into the problems `where` of `whole`."""
    for to, values in zip(whole, part, strict=True):
        if to is not None:
            to[..., where] = values


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
) -> tuple[FloatArray, FloatArray]:
    """Damped step, and the fall of the square that the quadratic model promises for it."""
    system, gradient, diagonal = _system(state.hessian, state, place, low, high)
    for i in range(place.shape[0]):
        system[i, i] += damping * diagonal[i]
    lower = cholesky(system)
    half = solve_lower(lower, gradient)
    step = -solve_upper(lower, half)
    # -(2 g's + s'Hs) with (H + damping diagonal) s = -g.
    gain = (half * half).sum(axis=0) + damping * (diagonal * step * step).sum(axis=0)
    return step, gain


def _newton_step(
    state: Projection,
    exact: FloatArray,
    place: FloatArray,
    low: FloatArray,
    high: FloatArray,
    damping: FloatArray,
    step: FloatArray,
    gain: FloatArray,
    near: IntArray,
) -> None:
    """Replace `step` and `gain` by Newton's where its Hessian is positive definite."""
    state = state.keep(near)
    place, low, high, damping = place[:, near], low[:, near], high[:, near], damping[near]
    _, _, diagonal = _system(state.hessian, state, place, low, high)
    system, gradient, _ = _system(exact[..., near], state, place, low, high)
    for i in range(place.shape[0]):
        system[i, i] += damping * diagonal[i]
    lower, definite = cholesky_if_definite(system)
    lower, gradient = lower[..., definite], gradient[:, definite]
    half = solve_lower(lower, gradient)
    newton = -solve_upper(lower, half)
    extra = damping[definite] * (diagonal[:, definite] * newton * newton).sum(axis=0)
    take = near[definite]
    step[:, take] = newton
    gain[take] = (half * half).sum(axis=0) + extra


def _system(
    hessian: FloatArray, state: Projection, place: FloatArray, low: FloatArray, high: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Hessian and gradient with places held at their bounds, and the damping's diagonal."""
    gradient = state.gradient
    system = hessian.copy()
    held = ((place <= low) & (gradient > 0)) | ((place >= high) & (gradient < 0))
    if held.any():
        free = ~held
        gradient = gradient * free
        system *= free[:, np.newaxis] & free[np.newaxis]
        for i in range(place.shape[0]):
            system[i, i] += held[i]
    diagonal = np.abs(np.einsum("iim->im", state.hessian)).copy()
    # A floor keeps a conductor of no current from running away.
    np.maximum(diagonal, 1e-9 * diagonal.max(axis=0) + np.finfo(np.float64).tiny, out=diagonal)
    return system, gradient, diagonal
