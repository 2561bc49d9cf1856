"""Tables of `digs.toml`: digs, exposures, lines from records, areas.

Lengths are metres in the job's frame, or in the unit that the file's first line names.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any, TypedDict

import numpy as np
import numpy.typing as npt
import shapely

from asfound.clearance import bore_between
from asfound.errors import SettingsError
from asfound.folder.settings import Table, day, flag, number, positive, text
from asfound.folder.settings import utility_word as utility
from asfound.model import Area, Bore, Dig, Exposure, Pit, Post, RecordLine, Trench, Utility
from asfound.units import LengthUnit

Floats = npt.NDArray[np.float64]


def length_in(unit: LengthUnit, check: Callable[[Any], float] = number) -> Callable[[Any], float]:
    """How a length in a unit is taken from a table, in metres."""
    return lambda value: check(value) * unit.metres


def points_in(unit: LengthUnit, least: int) -> Callable[[Any], Floats]:
    """How pairs of coordinates in a unit are taken from a table, (k, 2) in metres."""

    def read(value: Any) -> Floats:
        try:
            points = np.asarray(value, np.float64)
        except (TypeError, ValueError):
            points = np.empty(0)
        if points.ndim != 2 or points.shape[1] != 2 or len(points) < least:
            raise ValueError(f"at least {least} [easting, northing] pairs are needed")
        if not np.isfinite(points).all():
            raise ValueError("finite numbers are needed")
        return points * unit.metres

    return read


def _levels(table: Table, unit: LengthUnit, count: int) -> tuple[Floats, Floats]:
    """Depth and elevation at each of `count` points; the one that is not given is NaN."""
    given = [key for key in ("depth", "elevation") if key in table.values]
    table.asked |= {"depth", "elevation"}
    if len(given) != 1:
        raise SettingsError(
            "give either depth (below ground) or elevation.",
            where=table.where,
            remedy="One number for all points, or a list with one a point.",
        )

    def read(value: Any) -> Floats:
        level = np.asarray(value, np.float64) * unit.metres
        if level.ndim > 1 or (level.ndim == 1 and len(level) != count):
            raise ValueError(f"one number, or a list of {count}, is needed")
        return np.broadcast_to(level, (count,)).copy()

    level, nothing = table.take(given[0], read), np.full(count, np.nan)
    return (level, nothing) if given[0] == "depth" else (nothing, level)


class _Execution(TypedDict):
    horizontal_sd: float
    vertical_sd: float
    installs: Utility


def _execution(table: Table, unit: LengthUnit, horizontal: float) -> _Execution:
    """How well a dig keeps to the plan, and what will be laid in it."""
    return {
        "horizontal_sd": table.take("horizontal_sd", length_in(unit, positive), horizontal),
        "vertical_sd": table.take("vertical_sd", length_in(unit, positive), 0.05),
        "installs": table.take("installs", utility, Utility.UNKNOWN),
    }


def _trench(table: Table, unit: LengthUnit) -> Dig:
    points = table.take("points", points_in(unit, 2))
    depth, elevation = _levels(table, unit, len(points))
    width = np.full(len(points), table.take("width", length_in(unit, positive)))
    dig = Trench(
        name=table.take("name", text),
        easting=points[:, 0],
        northing=points[:, 1],
        width=width,
        depth=depth,
        elevation=elevation,
        **_execution(table, unit, 0.10),
        milling=table.take("milling", flag, False),
    )
    table.done()
    return following_ground(dig)


_STRIDE = 3.0
"""A trench of given depth follows the ground at least so often [m]."""


def following_ground(dig: Dig) -> Dig:
    """A trench of given depth with more points along its axis, other digs as they are.

    So its bottom follows the ground between corners.
    """
    if not isinstance(dig, Trench) or not np.isfinite(dig.depth).all():
        return dig
    points = np.column_stack((dig.easting, dig.northing))
    legs = np.hypot(*np.diff(points, axis=0).T)
    if not legs.any():
        return dig
    station = np.concatenate([[0.0], np.cumsum(legs)])
    pieces = [
        np.linspace(station[k], station[k + 1], int(np.ceil(legs[k] / _STRIDE)) + 1)[:-1]
        for k in range(len(legs))
        if legs[k] > 0
    ]
    at = np.concatenate([*pieces, station[-1:]])

    def along(values: Floats) -> Floats:
        every = np.broadcast_to(values, (len(points),))
        return np.asarray(np.interp(at, station, every))

    # where the width changes along a leg the greater holds for it, so between too
    width = np.broadcast_to(dig.width, (len(points),))
    leg = np.clip(np.searchsorted(station, at, side="right") - 1, 0, len(legs) - 1)
    return replace(
        dig,
        easting=along(dig.easting),
        northing=along(dig.northing),
        width=np.maximum(width[leg], width[leg + 1]),
        depth=along(dig.depth),
        elevation=np.full(len(at), np.nan),
    )


_ANGLES = ("entry_angle", "exit_angle", "bend_radius", "entry_elevation", "exit_elevation")


def _angle(value: Any) -> float:
    degrees = number(value)
    if not 0.0 < degrees < 90.0:
        raise ValueError("degrees below the horizontal are needed, between 0 and 90")
    return math.radians(degrees)


def _bent(table: Table, unit: LengthUnit, ends: Floats) -> tuple[Floats, Floats, Floats]:
    """Points, depths and elevations of a bore by its angles and the radius of its bends."""
    if len(ends) != 2:
        raise SettingsError(
            f"a bore by angles has two points, entry and exit; here are {len(ends)}.",
            where=table.where,
            remedy="Give entry and exit only, or all points with their levels and no angles.",
        )
    depth, elevation = (float(level[0]) for level in _levels(table, unit, 1))
    down, up = table.take("entry_angle", _angle), table.take("exit_angle", _angle)
    radius = table.take("bend_radius", length_in(unit, positive))
    by_depth = math.isfinite(depth)
    heights = [key for key in ("entry_elevation", "exit_elevation") if key in table.values]
    if by_depth and heights:
        raise SettingsError(
            f"it has {' and '.join(heights)}, but the depth of its level part.",
            where=table.where,
            remedy="Give all three by elevation; or only depth: then all counts below ground.",
        )
    table.asked |= {"entry_elevation", "exit_elevation"}
    tops = (0.0, 0.0)
    if not by_depth:
        one, other = (table.take(f"{end}_elevation", length_in(unit)) for end in ("entry", "exit"))
        tops = (one, other)
    path = bore_between(
        (float(ends[0, 0]), float(ends[0, 1]), tops[0]),
        (float(ends[1, 0]), float(ends[1, 1]), tops[1]),
        entry_angle=down,
        exit_angle=up,
        level_height=-depth if by_depth else elevation,
        bend_radius=radius,
        where=table.where,
    )
    nothing = np.full(len(path), np.nan)
    if by_depth:
        return path[:, :2], np.maximum(-path[:, 2], 0.0), nothing
    return path[:, :2], nothing, path[:, 2]


def _bore(table: Table, unit: LengthUnit) -> Bore:
    points = table.take("points", points_in(unit, 2))
    if any(key in table.values for key in _ANGLES):
        points, depth, elevation = _bent(table, unit, points)
    else:
        table.asked |= set(_ANGLES)
        depth, elevation = _levels(table, unit, len(points))
    final = table.take("final_diameter", length_in(unit, positive))
    dig = Bore(
        name=table.take("name", text),
        easting=points[:, 0],
        northing=points[:, 1],
        depth=depth,
        elevation=elevation,
        pilot_diameter=table.take("pilot_diameter", length_in(unit, positive), min(final, 0.10)),
        final_diameter=final,
        horizontal_steering=table.take("horizontal_steering", positive, 0.01),
        vertical_steering=table.take("vertical_steering", positive, 0.01),
        **_execution(table, unit, 0.05),
    )
    table.done()
    return dig


def _pit(table: Table, unit: LengthUnit) -> Pit:
    points = table.take("corners", points_in(unit, 3))
    depth, elevation = _levels(table, unit, 1)
    dig = Pit(
        name=table.take("name", text),
        easting=points[:, 0],
        northing=points[:, 1],
        depth=float(depth[0]),
        elevation=float(elevation[0]),
        **_execution(table, unit, 0.10),
    )
    table.done()
    return dig


def _post(table: Table, unit: LengthUnit) -> Post:
    depth, elevation = _levels(table, unit, 1)
    dig = Post(
        name=table.take("name", text),
        easting=table.take("easting", length_in(unit)),
        northing=table.take("northing", length_in(unit)),
        diameter=table.take("diameter", length_in(unit, positive)),
        depth=float(depth[0]),
        elevation=float(elevation[0]),
        **_execution(table, unit, 0.05),
    )
    table.done()
    return dig


def exposure_of(table: Table, unit: LengthUnit) -> Exposure:
    """An exposure."""
    table.asked.add("when")
    exposure = Exposure(
        name=table.take("name", text),
        line=table.take("line", text),
        easting=table.take("easting", length_in(unit)),
        northing=table.take("northing", length_in(unit)),
        top_depth=table.take("top_depth", length_in(unit, positive)),
        ground_height=table.take("ground_height", length_in(unit), float("nan")),
        outside_diameter=table.take("outside_diameter", length_in(unit, positive), float("nan")),
        material=table.take("material", text, ""),
        photo=table.take("photo", text, ""),
        who=table.take("who", text, ""),
        method=table.take("method", text, ""),
        when=table.take("when", day) if "when" in table.values else None,
        horizontal_sd=table.take("horizontal_sd", length_in(unit, positive), 0.02),
        vertical_sd=table.take("vertical_sd", length_in(unit, positive), 0.02),
    )
    table.done()
    return exposure


DIG_TABLES: dict[str, Callable[[Table, LengthUnit], Dig]] = {
    "trench": _trench,
    "bore": _bore,
    "pit": _pit,
    "post": _post,
}
"""How each kind of table becomes a dig."""


def record_of(table: Table, unit: LengthUnit) -> RecordLine:
    """A line that is known from records only."""
    points = table.take("points", points_in(unit, 2))
    depth = np.full(len(points), np.nan)
    if "depth" in table.values:
        depth = table.take("depth", _each(unit, len(points)))
    table.asked.add("depth")
    line = RecordLine(
        name=table.take("name", text),
        utility=table.take("utility", utility),
        easting=points[:, 0],
        northing=points[:, 1],
        depth=depth,
        horizontal_sd=table.take("horizontal_sd", length_in(unit, positive), 1.0),
        outside_diameter=table.take("outside_diameter", length_in(unit, positive), float("nan")),
        basis=table.take("basis", text, ""),
    )
    table.done()
    return line


def _each(unit: LengthUnit, count: int) -> Callable[[Any], Floats]:
    def read(value: Any) -> Floats:
        length = np.asarray(value, np.float64) * unit.metres
        if length.ndim > 1 or (length.ndim == 1 and len(length) != count):
            raise ValueError(f"one number, or a list of {count}, is needed")
        if not (length >= 0).all():
            raise ValueError("it can't be negative")
        return np.broadcast_to(length, (count,)).copy()

    return read


def area_of(table: Table, unit: LengthUnit, *, cost: float | None = None) -> Area:
    """A part of the plan.

    Parameters
    ----------
    cost : float, optional
        Of a hole in it; by default the table says.
    """
    corners = table.take("corners", _ring(unit))
    area = Area(
        easting=corners[:, 0],
        northing=corners[:, 1],
        basis=table.take("basis", text, ""),
        cost=table.take("cost", _above_zero) if cost is None else cost,
    )
    table.done()
    return area


def _ring(unit: LengthUnit) -> Callable[[Any], Floats]:
    take = points_in(unit, 3)

    def read(value: Any) -> Floats:
        corners = take(value)
        if not shapely.Polygon(corners).is_valid:
            raise ValueError("its outline crosses itself; list the corners going round")
        return corners

    return read


def _above_zero(value: Any) -> float:
    result = number(value)
    if result <= 0:
        raise ValueError("a number above zero is needed")
    return result
