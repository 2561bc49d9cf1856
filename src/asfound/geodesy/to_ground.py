"""Shots to ground points under the pole's tip, in the job's frame.

antenna in the upload's frame -> ellipsoidal height -> down the pole -> frame change at the
shot's epoch -> projection -> the job's heights.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from pyproj import CRS, Transformer

from asfound.errors import FrameError
from asfound.geodesy import _pipelines
from asfound.geodesy.ellipsoid import Ellipsoid
from asfound.geodesy.factors import spread_factors
from asfound.geodesy.frames import (
    frame_of,
    horizontal_of,
    is_dynamic,
    resolve_frame,
)
from asfound.geodesy.heights import GeoidModel
from asfound.geodesy.job_grid import JobGrid, angle_units, degrees_of, job_grid
from asfound.geodesy.lever_arm import move_local, tip_offset
from asfound.geodesy.operations import FrameChange, choose_operation
from asfound.geodesy.places import place_of
from asfound.geodesy.upload_heights import height_model, job_heights, to_ellipsoid
from asfound.model import Frame, Ground, JobSettings, Operation, Shots, Source
from asfound.units import decimal_year

Floats = npt.NDArray[np.float64]

# Fastest that plates move over the ground [m/a]: the Pacific plate past Tonga and Australia
# does about 0.07 in ITRF2014 (Altamimi and others 2017, ITRF2014 plate motion model).
_FASTEST_PLATE = 0.08
_EPOCH_SLACK = 0.25  # years between a job's epoch and a shot's that no one needs to move plates for


def to_ground(shots: Shots, sources: Sequence[Source], settings: JobSettings) -> Ground:
    """Ground point of every shot in the job's frame.

    Parameters
    ----------
    shots : Shots
        n shots.
    sources : sequence of Source
        Uploads that `shots.source` points to.
    settings : JobSettings
        `frame` and `grids` are used.

    Returns
    -------
    Ground
        n points, in the order of `shots`; NaN where a quantity could not be computed: no
        position, outside a grid or projection, or (heights only) no height, or an antenna
        without its height.

    Raises
    ------
    FrameError
        If a frame, epoch, grid or operation is missing or not good enough.

    Notes
    -----
    A `Source`'s declared epoch holds for all its rows; without one each shot's own time is its
    epoch. Shots without a height are transformed as if on the ellipsoid (this moves them by less
    than a millimetre) and keep no height.
    """
    uploads = [
        _Upload(
            source=source,
            rows=np.flatnonzero(shots.source == k),
        )
        for k, source in enumerate(sources)
    ]
    if sum(len(upload.rows) for upload in uploads) != len(shots):
        raise FrameError("some shots belong to no upload.", remedy="Read the job's uploads again.")
    whole = len(uploads) == 1
    points = []
    for upload in uploads:
        part = shots if whole else shots.take(upload.rows)
        source = upload.source
        antenna = source.position_of == "antenna"
        height = part.antenna_height
        if antenna and not np.isnan(source.antenna_height):
            height = np.where(np.isfinite(height), height, source.antenna_height)
        points.append(
            _Points(
                source=source,
                x=part.x,
                y=part.y,
                height=part.height,
                time=part.time,
                row=part.row,
                antenna_height=height if antenna else None,
                tilt=part.tilt,
                tilt_bearing=part.tilt_bearing,
            )
        )
    return _assemble([u.rows for u in uploads], points, len(shots), settings)


def points_to_ground(
    x: Floats,
    y: Floats,
    height: Floats,
    time: npt.NDArray[np.datetime64],
    source: Source,
    settings: JobSettings,
) -> Ground:
    """Points on the ground (a sweep's ends, a staked point) in the job's frame.

    Parameters
    ----------
    x, y, height : (n,) float64
        In the upload's frame, as in `Shots`.
    time : (n,) datetime64
    source : Source
        Whose frame it is; its antenna is left out.
    settings : JobSettings

    Raises
    ------
    FrameError
        As `to_ground`.
    """
    count = len(x)
    nothing = np.full(count, np.nan)
    points = _Points(
        source=source,
        x=x,
        y=y,
        height=height,
        time=time,
        row=np.arange(1, count + 1, dtype=np.int32),
        antenna_height=None,
        tilt=nothing,
        tilt_bearing=nothing,
    )
    return _assemble([np.arange(count)], [points], count, settings)


@dataclass(frozen=True, eq=False)
class _Upload:
    source: Source
    rows: npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class _Points:
    """Positions of one upload; `antenna_height` None: already on the ground."""

    source: Source
    x: Floats
    y: Floats
    height: Floats
    time: npt.NDArray[np.datetime64]
    row: npt.NDArray[np.int32]
    antenna_height: Floats | None
    tilt: Floats
    tilt_bearing: Floats

    @property
    def where(self) -> str:
        source = self.source
        return f"upload {source.tag}" + (f" ({source.file})" if source.file else "")


def _assemble(
    rows: list[npt.NDArray[np.int64]],
    parts: list[_Points],
    count: int,
    settings: JobSettings,
) -> Ground:
    opened = [_open(part) for part in parts]
    place = place_of(
        np.concatenate([o.longitude for o in opened] or [np.empty(0)]),
        np.concatenate([o.latitude for o in opened] or [np.empty(0)]),
    )
    grid = job_grid(settings.frame, place, settings.grids)
    longitude, latitude, ellipsoidal, height, epoch = (np.full(count, np.nan) for _ in range(5))
    operation = np.full(count, -1, np.int16)
    operations: list[Operation] = []
    flat: list[str] = []
    for row, part, start in zip(rows, parts, opened, strict=True):
        if not len(row):
            continue
        moved = _move(part, start, grid, settings)
        if moved.operation not in operations:
            operations.append(moved.operation)
        operation[row] = operations.index(moved.operation)
        longitude[row], latitude[row] = moved.longitude, moved.latitude
        ellipsoidal[row], height[row] = moved.ellipsoidal_height, moved.height
        epoch[row] = moved.epoch
        if moved.flat and moved.flat not in flat:
            flat.append(moved.flat)
    easting, northing = grid.project(longitude, latitude)
    lost = ~(np.isfinite(easting) & np.isfinite(northing))
    longitude, latitude = grid.degrees(longitude, latitude)
    if lost.any():
        for values in (easting, northing, longitude, latitude, ellipsoidal, height):
            values[lost] = np.nan
    convergence, scale = spread_factors(grid.project_degrees, longitude, latitude, grid.ellipsoid)
    return Ground(
        easting=easting,
        northing=northing,
        height=height,
        longitude=longitude,
        latitude=latitude,
        ellipsoidal_height=ellipsoidal,
        convergence=convergence,
        combined_factor=scale * elevation_factor(latitude, ellipsoidal, grid.ellipsoid),
        epoch=epoch,
        operation=operation,
        operations=tuple(operations),
        unit_metres=grid.unit_metres,
        vertical_reference=_vertical_reference(grid, flat),
    )


def _vertical_reference(grid: JobGrid, flat: list[str]) -> str:
    if flat and grid.height_kind == "ellipsoidal":
        return (
            f"ellipsoidal height of {', '.join(flat)} (the change to {grid.frame.name} is "
            "horizontal only); no geoid model"
        )
    return grid.vertical_reference


def elevation_factor(latitude: Floats, ellipsoidal_height: Floats, ellipsoid: Ellipsoid) -> Floats:
    """Ellipsoid distance / ground distance, R / (R + h) with R the mean radius of curvature.

    Parameters
    ----------
    latitude : (n,) float64
        [deg].
    ellipsoidal_height : (n,) float64
        [m].
    """
    meridian, prime_vertical = ellipsoid.radii(np.sin(np.radians(latitude)) ** 2)
    radius = np.sqrt(meridian * prime_vertical)
    return np.asarray(radius / (radius + ellipsoidal_height))


@dataclass(frozen=True, eq=False)
class _Opened:
    """Positions of one upload as angles of its own frame."""

    crs: CRS
    frame: CRS
    longitude: Floats  # degrees east of Greenwich
    latitude: Floats
    unit: float
    meridian: float


def _open(part: _Points) -> _Opened:
    crs = resolve_frame(part.source.frame.crs, where=part.where)
    frame = frame_of(crs, where=part.where)
    horizontal = horizontal_of(crs)
    unit, meridian = angle_units(frame)
    x, y = part.x, part.y
    if horizontal.is_projected:
        inverse = Transformer.from_crs(horizontal, frame.to_2d(), always_xy=True)
        x, y = (np.asarray(v) for v in inverse.transform(x, y, errcheck=False))
        bad = ~(np.isfinite(x) & np.isfinite(y))
        if bad.any():
            x, y = np.where(bad, np.nan, x), np.where(bad, np.nan, y)
    longitude, latitude = degrees_of(x, y, unit, meridian)
    return _Opened(crs, frame, longitude, latitude, unit, meridian)


@dataclass(frozen=True, eq=False)
class _Moved:
    longitude: Floats  # of the job's frame, its own units
    latitude: Floats
    ellipsoidal_height: Floats
    height: Floats
    epoch: Floats | float
    operation: Operation
    flat: str = ""  # frame whose ellipsoidal heights were kept by a horizontal frame change


def _move(part: _Points, start: _Opened, grid: JobGrid, settings: JobSettings) -> _Moved:
    source, where = part.source, part.where
    place = place_of(start.longitude, start.latitude)
    if place is None:
        _refuse_impossible(part, start)
        nothing = np.full(len(part.x), np.nan)
        idle = Operation(start.frame.name, grid.crs.name, "no positions", 0.0, "+proj=noop")
        return _Moved(nothing, nothing, nothing, nothing, float("nan"), idle)
    change = choose_operation(
        start.frame,
        grid.frame,
        place,
        grids=settings.grids,
        position_accuracy=source.position_accuracy,
        where=where,
    )
    geoid, kept = height_model(source.frame, start.crs, grid, change, place, settings.grids, where)
    ellipsoidal = to_ellipsoid(part.height, source.frame, geoid, start.longitude, start.latitude)

    longitude, latitude = start.longitude, start.latitude
    kept_height = part.height
    if part.antenna_height is not None:
        east, north, up = tip_offset(part.antenna_height, part.tilt, part.tilt_bearing)
        kept_height = kept_height + up
        east, north = np.nan_to_num(east), np.nan_to_num(north)  # no height: as if vertical
        if east.any() or north.any():
            longitude, latitude, ellipsoidal = move_local(
                longitude, latitude, ellipsoidal, east, north, up, Ellipsoid.of(start.frame)
            )
        else:
            ellipsoidal = ellipsoidal + up

    epoch, words = _epochs(part, start.frame, grid, change, settings.frame)
    if start.unit != 1.0 or start.meridian != 0.0:
        longitude = (longitude - start.meridian) / start.unit
        latitude = latitude / start.unit
    if change.steps:
        when = epoch if change.needs_epoch else 0.0
        out = change.transformer().transform(
            longitude,
            latitude,
            np.nan_to_num(ellipsoidal),
            np.broadcast_to(np.asarray(when, np.float64), longitude.shape),
            errcheck=False,
        )
        lost = ~(np.isfinite(out[0]) & np.isfinite(out[1]))
        longitude, latitude, up_there = (np.asarray(v) for v in out[:3])
        if lost.any():
            longitude, latitude, up_there = (
                np.where(lost, np.nan, v) for v in (longitude, latitude, up_there)
            )
        ellipsoidal = np.where(np.isfinite(ellipsoidal), up_there, np.nan)
    height = job_heights(kept_height if kept else None, ellipsoidal, longitude, latitude, grid)
    if kept:
        ellipsoidal = np.full_like(ellipsoidal, np.nan)
    return _Moved(
        longitude=longitude,
        latitude=latitude,
        ellipsoidal_height=ellipsoidal,
        height=height,
        epoch=epoch,
        operation=_record(change, grid, geoid, source, words),
        flat=start.frame.name if change.horizontal_only else "",
    )


def _refuse_impossible(part: _Points, start: _Opened) -> None:
    """Stop where an upload has coordinates and not one of them can be in its frame."""
    finite = np.flatnonzero(np.isfinite(part.x) & np.isfinite(part.y))
    if len(finite):
        k = finite[0]
        raise FrameError(
            f"no position can be in {start.crs.name}: row {part.row[k]} has "
            f"{part.x[k]:.8g} east and {part.y[k]:.8g} north.",
            where=part.where,
            remedy="Check the declared frame and its unit, and that eastings (longitudes) and "
            "northings (latitudes) are not swapped.",
        )


def _epochs(
    part: _Points, source_frame: CRS, grid: JobGrid, change: FrameChange, job: Frame
) -> tuple[Floats | float, str]:
    """Decimal year of each position (or one for all, NaN if not needed), and in words."""
    job_moves = is_dynamic(grid.frame) and job.epoch is not None
    if not change.needs_epoch and not (job_moves and is_dynamic(source_frame)):
        return float("nan"), "not needed"
    declared = part.source.frame.epoch
    if declared is not None:
        epoch: Floats | float = declared
        words = f"{declared:g}"
    else:
        epoch = decimal_year(part.time)
        words = "each shot at its own time"
        missing = ~np.isfinite(epoch) & np.isfinite(part.x) & np.isfinite(part.y)
        if missing.any():
            raise FrameError(
                f"{_rows_in_words(part.row[missing])} no time, so the epoch of their coordinates "
                f"in {source_frame.name} is not known; a year is worth centimetres.",
                where=part.where,
                remedy="Declare the epoch for the whole upload (epoch = decimal year of the "
                "work, such as 2026.9), or map the column that holds the time.",
            )
    if job_moves and job.epoch is not None:
        away = float(np.nanmax(np.abs(np.asarray(epoch) - job.epoch), initial=0.0))
        if away > _EPOCH_SLACK:
            raise FrameError(
                f"the job is in {grid.frame.name} at {job.epoch:g}, through which plates move; "
                f"shots are up to {away:.2f} years ({away * _FASTEST_PLATE * 100:.0f} cm at most) "
                "away, and asfound does not move points with their plate.",
                where=part.where,
                remedy="Give the job a CRS on a plate-fixed frame (NAD83(2011), ETRF2000, GDA2020 "
                "...), or leave out the job's epoch.",
            )
    return epoch, words


def _rows_in_words(rows: npt.NDArray[np.int32]) -> str:
    if len(rows) == 1:
        return f"row {rows[0]} has"
    shown = ", ".join(str(r) for r in rows[:5])
    more = f" and {len(rows) - 5} more" if len(rows) > 5 else ""
    return f"rows {shown}{more} have"


def _record(
    change: FrameChange, grid: JobGrid, geoid: GeoidModel | None, source: Source, words: str
) -> Operation:
    """The whole way as a record: frame change and projection, heights named beside them.

    What the upload's own label carries into the budget (`position_accuracy`) is not counted
    here again.
    """
    stated = max(change.accuracy, change.ensemble)
    accuracy = math.sqrt(max(0.0, stated**2 - source.position_accuracy**2))
    models = [m for m in (geoid, grid.geoid) if m is not None]
    name = change.name
    if change.ensemble and source.position_accuracy:
        name += f" (the {change.ensemble:g} m of this name is carried by the upload's own label)"
    return Operation(
        source=change.source,
        target=grid.crs.name,
        name=name,
        accuracy=accuracy,
        definition=_pipelines.join([change.definition, grid.projection.definition]),
        grids=tuple(dict.fromkeys([*change.grids, *(g for m in models for g in m.grids)])),
        epoch=words,
    )
