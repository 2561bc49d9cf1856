"""Targets in the frame and epoch of the correction service in use on the day.

The operation that brings shots of that service into the job's frame is run backwards, at the day's
epoch. Where the job itself is in a frame through which plates move, coordinates are first carried
from their own epoch to a frame that moves with the place's plate, and from there to the day.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from pyproj import CRS, Transformer

from asfound.errors import FrameError
from asfound.geodesy import (
    PRESETS,
    FrameChange,
    JobGrid,
    Place,
    choose_operation,
    ensemble_accuracy,
    exact_factors,
    frame_of,
    geoid_from_file,
    is_dynamic,
    job_grid,
    place_of,
    resolve_frame,
)
from asfound.geodesy.job_grid import angle_units
from asfound.geodesy.suggestions import used_at
from asfound.model import Frame, JobSettings
from asfound.stakeout.targets import Targets

Floats = npt.NDArray[np.float64]

_PLATE = 0.08  # fastest motion of ground through a global frame [m/a]; ITRF2014 plate model
_SLOW = 0.25  # years between epochs that no one needs to carry points over


@dataclass(frozen=True, eq=False)
class ServiceTargets:
    """Targets as the service's receiver must be given them.

    Parameters
    ----------
    targets : Targets
        In the job's frame, same rows.
    crs : str
        Name of the service's CRS.
    epoch : float
        Of the coordinates, decimal year; NaN if the service's frame needs none.
    projected : bool
        Whether `x`, `y` are easting, northing in the CRS's own unit; else degrees.
    unit : str
        Of `x` and `y`.
    unit_metres : float
        One unit of a projected CRS [m]; NaN for degrees.
    x, y : (n,) float64
        Easting or longitude, northing or latitude.
    height : (n,) float64
        Of the ground above the spot, in the service's kind of height [m]; NaN if not known.
    longitude, latitude, ellipsoidal_height : (n,) float64
        In the service's frame [deg, m].
    height_reference : str
        In words.
    operation : str
        The registry's names of the operations that were run backwards.
    accuracy : float
        Of these, as the registry states it [m]; part of the covariance.
    covariance : (n, 3, 3) float64
        Of the targets with the operation's accuracy, in the job's grid east, north, up [m2].
    convergence : (n,) float64
        True bearing minus the job's grid bearing [rad].
    unmodelled : tuple of str
        What was left out, with its size.
    """

    targets: Targets
    crs: str
    epoch: float
    projected: bool
    unit: str
    unit_metres: float
    x: Floats
    y: Floats
    height: Floats
    longitude: Floats
    latitude: Floats
    ellipsoidal_height: Floats
    height_reference: str
    operation: str
    accuracy: float
    covariance: Floats
    convergence: Floats
    unmodelled: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.x)


def to_service(
    targets: Targets,
    settings: JobSettings,
    service: Frame,
    epoch: float,
    *,
    measured_epoch: float | None = None,
    position_accuracy: float = 0.0,
) -> ServiceTargets:
    """Targets in the frame of the service in use.

    Parameters
    ----------
    targets : Targets
        Job's frame.
    settings : JobSettings
    service : Frame
        The service's CRS and kind of height. Its `epoch`, if given, is the fixed epoch that the
        service delivers; else coordinates are of the day.
    epoch : float
        The day, decimal year.
    measured_epoch : float, optional
        When the job was measured; needed only where the job's own frame is dynamic and names no
        epoch.
    position_accuracy : float
        As `Source.position_accuracy`: what a loose frame name may cost [m].

    Raises
    ------
    FrameError
        As for shots of that service; or if a day is missing where one is needed.
    """
    if not math.isfinite(epoch):
        raise FrameError("the day of the stakeout is not known.", remedy="Give its date.")
    opened = job_grid(settings.frame, None, settings.grids)
    longitude, latitude = opened.unproject(targets.easting, targets.northing)
    place = place_of(longitude, latitude)
    if place is None:
        raise FrameError("no target has a position.", remedy="Choose other targets.")
    grid = job_grid(settings.frame, place, settings.grids)
    ellipsoidal = _ellipsoidal(targets.height, grid, longitude, latitude)
    crs = resolve_frame(service.crs, where="the service's frame")
    frame = frame_of(crs, where="the service's frame")
    day = service.epoch if service.epoch is not None else epoch
    route = _route(frame, grid, settings, place, day, measured_epoch, position_accuracy)
    lon, lat = grid.from_degrees(longitude, latitude)
    up = np.nan_to_num(ellipsoidal)
    for change, when, backwards in route.legs:
        lon, lat, up = _carried(change, lon, lat, up, when, backwards)
    known = np.isfinite(ellipsoidal)
    unit, meridian = angle_units(frame)
    there = (lon * unit + meridian, lat * unit)
    up = np.where(known, up, np.nan)
    horizontal = crs.sub_crs_list[0] if crs.is_compound else crs
    x, y, unit_metres = there[0], there[1], float("nan")
    if horizontal.is_projected:
        project = Transformer.from_crs(frame.to_2d(), horizontal.to_2d(), always_xy=True)
        x, y = (np.asarray(v) for v in project.transform(lon, lat))
        unit_metres = float(horizontal.axis_info[0].unit_conversion_factor)
    height, reference = _service_heights(service, up, there, settings, frame)
    variance = route.accuracy**2
    covariance = targets.covariance + np.diag([variance / 2, variance / 2, variance])
    return ServiceTargets(
        targets=targets,
        crs=crs.name,
        epoch=day if is_dynamic(crs) else float("nan"),
        projected=horizontal.is_projected,
        unit=horizontal.axis_info[0].unit_name,
        unit_metres=unit_metres,
        x=x,
        y=y,
        height=height,
        longitude=there[0],
        latitude=there[1],
        ellipsoidal_height=up,
        height_reference=reference,
        operation=route.name,
        accuracy=route.accuracy,
        covariance=covariance,
        convergence=exact_factors(grid.project_degrees, longitude, latitude, grid.ellipsoid)[0],
        unmodelled=(*route.unmodelled, *_without_height(known)),
    )


@dataclass(frozen=True)
class _Route:
    """Changes of frame in the order in which they are run: change, epoch, backwards."""

    legs: tuple[tuple[FrameChange, float, bool], ...]
    accuracy: float
    unmodelled: tuple[str, ...]

    @property
    def name(self) -> str:
        names = [
            change.name + (" (backwards)" if backwards else "")
            for change, _, backwards in self.legs
            if change.steps
        ]
        return ", then ".join(names) or "no change of frame"


def _route(
    frame: CRS,
    grid: JobGrid,
    settings: JobSettings,
    place: Place,
    day: float,
    measured: float | None,
    position_accuracy: float,
) -> _Route:
    def change(source: CRS, target: CRS) -> FrameChange:
        return choose_operation(
            source,
            target,
            place,
            grids=settings.grids,
            position_accuracy=position_accuracy,
            where="the service's frame",
        )

    direct = change(frame, grid.frame)
    stated = max(direct.accuracy, direct.ensemble)
    if not is_dynamic(grid.frame):
        return _Route(((direct, day, True),), stated, _local_motion(grid.frame, frame))
    own = settings.frame.epoch if settings.frame.epoch is not None else measured
    if own is None:
        raise FrameError(
            f"the job is in {grid.frame.name}, through which the ground moves, and it is not known "
            "of which day its coordinates are.",
            remedy="Give the day of measuring, or the job's epoch.",
        )
    if abs(own - day) <= _SLOW:
        moved = abs(own - day) * _PLATE
        return _Route(
            ((direct, day, True),),
            stated,
            (f"The ground's motion over {abs(own - day):.2f} years: {moved:.3f} m at most.",),
        )
    fixed = _plate_fixed(place, grid.frame)
    if fixed is None:
        lost = abs(own - day) * _PLATE
        return _Route(
            ((direct, day, True),),
            stated,
            (
                f"The ground's motion from {own:.2f} to {day:.2f}: no frame that moves with the "
                f"plate is known here, so up to {lost:.2f} m are not modelled.",
            ),
        )
    out, back = change(grid.frame, fixed), change(frame, fixed)
    accuracy = math.hypot(max(out.accuracy, out.ensemble), max(back.accuracy, back.ensemble))
    return _Route(
        ((out, own, False), (back, day, True)),
        accuracy,
        (
            f"The ground was carried from {own:.2f} to {day:.2f} with its plate, by way of "
            f"{fixed.name}; " + _LOCAL,
        ),
    )


_LOCAL = (
    "motion of the ground against its plate (subsidence, slopes, plate boundaries) is not "
    "modelled: millimetres a year in stable areas, centimetres where the ground is known to move."
)


def _local_motion(job: CRS, service: CRS) -> tuple[str, ...]:
    if not is_dynamic(service):
        return ()
    return (f"{job.name} moves with its plate; " + _LOCAL,)


def _plate_fixed(place: Place, job: CRS) -> CRS | None:
    """A frame that moves with the place's plate and that both frames are tied to."""
    for preset in PRESETS:
        crs = CRS.from_epsg(preset.code)
        if not preset.current or is_dynamic(crs) or ensemble_accuracy(crs):
            continue
        if not used_at(crs, place):
            continue
        try:
            choose_operation(job, crs, place)
        except FrameError:
            continue
        return crs
    return None


def _carried(
    change: FrameChange, lon: Floats, lat: Floats, up: Floats, epoch: float, backwards: bool
) -> tuple[Floats, Floats, Floats]:
    if not change.steps:
        return lon, lat, up
    when = np.full(len(lon), epoch if change.needs_epoch else 0.0)
    out = change.transformer().transform(
        lon, lat, up, when, direction="INVERSE" if backwards else "FORWARD", errcheck=True
    )
    return np.asarray(out[0]), np.asarray(out[1]), np.asarray(out[2])


def _ellipsoidal(height: Floats, grid: JobGrid, longitude: Floats, latitude: Floats) -> Floats:
    """Ellipsoidal heights in the job's frame of its own heights; NaN where not known."""
    if grid.height_kind == "none":
        return np.full(len(height), np.nan)
    if grid.height_kind == "ellipsoidal":
        return height
    if grid.geoid is None:  # heights passed through as they came: no way to the ellipsoid
        return np.full(len(height), np.nan)
    return height + grid.geoid.undulation(longitude, latitude)


def _service_heights(
    service: Frame, up: Floats, there: tuple[Floats, Floats], settings: JobSettings, frame: CRS
) -> tuple[Floats, str]:
    if service.height_kind == "none":
        return np.full(len(up), np.nan), "no heights"
    if service.height_kind == "orthometric":
        if not service.geoid:
            raise FrameError(
                "the service's heights are above a geoid model that is not named.",
                where="the service's frame",
                remedy="Name its grid file (geoid = ...), or use ellipsoidal heights.",
            )
        model = geoid_from_file(service.geoid, settings.grids, where="the service's frame")
        return up - model.undulation(*there), f"height above {model.name}"
    return up, f"ellipsoidal height in {frame.name}"


def _without_height(known: npt.NDArray[np.bool_]) -> tuple[str, ...]:
    lost = int((~known).sum())
    if not lost:
        return ()
    return (
        f"{lost} of {len(known)} targets have no height above the ellipsoid; in plan that costs "
        "less than a millimetre.",
    )
