"""Where to start: deterministic scans of places over a grid, so that no basin is missed.

Places are tried on a grid of positions across the sweep and depths that grow geometrically. For
one conductor every node is tried, for two every pair, each with its best currents; a further
conductor is tried at every node beside those found, which may shift to make room for it.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from asfound.em.inversion._moments import Readings, columns

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

_PAIR_DEPTHS = np.array([0.3, 0.6, 1.1, 1.9, 3.2])
_FINE_DEPTHS = np.array([0.15, 0.25, 0.4, 0.6, 0.9, 1.3, 1.8, 2.5, 3.5, 5.0])


class Nodes(NamedTuple):
    """Grid of places: ``position``, ``depth`` (n or 1, g) [m]; ``level`` (g,) depth index."""

    position: FloatArray
    depth: FloatArray
    level: IntArray

    def rows(self, rows: IntArray) -> Nodes:
        """Grids of selected sweeps."""
        return Nodes(self.position[rows], self.depth[rows], self.level)

    def place(self, rows: IntArray, nodes: IntArray) -> FloatArray:
        """(2, m): places of `nodes` (m,) in the grids of sweeps `rows` (m,)."""
        if self.position.shape[0] == 1:
            rows = np.zeros_like(rows)
        return np.stack([self.position[rows, nodes], self.depth[rows, nodes]])


def grid(readings: Readings, n_positions: int, depths: FloatArray) -> Nodes:
    """Nodes over the span of each sweep (one grid if the sampling is shared)."""
    used = np.where(readings.weight > 0, 1.0, np.nan)
    if readings.position.shape[0] == 1:
        low, high = readings.position.min(keepdims=True), readings.position.max(keepdims=True)
        low, high = low.reshape(1, 1), high.reshape(1, 1)
    else:
        low = np.nanmin(readings.position * used, axis=1, keepdims=True)
        high = np.nanmax(readings.position * used, axis=1, keepdims=True)
    share = np.linspace(0.0, 1.0, n_positions)
    position = np.tile(low + (high - low) * share, (1, len(depths)))
    level = np.repeat(np.arange(len(depths)), n_positions)
    depth = np.broadcast_to(depths[level], position.shape)
    return Nodes(position, depth, level)


def _fields(readings: Readings, nodes: Nodes) -> FloatArray:
    """Fields of unit currents at the nodes, (n or 1, g, k)."""
    place = np.concatenate([nodes.position.T, nodes.depth.T])
    bare = readings._replace(background=False)
    return columns(bare, place, order=0)


def single_starts(readings: Readings, keep: int) -> FloatArray:
    """Best single places of each sweep.

    Returns
    -------
    (2, keep, n) float64
        Best node of each depth level, best level first.
    """
    nodes = grid(readings, 31, _FINE_DEPTHS)
    score = _single_scores(readings, nodes)
    return _best_per_class(score, nodes.level, len(_FINE_DEPTHS), nodes, keep)


def _single_scores(readings: Readings, nodes: Nodes) -> FloatArray:
    fields = _fields(readings, nodes)
    weight = readings.weight
    if fields.shape[0] == 1:
        weighted = (readings.value * weight[:, np.newaxis]) @ fields[0].T
        norm = weight @ (fields[0] ** 2).T
    else:
        weighted = (readings.value * weight[:, np.newaxis]) @ fields.transpose(0, 2, 1)
        norm = np.einsum("nk,ngk,ngk->ng", weight, fields, fields)
    score: FloatArray = (weighted**2).sum(axis=1) / norm
    return score


def _best_per_class(
    score: FloatArray, level: IntArray, n_levels: int, nodes: Nodes, keep: int
) -> FloatArray:
    """The best node of each class, the best `keep` classes; (2, keep, n)."""
    n = score.shape[0]
    best = np.empty((n, n_levels), dtype=np.intp)
    value = np.empty((n, n_levels))
    for i in range(n_levels):
        members = np.flatnonzero(level == i)
        chosen = members[np.argmax(score[:, members], axis=1)]
        best[:, i] = chosen
        value[:, i] = score[np.arange(n), chosen]
    order = np.argsort(-value, axis=1, kind="stable")[:, :keep]
    chosen = np.take_along_axis(best, order, axis=1)
    rows = np.repeat(np.arange(n), keep)
    return nodes.place(rows, chosen.ravel()).reshape(2, n, keep).transpose(0, 2, 1)


def pair_starts(
    readings: Readings, keep: int, n_positions: int = 13, chunk: int = 512
) -> FloatArray:
    """Best pairs of places of each sweep, currents at their best.

    Parameters
    ----------
    readings : Readings of n sweeps
    keep : int
        Pairs kept: the best of each combination of depth levels, best combinations first.

    Returns
    -------
    (4, keep, n) float64
        Positions, then depths of the two.
    """
    nodes = grid(readings, n_positions, _PAIR_DEPTHS)
    n, n_parts, _ = readings.value.shape
    first, second, class_start = _pairs(nodes.level)
    starts = np.empty((4, keep, n))
    shared = readings.position.shape[0] == 1 and readings.evenly_weighted
    if shared:
        fields = _fields(readings, nodes)
        inner = (fields[0] @ fields[0].T)[np.newaxis]
        forms = _pair_forms(inner, first, second)
    step = chunk if shared else 64
    for begin in range(0, n, step):
        rows = np.arange(begin, min(begin + step, n))
        part = readings.rows(rows)
        if shared:
            data = part.value * np.sqrt(part.weight[:, :1])[:, np.newaxis] @ fields[0].T
        else:
            local = nodes if len(nodes.position) == 1 else nodes.rows(rows)
            some = np.broadcast_to(
                _fields(part, local), (len(rows), len(nodes.level), part.weight.shape[1])
            )
            weighted = some * part.weight[:, np.newaxis]
            forms = _pair_forms(weighted @ some.transpose(0, 2, 1), first, second)
            data = part.value @ weighted.transpose(0, 2, 1)
        score = np.zeros((len(rows), len(first)))
        for r in range(n_parts):
            a, b = data[:, r, first], data[:, r, second]
            score += forms[0] * a * a + forms[1] * b * b - forms[2] * a * b
        top = np.maximum.reduceat(score, class_start, axis=1)
        classes = np.argsort(-top, axis=1, kind="stable")[:, :keep]
        for k in range(keep):
            chosen = np.empty(len(rows), dtype=np.intp)
            for c in np.unique(classes[:, k]):
                who = np.flatnonzero(classes[:, k] == c)
                stop = class_start[c + 1] if c + 1 < len(class_start) else len(first)
                chosen[who] = class_start[c] + np.argmax(score[who, class_start[c] : stop], axis=1)
            one, two = nodes.place(rows, first[chosen]), nodes.place(rows, second[chosen])
            starts[0::2, k, rows], starts[1::2, k, rows] = one, two
    return starts


def _pairs(level: IntArray) -> tuple[IntArray, IntArray, IntArray]:
    """Pairs of nodes, sorted by the pair of their depth levels; where each class starts."""
    first, second = np.triu_indices(len(level), 1)
    low, high = np.minimum(level[first], level[second]), np.maximum(level[first], level[second])
    key = low * (level.max() + 1) + high
    order = np.argsort(key, kind="stable")
    starts = np.flatnonzero(np.diff(key[order], prepend=-1))
    return first[order], second[order], starts


def _pair_forms(
    inner: FloatArray, first: IntArray, second: IntArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Coefficients of the fall of the square, a² f0 + b² f1 - a b f2, for each pair."""
    one, two = inner[:, first, first], inner[:, second, second]
    cross = inner[:, first, second]
    inverse = 1.0 / np.maximum(one * two - cross * cross, 1e-12 * one * two)
    return two * inverse, one * inverse, 2.0 * cross * inverse


def further_starts(
    readings: Readings, place: FloatArray, linear: FloatArray, keep: int, chunk: int = 128
) -> tuple[FloatArray, FloatArray]:
    """Places to add one conductor to those found.

    Each node is scored by how far the square would fall if it got a current while the currents,
    background and (to first order) places of the others adjust.

    Parameters
    ----------
    readings : Readings of n sweeps
    place : (2 C, n) float64
    linear : (C + B, r, n) float64
        Currents and background found.
    keep : int

    Returns
    -------
    starts : (2 (C + 1), keep, n) float64
    fall : (n,) float64
        The largest fall found.
    """
    nodes = grid(readings, 31, _FINE_DEPTHS)
    size, n = place.shape[0] // 2, place.shape[1]
    result = np.empty((2 * size + 2, keep, n))
    result[:size] = place[:size, np.newaxis]
    result[size + 1 : 2 * size + 1] = place[size:, np.newaxis]
    largest = np.empty(n)
    shared = nodes.position.shape[0] == 1
    fields = _fields(readings, nodes) if shared else None
    step = chunk if shared else 16
    for begin in range(0, n, step):
        rows = np.arange(begin, min(begin + step, n))
        part = readings.rows(rows)
        root = np.sqrt(part.weight)[:, np.newaxis]
        model = columns(part, place[:, rows], order=1)
        n_linear = linear.shape[0]
        fit = np.einsum("nlk,lrn->nrk", model[:, :n_linear], linear[..., rows])
        rest = (part.value - fit) * root
        basis = _orthonormal(model * root)
        local = nodes if shared else nodes.rows(rows)
        some = fields if fields is not None else _fields(part, local)
        # Projections by inner products, so that the fields need no copy per sweep.
        shape = (len(rows), *some.shape[1:])
        turned = np.broadcast_to(some, shape).transpose(0, 2, 1)
        rest = rest - (rest @ basis.transpose(0, 2, 1)) @ basis
        top = (rest * root) @ turned
        if shared:
            norm = part.weight @ (some[0] ** 2).T
        else:
            norm = np.einsum("nk,ngk,ngk->ng", part.weight, some, some)
        norm_left = norm - (((basis * root) @ turned) ** 2).sum(axis=1)
        score = (top**2).sum(axis=1) / np.maximum(norm_left, 1e-6 * norm)
        result[size :: size + 1, :, rows] = _best_per_class(
            score, local.level, len(_FINE_DEPTHS), local, keep
        )
        largest[rows] = score.max(axis=1)
    return result, largest


def _orthonormal(vectors: FloatArray) -> FloatArray:
    """Gram-Schmidt, twice for safety, over (n, p, k); a vector lost in the others becomes 0."""
    basis = np.zeros_like(vectors)
    for i in range(vectors.shape[1]):
        vector = vectors[:, i]
        length = np.sqrt((vector * vector).sum(axis=1, keepdims=True))
        vector = vector / np.maximum(length, np.finfo(np.float64).tiny)
        for _ in range(2):
            inner = np.einsum("npk,nk->np", basis[:, :i], vector)
            vector = vector - np.einsum("np,npk->nk", inner, basis[:, :i])
        length = np.sqrt((vector * vector).sum(axis=1, keepdims=True))
        basis[:, i] = np.where(length > 1e-9, vector / np.maximum(length, 1e-300), 0.0)
    return basis
