"""Bore paths from the few numbers of a bore plan.

>>> path = bore_between((0.0, 0.0, 100.0), (60.0, 0.0, 100.0), entry_angle=0.2, exit_angle=0.2,
...                     level_height=97.5, bend_radius=30.0)
>>> round(float(path[:, 2].min()), 3)
97.5
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from asfound.errors import InputError

Floats = npt.NDArray[np.float64]

ARC_ERROR = 0.001


def bore_between(
    entry: tuple[float, float, float],
    exit: tuple[float, float, float],
    *,
    entry_angle: float,
    exit_angle: float,
    level_height: float,
    bend_radius: float,
    where: str = "bore",
) -> Floats:
    """Path of a bore that goes down at an angle, bends level, runs level, bends up and comes out.

    Parameters
    ----------
    entry, exit : (easting, northing, height)
        On the ground [m].
    entry_angle, exit_angle : float
        Below the horizontal, at entry and at exit [rad].
    level_height : float
        Of the level part [m].
    bend_radius : float
        Of both bends [m].
    where : str
        Named in errors.

    Returns
    -------
    path : (k, 3) float64
        Arcs are drawn with chords that stay within a millimetre.

    Raises
    ------
    InputError
        If the angles, the radius and the length don't fit together.
    """
    run = math.hypot(exit[0] - entry[0], exit[1] - entry[1])
    if run <= 0:
        raise InputError(
            "entry and exit of the bore are one point.", where=where, remedy="Give both places."
        )
    if bend_radius <= 0:
        raise InputError(
            f"the bend radius is {bend_radius} m.",
            where=where,
            remedy="Give the least radius that rod and product allow, in metres.",
        )
    down = _limb(entry[2], level_height, entry_angle, bend_radius, where, "entry")
    up = _limb(exit[2], level_height, exit_angle, bend_radius, where, "exit")
    level = run - down[-1, 0] - up[-1, 0]
    if level < 0:
        raise InputError(
            f"the bore is {run:.2f} m long, but its two limbs need {run - level:.2f} m.",
            where=where,
            remedy="Use steeper angles, a smaller bend radius, a shallower path or a longer bore.",
        )
    back = up[::-1].copy()
    back[:, 0] = run - back[:, 0]
    if level < 1e-9:
        back = back[1:]
    profile = np.vstack((down, back))
    share = profile[:, :1] / run
    plan = np.asarray(entry[:2]) + share * (np.asarray(exit[:2]) - np.asarray(entry[:2]))
    return np.column_stack((plan, profile[:, 1]))


def _limb(top: float, level: float, angle: float, radius: float, where: str, which: str) -> Floats:
    """(k, 2) distance and height from the ground to the start of the level part."""
    if not 0.0 < angle < 0.5 * math.pi:
        raise InputError(
            f"the {which} angle is {math.degrees(angle):.1f} degrees.",
            where=where,
            remedy="Give an angle below the horizontal between 0 and 90 degrees.",
        )
    drop = top - level
    in_arc = radius * (1.0 - math.cos(angle))
    if drop < in_arc:
        raise InputError(
            f"at the {which} the bore goes down {drop:.2f} m, but a bend of {radius:.2f} m radius "
            f"from {math.degrees(angle):.1f} degrees to level takes {in_arc:.2f} m.",
            where=where,
            remedy="Use a flatter angle, a smaller bend radius or a deeper path.",
        )
    straight = (drop - in_arc) / math.tan(angle)
    step = 2.0 * math.acos(max(0.0, 1.0 - ARC_ERROR / radius))
    turn = np.linspace(angle, 0.0, max(2, math.ceil(angle / step) + 1))
    arc = np.column_stack(
        (
            straight + radius * (math.sin(angle) - np.sin(turn)),
            level + radius * (1.0 - np.cos(turn)),
        )
    )
    if straight < 1e-9:
        return arc
    return np.vstack(([0.0, top], arc))


def bore_by_station(
    axis: Floats, station: Floats, offset: Floats, height: Floats, *, where: str = "bore"
) -> Floats:
    """Path of a bore given by station, offset and height (or depth) along an axis.

    Parameters
    ----------
    axis : (m, 2) float64
        Easting and northing of the axis that stations count along [m].
    station, offset : (k,) float64
        Along the axis and to its right [m].
    height : (k,) float64
        Passed through: height or depth [m].

    Returns
    -------
    path : (k, 3) float64

    Raises
    ------
    InputError
        If stations lie off the axis or go back.
    """
    step = np.hypot(*np.diff(axis, axis=0).T)
    if len(axis) < 2 or not np.all(step > 0):
        raise InputError(
            "the axis that stations count along has no length, or repeats a point.",
            where=where,
            remedy="Give an axis of at least two different points.",
        )
    along = np.concatenate(([0.0], np.cumsum(step)))
    if np.any(np.diff(station) < 0):
        raise InputError(
            "the stations go back.", where=where, remedy="List the path from entry to exit."
        )
    if station[0] < -1e-6 or station[-1] > along[-1] + 1e-6:
        raise InputError(
            f"stations {station[0]:.3f} to {station[-1]:.3f} m lie off the axis, which is "
            f"{along[-1]:.3f} m long.",
            where=where,
            remedy="Give the axis that the stations count along.",
        )
    leg = np.clip(np.searchsorted(along, station, side="right") - 1, 0, len(step) - 1)
    unit = np.diff(axis, axis=0) / step[:, None]
    at = axis[leg] + (station - along[leg])[:, None] * unit[leg]
    right = np.column_stack((unit[leg, 1], -unit[leg, 0]))
    return np.column_stack((at + offset[:, None] * right, height))
