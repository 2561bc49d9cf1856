"""The error budget: each cause of error as a named term, and their sum for every shot.

A term is a variance per axis of the job's grid, and says by which group its error is shared.
Errors of the position act along both horizontal axes; errors of the field (pinpointing, a
neighbour's field) act across the line only, because a line is located across itself.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import fields, replace
from typing import TypeVar

import numpy as np

from asfound.budget.ellipses import NORMAL_95, RAYLEIGH_95, circular_factor, principal_axes
from asfound.budget.field_terms import field_terms
from asfound.budget.making import Across, Floats
from asfound.budget.position_terms import position_terms
from asfound.budget.profile import Profile
from asfound.budget.sizes import outside_diameters
from asfound.model import (
    Assembly,
    Budget,
    BudgetTerm,
    Ground,
    JobSettings,
    Labels,
    Shots,
    Source,
    SweepCorrection,
)


def error_budget(
    shots: Shots,
    ground: Ground,
    assembly: Assembly,
    sources: Sequence[Source],
    settings: JobSettings,
    profile: Profile,
    corrections: Sequence[SweepCorrection] = (),
) -> Budget:
    """Error budget of the conductor's centre at every shot.

    Parameters
    ----------
    shots : Shots
        n rows.
    ground : Ground
    assembly : Assembly
        Gives the line's bearing at each shot; where it is not known the field's part is taken
        in all directions.
    sources : sequence of Source
    settings : JobSettings
    profile : Profile
    corrections : sequence of SweepCorrection
        Shots whose place across the line and depth come from a sweep: its uncertainty stands in
        place of the field's terms.

    Returns
    -------
    Budget
        `centre_height` and the vertical values are NaN where a depth or a height is missing.
    """
    size = profile.tables["errors"]
    count = len(shots)
    by_shot = np.full(count, -1)
    by_shot[np.array([item.shot for item in corrections], np.int64)] = np.arange(len(corrections))
    table = _Table(count)
    for start in range(0, max(count, 1), _BLOCK):
        rows = slice(start, min(start + _BLOCK, count))
        part, place = _rows(shots, rows), _rows(ground, rows)
        near = by_shot[rows][by_shot[rows] >= 0].tolist()
        swept = [replace(corrections[k], shot=corrections[k].shot - start) for k in near]
        terms = [
            *position_terms(part, place, sources, settings, size),
            *field_terms(part, Across.of(assembly.bearing[rows]), swept, size),
        ]
        table.put(rows, terms, place.height - part.depth)
    return table.budget(outside_diameters(shots, assembly, settings.sizes))


_BLOCK = 1 << 15
"""Shots at a time: few enough that all that is in between stays in the processor's cache."""

_ZERO = np.array(0.0)
_Record = TypeVar("_Record", Shots, Ground)


def _rows(record: _Record, rows: slice) -> _Record:
    """Some rows of a record of columns, not copied."""
    columns: dict[str, object] = {}
    for field in fields(record):
        value = getattr(record, field.name)
        if isinstance(value, np.ndarray):
            columns[field.name] = value[rows]
        elif isinstance(value, Labels):
            columns[field.name] = Labels(value.codes[rows], value.names)
    return replace(record, **columns)  # type: ignore[arg-type]


class _Table:
    """A budget as it is filled, some rows at a time."""

    def __init__(self, count: int) -> None:
        self.count = count
        self.covariance, self.independent = np.zeros((count, 3, 3)), np.zeros((count, 3, 3))
        self.centre, self.circle, self.upright = (np.empty(count) for _ in range(3))
        self.ellipse = np.empty((count, 3))
        self.terms: dict[str, BudgetTerm] = {}

    def put(self, rows: slice, terms: Sequence[BudgetTerm], centre: Floats) -> None:
        """Add the terms of some rows, and what follows from their sum."""
        for term in terms:
            self.terms[term.name] = self._kept(rows, term)
        own = _summed(len(centre), (term for term in terms if term.shared_by is None))
        shared = _summed(len(centre), (term for term in terms if term.shared_by is not None))
        unknown = np.flatnonzero(~np.isfinite(centre))
        own[3][unknown] = np.nan
        east, north, both, up = (one + other for one, other in zip(own, shared, strict=True))
        _fill(self.independent[rows], *own)
        _fill(self.covariance[rows], east, north, both, up)
        major, minor, bearing = principal_axes(east, north, both)
        ratio = np.divide(minor, major, out=np.ones(len(major)), where=major > 0)
        self.centre[rows] = centre
        self.circle[rows] = major * circular_factor(ratio)
        self.upright[rows] = NORMAL_95 * np.sqrt(up)
        axes = (major * RAYLEIGH_95, minor * RAYLEIGH_95, bearing)
        for column, values in enumerate(axes):
            self.ellipse[rows, column] = values

    def _kept(self, rows: slice, term: BudgetTerm) -> BudgetTerm:
        """The term of all rows, with these rows put in."""
        whole = self.terms.get(term.name)
        parts = {}
        for name in ("east_east", "north_north", "east_north", "up_up"):
            new = getattr(term, name)
            old = _ZERO if whole is None else getattr(whole, name)
            if old.ndim == new.ndim == 0 and (rows.start == 0 or old == new):
                parts[name] = new
                continue
            if not old.ndim:
                old = np.zeros(self.count) if old == 0.0 else np.full(self.count, old)
            old[rows] = new
            parts[name] = old
        codes = None if whole is None else whole.shared_by
        if term.shared_by is not None:
            codes = np.full(self.count, -1, np.int32) if codes is None else codes
            codes[rows] = term.shared_by
        return replace(term, **parts, shared_by=codes)

    def budget(self, outside_diameter: Floats) -> Budget:
        """All of it; causes that add nothing to any shot are left out."""
        return Budget(
            terms=tuple(term for term in self.terms.values() if _matters(term)),
            covariance=self.covariance,
            independent=self.independent,
            centre_height=self.centre,
            horizontal_95=self.circle,
            vertical_95=self.upright,
            ellipse=self.ellipse,
            outside_diameter=outside_diameter,
        )


def _matters(term: BudgetTerm) -> bool:
    return bool(term.east_east.any() or term.north_north.any() or term.up_up.any())


def _summed(count: int, terms: Iterable[BudgetTerm]) -> tuple[Floats, Floats, Floats, Floats]:
    """East-east, north-north, east-north and up-up [m2]: (count,) each."""
    total = tuple(np.zeros(count) for _ in range(4))
    for term in terms:
        parts = (term.east_east, term.north_north, term.east_north, term.up_up)
        for whole, part in zip(total, parts, strict=True):
            if part.ndim or part != 0.0:
                whole += part
    return total[0], total[1], total[2], total[3]


def _fill(matrices: Floats, east: Floats, north: Floats, both: Floats, up: Floats) -> None:
    matrices[:, 0, 0], matrices[:, 1, 1], matrices[:, 2, 2] = east, north, up
    matrices[:, 0, 1] = matrices[:, 1, 0] = both
