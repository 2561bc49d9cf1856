"""Least squares re-weighted until it maximises a likelihood that is not a plain square.

- Unsigned readings: a receiver shows |field + noise|. The likelihood of a reading d for a field m
  is the folded normal; its stationary points are those of least squares for the signed data
  d tanh(d m / variance): a reading well above the noise takes the model's sign, one near zero
  counts little. Source: expectation maximisation (Dempster, Laird and Rubin 1977), derived here.
- Saturated readings: the field is at least the limit. The residual is one-sided: a model beyond
  the limit is not drawn back.
- Gross errors: Student's t with `T_FREEDOM` degrees of freedom in place of the normal.

The currents are iterated to rest at every place tried, so that the places see a smooth function.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from asfound.em.inversion._moments import GeneralMoments, Readings, columns
from asfound.em.inversion._varpro import Projection, project

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]
BoolArray = npt.NDArray[np.bool_]

T_FREEDOM = 4.0
_ROUNDS = 8


class Kind(NamedTuple):
    """How the readings of n sweeps came about: ``unsigned``, ``robust``; ``saturated`` (n, k)."""

    unsigned: bool
    robust: bool
    saturated: BoolArray

    @property
    def plain(self) -> bool:
        """Plain least squares will do."""
        return not (self.unsigned or self.robust or bool(self.saturated.any()))

    def rows(self, rows: IntArray) -> Kind:
        """Of selected sweeps."""
        return self._replace(saturated=self.saturated[rows])


def model_field(readings: Readings, place: FloatArray, linear: FloatArray) -> FloatArray:
    """Field of the model at the readings, (n, r, k), scaled as the readings."""
    fields = columns(readings, place, order=0)
    field: FloatArray = np.einsum("nlk,lrn->nrk", fields, linear)
    return field


def pretend(readings: Readings, kind: Kind, model: FloatArray) -> Readings:
    """Signed readings and weights whose least squares has the likelihood's gradient at `model`."""
    value, weight = readings.value, readings.weight
    if kind.unsigned:
        value = value * np.tanh(np.clip(value * model * weight[:, np.newaxis], -50.0, 50.0))
    beyond = _beyond(kind, value, model)
    if beyond is not None:
        weight = np.where(beyond, 0.0, weight)
    if kind.robust:
        square = ((value - model) ** 2).sum(axis=1) * weight
        parts = value.shape[1]
        weight = weight * (T_FREEDOM + parts) / (T_FREEDOM + square)
    return readings._replace(value=value, weight=weight)


def misfit(readings: Readings, kind: Kind, model: FloatArray) -> FloatArray:
    """-2 log likelihood of each reading, up to a constant; (n, k).

    Without `kind` (plain) it is the squared residual in noise variances.
    """
    value, weight = readings.value, readings.weight
    if kind.unsigned:
        square = ((value - np.abs(model)) ** 2).sum(axis=1) * weight
    else:
        square = ((value - model) ** 2).sum(axis=1) * weight
    beyond = _beyond(kind, value, model)
    if beyond is not None:
        square = np.where(beyond, 0.0, square)
    if kind.robust:
        parts = value.shape[1]
        square = (T_FREEDOM + parts) * np.log1p(square / T_FREEDOM)
    if kind.unsigned:
        overlap = np.abs(value * model).sum(axis=1) * weight
        square = square - 2.0 * np.log1p(np.exp(-2.0 * overlap)) * (weight > 0)
    result: FloatArray = square
    return result


def _beyond(kind: Kind, value: FloatArray, model: FloatArray) -> BoolArray | None:
    """Saturated readings that the model exceeds."""
    if not kind.saturated.any():
        return None
    if kind.unsigned:
        exceeds = np.abs(model[:, 0]) >= np.abs(value[:, 0])
    elif value.shape[1] == 1:
        exceeds = model[:, 0] * np.sign(value[:, 0]) >= np.abs(value[:, 0])
    else:
        exceeds = (model**2).sum(axis=1) >= (value**2).sum(axis=1)
    return kind.saturated & exceeds


class IteratedSquares:
    """A `Problem` for `minimise`: the likelihood of `kind`, currents at rest at every place."""

    def __init__(self, readings: Readings, kind: Kind, chunk: int = 256) -> None:
        self._readings = readings
        self._kind = kind
        self._chunk = chunk

    @property
    def rounding(self) -> FloatArray:
        value, weight = self._readings.value, self._readings.weight
        size: FloatArray = np.einsum("nrk,nrk,nk->n", value, value, weight)
        return 1e-13 * size

    def keep(self, rows: IntArray) -> IteratedSquares:
        return IteratedSquares(self._readings.rows(rows), self._kind.rows(rows), self._chunk)

    def evaluate(self, place: FloatArray, linear: FloatArray | None) -> Projection:
        parts = []
        for start in range(0, place.shape[1], self._chunk):
            rows = np.arange(start, min(start + self._chunk, place.shape[1]))
            before = None if linear is None else linear[..., rows]
            parts.append(
                _evaluate(self._readings.rows(rows), self._kind.rows(rows), place[:, rows], before)
            )
        return Projection(
            np.concatenate([p.square for p in parts]),
            np.concatenate([p.linear for p in parts], axis=-1),
            np.concatenate([p.gradient for p in parts], axis=-1),
            np.concatenate([p.hessian for p in parts], axis=-1),
            None,
            None,
        )


def _evaluate(
    readings: Readings, kind: Kind, place: FloatArray, linear: FloatArray | None
) -> Projection:
    fields = columns(readings, place, order=0)
    if linear is None:
        linear = _solve(fields, readings)
    effective = readings
    for _ in range(_ROUNDS):
        model = np.einsum("nlk,lrn->nrk", fields, linear)
        effective = pretend(readings, kind, model)
        updated = _solve(fields, effective)
        change = float(np.abs(updated - linear).max())
        linear = updated
        if change <= 1e-9 * np.abs(linear).max():
            break
    source = GeneralMoments(effective)
    projection = project(source(place, bend=False), source.n_background)
    model = np.einsum("nlk,lrn->nrk", fields, projection.linear)
    return projection._replace(square=misfit(readings, kind, model).sum(axis=1))


def _solve(fields: FloatArray, readings: Readings) -> FloatArray:
    """Currents and background by least squares, (L, r, n)."""
    weighted = fields * readings.weight[:, np.newaxis]
    gram = weighted @ fields.transpose(0, 2, 1)
    data = weighted @ readings.value.transpose(0, 2, 1)
    diagonal = np.einsum("nii->ni", gram)
    ridge = np.where(diagonal > 0, 1e-12 * diagonal, 1.0)
    gram[:, np.arange(gram.shape[1]), np.arange(gram.shape[1])] += ridge
    solution = np.linalg.solve(gram, data).astype(np.float64, copy=False)
    return solution.transpose(1, 2, 0)
