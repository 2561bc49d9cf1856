"""Shapes of digs: footprint and outlines in space, tolerance zones, nearest approaches."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry.polygon import orient

from asfound.clearance import GroundSurface, Solid, footprint_of, solid_of
from asfound.job.digging import ground_surface
from asfound.model import Approach, Bore, Dig, Pit, Post, Results

Floats = npt.NDArray[np.float64]

ZONE_REACH = 5.0
"""A line's tolerance zone is drawn so far beyond the dig it belongs to [m]."""
STROKE = 0.2
"""Half the stroke across a line that marks an approach where line and dig meet [m]."""
_ROUND = 24


@dataclass(frozen=True, eq=False)
class DigShape:
    """One dig as it is drawn.

    Parameters
    ----------
    footprint : shapely geometry
        What it takes in plan [m].
    outlines : tuple of (k, 3) float64
        Edges of the solid: easting, northing, height [m]. A bore has its axis first.
    """

    footprint: shapely.Geometry
    outlines: tuple[Floats, ...]


def dig_shapes(results: Results) -> tuple[DigShape, ...]:
    """Shapes of all digs that were checked, in their order."""
    if results.digs is None:
        return ()
    surface = ground_surface(results)
    return tuple(_shape(item.dig, surface) for item in results.digs.digs)


def _shape(dig: Dig, surface: GroundSurface) -> DigShape:
    solid = solid_of(dig, surface)
    footprint = footprint_of(solid)
    if isinstance(dig, Bore):
        return DigShape(footprint, _tube(solid.path, solid.left, dig.final_diameter / 2.0))
    ring = _ring(footprint, dig)
    bottom = _bottom(solid, ring, surface)
    top = _ground(surface, ring, bottom)
    low, high = np.column_stack((ring, bottom)), np.column_stack((ring, top))
    every = max(1, len(ring) // 4) if isinstance(dig, Post) else 1
    walls = [np.stack((low[k], high[k])) for k in range(0, len(ring), every)]
    return DigShape(footprint, (_closed(low), _closed(high), *walls))


def _closed(ring: Floats) -> Floats:
    return np.concatenate((ring, ring[:1]))


def _ring(footprint: shapely.Geometry, dig: Dig) -> Floats:
    """(k, 2) corners of the outside, not closed."""
    if isinstance(dig, Post):
        turn = np.arange(_ROUND) * (2.0 * np.pi / _ROUND)
        around = 0.5 * dig.diameter * np.column_stack((np.cos(turn), np.sin(turn)))
        return np.asarray(np.array([dig.easting, dig.northing]) + around)
    outer = shapely.get_parts(footprint)[0] if footprint.geom_type != "Polygon" else footprint
    return np.asarray(shapely.get_coordinates(outer.exterior)[:-1])


def _bottom(solid: Solid, ring: Floats, surface: GroundSurface) -> Floats:
    """(k,) height of the bottom under each corner [m]."""
    dig = solid.dig
    if isinstance(dig, Pit):
        return np.full(len(ring), solid.pieces.shape[0, 6])
    if isinstance(dig, Post):
        return np.full(len(ring), solid.pieces.shape[0, 3])
    assert not isinstance(dig, Bore)
    axis = np.column_stack((dig.easting, dig.northing))
    along = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(axis, axis=0).T))))
    at = shapely.line_locate_point(shapely.LineString(axis), shapely.points(ring))
    level = dig.elevation if np.isfinite(dig.elevation).all() else dig.depth
    here = np.interp(at, along, np.broadcast_to(level, (len(axis),)))
    if np.isfinite(dig.elevation).all():
        return np.asarray(here)
    # a bottom is level across: its depth counts from the ground over the axis
    foot = np.column_stack([np.interp(at, along, axis[:, k]) for k in (0, 1)])
    return np.asarray(_ground(surface, foot, np.nan) - here)


def _ground(surface: GroundSurface, place: Floats, otherwise: Floats | float) -> Floats:
    height, _ = surface.heights(place[:, 0], place[:, 1])
    return np.asarray(np.where(np.isfinite(height), height, otherwise))


def _tube(path: Floats, left: Floats, radius: float) -> tuple[Floats, ...]:
    """Axis, four lines along the wall, and a ring at each end."""
    side = np.column_stack((left, np.zeros(len(path)))) * radius
    up = np.array([0.0, 0.0, radius])
    turn = np.arange(_ROUND + 1)[:, None] * (2.0 * np.pi / _ROUND)
    rings = [path[k] + np.cos(turn) * side[k] + np.sin(turn) * up for k in (0, -1)]
    return (path, path + side, path - side, path + up, path - up, *rings)


def approach_segment(near: Approach) -> Floats:
    """(2, 3) from the dig to the line [m].

    Where the line's axis lies in the dig there is no such way: then a stroke across the line.
    """
    if np.linalg.norm(near.line_point - near.dig_point) > 0.01:
        return np.stack((near.dig_point, near.line_point))
    across = STROKE * np.array([np.cos(near.line_bearing), -np.sin(near.line_bearing), 0.0])
    return np.stack((near.line_point - across, near.line_point + across))


def tolerance_zone(results: Results, shape: DigShape, near: Approach) -> shapely.Geometry:
    """The widest zone that a rule asks for around the line near the dig; empty if none does.

    About the axis as drawn, outside edge included: the axis itself is uncertain.
    """
    widths = [answer.rule.horizontal for answer in near.rules if answer.rule.shape == "zone"]
    if not widths:
        return shapely.Polygon()
    half = max(widths) + 0.5 * near.outside_diameter
    lines = results.lines
    line = (
        lines[near.line_index]
        if near.line_index < len(lines)
        else results.plan.records[near.line_index - len(lines)]
    )
    if len(line.easting) < 2:
        return shapely.Point(near.line_point[:2]).buffer(half)
    axis = shapely.LineString(np.column_stack((line.easting, line.northing)))
    piece = axis.intersection(shape.footprint.buffer(half + ZONE_REACH))
    zone = piece.buffer(half)
    if zone.geom_type == "MultiPolygon":
        return shapely.MultiPolygon([orient(part, 1.0) for part in zone.geoms])
    return orient(zone, 1.0) if not zone.is_empty else shapely.Polygon()
