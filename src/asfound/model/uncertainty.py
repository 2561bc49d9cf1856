"""Error budgets: named terms that add up to the covariance of each conductor's centre."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class BudgetTerm:
    """One cause of error, for n shots.

    Variances and covariances are shape (n,) or () (the same for all shots) [m2], in the job
    grid's east, north and up.

    Parameters
    ----------
    name, title, basis : str
        Identifier; plain words; where its size comes from (source or "common practice").
    east_east, north_north, east_north, up_up : float64
    shared_by : (n,) int32 or None
        Shots with the same code (>= 0) carry the same realisation of this error (fully
        correlated, each scaled by its own standard deviation); -1: independent. None: all
        shots independent.
    """

    name: str
    title: str
    basis: str
    east_east: Floats
    north_north: Floats
    east_north: Floats
    up_up: Floats
    shared_by: npt.NDArray[np.int32] | None = None

    def take(self, rows: Integers) -> BudgetTerm:
        """The same term for chosen shots."""
        parts = {
            name: part[rows]
            for name in ("east_east", "north_north", "east_north", "up_up")
            if (part := getattr(self, name)).ndim
        }
        return replace(
            self, **parts, shared_by=None if self.shared_by is None else self.shared_by[rows]
        )


@dataclass(frozen=True, eq=False)
class Budget:
    """Error budget of the conductor's centre for n shots.

    What all of a job's work needs is kept in few numbers a shot; `covariance`, `independent` and
    `terms`, which take more room than the shots themselves, are made when they are asked for.

    Parameters
    ----------
    shared : tuple of BudgetTerm
        Terms that shots share.
    own, total : (n, 4) float64
        Sum of the terms (or parts) not shared between shots, and of all: east-east, north-north,
        east-north and up-up [m2].
    centre_height : (n,) float64
        Height of the conductor's centre: ground height minus depth [m].
    horizontal_95 : (n,) float64
        Radius of the circle that holds the truth with 95 % [m].
    vertical_95 : (n,) float64
        Half-height of the 95 % interval of the centre's height [m].
    ellipse : (n, 3) float64
        95 % ellipse: semi-major, semi-minor [m], grid bearing of the major axis [rad].
    outside_diameter : (n,) float64
        Nominal [m], NaN if unknown: top of utility = centre + OD/2.
    make_terms : callable
        Makes every term, shared ones too, of chosen shots or, given None, of all.
    """

    shared: tuple[BudgetTerm, ...]
    own: Floats
    total: Floats
    centre_height: Floats
    horizontal_95: Floats
    vertical_95: Floats
    ellipse: Floats
    outside_diameter: Floats
    make_terms: Callable[[Integers | None], tuple[BudgetTerm, ...]]

    @staticmethod
    def of(
        terms: tuple[BudgetTerm, ...],
        covariance: Floats,
        independent: Floats,
        centre_height: Floats,
        horizontal_95: Floats,
        vertical_95: Floats,
        ellipse: Floats,
        outside_diameter: Floats,
    ) -> Budget:
        """A budget of given terms and (n, 3, 3) matrices."""
        return Budget(
            tuple(term for term in terms if term.shared_by is not None),
            _packed(independent),
            _packed(covariance),
            centre_height,
            horizontal_95,
            vertical_95,
            ellipse,
            outside_diameter,
            _Given(terms),
        )

    def terms_of(self, shots: Integers) -> tuple[BudgetTerm, ...]:
        """Terms of the chosen shots only; causes that add nothing to any of them may be missing."""
        return self.make_terms(shots)

    @cached_property
    def terms(self) -> tuple[BudgetTerm, ...]:
        """Every term of all shots."""
        return self.make_terms(None)

    @cached_property
    def covariance(self) -> Floats:
        """(n, 3, 3) sum of all terms [m2], grid east, north, up."""
        return _matrices(self.total)

    def covariance_of(self, shots: Integers) -> Floats:
        """(k, 3, 3) the same of the chosen shots only."""
        return _matrices(self.total[shots])

    @cached_property
    def independent(self) -> Floats:
        """(n, 3, 3) sum of the terms (or parts) not shared between shots [m2]."""
        return _matrices(self.own)


@dataclass(frozen=True, eq=False)
class _Given:
    terms: tuple[BudgetTerm, ...]

    def __call__(self, shots: Integers | None) -> tuple[BudgetTerm, ...]:
        return self.terms if shots is None else tuple(term.take(shots) for term in self.terms)


def _packed(matrices: Floats) -> Floats:
    return np.stack(
        [matrices[:, 0, 0], matrices[:, 1, 1], matrices[:, 0, 1], matrices[:, 2, 2]], axis=1
    )


def _matrices(packed: Floats) -> Floats:
    matrices = np.zeros((len(packed), 3, 3))
    matrices[:, 0, 0], matrices[:, 1, 1], matrices[:, 2, 2] = packed.T[[0, 1, 3]]
    matrices[:, 0, 1] = matrices[:, 1, 0] = packed[:, 2]
    return matrices
