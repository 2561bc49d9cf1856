"""Error budgets: named terms that add up to the covariance of each conductor's centre."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


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


@dataclass(frozen=True, eq=False)
class Budget:
    """Error budget of the conductor's centre for n shots.

    Parameters
    ----------
    terms : tuple of BudgetTerm
    covariance : (n, 3, 3) float64
        Sum of all terms [m2], grid east, north, up.
    independent : (n, 3, 3) float64
        Sum of the terms (or parts) not shared between shots [m2].
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
    """

    terms: tuple[BudgetTerm, ...]
    covariance: Floats
    independent: Floats
    centre_height: Floats
    horizontal_95: Floats
    vertical_95: Floats
    ellipse: Floats
    outside_diameter: Floats
