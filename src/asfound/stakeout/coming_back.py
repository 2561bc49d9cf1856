"""A spot measured again by whatever receiver and service: how far from the target, how sure.

The target is carried into the service's frame and epoch and compared there, where it was measured;
so no second change of frame comes in between, and plates have moved for both alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from pyproj import Transformer

from asfound.errors import InputError
from asfound.geodesy import (
    GRS80,
    compare_frames,
    frame_of,
    local_offset,
    resolve_frame,
    rotate_covariance,
    rotate_vector,
)
from asfound.geodesy.job_grid import angle_units
from asfound.model import Fix, Results, ServiceTargets
from asfound.stakeout.guidance import SERVICE_SD
from asfound.stakeout.live import LiveFix

Floats = npt.NDArray[np.float64]

_STILL = 0.10  # a fixed solution on a pole held still stays this near [m]; common practice
_MOST = 0.90  # share of the fixes that must

_FINDING = ("pinpointing", "neighbour-field", "depth-noise", "depth-scale", "sweep", "logging")
"""Terms of the budget that come from locating a line, not from positioning a pole."""


@dataclass(frozen=True, eq=False)
class Measured:
    """A second measurement in the service's frame.

    Parameters
    ----------
    longitude, latitude : float
        [deg].
    height : float
        Of the ground, in the service's kind of height [m]; NaN without.
    covariance : (3, 3) float64
        True east, north, up [m2].
    """

    longitude: float
    latitude: float
    height: float
    covariance: Floats


def compare_again(given: ServiceTargets, measured: Measured) -> tuple[Floats, Floats, Floats]:
    """How far a second measurement lies from a target.

    Parameters
    ----------
    given : ServiceTargets
        One target, in the service's frame and epoch.
    measured : Measured

    Returns
    -------
    difference : (3,) float64
        Measured minus target: the job's grid east, north, and up [m]; up NaN without heights.
    target_covariance, covariance : (3, 3) float64
        Of the target and of the measurement in the same axes [m2].
    """
    if not (np.isfinite(measured.longitude) and np.isfinite(measured.latitude)):
        raise InputError("the second measurement has no position.", remedy="Measure it again.")
    level = given.ellipsoidal_height[0] if np.isfinite(given.ellipsoidal_height[0]) else 0.0
    east, north, _ = local_offset(
        np.array([measured.longitude]),
        np.array([measured.latitude]),
        np.array([level]),
        float(given.longitude[0]),
        float(given.latitude[0]),
        float(level),
        GRS80,
    )
    grid_east, grid_north = rotate_vector(east, north, given.convergence)
    up = measured.height - float(given.height[0])
    flat = np.nan_to_num(measured.covariance)[None]
    covariance = rotate_covariance(flat, given.convergence)[0]
    covariance[2, 2] = measured.covariance[2, 2]
    difference = np.array([float(grid_east[0]), float(grid_north[0]), up])
    return difference, given.covariance[0], covariance


def measured_at(
    service: str, x: float, y: float, height: float, deviation: tuple[float, float]
) -> Measured:
    """A second measurement by its coordinates, as the service's receiver shows them.

    Parameters
    ----------
    service : str
        The service's CRS.
    x, y : float
        Easting and northing in the CRS's own unit, or longitude and latitude [deg].
    height : float
        Of the ground in the service's kind of height [m]; NaN without.
    deviation : (level, up)
        Standard deviation of one horizontal axis and of the height [m].
    """
    crs = resolve_frame(service, where="the service's frame")
    frame = frame_of(crs, where="the service's frame")
    horizontal = crs.sub_crs_list[0] if crs.is_compound else crs
    longitude, latitude = x, y
    if horizontal.is_projected:
        back = Transformer.from_crs(horizontal.to_2d(), frame.to_2d(), always_xy=True)
        unit, meridian = angle_units(frame)
        longitude, latitude = back.transform(x, y)
        longitude, latitude = longitude * unit + meridian, latitude * unit
    level, up = deviation
    return Measured(
        longitude,
        latitude,
        height,
        np.diag([level**2, level**2, up**2 if height == height else np.nan]),
    )


def measured_live(fixes: list[LiveFix], antenna_height: float) -> Measured:
    """A second measurement from fixes of a pole standing still.

    Parameters
    ----------
    fixes : list of LiveFix
    antenna_height : float
        [m].

    Raises
    ------
    InputError
        If there are none, one of them is not a fixed solution, or the pole did not stand still.

    Notes
    -----
    The middle of all, with the uncertainty of one: fixes that follow each other share most of
    their errors. What they scatter is added. Single jumps, at most a tenth of all, are left out.
    """
    if not fixes:
        raise InputError(
            "no position came.", where="--nmea", remedy="Check the link and wait for a fix."
        )
    loose = [fix for fix in fixes if fix.fix is not Fix.RTK_FIXED]
    if loose:
        raise InputError(
            f"{len(loose)} of {len(fixes)} positions are {loose[0].fix.word}, not fixed.",
            where="--nmea",
            remedy="Wait for a fixed solution, and measure again.",
        )
    fixes = _standing(fixes)
    lon = np.array([fix.longitude for fix in fixes])
    lat = np.array([fix.latitude for fix in fixes])
    up = np.array([fix.height for fix in fixes])
    middle = float(np.median(lon)), float(np.median(lat)), float(np.median(up))
    east, north, _ = local_offset(lon, lat, np.zeros(len(lon)), middle[0], middle[1], 0.0, GRS80)
    spread = [float(np.std(part)) for part in (east, north, up)]
    own = []
    for axis, usual in (("east_sd", 0.0092), ("north_sd", 0.0092), ("up_sd", 0.020)):
        told = np.array([getattr(fix, axis) for fix in fixes])
        told = told[np.isfinite(told) & (told > 0)]
        own.append(float(np.median(told)) if len(told) else usual)
    variance = [own[k] ** 2 + spread[k] ** 2 + SERVICE_SD**2 for k in range(3)]
    return Measured(middle[0], middle[1], middle[2] - antenna_height, np.diag(variance))


def _standing(fixes: list[LiveFix]) -> list[LiveFix]:
    """Fixes at the spot: single jumps are left out; of a pole that moved there is no spot."""
    lon, lat = (np.array([getattr(f, k) for f in fixes]) for k in ("longitude", "latitude"))
    east, north, _ = local_offset(
        lon, lat, np.zeros(len(lon)), float(np.median(lon)), float(np.median(lat)), 0.0, GRS80
    )
    near = np.hypot(east, north) <= _STILL
    if near.mean() < _MOST:
        raise InputError(
            f"{int((~near).sum())} of {len(fixes)} positions lie more than {_STILL:g} m from the "
            "middle: the pole did not stand still.",
            where="--nmea",
            remedy="Hold the pole on the spot, and measure again.",
        )
    return [fix for fix, kept in zip(fixes, near.tolist(), strict=True) if kept]


def frame_suspects(
    given: ServiceTargets, difference: Floats, radius: float, epoch: float
) -> tuple[str, ...]:
    """Frames that lie just as far apart at a target as a second measurement lies from it.

    Parameters
    ----------
    given : ServiceTargets
        One target.
    difference : (3,) float64
        Measured minus target, the job's grid [m].
    radius : float
        95 % of the difference [m].
    epoch : float
        Decimal year.

    Returns
    -------
    tuple of str
        A sentence for each pair of frames; none where the difference is nothing like it, or too
        little known to tell.
    """
    found = []
    pairs = compare_frames(float(given.longitude[0]), float(given.latitude[0]), epoch)
    for pair in pairs:
        if not np.isfinite(pair.horizontal) or pair.horizontal < 2.0 * radius:
            continue
        east, north = rotate_vector(
            np.array([pair.east]), np.array([pair.north]), given.convergence
        )
        for sign in (1.0, -1.0):
            off = np.hypot(difference[0] - sign * east[0], difference[1] - sign * north[0])
            if off <= max(radius, 0.02):
                found.append(
                    f"{pair.source} and {pair.target} lie {pair.horizontal:.3f} m apart here, in "
                    "just this direction: was the frame of the second measurement named rightly?"
                )
    return tuple(found)


def finding_covariance(results: Results, shot: int) -> Floats:
    """(3, 3) the part of a shot's uncertainty that comes from locating the line [m2]."""
    covariance = np.zeros((3, 3))
    for term in results.budget.terms_of(np.array([shot])):
        if term.name in _FINDING:
            ee, nn, en, uu = (
                float(part[0] if np.ndim(part) else part)
                for part in (term.east_east, term.north_north, term.east_north, term.up_up)
            )
            covariance += np.array([[ee, en, 0.0], [en, nn, 0.0], [0.0, 0.0, uu]])
    return covariance


def spot_difference(
    results: Results,
    given: ServiceTargets,
    measured: Measured,
    *,
    shot: int | None = None,
    mark: bool = False,
) -> tuple[Floats, Floats, Floats]:
    """A second measurement of a job's spot beside it, each with its share of the uncertainty.

    Parameters
    ----------
    results : Results
    given : ServiceTargets
        The spot, in the service's frame and epoch.
    measured : Measured
        Of the pole's tip.
    shot : int, optional
        The spot's shot, if it is one.
    mark : bool
        Whether the pole stood on the mark that was made then: locating errs both alike and
        cancels. Else the line was located anew, as well as then: locating errs twice.

    Returns
    -------
    difference, target_covariance, covariance
        As `compare_again`. Heights are of the ground, so no depth is in them.
    """
    difference, of_target, of_measured = compare_again(given, measured)
    of_target, of_measured = of_target.copy(), of_measured.copy()
    like = _shot_like(results, given) if shot is None else shot
    if like is None:
        return difference, of_target, of_measured
    finding = finding_covariance(results, like)
    if shot is not None:
        of_target[2, 2] -= finding[2, 2]
        if mark:
            of_target[:2, :2] -= finding[:2, :2]
    if not mark:
        of_measured[:2, :2] += finding[:2, :2]
    return difference, of_target, of_measured


def _shot_like(results: Results, given: ServiceTargets) -> int | None:
    """A shot of the target's line, the one that lies nearest along it."""
    station = float(given.targets.station[0])
    for line in results.lines:
        if line.name == given.targets.line[0] and len(line.shots) and np.isfinite(station):
            return int(line.shots[int(np.argmin(np.abs(line.station - station)))])
    return None
