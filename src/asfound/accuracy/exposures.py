"""Exposures: lines seen in a pothole or an open trench, against where the job has them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.alignment import JointPosterior, joint_posterior
from asfound.errors import InputError
from asfound.model import Assembly, Budget, Checks, Ground, Line

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Exposure:
    """A line seen in the ground.

    Parameters
    ----------
    name : str
    line : int
        Index among the job's lines.
    easting, northing : float
        Centre in plan, job's frame [m].
    top : float
        Height of the top of the line in the job's vertical reference [m]; NaN if not measured.
    outside_diameter : float
        As measured [m]; NaN if not: then the line's nominal one is taken.
    horizontal_sd, vertical_sd : float
        Of the measurement, per axis [m].
    """

    name: str
    line: int
    easting: float
    northing: float
    top: float = float("nan")
    outside_diameter: float = float("nan")
    horizontal_sd: float = 0.015
    vertical_sd: float = 0.020


def stations_of(exposures: Sequence[Exposure], lines: Sequence[Line]) -> tuple[Floats, Floats]:
    """Station on its line nearest to each exposure, and the distance from the axis [m].

    Raises
    ------
    InputError
        If an exposure names a line that is not there.
    """
    station, distance = np.empty(len(exposures)), np.empty(len(exposures))
    for k, seen in enumerate(exposures):
        if not 0 <= seen.line < len(lines):
            raise InputError(
                f"exposure {seen.name} is of line {seen.line}, which is not there.",
                remedy=f"Give the index of one of the {len(lines)} lines.",
            )
        line = lines[seen.line]
        station[k], distance[k] = _nearest(line, seen.easting, seen.northing)
    return station, distance


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
    lines : sequence of Line
        As fitted without the exposures.
    ground, budget, assembly, verdict
        As given to `fit_lines`.

    Notes
    -----
    The centre lies half the outside diameter below the top. Exposures of one line, and of lines
    that share errors, are correlated through the lines' joint posterior.
    """
    station, _ = stations_of(exposures, lines)
    count = len(exposures)
    place, measured = np.full((count, 3), np.nan), np.full((count, 3), np.nan)
    bearing = np.empty(count)
    joint = np.zeros((count, 3, count, 3))
    posteriors: list[tuple[npt.NDArray[np.int64], JointPosterior]] = []
    owner = np.array([seen.line for seen in exposures], np.int64)
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
        size = seen.outside_diameter
        if not np.isfinite(size):
            size = lines[seen.line].outside_diameter
        # of a line of unknown size the top is all there is: its centre's height is not known
        place[k] = seen.easting, seen.northing, seen.top - 0.5 * size
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


def _add_shared(
    joint: Floats, posteriors: Sequence[tuple[npt.NDArray[np.int64], JointPosterior]]
) -> None:
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
