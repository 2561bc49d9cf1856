"""The error budget: each cause of error as a named term, and their sum for every shot.

A term is a variance per axis of the job's grid, and says by which group its error is shared.
Errors of the position act along both horizontal axes; errors of the field (pinpointing, a
neighbour's field) act across the line only, because a line is located across itself.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

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
    terms = [
        *position_terms(shots, ground, sources, settings, size),
        *field_terms(shots, Across.of(assembly.bearing), corrections, size),
    ]
    count = len(shots)
    own = _summed(count, (term for term in terms if term.shared_by is None))
    shared = _summed(count, (term for term in terms if term.shared_by is not None))
    total = tuple(one + other for one, other in zip(own, shared, strict=True))
    centre = ground.height - shots.depth
    unknown = np.flatnonzero(~np.isfinite(centre))
    for part in (own[3], total[3]):
        part[unknown] = np.nan
    east, north, both, up = total
    major, minor, bearing = principal_axes(east, north, both)
    ratio = np.divide(minor, major, out=np.ones(count), where=major > 0)
    return Budget(
        terms=tuple(terms),
        covariance=_matrices(*total),
        independent=_matrices(*own),
        centre_height=centre,
        horizontal_95=major * circular_factor(ratio),
        vertical_95=NORMAL_95 * np.sqrt(up),
        ellipse=np.stack([major * RAYLEIGH_95, minor * RAYLEIGH_95, bearing], axis=1),
        outside_diameter=outside_diameters(shots, assembly, settings.sizes),
    )


Parts = tuple[Floats, Floats, Floats, Floats]
"""East-east, north-north, east-north and up-up of all shots [m2]: (n,) each."""


def _summed(count: int, terms: Iterable[BudgetTerm]) -> Parts:
    total = tuple(np.zeros(count) for _ in range(4))
    for term in terms:
        parts = (term.east_east, term.north_north, term.east_north, term.up_up)
        for whole, part in zip(total, parts, strict=True):
            if part.ndim or part != 0.0:
                whole += part
    return total[0], total[1], total[2], total[3]


def _matrices(east: Floats, north: Floats, both: Floats, up: Floats) -> Floats:
    matrices = np.zeros((len(east), 3, 3))
    matrices[:, 0, 0], matrices[:, 1, 1], matrices[:, 2, 2] = east, north, up
    matrices[:, 0, 1] = matrices[:, 1, 0] = both
    return matrices
