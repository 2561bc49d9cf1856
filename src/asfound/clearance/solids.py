"""Digs as solids: convex pieces with bottoms at heights, and how far the digging may stray."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import shapely

from asfound.clearance._pieces import DISC, SLAB, TUBE, WEDGE, Pieces
from asfound.clearance._polygons import ring_of, triangles_of
from asfound.errors import InputError
from asfound.model import Bore, Dig, Pit, Post, Terrain, Trench

Floats = npt.NDArray[np.float64]

GROUND_STEP = 2.0
HAIRLINE = 0.002
"""What lies open between legs of a trench is narrower than twice this share of its half width."""
ABOVE_GROUND = 0.05
# No trench, post, pit or bore of this trade lies deeper [m]: whoever says so has mixed up units or
# heights (common practice, no source; deep bores under rivers reach about half).
DEEPEST = 100.0
_CHECK_LEVELS = "Check the elevations' vertical reference and unit against the job's."
# How far apart the ground's doubt is alike [m]: that of what is guessed between or beyond surveyed
# points, not of the survey as a whole. Common practice, no source.
GROUND_ALIKE = 10.0


@dataclass(frozen=True, eq=False)
class Solid:
    """A dig as convex pieces.

    Parameters
    ----------
    dig : Dig
    pieces : Pieces
    outline : (m, 2) float64
        Axis of a trench or bore, closed ring of a pit, place of a post: stations run along it.
    path : (m, 3) float64
        A bore's path; empty for other digs.
    left : (m, 2) float64
        Unit vectors to the left of the path at its points.
    horizontal_sd, vertical_sd : float
        Of the whole dig at once [m]; of a pit or post with the ground's doubt where its depth
        counts from ground.
    ground_station, ground_sd : (g,) float64
        Doubt of the ground along a trench or bore whose depths count from it [m]; empty for
        others.
    """

    dig: Dig
    pieces: Pieces
    outline: Floats
    path: Floats
    left: Floats
    horizontal_sd: float
    vertical_sd: float
    ground_station: Floats = field(default_factory=lambda: np.empty(0))
    ground_sd: Floats = field(default_factory=lambda: np.empty(0))

    def ground_root(self, station: Floats) -> Floats:
        """What the ground's doubt does to the dig's height at stations.

        Parameters
        ----------
        station : (k,) float64
            Along the dig [m].

        Returns
        -------
        (k, r) float64
            Heights move by this times r independent standard normal numbers [m].

        Notes
        -----
        The doubt is alike over `GROUND_ALIKE`: ends that leave the surveyed ground on two sides
        do not stray together, nor does the middle with them.
        """
        if len(self.ground_station) == 0 or len(station) == 0:
            return np.empty((len(station), 0))
        sd = np.interp(station, self.ground_station, self.ground_sd)
        apart = (station[:, None] - station[None, :]) / GROUND_ALIKE
        values, vectors = np.linalg.eigh(np.outer(sd, sd) * np.exp(-0.5 * apart**2))
        keep = values > 1e-4 * values[-1]
        root = vectors[:, keep][:, ::-1] * np.sqrt(values[keep][::-1])
        # what was left out is given back, so that no place is surer than its own doubt
        size = np.sqrt(np.sum(root**2, axis=1))
        return np.asarray(root * (sd / np.maximum(size, 1e-300))[:, None])

    def stations_of(self, points: Floats) -> Floats:
        """(k,) station of the dig's axis nearest in plan to each of (k, 2 or 3) points [m]."""
        if len(self.outline) < 2:
            return np.zeros(len(points))
        return np.asarray(
            shapely.line_locate_point(
                shapely.LineString(self.outline), shapely.points(points[:, :2])
            )
        )

    def stray(self, station: Floats) -> Floats:
        """Greatest standard deviation of the dig's straying at stations along it [m]."""
        sideways = np.full(len(station), self.horizontal_sd)
        height = np.full(len(station), self.vertical_sd)
        if isinstance(self.dig, Bore):
            sideways = np.hypot(sideways, self.dig.horizontal_steering * station)
            height = np.hypot(height, self.dig.vertical_steering * station)
        if len(self.ground_station):
            height = np.hypot(height, np.interp(station, self.ground_station, self.ground_sd))
        return np.asarray(np.maximum(sideways, height))

    @property
    def path_station(self) -> Floats:
        """(m,) distance bored at each point of the path [m]."""
        step = np.sqrt(np.sum(np.diff(self.path, axis=0) ** 2, axis=1))
        return np.concatenate(([0.0], np.cumsum(step)))[: len(self.path)]


def solid_of(dig: Dig, surface: Terrain | None) -> Solid:
    """The solid of a dig.

    Parameters
    ----------
    dig : Dig
    surface : Terrain or None
        Needed for depths below ground, and to see that a bore stays below it.

    Raises
    ------
    InputError
        If the dig can't be as it is given: see the messages.
    """
    where = f"{dig.kind} '{dig.name}'"
    _check_errors(dig, where)
    if isinstance(dig, Trench):
        return _trench(dig, surface, where)
    if isinstance(dig, Bore):
        return _bore(dig, surface, where)
    if isinstance(dig, Pit):
        return _pit(dig, surface, where)
    return _post(dig, surface, where)


def _trench(dig: Trench, surface: Terrain | None, where: str) -> Solid:
    axis = _axis(dig.easting, dig.northing, where, "trench" if not dig.milling else "milling")
    count = len(axis)
    width = _column(dig.width, count, "widths", where)
    if not np.all(width > 0):
        raise InputError(
            f"the width is {np.nanmin(width)} m."
            if np.isfinite(width).any()
            else "there is no width.",
            where=where,
            remedy="Give a width above zero at each point of the axis.",
        )
    depth = _column(dig.depth, count, "depths", where)
    elevation = _column(dig.elevation, count, "elevations", where)
    below = _by_depth(depth, elevation, where)
    along = _along(axis)
    at = _with_steps(along) if below else along
    e, n = np.interp(at, along, axis[:, 0]), np.interp(at, along, axis[:, 1])
    ground_station = ground_sd = np.empty(0)
    if below:
        ground, sd = _ground(surface, e, n, where)
        bottom = ground - np.interp(at, along, depth)
        ground_station, ground_sd = at, sd
    else:
        bottom = np.interp(at, along, elevation)
        steps = _with_steps(along)
        east, north, level = (np.interp(steps, along, one) for one in (*axis.T, elevation))
        _in_ground(east, north, level, surface, where)
    leg = np.clip(np.searchsorted(along, 0.5 * (at[:-1] + at[1:]), side="right") - 1, 0, count - 2)
    half = 0.5 * np.maximum(width[:-1], width[1:])[leg]
    rows: list[tuple[int, tuple[float, ...], float, float]] = []
    for i in range(len(at) - 1):
        length = at[i + 1] - at[i]
        rows.append(
            (
                SLAB,
                (
                    e[i], n[i], (e[i + 1] - e[i]) / length, (n[i + 1] - n[i]) / length,
                    length, half[i], bottom[i], (bottom[i + 1] - bottom[i]) / length,
                ),
                at[i],
                at[i + 1],
            )
        )  # fmt: skip
    for k in range(1, count - 1):  # a round corner closes the wedge between two legs
        i = int(np.searchsorted(at, along[k]))
        radius = 0.5 * float(np.max(width[k - 1 : k + 2]))
        if _bends(axis, k):
            rows.append((DISC, (e[i], n[i], radius, bottom[i]), at[i], at[i]))
    return Solid(
        dig, Pieces.of(rows), axis, np.empty((0, 3)), np.empty((0, 2)),
        dig.horizontal_sd, dig.vertical_sd, ground_station, ground_sd,
    )  # fmt: skip


def _bore(dig: Bore, surface: Terrain | None, where: str) -> Solid:
    axis = _axis(dig.easting, dig.northing, where, "bore", plumb=True)
    count = len(axis)
    if not (dig.final_diameter > 0 and dig.pilot_diameter > 0):
        raise InputError(
            f"the diameters are {dig.pilot_diameter} m (pilot) and {dig.final_diameter} m (final).",
            where=where,
            remedy="Give both, above zero, in metres; the same twice for a bore without reaming.",
        )
    if dig.final_diameter < dig.pilot_diameter:
        raise InputError(
            f"the final diameter {dig.final_diameter} m is less than the pilot's "
            f"{dig.pilot_diameter} m.",
            where=where,
            remedy="Exchange them.",
        )
    if not (dig.horizontal_steering >= 0 and dig.vertical_steering >= 0):
        raise InputError(
            "a steering error is negative or missing.",
            where=where,
            remedy="Give it in metres per metre bored, e.g. 0.01.",
        )
    depth = _column(dig.depth, count, "depths", where)
    elevation = _column(dig.elevation, count, "elevations", where)
    below = _by_depth(depth, elevation, where, may_be_zero=True)
    plan = _along(axis)
    at = _with_steps(plan) if below else plan
    ground_sd = np.empty(0)
    if below:
        e, n = np.interp(at, plan, axis[:, 0]), np.interp(at, plan, axis[:, 1])
        ground, sd = _ground(surface, e, n, where)
        z = ground - np.interp(at, plan, depth)
        ground_sd = sd
        path = np.column_stack((e, n, z))
    else:
        path = np.column_stack((axis, elevation))
    _below_ground(path, surface, where)
    step = np.sqrt(np.sum(np.diff(path, axis=0) ** 2, axis=1))
    kept = np.concatenate(([True], step > 0))
    path = path[kept]
    if len(path) < 2:
        raise InputError(
            "the bore has no length.", where=where, remedy="Give at least two different points."
        )
    along = np.concatenate(([0.0], np.cumsum(np.sqrt(np.sum(np.diff(path, axis=0) ** 2, axis=1)))))
    radius = 0.5 * dig.final_diameter
    rows = [
        (TUBE, (*path[i], *path[i + 1], radius), along[i], along[i + 1])
        for i in range(len(path) - 1)
    ]
    return Solid(
        dig, Pieces.of(rows), path[:, :2], path, _left(path),
        dig.horizontal_sd, dig.vertical_sd, along if below else np.empty(0),
        ground_sd[kept] if below else ground_sd,
    )  # fmt: skip


def _pit(dig: Pit, surface: Terrain | None, where: str) -> Solid:
    ring = ring_of(dig.easting, dig.northing, where)
    below = _by_depth(np.array([dig.depth]), np.array([dig.elevation]), where)
    ground_sd = 0.0
    if below:
        middle = ring.mean(axis=0)
        places = np.vstack((ring, 0.5 * (ring + np.roll(ring, -1, axis=0)), middle))
        ground, sd = _ground(surface, places[:, 0], places[:, 1], where)
        bottom = float(ground.min()) - dig.depth
        ground_sd = float(sd[np.argmin(ground)])
    else:
        bottom = dig.elevation
        _in_ground(ring[:, 0], ring[:, 1], np.full(len(ring), bottom), surface, where)
    rows = [(WEDGE, (*triangle.ravel(), bottom), 0.0, 0.0) for triangle in triangles_of(ring)]
    return Solid(
        dig, Pieces.of(rows), np.vstack((ring, ring[:1])), np.empty((0, 3)), np.empty((0, 2)),
        dig.horizontal_sd, float(np.hypot(dig.vertical_sd, ground_sd)),
    )  # fmt: skip


def _post(dig: Post, surface: Terrain | None, where: str) -> Solid:
    if not np.isfinite([dig.easting, dig.northing]).all():
        raise InputError("it has no place.", where=where, remedy="Give easting and northing.")
    if not dig.diameter > 0:
        raise InputError(
            f"the diameter is {dig.diameter} m.",
            where=where,
            remedy="Give the diameter of the hole, in metres.",
        )
    below = _by_depth(np.array([dig.depth]), np.array([dig.elevation]), where)
    ground_sd, bottom = 0.0, dig.elevation
    if below:
        ground, sd = _ground(surface, np.array([dig.easting]), np.array([dig.northing]), where)
        bottom, ground_sd = float(ground[0]) - dig.depth, float(sd[0])
    else:
        _in_ground(
            np.array([dig.easting]), np.array([dig.northing]), np.array([bottom]), surface, where
        )
    row = (DISC, (dig.easting, dig.northing, 0.5 * dig.diameter, bottom), 0.0, 0.0)
    return Solid(
        dig, Pieces.of([row]), np.array([[dig.easting, dig.northing]]), np.empty((0, 3)),
        np.empty((0, 2)), dig.horizontal_sd, float(np.hypot(dig.vertical_sd, ground_sd)),
    )  # fmt: skip


def _check_errors(dig: Dig, where: str) -> None:
    for word, value in (("horizontal", dig.horizontal_sd), ("vertical", dig.vertical_sd)):
        if not (np.isfinite(value) and value >= 0):
            raise InputError(
                f"the {word} uncertainty of the digging is {value} m.",
                where=where,
                remedy="Give one standard deviation in metres, zero or more.",
            )


def _axis(
    easting: Floats, northing: Floats, where: str, what: str, *, plumb: bool = False
) -> Floats:
    axis = np.column_stack((easting, northing)).astype(np.float64)
    if len(axis) < 2:
        raise InputError(
            f"the {what} has {len(axis)} point.", where=where, remedy="Give at least two points."
        )
    if not np.isfinite(axis).all():
        raise InputError(
            "a point has no coordinates.", where=where, remedy="Give all points, or leave it out."
        )
    step = np.hypot(*np.diff(axis, axis=0).T)
    if not np.any(step > 0):
        raise InputError(
            f"the {what} has no length: all its points are one.",
            where=where,
            remedy="Give two different ends; a hole at one place is a post or a pit.",
        )
    if not plumb and not np.all(step > 0):
        raise InputError(
            f"point {int(np.argmin(step)) + 2} of the axis repeats the one before it.",
            where=where,
            remedy="Leave it out.",
        )
    return axis


def _column(values: Floats, count: int, what: str, where: str) -> Floats:
    column = np.asarray(values, np.float64)
    if column.ndim > 1 or (column.ndim == 1 and len(column) not in (1, count)):
        raise InputError(
            f"there are {column.size} {what} for {count} points.",
            where=where,
            remedy="Give one for each point, or one for all.",
        )
    return np.broadcast_to(column.ravel(), (count,)).copy()


def _by_depth(depth: Floats, elevation: Floats, where: str, *, may_be_zero: bool = False) -> bool:
    """Whether the dig is given by depth below ground; else by elevation."""
    has_depth, has_elevation = np.isfinite(depth), np.isfinite(elevation)
    if has_depth.any() and has_elevation.any():
        raise InputError(
            "both depths and elevations are given.",
            where=where,
            remedy="Give depths below ground, or elevations, not both.",
        )
    if has_depth.all():
        low = float(depth.min())
        if low < 0 or (not may_be_zero and not np.any(depth > 0)):
            raise InputError(
                f"a depth is {low:.2f} m.",
                where=where,
                remedy="Depths count down from the ground.",
            )
        if depth.max() > DEEPEST:
            raise InputError(
                f"a depth is {depth.max():.6g} m.", where=where, remedy="Check its unit."
            )
        return True
    if has_elevation.all():
        return False
    raise InputError(
        "a depth or elevation is missing.",
        where=where,
        remedy="Give the depth below ground, or the elevation, of each point.",
    )


def _ground(
    surface: Terrain | None, easting: Floats, northing: Floats, where: str
) -> tuple[Floats, Floats]:
    if surface is None:
        raise InputError(
            "its depth counts from the ground, but there is no ground surface.",
            where=where,
            remedy="Give elevations, or ground heights as a survey or terrain file.",
        )
    height, sd = surface.heights(easting, northing)
    if not np.isfinite(height).all():
        raise InputError(
            f"its depth counts from the ground, but there are no heights near it "
            f"({surface.basis}).",
            where=where,
            remedy="Give elevations, or a survey or terrain file that covers the dig. If the dig "
            "should lie among the lines, check that its frame is the job's.",
        )
    return height, sd


def _below_ground(path: Floats, surface: Terrain | None, where: str) -> None:
    if surface is None:
        return
    step = np.sqrt(np.sum(np.diff(path, axis=0) ** 2, axis=1))
    along = np.concatenate(([0.0], np.cumsum(step)))
    at = _with_steps(along)
    e, n, z = (np.interp(at, along, path[:, axis]) for axis in range(3))
    ground, sd = surface.heights(e, n)
    over = z - ground - ABOVE_GROUND - 2.0 * sd
    if np.any(over > 0):
        k = int(np.nanargmax(over))
        raise InputError(
            f"{at[k]:.2f} m from its start the bore is {z[k] - ground[k]:.2f} m above ground.",
            where=where,
            remedy=_CHECK_LEVELS,
        )
    _not_too_deep(z, ground, where)


def _in_ground(
    easting: Floats, northing: Floats, bottom: Floats, surface: Terrain | None, where: str
) -> None:
    """Refuse a bottom by elevation that lies above ground all along, or deeper than any dig's.

    Such a dig would meet no line, which must not be taken for an answer.
    """
    if surface is None:
        return
    ground, sd = surface.heights(easting, northing)
    over = bottom - ground - ABOVE_GROUND - 2.0 * sd
    if np.isfinite(over).any() and np.nanmin(over) > 0:
        raise InputError(
            f"its bottom lies {np.nanmin(bottom - ground):.2f} m above ground.",
            where=where,
            remedy=_CHECK_LEVELS,
        )
    _not_too_deep(bottom, ground, where)


def _not_too_deep(level: Floats, ground: Floats, where: str) -> None:
    under = ground - level
    if np.isfinite(under).any() and np.nanmax(under) > DEEPEST:
        raise InputError(
            f"it lies {np.nanmax(under):.0f} m below ground.", where=where, remedy=_CHECK_LEVELS
        )


def _along(axis: Floats) -> Floats:
    return np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(axis, axis=0).T))))


def _with_steps(along: Floats) -> Floats:
    """Stations with more between them, so that ground is followed."""
    pieces = np.maximum(1, np.ceil(np.diff(along) / GROUND_STEP)).astype(int)
    parts = [
        np.linspace(along[i], along[i + 1], pieces[i], endpoint=False) for i in range(len(pieces))
    ]
    return np.concatenate([*parts, along[-1:]])


def _bends(axis: Floats, k: int) -> bool:
    one, two = axis[k] - axis[k - 1], axis[k + 1] - axis[k]
    return bool(one[0] * two[1] - one[1] * two[0] != 0.0 or one @ two < 0.0)


def _left(path: Floats) -> Floats:
    """(m, 2) unit vectors to the left; at bends between those of both legs."""
    leg = np.diff(path[:, :2], axis=0)
    size = np.hypot(leg[:, 0], leg[:, 1])
    whole = path[-1, :2] - path[0, :2]
    span = float(np.hypot(*whole))
    usual = whole / span if span > 0 else np.array([0.0, 1.0])
    unit = np.where((size > 0)[:, None], leg / np.maximum(size, 1e-300)[:, None], usual)
    along = np.vstack((unit[:1], unit[:-1] + unit[1:], unit[-1:]))
    norm = np.hypot(along[:, 0], along[:, 1])
    along = np.where((norm > 1e-9)[:, None], along / np.maximum(norm, 1e-9)[:, None], usual)
    return np.column_stack((-along[:, 1], along[:, 0]))


def footprint_of(solid: Solid) -> shapely.Geometry:
    """What the dig takes in plan; a bore's final diameter all along."""
    dig, pieces = solid.dig, solid.pieces
    if isinstance(dig, Pit):
        return shapely.Polygon(solid.outline)
    if isinstance(dig, Post):
        return shapely.Point(solid.outline[0]).buffer(0.5 * dig.diameter)
    if isinstance(dig, Bore):
        return shapely.LineString(solid.outline).buffer(0.5 * dig.final_diameter)
    slabs = pieces.shape[pieces.kind == SLAB]
    half = float(slabs[:, 5].max())
    if np.all(slabs[:, 5] == half):
        return shapely.LineString(solid.outline).buffer(half, cap_style="flat")
    legs = [
        shapely.LineString([s[:2], s[:2] + s[4] * s[2:4]]).buffer(s[5], cap_style="flat")
        for s in slabs
    ]
    discs = [shapely.Point(s[:2]).buffer(s[2]) for s in pieces.shape[pieces.kind == DISC]]
    # legs and the many-sided discs between them leave hairlines open: closed, and back again
    hair = HAIRLINE * half
    wide = shapely.union_all([*legs, *discs]).buffer(hair, join_style="mitre")
    return wide.buffer(-hair, join_style="mitre")
