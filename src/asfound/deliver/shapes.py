"""Shapes in plan: axis and envelope of a line, ellipse and tick of a shot."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry.polygon import orient

from asfound.budget import NORMAL_95
from asfound.model import Ground, Line

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class LineShape:
    """Axis and envelope of a line.

    Parameters
    ----------
    easting, northing, height : (m,) float64
        Axis [m]; height NaN where not known.
    longitude, latitude : (m,) float64
        [deg].
    ellipsoidal_height : (m,) float64
        [m].
    across_95, vertical_95 : (m,) float64
        Half-width and half-height of the envelope [m]: the axis is within it with 95 % at each
        station.
    envelope : shapely geometry
        Polygon or multipolygon [m].
    """

    easting: Floats
    northing: Floats
    height: Floats
    longitude: Floats
    latitude: Floats
    ellipsoidal_height: Floats
    across_95: Floats
    vertical_95: Floats
    envelope: shapely.Geometry

    @property
    def has_heights(self) -> bool:
        """True if every vertex of the axis has a height."""
        return bool(np.isfinite(self.height).all())


def line_shape(
    line: Line,
    ground: Ground,
    to_geographic: Callable[[Floats, Floats], tuple[Floats, Floats]],
) -> LineShape:
    """Axis and envelope of a line."""
    across, up = envelope_95(line.covariance, line.bearing)
    longitude, latitude = to_geographic(line.easting, line.northing)
    # The geoid is smooth: between shots its height above the ellipsoid is interpolated.
    above = (ground.ellipsoidal_height - ground.height)[line.shots]
    known = np.isfinite(above) & np.isfinite(line.station)
    order = np.argsort(line.station[known], kind="stable")
    if len(order):
        separation = np.interp(line.axis_station, line.station[known][order], above[known][order])
    else:
        separation = np.full(len(line.axis_station), np.nan)
    return LineShape(
        easting=line.easting,
        northing=line.northing,
        height=line.height,
        longitude=longitude,
        latitude=latitude,
        ellipsoidal_height=line.height + separation,
        across_95=across,
        vertical_95=up,
        envelope=tube(line.easting, line.northing, line.bearing, across),
    )


def envelope_95(covariance: Floats, bearing: Floats) -> tuple[Floats, Floats]:
    """95 % half-width across a bearing and half-height.

    Parameters
    ----------
    covariance : (m, 3, 3) float64
        East, north, up [m2].
    bearing : (m,) float64
        Grid bearing [rad].

    Returns
    -------
    across, up : (m,) float64
        [m].
    """
    normal = np.column_stack([np.cos(bearing), -np.sin(bearing)])
    variance = np.einsum("mi,mij,mj->m", normal, covariance[:, :2, :2], normal)
    up = covariance[:, 2, 2]
    with np.errstate(invalid="ignore"):
        return NORMAL_95 * np.sqrt(variance), NORMAL_95 * np.sqrt(up)


def tube(
    easting: Floats, northing: Floats, bearing: Floats, half_width: Floats
) -> shapely.Geometry:
    """The area within `half_width` of an axis, measured across it.

    Parameters
    ----------
    easting, northing, half_width : (m,) float64
        [m]; at least two vertices.
    bearing : (m,) float64
        Of the axis [rad].

    Returns
    -------
    shapely.Polygon or shapely.MultiPolygon
        Valid, counter-clockwise outside.
    """
    right = (
        np.column_stack([np.cos(bearing), -np.sin(bearing)]) * np.nan_to_num(half_width)[:, None]
    )
    axis = np.column_stack([easting, northing])
    if len(axis) < 2:
        return shapely.Polygon()
    ring = np.concatenate([axis + right, (axis - right)[::-1]])
    polygon = shapely.polygons(ring)
    if not shapely.is_valid(polygon) or shapely.area(polygon) == 0.0:
        # Sides fold over one another at a sharp bend: join the pieces between vertices instead.
        left, rightward = axis - right, axis + right
        pieces = np.stack([rightward[:-1], rightward[1:], left[1:], left[:-1]], axis=1)
        hulls = shapely.convex_hull(shapely.polygons(pieces))
        polygon = shapely.normalize(shapely.union_all(hulls))
    return _counter_clockwise(polygon)


def _counter_clockwise(geometry: shapely.Geometry) -> shapely.Geometry:
    """Outer rings counter-clockwise, as RFC 7946 wants them."""
    # Where an axis doubles back on itself, pieces without any width are left over: not an area.
    areas = [part for part in shapely.get_parts(geometry) if part.geom_type == "Polygon"]
    if len(areas) == 1:
        return orient(areas[0], 1.0)
    return shapely.MultiPolygon([orient(part, 1.0) for part in areas])


def ellipse_ring(ellipse: Floats, corners: int = 48) -> Floats:
    """Outline of error ellipses about the origin.

    Parameters
    ----------
    ellipse : (n, 3) float64
        Semi-major, semi-minor [m], grid bearing of the major axis [rad].
    corners : int

    Returns
    -------
    outline : (n, corners, 2) float64
        East, north of the corners [m]; not closed.
    """
    angle = np.arange(corners) * (2.0 * np.pi / corners)
    along = ellipse[:, 0, None] * np.cos(angle)
    across = ellipse[:, 1, None] * np.sin(angle)
    sine, cosine = np.sin(ellipse[:, 2, None]), np.cos(ellipse[:, 2, None])
    return np.stack([along * sine + across * cosine, along * cosine - across * sine], axis=-1)
