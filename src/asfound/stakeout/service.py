"""Targets in the frame and epoch of the correction service in use on the day.

The operation that brings shots of that service into the job's frame is run backwards, at the day's
epoch. Where both are in frames through which plates move, coordinates are first moved from their
own epoch to the day by the frame's published plate motion model; where no plate is certain, by way
of a frame that moves with the place's plate.
"""

from __future__ import annotations

import math
from collections.abc import Callable
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
    moved_by,
    place_of,
    plate_code,
    plate_interior,
    plate_model,
    plate_names,
    resolve_frame,
    rotate_covariance,
    velocity_at,
)
from asfound.geodesy.job_grid import angle_units
from asfound.geodesy.plate_motion import DEFORMATION_SD
from asfound.geodesy.suggestions import used_at
from asfound.model import Frame, JobSettings, ServiceTargets, Targets

Floats = npt.NDArray[np.float64]

_PLATE = 0.08  # fastest motion of ground through a global frame [m/a]; ITRF2014 plate model
_SLOW = 0.25  # years between epochs that no one needs to carry points over
_YEARS = (1980.0, 2100.0)  # as for a job's own epoch
HEIGHT_KINDS = ("ellipsoidal", "orthometric", "none")
_STABLE = 0.001  # ground against its plate in stable areas [m/a]; common practice, no source


def to_service(
    targets: Targets,
    settings: JobSettings,
    service: Frame,
    epoch: float,
    *,
    measured_epoch: float | None = None,
    position_accuracy: float = 0.0,
    plate: str = "",
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
        When the job was measured; needed where the job's own frame is dynamic and names no epoch,
        else for saying how much may have moved since.
    position_accuracy : float
        As `Source.position_accuracy`: what a loose frame name may cost [m].
    plate : str
        Plate that the ground goes with, by name or four letters; empty: the plate in whose
        interior the targets lie, if it is certain. Used where both frames are dynamic.

    Raises
    ------
    FrameError
        As for shots of that service; or if a day is missing where one is needed.
    """
    if not math.isfinite(epoch):
        raise FrameError("the day of the stakeout is not known.", remedy="Give its date.")
    _check_service(service, epoch, plate)
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
    route = _route(frame, grid, settings, place, day, measured_epoch, position_accuracy, plate)
    spread = np.zeros((len(targets), 3, 3))
    convergence = exact_factors(grid.project_degrees, longitude, latitude, grid.ellipsoid)[0]
    if route.motion is not None:
        velocity, of_velocity = velocity_at(
            latitude, longitude, route.motion.plate, route.motion.frame
        )
        longitude, latitude = moved_by(longitude, latitude, velocity, route.motion.years)
        spread = rotate_covariance(of_velocity, convergence) * route.motion.years**2
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
    covariance = targets.covariance + spread + np.diag([variance / 2, variance / 2, variance])
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
        convergence=convergence,
        unmodelled=(*route.unmodelled, *_without_height(known)),
    )


def _check_service(service: Frame, epoch: float, plate: str) -> None:
    """Refuse what can't be meant, also where it would not be used."""
    if service.height_kind not in HEIGHT_KINDS:
        raise FrameError(
            f"'{service.height_kind}' is no kind of height.",
            where="the service's heights",
            remedy=f"Take one of: {', '.join(HEIGHT_KINDS)}.",
        )
    for what, year in (("the day's epoch", epoch), ("the service's epoch", service.epoch)):
        if year is not None and not _YEARS[0] <= year <= _YEARS[1]:
            raise FrameError(
                f"{year:g} can't be meant.",
                where=what,
                remedy="A decimal year from 1980 to 2100 is needed, such as 2026.9.",
            )
    if plate:
        plate_code(plate)


@dataclass(frozen=True)
class _Motion:
    """The ground's motion through the job's frame, before any change of frame."""

    plate: str
    frame: str
    years: float


@dataclass(frozen=True)
class _Route:
    """How coordinates get there: the ground's motion, then changes (change, epoch, backwards)."""

    legs: tuple[tuple[FrameChange, float, bool], ...]
    accuracy: float
    unmodelled: tuple[str, ...] = ()
    motion: _Motion | None = None

    @property
    def name(self) -> str:
        names = [
            change.name + (" (backwards)" if backwards else "")
            for change, _, backwards in self.legs
            if change.steps
        ]
        if self.motion is not None:
            model = plate_model(self.motion.frame)
            names.insert(0, f"motion of the {plate_names()[self.motion.plate]} plate ")
            names[0] += f"by {model.name if model else ''}"
        return ", then ".join(names) or "no change of frame"


def _route(
    frame: CRS,
    grid: JobGrid,
    settings: JobSettings,
    place: Place,
    day: float,
    measured: float | None,
    position_accuracy: float,
    plate: str,
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
        if not is_dynamic(frame):
            return _Route(((direct, day, True),), stated)
        beside = _beside_the_plate(grid.frame.name, day, measured)
        return _Route(((direct, day, True),), stated, (beside,))
    own = settings.frame.epoch if settings.frame.epoch is not None else measured
    if own is None:
        raise FrameError(
            f"the job is in {grid.frame.name}, through which the ground moves, and it is not known "
            "of which day its coordinates are.",
            remedy="Give the day of measuring, or the job's epoch.",
        )
    if not is_dynamic(frame):
        # the service's frame moves with the plate: coordinates are in it as they were measured
        return _Route(
            ((direct, own, True),), stated, (_beside_the_plate(frame.name, day, measured),)
        )
    return _moved_route(change, direct, frame, grid, place, own, day, plate)


def _moved_route(
    change: Callable[[CRS, CRS], FrameChange],
    direct: FrameChange,
    frame: CRS,
    grid: JobGrid,
    place: Place,
    own: float,
    day: float,
    plate: str,
) -> _Route:
    """Between two frames through which the ground moves, from one epoch to another."""
    stated = max(direct.accuracy, direct.ensemble)
    years = day - own
    if abs(years) <= _SLOW:
        moved = abs(years) * _PLATE
        words = f"The ground's motion over {abs(years):.2f} years: {moved:.3f} m at most."
        return _Route(((direct, day, True),), stated, (words,))
    inside = plate_interior(place.latitude, place.longitude)
    chosen = plate_code(plate) if plate else inside
    model = plate_model(grid.frame.name)
    carried = f"The ground was carried from {own:.2f} to {day:.2f} with "
    if chosen and model is not None and chosen in model.rotation:
        words = f"{carried}the {plate_names()[chosen]} plate ({model.name}); "
        if inside == chosen:
            words += _local(years)
        else:
            words += (
                "the place does not lie well inside that plate: the ground deforms there by "
                f"about {DEFORMATION_SD * abs(years):.2f} m in that time (1 sigma), which is not "
                "modelled but is in the stated uncertainty."
            )
        motion = _Motion(chosen, grid.frame.name, years)
        return _Route(((direct, day, True),), stated, (words,), motion)
    fixed = _plate_fixed(place, grid.frame)
    if fixed is None:
        words = (
            f"The ground's motion from {own:.2f} to {day:.2f}: neither a plate nor a frame that "
            f"moves with one is known here, so up to {abs(years) * _PLATE:.2f} m are not modelled. "
            "Name the plate to have it modelled."
        )
        return _Route(((direct, day, True),), stated, (words,))
    out, back = change(grid.frame, fixed), change(frame, fixed)
    accuracy = math.hypot(max(out.accuracy, out.ensemble), max(back.accuracy, back.ensemble))
    words = f"{carried}its plate, by way of {fixed.name}; {_local(years)}"
    return _Route(((out, own, False), (back, day, True)), accuracy, (words,))


def _local(years: float) -> str:
    """What is left out once plates are taken care of, with its size after so many years."""
    words = (
        "motion of the ground against its plate (subsidence, slopes, plate boundaries) is not "
        f"modelled: about {_STABLE:.3f} m a year in stable areas, {10.0 * _STABLE:.2f} m a year "
        "and more where the ground is known to move"
    )
    if abs(years) < 1.0:
        return words + "."
    return (
        f"{words}; {_STABLE * abs(years):.3f} m and {10.0 * _STABLE * abs(years):.2f} m in these "
        f"{abs(years):.1f} years."
    )


def _beside_the_plate(name: str, day: float, measured: float | None) -> str:
    return f"{name} moves with its plate; {_local(day - measured if measured else 0.0)}"


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
