"""Exposures: lines seen in a pothole or an open trench, against where the job has them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from asfound.alignment import JointPosterior, joint_posterior
from asfound.errors import InputError
from asfound.model import Assembly, Budget, Checks, Exposure, Ground, Line

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]


def stations_of(
    exposures: Sequence[Exposure], lines: Sequence[Line]
) -> tuple[Integers, Floats, Floats]:
    """Where on which line exposures are.

    Parameters
    ----------
    exposures : sequence of Exposure
    lines : sequence of Line

    Returns
    -------
    line : (k,) int64
        Index of the line that each names.
    station : (k,) float64
        Of the nearest point of its axis in plan [m].
    distance : (k,) float64
        From there to what was exposed [m].

    Raises
    ------
    InputError
        If an exposure names a line that is not there, or one of several alike.
    """
    names: dict[str, list[int]] = {}
    for index, line in enumerate(lines):
        names.setdefault(line.name, []).append(index)
    owner = np.empty(len(exposures), np.int64)
    station, distance = np.empty(len(exposures)), np.empty(len(exposures))
    for k, seen in enumerate(exposures):
        found = names.get(seen.line, [])
        if len(found) != 1:
            count = f"there are {len(found)} lines" if found else "there is no line"
            raise InputError(
                f"{count} '{seen.line}'.",
                where=f"exposure '{seen.name}'",
                remedy=f"Name one of {', '.join(sorted(names)[:20])}.",
            )
        owner[k] = found[0]
        station[k], distance[k] = _nearest(lines[found[0]], seen.easting, seen.northing)
    return owner, station, distance


def _nearest(line: Line, easting: float, northing: float) -> tuple[float, float]:
    x, y = line.easting, line.northing
    dx, dy = np.diff(x), np.diff(y)
    square = np.maximum(dx * dx + dy * dy, 1e-18)
    share = np.clip(((easting - x[:-1]) * dx + (northing - y[:-1]) * dy) / square, 0.0, 1.0)
    away = np.hypot(x[:-1] + share * dx - easting, y[:-1] + share * dy - northing)
    k = int(np.argmin(away))
    step = line.axis_station[k + 1] - line.axis_station[k]
    return float(line.axis_station[k] + share[k] * step), float(away[k])


def exposure_checks(
    exposures: Sequence[Exposure],
    lines: Sequence[Line],
    ground: Ground,
    budget: Budget,
    assembly: Assembly,
    verdict: npt.NDArray[np.int8],
) -> Checks:
    """The fitted lines against what was seen: offset across the line, and height of the centre.

    Parameters
    ----------
    exposures : sequence of Exposure
        Where no ground height was measured, the line's own ground is taken: the height then
        compares depths, and the ground's own error, which cancels, makes the allowance somewhat
        too wide.
    lines : sequence of Line
        As fitted without the exposures.
    ground, budget, assembly, verdict
        As given to `fit_lines`.

    Notes
    -----
    The centre lies half the outside diameter below the top. Exposures of one line, and of lines
    that share errors, are correlated through the lines' joint posterior.
    """
    owner, station, _ = stations_of(exposures, lines)
    count = len(exposures)
    place, measured = np.full((count, 3), np.nan), np.full((count, 3), np.nan)
    bearing = np.empty(count)
    joint = np.zeros((count, 3, count, 3))
    posteriors: list[tuple[Integers, JointPosterior]] = []
    for index in np.unique(owner).tolist():
        rows = np.flatnonzero(owner == index)
        line = lines[index]
        posterior = joint_posterior(index, station[rows], ground, budget, assembly, verdict)
        posteriors.append((rows, posterior))
        measured[rows] = posterior.mean
        if np.isnan(line.height).all():
            measured[rows, 2] = np.nan
        direction = np.interp(station[rows], line.axis_station, np.unwrap(line.bearing))
        bearing[rows] = direction
        for axis, block in enumerate((posterior.plane, posterior.plane, posterior.level)):
            joint[rows[:, None], axis, rows[None, :], axis] += block
    _add_shared(joint, posteriors)
    reference = np.zeros((count, 3, 3))
    for k, seen in enumerate(exposures):
        line = lines[int(owner[k])]
        size, level = seen.outside_diameter, seen.ground_height
        if not np.isfinite(size):
            size = line.outside_diameter
        if not np.isfinite(level):
            level = float(np.interp(station[k], line.axis_station, line.ground_height))
        # of a line of unknown size the top is all there is: its centre's height is not known
        place[k] = seen.easting, seen.northing, level - seen.top_depth - 0.5 * size
        reference[k] = np.diag([seen.horizontal_sd**2] * 2 + [seen.vertical_sd**2])
        joint[k, :, k, :] += reference[k]
    left = np.column_stack((-np.cos(bearing), np.sin(bearing)))
    offset = ((measured - place)[:, :2] * left).sum(axis=1)
    difference = np.column_stack((left * offset[:, None], measured[:, 2] - place[:, 2]))
    return Checks(
        kind="exposure",
        name=tuple(seen.name for seen in exposures),
        subject=owner,
        difference=difference,
        bearing=bearing,
        reference=reference,
        joint=joint.reshape(3 * count, 3 * count),
        place=place,
    )


def _add_shared(joint: Floats, posteriors: Sequence[tuple[Integers, JointPosterior]]) -> None:
    """Errors with the same term and group are one error, on whichever line they act."""
    effects: dict[tuple[str, int], list[tuple[int, Floats, float]]] = {}
    for rows, posterior in posteriors:
        for shared in posterior.shared:
            entry = effects.setdefault((shared.term, shared.group), [])
            entry += [
                (int(row), shared.shift[k], shared.coupling) for k, row in enumerate(rows.tolist())
            ]
    for entry in effects.values():
        for row, shift, coupling in entry:
            for other, moved, _ in entry:
                block = np.diag(shift * moved)
                block[0, 1] = coupling * shift[0] * moved[1]
                block[1, 0] = coupling * shift[1] * moved[0]
                joint[row, :, other, :] += block
