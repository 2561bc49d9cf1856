"""Starts for unsigned readings: the model's magnitudes over a grid of places and current ratios.

A receiver that shows magnitudes hides the signs; which readings are negative follows from the
layout. So whole patterns |g1 + ratio g2| are compared with the readings, and the signs of the
best patterns are where the search starts; no sign is guessed reading by reading.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from asfound.em.inversion._moments import Readings
from asfound.em.inversion._starts import _PAIR_DEPTHS, _best_per_class, _fields, grid

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

_SINGLE_DEPTHS = np.array([0.15, 0.25, 0.4, 0.6, 0.9, 1.3, 1.8, 2.5, 3.5, 5.0])
_RATIOS = np.array([-0.9, -0.6, -0.35, -0.15, 0.15, 0.35, 0.6, 0.9])


def unsigned_single_starts(readings: Readings, keep: int) -> tuple[FloatArray, FloatArray]:
    """Best single places, with their currents.

    Returns
    -------
    starts : (2, keep, n) float64
    linear : (1 + B, 1, keep, n) float64
    """
    nodes = grid(readings, 31, _SINGLE_DEPTHS)
    size = np.abs(_fields(readings, nodes))
    weight = readings.weight
    data = readings.value[:, 0] * weight
    if size.shape[0] == 1:
        inner, norm = data @ size[0].T, weight @ (size[0] ** 2).T
    else:
        inner = np.einsum("nk,ngk->ng", data, size)
        norm = np.einsum("nk,ngk->ng", weight, size**2)
    starts = _best_per_class(inner**2 / norm, nodes.level, len(_SINGLE_DEPTHS), nodes, keep)
    linear = np.zeros((3 if readings.background else 1, 1, *starts.shape[1:]))
    linear[0] = 1.0
    return starts, linear


def unsigned_pair_starts(
    readings: Readings, keep: int, n_positions: int = 11
) -> tuple[FloatArray, FloatArray]:
    """Best pairs with their currents.

    Returns
    -------
    starts : (4, keep, n) float64
    linear : (2 + B, 1, keep, n) float64
    """
    nodes = grid(readings, n_positions, _PAIR_DEPTHS)
    n = readings.value.shape[0]
    starts = np.empty((4, keep, n))
    linear = np.zeros((4 if readings.background else 2, 1, keep, n))
    first, second = (a.ravel() for a in np.nonzero(~np.eye(len(nodes.level), dtype=bool)))
    # Which of the two carries more matters: ordered pairs, ratios below one.
    low = np.minimum(nodes.level[first], nodes.level[second])
    high = np.maximum(nodes.level[first], nodes.level[second])
    key = low * len(_PAIR_DEPTHS) + high
    shared = nodes.position.shape[0] == 1
    fields = _fields(readings, nodes)
    groups = [np.arange(n)] if shared else [np.array([i]) for i in range(n)]
    for rows in groups:
        field = fields[0] if shared else fields[rows[0]]
        ratio, score = _score_pairs(readings.rows(rows), field, first, second)
        for k, (pair, value) in enumerate(_top_classes(score, key, keep)):
            chosen = ratio[np.arange(len(rows)), pair]
            one, two = nodes.place(rows, first[pair]), nodes.place(rows, second[pair])
            starts[0::2, k, rows], starts[1::2, k, rows] = one, two
            linear[0, 0, k, rows], linear[1, 0, k, rows] = value, value * chosen
    return starts, linear


def _score_pairs(
    readings: Readings, field: FloatArray, first: IntArray, second: IntArray
) -> tuple[FloatArray, FloatArray]:
    """Best ratio of each ordered pair for each sweep, and its score; (n, pairs)."""
    n = readings.value.shape[0]
    best = np.full((n, len(first)), -np.inf)
    ratio = np.empty((n, len(first)))
    root = np.sqrt(readings.weight)
    data = readings.value[:, 0] * root
    used = readings.weight[0] > 0
    uniform = bool(np.all(readings.weight == readings.weight[:1])) or n == 1
    for r in _RATIOS:
        for start in range(0, len(first), 4096):
            part = slice(start, start + 4096)
            pattern = np.abs(field[first[part]] + r * field[second[part]])
            if uniform:
                pattern = pattern * root[0]
                inner = data @ pattern.T
                norm = (pattern**2).sum(axis=1)[np.newaxis]
            else:
                inner = (data * root) @ pattern.T
                norm = readings.weight @ (pattern**2).T
            score = inner / np.sqrt(np.maximum(norm, 1e-300))
            better = score > best[:, part]
            best[:, part] = np.where(better, score, best[:, part])
            ratio[:, part] = np.where(better, r, ratio[:, part])
    del used
    return ratio, best


def _top_classes(score: FloatArray, key: IntArray, keep: int) -> list[tuple[IntArray, FloatArray]]:
    """Best pair of each class of depths, best `keep` classes; pair (n,), sign scale (n,)."""
    n = score.shape[0]
    classes = np.unique(key)
    best = np.empty((n, len(classes)), dtype=np.intp)
    top = np.empty((n, len(classes)))
    for i, c in enumerate(classes):
        members = np.flatnonzero(key == c)
        best[:, i] = members[np.argmax(score[:, members], axis=1)]
        top[:, i] = score[np.arange(n), best[:, i]]
    order = np.argsort(-top, axis=1, kind="stable")[:, :keep]
    return [(best[np.arange(n), order[:, k]], np.ones(n)) for k in range(min(keep, len(classes)))]
