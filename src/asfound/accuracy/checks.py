"""Checks: what was measured against what is known better, with the covariance of both.

Three kinds bear witness to a job's accuracy: a shot on a control point, a spot measured again,
and a line that was exposed. Errors that checks share (same base, same antenna height, same
control point) are kept in one joint covariance: ten checks off the same base are not ten
independent opinions about it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy.linalg import block_diag

from asfound.accuracy._joint import joint_covariance_of_shots
from asfound.budget import NORMAL_95, circular_factor, principal_axes
from asfound.errors import InputError
from asfound.model import Budget, Checks, ControlPoint, Ground, Repeat, Shots

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

KINDS = ("control", "repeat", "exposure")


def control_checks(
    shots: Shots,
    ground: Ground,
    budget: Budget,
    control: Sequence[ControlPoint],
    *,
    among: Integers | None = None,
) -> Checks:
    """Shots on control points against their coordinates.

    Parameters
    ----------
    shots, ground, budget
        Of the job, n shots.
    control : sequence of ControlPoint
        In the job's CRS and vertical reference; names are compared without regard to case.
    among : (k,) int64, optional
        Shots that are looked at, in ascending order; None: all.

    Returns
    -------
    Checks
        In the order of the shots; shots on points without coordinates or without a position are
        left out.
    """
    points = {point.name.casefold(): k for k, point in enumerate(control)}
    owner = np.array([points.get(name.casefold(), -1) for name in shots.control.names] + [-1])
    of_shot = owner[shots.control.codes]
    rows = np.flatnonzero((of_shot >= 0) & np.isfinite(ground.easting)).astype(np.int64)
    if among is not None:
        rows = np.intersect1d(rows, among)
    which = of_shot[rows]
    place = np.array([(p.easting, p.northing, p.height) for p in control]).reshape(-1, 3)[which]
    measured = np.column_stack((ground.easting, ground.northing, ground.height))[rows]
    variance = np.array(
        [(p.horizontal_sd**2, p.horizontal_sd**2, p.vertical_sd**2) for p in control]
    ).reshape(-1, 3)[which]
    # checks on the same point share its error in full
    same = (which[:, None] == which[None, :]).astype(float)
    shared = np.zeros((len(rows), 3, len(rows), 3))
    for axis in range(3):
        spread = np.sqrt(variance[:, axis])
        shared[:, axis, :, axis] = same * np.outer(spread, spread)
    joint = joint_covariance_of_shots(budget, rows) + shared.reshape(3 * len(rows), 3 * len(rows))
    return Checks(
        kind="control",
        name=tuple(control[k].name for k in which.tolist()),
        subject=rows,
        difference=measured - place,
        bearing=np.full(len(rows), np.nan),
        reference=variance[:, :, None] * np.eye(3),
        joint=joint,
        place=place,
    )


def repeat_checks(
    pairs: Sequence[tuple[int, int]],
    ground: Ground,
    budget: Budget,
    *,
    bearing: Floats | None = None,
    names: Sequence[str] = (),
    run: Floats | None = None,
) -> Checks:
    """Spots measured twice: the later shot minus the earlier one.

    Parameters
    ----------
    pairs : sequence of (earlier, later)
        Shot indices.
    ground : Ground
    budget : Budget
        Both shots' errors; what they share (same base, same hook-up) cancels as far as it is
        equal, so a repeat says nothing about it.
    bearing : (n,) float64, optional
        Grid bearing of the line at each pair [rad] where the line was sought again rather than
        a mark: then only the offset across it and the height are compared. NaN or None: a mark.
        Heights are of the conductor's centre for pairs on a line, of the ground for marks.
    names : sequence of str
    run : (n, 3) float64, optional
        How far the line itself runs from the earlier spot to the later one: east, north, up [m].
        It is taken off; None: nothing is.

    Raises
    ------
    InputError
        If a pair names one shot twice or one that is not there.
    """
    couple = np.array(pairs, np.int64).reshape(-1, 2)
    count, total = len(couple), len(ground)
    if count and (
        couple.min() < 0 or couple.max() >= total or (couple[:, 0] == couple[:, 1]).any()
    ):
        raise InputError(
            "a repeat names a shot that is not there, or one shot twice.",
            remedy=f"Give two different shots from 0 to {total - 1}.",
        )
    along = np.full(count, np.nan) if bearing is None else np.asarray(bearing, np.float64)
    height = np.where(
        np.isfinite(along)[:, None], budget.centre_height[couple], ground.height[couple]
    )
    position = np.stack((ground.easting[couple], ground.northing[couple], height), -1)
    if run is not None:
        position[:, 1] -= run
    known = np.isfinite(position[..., :2]).all(axis=(1, 2))
    couple, along, position = couple[known], along[known], position[known]
    count = len(couple)
    both = joint_covariance_of_shots(budget, couple.ravel()).reshape(count, 2, 3, count, 2, 3)
    joint = (both[:, 1, :, :, 1] - both[:, 1, :, :, 0] - both[:, 0, :, :, 1]) + both[:, 0, :, :, 0]
    earlier = both[np.arange(count), 0, :, np.arange(count), 0, :]
    labels = tuple(names) or tuple(f"{a} and {b}" for a, b in couple.tolist())
    return Checks(
        kind="repeat",
        name=tuple(label for label, ok in zip(labels, known, strict=False) if ok)
        if names
        else labels,
        subject=couple[:, 1],
        difference=_across(position[:, 1] - position[:, 0], along),
        bearing=along,
        reference=np.asarray(earlier),
        joint=joint.reshape(3 * count, 3 * count),
        place=position[:, 0],
    )


def return_checks(repeats: Sequence[Repeat]) -> Checks:
    """Return checks that were stored, each by the uncertainties it was stored with.

    Parameters
    ----------
    repeats : sequence of Repeat
        Whose second measurement, or whose target, is no shot of the job; their errors are taken
        as independent of each other.
    """
    count = len(repeats)
    joint = np.zeros((count, 3, count, 3))
    for k, item in enumerate(repeats):
        joint[k, :, k, :] = np.nan_to_num(item.covariance + item.target_covariance)
    difference = np.array([r.position - r.target_position for r in repeats]).reshape(-1, 3)
    # without an uncertainty in height there is nothing to hold a difference in height against
    unknown = [not np.isfinite(r.covariance + r.target_covariance)[2, 2] for r in repeats]
    difference[unknown, 2] = np.nan
    return Checks(
        kind="repeat",
        name=tuple(item.target for item in repeats),
        subject=np.full(count, -1, np.int64),
        difference=difference,
        bearing=np.full(count, np.nan),
        reference=np.array([r.target_covariance for r in repeats]).reshape(-1, 3, 3),
        joint=joint.reshape(3 * count, 3 * count),
        place=np.array([r.target_position for r in repeats]).reshape(-1, 3),
    )


def joined_checks(first: Checks, second: Checks) -> Checks:
    """Checks of one kind in one record; nothing that the two parts share is known."""
    if not len(second):
        return first
    if not len(first):
        return second
    return Checks(
        kind=first.kind,
        name=first.name + second.name,
        subject=np.concatenate([first.subject, second.subject]),
        difference=np.concatenate([first.difference, second.difference]),
        bearing=np.concatenate([first.bearing, second.bearing]),
        reference=np.concatenate([first.reference, second.reference]),
        joint=block_diag(first.joint, second.joint),
        place=np.concatenate([first.place, second.place]),
    )


def allowed_95(checks: Checks) -> tuple[Floats, Floats]:
    """What budget and reference allow with 95 %: radius in plan and half a height interval.

    Returns
    -------
    radius : (n,) float64
        Of the circle that holds the horizontal difference, or of the interval across the line
        where only that is told [m].
    half_height : (n,) float64
        [m]; NaN where no height is compared.
    """
    covariance = checks.covariance
    major, minor, _ = principal_axes(covariance[:, 0, 0], covariance[:, 1, 1], covariance[:, 0, 1])
    ratio = np.divide(minor, major, out=np.ones(len(major)), where=major > 0)
    radius = major * circular_factor(ratio)
    left = np.column_stack((-np.cos(checks.bearing), np.sin(checks.bearing)))
    across = np.einsum("ni,nij,nj->n", left, covariance[:, :2, :2], left)
    radius = np.where(checks.point, radius, NORMAL_95 * np.sqrt(np.nan_to_num(across)))
    half_height = NORMAL_95 * np.sqrt(covariance[:, 2, 2])
    return radius, np.where(np.isfinite(checks.difference[:, 2]), half_height, np.nan)


def _across(difference: Floats, bearing: Floats) -> Floats:
    """Differences with the part along the line taken out where a bearing is known."""
    lined = np.isfinite(bearing)
    east, north = -np.cos(bearing[lined]), np.sin(bearing[lined])
    offset = east * difference[lined, 0] + north * difference[lined, 1]
    result = difference.copy()
    result[lined, 0], result[lined, 1] = offset * east, offset * north
    return result
