"""The error budget: each cause of error as a named term, and their sum for every shot.

A term is a variance per axis of the job's grid, and says by which group its error is shared.
Errors of the position act along both horizontal axes; errors of the field (pinpointing, a
neighbour's field) act across the line only, because a line is located across itself.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from asfound.budget._term_kernels import COLUMNS, SIZES, size_terms
from asfound.budget.ellipses import factor_table
from asfound.budget.field_terms import FIELD_CAUSES, depth_scale_term, field_errors
from asfound.budget.making import SharedCause
from asfound.budget.position_terms import (
    POSITION_CAUSES,
    classes_of,
    poles_of,
    shared_causes,
    variances_by_fix,
)
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

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]
_Kind = TypeVar("_Kind", bound=np.generic)


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
    count = len(shots)
    size = profile.tables["errors"]
    causes = _Causes(shots, ground, assembly.bearing, sources, settings, size, corrections)
    own, total, ellipse = np.empty((count, 4)), np.empty((count, 4)), np.empty((count, 3))
    centre, circle, upright = np.empty(count), np.empty(count), np.empty(count)
    shared = causes.sized(np.empty((0, 0)), own, total, centre, circle, upright, ellipse)
    return Budget(
        shared=tuple(term for term in shared if _matters(term)),
        own=own,
        total=total,
        centre_height=centre,
        horizontal_95=circle,
        vertical_95=upright,
        ellipse=ellipse,
        outside_diameter=outside_diameters(shots, assembly, settings.sizes),
        make_terms=causes,
    )


@dataclass(frozen=True, eq=False)
class _Causes:
    """All that makes errors of n shots; called, their terms one by one."""

    shots: Shots
    ground: Ground
    bearing: Floats
    sources: Sequence[Source]
    settings: JobSettings
    size: Mapping[str, float]
    corrections: Sequence[SweepCorrection]

    def __call__(self, rows: Integers | None) -> tuple[BudgetTerm, ...]:
        """The terms of all shots, or of chosen ones; causes that add nothing are left out."""
        if rows is not None:
            return self.of(rows)(None)
        columns = np.empty((len(COLUMNS), len(self.shots)))
        none, nothing = np.empty(0), np.empty((0, 0))
        shared = self.sized(columns, nothing, nothing, none, none, none, nothing)
        column = dict(zip(COLUMNS, columns, strict=True))
        column["seating up"] = np.array(self.size["seating"] ** 2)
        single = {cause.name: cause.term(column) for cause in (*POSITION_CAUSES, *FIELD_CAUSES)}
        terms = {term.name: term for term in shared} | single
        return tuple(term for name in _ORDER if (term := terms.get(name)) and _matters(term))

    def of(self, rows: Integers) -> _Causes:
        """The same for chosen shots."""
        ground = replace(
            self.ground,
            height=self.ground.height[rows],
            convergence=self.ground.convergence[rows],
            operation=self.ground.operation[rows],
        )
        corrections = [
            replace(item, shot=int(at))
            for item in self.corrections
            for at in np.flatnonzero(rows == item.shot)
        ]
        return replace(
            self,
            shots=self.shots.take(rows),
            ground=ground,
            bearing=self.bearing[rows],
            corrections=corrections,
        )

    def sized(self, columns: Floats, *sums: Floats) -> list[BudgetTerm]:
        """Fill columns of terms that no shots share, or the sums; return the terms they share."""
        shots, ground, size = self.shots, self.ground, self.size
        count = len(shots)
        uploads = max(len(self.sources), 1 + int(shots.source.max(initial=0)))
        causes = shared_causes(ground, self.sources, uploads, self.settings, size)
        by_operation = [cause for cause in causes if cause.group == "operation"]
        by_upload = [cause for cause in causes if cause.group != "operation"]
        in_radians = {name: np.deg2rad(size[name]) for name in ("tilt_measured", "tilt_bubble")}
        aside, below, swept = field_errors(shots, self.corrections, size)
        pole, depth_scale = np.empty(count, np.int32), np.empty(count)
        size_terms(
            *(_whole(shots.source), _whole(ground.operation), _whole(shots.fix)),
            *(_whole(shots.receiver.codes), _whole(shots.control.codes)),
            *(_whole(shots.east_sd), _whole(shots.north_sd), _whole(shots.up_sd)),
            *(_whole(shots.base_distance), _whole(shots.correction_age)),
            *(_whole(shots.antenna_height), _whole(shots.tilt), _whole(shots.speed)),
            *(_whole(shots.depth), _whole(ground.height), _whole(ground.convergence)),
            *(_whole(self.bearing), aside, below),
            swept,
            np.array([in_radians.get(name, size[name]) for name in SIZES]),
            classes_of(shots.receiver.names, self.settings.receivers),
            variances_by_fix(size),
            poles_of(self.sources, uploads, size),
            _summed(by_upload, uploads),
            _summed(by_operation, len(ground.operations) if by_operation else 0),
            factor_table(),
            pole,
            *(depth_scale, columns, *sums),
        )
        index: dict[str, npt.NDArray[np.integer]]
        index = {"upload": shots.source, "operation": ground.operation, "pole": pole}
        shared = [cause.term(index.get(cause.group), count) for cause in causes]
        return [*shared, depth_scale_term(depth_scale, shots.hookup)]


_ORDER = (
    *("gnss", "correction-age", "service", "operation", "frame-label", "geoid", "antenna-height"),
    *("tilt", "seating", "logging", "pinpointing", "neighbour-field", "depth-noise"),
    *("depth-scale", "sweep"),
)
"""Terms as people read them: from the antenna down to the conductor."""


def _whole(column: npt.NDArray[_Kind]) -> npt.NDArray[_Kind]:
    """The column as loops take it: one value after the other."""
    return np.ascontiguousarray(column)


def _summed(causes: Sequence[SharedCause], rows: int) -> Floats:
    """(rows, 2) level and up of some causes together [m2]."""
    total = np.zeros((rows, 2))
    for cause in causes:
        total[:, 0] += cause.level
        total[:, 1] += cause.up
    return total


def _matters(term: BudgetTerm) -> bool:
    return bool(term.east_east.any() or term.north_north.any() or term.up_up.any())
