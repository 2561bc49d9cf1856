"""Lines and digs cut by upright planes: what profiles along digs and sections across them show.

A straight line that meets a plane at a slant is cut in an ellipse, longer by one over the sine of
the angle; its error in plan moves the cut by as much more.

>>> import numpy as np
>>> cut = cut_line(np.array([3.0, 4.0, -1.0]), np.pi / 6, 0.0, 0.01 * np.eye(3),
...                np.zeros(2), np.array([1.0, 0.0]))
>>> round(cut.x, 4), round(cut.widening, 4), round(float(cut.covariance[0, 0]), 6)
(0.6906, 1.1547, 0.013333)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import shapely

from asfound.budget import RAYLEIGH_95
from asfound.clearance import GroundSurface, Solid
from asfound.model import Approach, Bore, Pit, Post, Results

Floats = npt.NDArray[np.float64]

LEAST_ANGLE = np.radians(12.0)
"""A line that meets a plane at less than this runs beside it: it is shown where it is nearest."""
RECORD_STEP = 2.0
ALIKE = 0.3
FARTHEST_ALONG = 4.0
LEAST_WAY = 0.05


@dataclass(frozen=True, eq=False)
class Cut:
    """A line where an upright plane cuts it, or beside it.

    Parameters
    ----------
    x, height : float
        Along the plane, and of the line's axis [m].
    covariance : (2, 2) float64
        Of both [m2].
    widening : float
        Factor by which the plane cuts the line wider than it is.
    through : bool
        False where the line runs beside the plane, and is only projected on it.
    """

    x: float
    height: float
    covariance: Floats
    widening: float
    through: bool

    def ring(self, corners: int = 48) -> Floats:
        """(corners, 2) outline of the 95 % ellipse of the axis: x, height [m]."""
        values, vectors = np.linalg.eigh(self.covariance)
        turn = np.arange(corners) * (2.0 * np.pi / corners)
        half = RAYLEIGH_95 * np.sqrt(np.maximum(values, 0.0))
        around = (vectors * half) @ np.stack([np.cos(turn), np.sin(turn)])
        return np.asarray(around.T + np.array([self.x, self.height]))


def cut_line(
    point: Floats,
    bearing: float,
    slope: float,
    covariance: Floats,
    origin: Floats,
    along: Floats,
    *,
    through: bool = True,
) -> Cut:
    """A straight line cut by an upright plane.

    Parameters
    ----------
    point : (3,) float64
        Of the line's axis: easting, northing, height [m].
    bearing, slope : float
        Grid bearing [rad]; rise per metre in plan.
    covariance : (3, 3) float64
        Of the axis at that point [m2].
    origin, along : (2,) float64
        A point of the plane in plan [m], and its direction (unit).
    through : bool
        False: the point is projected on the plane, square to it, whatever the angle.
    """
    run = np.array([np.sin(bearing), np.cos(bearing), slope])
    normal = np.array([-along[1], along[0], 0.0])
    rows = np.array([[along[0], along[1], 0.0], [0.0, 0.0, 1.0]])
    facing = float(run @ normal)
    apart = np.array([point[0] - origin[0], point[1] - origin[1], point[2]])
    if through and abs(facing) >= np.sin(LEAST_ANGLE):
        slide = np.eye(3) - np.outer(run, normal) / facing
        x, height = rows @ (slide @ apart)
        jacobian = rows @ slide
        widening = 1.0 / abs(facing)
    else:
        through = False
        x, height = rows @ apart
        flat = np.array([run[0], run[1], 0.0])
        jacobian = rows @ (np.eye(3) - np.outer(flat, flat))
        widening = 1.0
    return Cut(float(x), float(height), jacobian @ covariance @ jacobian.T, widening, through)


@dataclass(frozen=True, eq=False)
class Course:
    """A line's axis as the check believed it, also where a height had to be assumed.

    Parameters
    ----------
    axis : (m, 3) float64
    covariance : (m, 3, 3) float64
    """

    axis: Floats
    covariance: Floats

    @property
    def along(self) -> Floats:
        """(m,) length in plan to each vertex [m]."""
        return np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(self.axis[:, :2], axis=0).T))))


def course(results: Results, near: Approach, surface: GroundSurface) -> Course:
    """The axis of a line near a dig, located or from records.

    Where heights are not known, the line lies below ground by the depth that the check assumed.
    """
    depth = near.ground_height - near.line_point[2]
    if near.line_index < len(results.lines):
        line = results.lines[near.line_index]
        axis = np.column_stack([line.easting, line.northing, line.height])
        if np.isfinite(axis).all():
            return Course(axis, line.covariance)
        height, _ = surface.heights(axis[:, 0], axis[:, 1])
        axis[:, 2] = np.where(np.isfinite(height), height, near.ground_height) - depth
        return Course(axis, np.broadcast_to(near.line_covariance, (len(axis), 3, 3)))
    record = results.plan.records[near.line_index - len(results.lines)]
    plan = np.column_stack([record.easting, record.northing])
    dense = shapely.get_coordinates(shapely.segmentize(shapely.linestrings(plan), RECORD_STEP))
    height, _ = surface.heights(dense[:, 0], dense[:, 1])
    height = np.where(np.isfinite(height), height, near.ground_height)
    given = np.broadcast_to(np.asarray(record.depth, np.float64), (len(plan),))
    below = np.full(len(dense), depth)
    if np.isfinite(given).any():
        known = np.isfinite(given)
        at = shapely.line_locate_point(shapely.LineString(plan), shapely.points(dense))
        step = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(plan, axis=0).T))))
        below = np.interp(at, step[known], given[known])
    axis = np.column_stack([dense, height - below])
    return Course(axis, np.broadcast_to(near.line_covariance, (len(axis), 3, 3)))


def plan_stations(solid: Solid) -> Floats:
    """(m,) length in plan to each point of a trench's or bore's axis [m]."""
    return np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(solid.outline, axis=0).T))))


def dig_stations(solid: Solid) -> Floats:
    """(m,) station of each point of the axis as approaches count it: of a bore, length bored."""
    return solid.path_station if isinstance(solid.dig, Bore) else plan_stations(solid)


def place_on(solid: Solid, station: float) -> tuple[Floats, Floats]:
    """Place and direction (unit) of a trench's or bore's axis in plan at a station."""
    stations = dig_stations(solid)
    place = np.array([np.interp(station, stations, solid.outline[:, k]) for k in (0, 1)])
    leg = int(np.clip(np.searchsorted(stations, station, side="right") - 1, 0, len(stations) - 2))
    run = solid.outline[leg + 1] - solid.outline[leg]
    size = float(np.hypot(*run))
    return place, run / size if size > 0 else np.array([0.0, 1.0])


def profile_cuts(near: Approach, line: Course, solid: Solid) -> list[Cut]:
    """A line in the profile along a dig: each place where it crosses, or else the nearest.

    Returns
    -------
    list of Cut
        `x` is the station along the dig.
    """
    axis = shapely.LineString(solid.outline)
    if axis.length == 0 or len(line.axis) < 2:
        return [_beside(near, solid)]
    trace = shapely.LineString(line.axis[:, :2])
    met = shapely.intersection(axis, trace)
    points = [part for part in shapely.get_parts(met) if part.geom_type == "Point"]
    plan, stations = plan_stations(solid), dig_stations(solid)
    found: list[Cut] = []
    for point in points:
        station = float(np.interp(shapely.line_locate_point(axis, point), plan, stations))
        if any(abs(station - other.x) < ALIKE for other in found):
            continue
        at = float(shapely.line_locate_point(trace, point))
        cut = _cut_at(line, at, *place_on(solid, station))
        found.append(replace(cut, x=station))
    return sorted(found, key=lambda cut: cut.x) or [_beside(near, solid)]


def _cut_at(line: Course, at: float, origin: Floats, along: Floats) -> Cut:
    """The line cut by a plane where it is `at` along in plan."""
    length = line.along
    k = int(np.clip(np.searchsorted(length, at, side="right") - 1, 0, len(length) - 2))
    step = length[k + 1] - length[k]
    share = (at - length[k]) / step if step > 0 else 0.0
    point = (1.0 - share) * line.axis[k] + share * line.axis[k + 1]
    covariance = (1.0 - share) * line.covariance[k] + share * line.covariance[k + 1]
    run = line.axis[k + 1] - line.axis[k]
    slope = float(run[2] / step) if step > 0 else 0.0
    bearing = float(np.arctan2(run[0], run[1]))
    return cut_line(point, bearing, slope, covariance, origin, along)


def _beside(near: Approach, solid: Solid) -> Cut:
    """Nearest place of a line that doesn't cross; one beyond an end is cut by the plane there."""
    origin, along = place_on(solid, near.dig_station)
    total = float(dig_stations(solid)[-1])
    ahead = float((near.line_point[:2] - origin) @ along)
    beyond = (near.dig_station <= ALIKE and ahead < 0.0) or (
        near.dig_station >= total - ALIKE and ahead > 0.0
    )
    aside = abs(float((near.line_point[:2] - origin) @ np.array([-along[1], along[0]])))
    cut = cut_line(
        near.line_point,
        near.line_bearing,
        0.0,
        near.line_covariance,
        origin,
        along,
        through=beyond and aside <= abs(ahead),
    )
    return replace(cut, x=near.dig_station + cut.x)


@dataclass(frozen=True, eq=False)
class Section:
    """An upright plane across a dig where a line comes nearest.

    Parameters
    ----------
    origin, along : (2,) float64
        In plan [m]; `along` (unit) points to the line.
    cuts : tuple of (int, Cut)
        Lines that the plane meets, by their place in the dig's approaches.
    """

    origin: Floats
    along: Floats
    cuts: tuple[tuple[int, Cut], ...]


def section_through(solid: Solid, approaches: Sequence[Approach], chosen: int) -> Section:
    """The plane across a dig through one line's nearest approach.

    From a trench or bore straight to the line, across the dig where they meet in plan; of a pit
    or post, square to the line.
    """
    near = approaches[chosen]
    across = np.array([np.cos(near.line_bearing), -np.sin(near.line_bearing)])
    if isinstance(solid.dig, Post):
        origin = solid.outline[0]
    elif isinstance(solid.dig, Pit):
        origin = near.dig_point[:2]
    else:
        origin, run = place_on(solid, near.dig_station)
        way = near.line_point[:2] - near.dig_point[:2]
        apart = float(np.hypot(*way))
        across = way / apart if apart > LEAST_WAY else np.array([run[1], -run[0]])
    if (near.line_point[:2] - origin) @ across < 0:
        across = -across
    cuts = []
    for place, other in enumerate(approaches):
        cut = cut_line(
            other.line_point, other.line_bearing, 0.0, other.line_covariance, origin, across
        )
        gone = abs((other.line_point[:2] - origin) @ np.array([-across[1], across[0]]))
        if place == chosen or (cut.through and gone * cut.widening <= FARTHEST_ALONG):
            cuts.append((place, cut))
    return Section(origin, across, tuple(cuts))


def chord(footprint: shapely.Geometry, section: Section, reach: float) -> list[tuple[float, float]]:
    """Where a section meets a dig's footprint: from and to along the plane [m]."""
    ends = section.origin + np.outer([-reach, reach], section.along)
    met = shapely.intersection(footprint, shapely.LineString(ends))
    found = []
    for part in shapely.get_parts(met):
        if part.geom_type == "LineString" and part.length > 0:
            x = (shapely.get_coordinates(part) - section.origin) @ section.along
            found.append((float(x.min()), float(x.max())))
    return sorted(found)


@dataclass(frozen=True, eq=False)
class Levels:
    """A dig along its axis.

    Parameters
    ----------
    station : (m,) float64
        Along the dig [m].
    ground : (m,) float64
        Height of the ground [m]; NaN where it is not known.
    bottom, top : (m,) float64
        Heights of the dig [m]; of an open dig the top is the ground.
    horizontal_sd, vertical_sd : (m,) float64
        Of the digging, with the ground's doubt where depths count from it [m].
    """

    station: Floats
    ground: Floats
    bottom: Floats
    top: Floats
    horizontal_sd: Floats
    vertical_sd: Floats


def dig_levels(solid: Solid, surface: GroundSurface, step: float = 0.5) -> Levels:
    """Ground, bottom and top along a trench or bore, and how far the digging may stray.

    Parameters
    ----------
    step : float
        Between stations, about [m].
    """
    stations = dig_stations(solid)
    total = float(stations[-1])
    count = int(np.clip(np.ceil(total / step), 2, 2000))
    at = np.unique(np.concatenate([np.linspace(0.0, total, count + 1), stations]))
    east, north = (np.interp(at, stations, solid.outline[:, k]) for k in (0, 1))
    ground, _ = surface.heights(east, north)
    dig = solid.dig
    sideways = np.full(len(at), solid.horizontal_sd)
    height = np.full(len(at), solid.vertical_sd)
    if isinstance(dig, Bore):
        middle = np.interp(at, stations, solid.path[:, 2])
        bottom, top = middle - 0.5 * dig.final_diameter, middle + 0.5 * dig.final_diameter
        sideways = np.hypot(sideways, dig.horizontal_steering * at)
        height = np.hypot(height, dig.vertical_steering * at)
    else:
        legs = solid.pieces.station[:, 1] > solid.pieces.station[:, 0]
        shape, ends = solid.pieces.shape[legs], solid.pieces.station[legs]
        known = np.column_stack([shape[:, 6], shape[:, 6] + shape[:, 7] * shape[:, 4]])
        bottom = np.interp(at, ends.ravel(), known.ravel())
        top = ground
    if len(solid.ground_station):
        height = np.hypot(height, np.interp(at, solid.ground_station, solid.ground_sd))
    return Levels(at, ground, bottom, top, sideways, height)


def level_bottom(solid: Solid) -> float:
    """Height of the bottom of a pit or post [m]."""
    return float(solid.pieces.shape[0, 3 if isinstance(solid.dig, Post) else 6])
