"""Digs from files: which shape is what, its sizes, and its coordinates in the job's frame.

| drawn as | becomes |
|---|---|
| line | trench; bore if `kind` says so or `final_diameter` is given; milling if `kind` says so |
| area | pit |
| point | post |

Attributes (any case): name, kind, width, depth, elevation, diameter, pilot_diameter,
final_diameter, installs, horizontal_sd, vertical_sd, horizontal_steering, vertical_steering.
Lengths are numbers in the unit that is declared, or text with feet and inches ("18 in"). Without
depth and elevation the heights of the drawn shape count: bottom of a trench, centre of a bore.
"""

from __future__ import annotations

import csv
from collections.abc import Callable
from dataclasses import dataclass
from io import StringIO

import numpy as np
import numpy.typing as npt
from pyproj import CRS
from pyproj.exceptions import CRSError

from asfound.clearance import bore_by_station
from asfound.errors import InputError
from asfound.geodesy import job_grid, points_to_ground, resolve_frame
from asfound.intake.digs.shapes import AREA, LINE, POINT, Shape, shapes_of
from asfound.model import Bore, Dig, Frame, JobSettings, Pit, Post, Source, Trench, Utility
from asfound.units import LENGTH_UNITS as UNITS
from asfound.units import length_unit, parse_feet_inches

Floats = npt.NDArray[np.float64]

DIG_FORMATS = ("geojson", "shapefile", "geopackage", "kml", "dxf", "landxml", "stations")
_BY_SUFFIX = {
    "geojson": "geojson", "json": "geojson", "zip": "shapefile", "gpkg": "geopackage",
    "kml": "kml", "dxf": "dxf", "xml": "landxml", "csv": "stations",
}  # fmt: skip
_KINDS = ("trench", "bore", "pit", "post", "milling")


@dataclass(frozen=True)
class DigDefaults:
    """Sizes [m] for shapes that don't say; NaN: must be said. `kind` is of shapes drawn so."""

    width: float = float("nan")
    depth: float = float("nan")
    diameter: float = float("nan")
    pilot_diameter: float = float("nan")
    final_diameter: float = float("nan")
    installs: Utility = Utility.UNKNOWN
    kind: str = ""


def read_digs(
    content: bytes,
    name: str,
    settings: JobSettings,
    *,
    kind: str = "",
    frame: Frame | None = None,
    unit: str = "",
    defaults: DigDefaults | None = None,
    axis: Floats | None = None,
) -> tuple[Dig, ...]:
    """Read planned digs.

    Parameters
    ----------
    content : bytes
        Of the file; a shapefile with all its parts in a zip archive.
    name : str
        File name, for messages and to tell the format by its ending.
    settings : JobSettings
        Of the job, for its frame.
    kind : str
        One of `DIG_FORMATS`; by default by the name's ending.
    frame : Frame, optional
        Of the file's coordinates, if it is not the job's own.
    unit : str
        Of sizes and heights: ``'m'``, ``'ft'`` or ``'ftUS'``; by default metres for attributes,
        and the frame's own unit for heights of drawn shapes.
    defaults : DigDefaults, optional
    axis : (m, 2) float64, optional
        Axis that a table of stations counts along, job's frame [m].

    Raises
    ------
    InputError
        If the file can't be read, a shape lacks a size, or its frame is not the job's.
    """
    chosen = kind or _BY_SUFFIX.get(name.rpartition(".")[2].lower(), "")
    if chosen not in DIG_FORMATS:
        raise InputError(
            f"'{kind or name}' is no format that digs are read from.",
            where=name,
            remedy=f"Use one of {', '.join(DIG_FORMATS)}.",
        )
    size = length_unit(unit or "m", where=name).metres
    usual = defaults or DigDefaults()
    if chosen == "stations":
        return (_stations(content, name, axis, size, usual),)
    shapes, declared, told = shapes_of(content, name, chosen)
    plan = resolve_frame((frame or settings.frame).crs, where=name).axis_info[0]
    _check_unit(told, plan.unit_name, plan.unit_conversion_factor, name)
    place = _placer(declared, chosen, name, settings, frame, unit)
    return tuple(
        _dig(shape, place(shape), number, (size, plan.unit_conversion_factor), usual)
        for number, shape in enumerate(shapes, 1)
    )


def _check_unit(told: str, word: str, metres: float, name: str) -> None:
    """Refuse a file whose lengths are in another unit than its frame's."""
    if not told:
        return
    if word == "degree" or abs(metres - UNITS[told].metres) < 1e-9:
        return
    raise InputError(
        f"its lengths are in {UNITS[told].word}, its frame counts in {word}.",
        where=name,
        remedy="Declare the frame the digs were really drawn in, or export them in the job's "
        "frame.",
    )


def _placer(
    declared: str, kind: str, name: str, settings: JobSettings, frame: Frame | None, unit: str
) -> Callable[[Shape], Floats]:
    """How a shape's coordinates become easting, northing, height [m] in the job's frame."""
    if frame is not None:
        source = Source("digs", name, "", 0, 0, frame, position_of="ground")

        def moved(shape: Shape) -> Floats:
            point = shape.point
            time = np.full(len(point), np.datetime64("NaT", "us"))
            ground = points_to_ground(point[:, 0], point[:, 1], point[:, 2], time, source, settings)
            placed = np.column_stack((ground.easting, ground.northing, ground.height))
            if not np.isfinite(placed[:, :2]).all():
                raise InputError(
                    "a point can't be brought into the job's frame.",
                    where=shape.where,
                    remedy="Check that its coordinates are in the frame that was declared.",
                )
            return placed

        return moved
    grid = job_grid(settings.frame, None, settings.grids)
    if declared and not same_crs(declared, grid.crs):
        raise InputError(
            f"its coordinates are in {crs_name(declared)}, the job's in {grid.crs.name}."
            if kind not in ("kml", "geojson") or not _geographic(declared)
            else f"a {kind} file has longitude and latitude in {crs_name(declared)}, a label that "
            "is only good to a metre or two.",
            where=name,
            remedy="Declare the frame the digs were really drawn in, or export them in the job's "
            "frame.",
        )
    height = length_unit(unit).metres if unit else grid.unit_metres
    scale = np.array([grid.unit_metres, grid.unit_metres, height])
    return lambda shape: np.asarray(shape.point * scale)


def same_crs(declared: str, crs: CRS) -> bool:
    """Whether a declared CRS is another's, heights left out."""
    try:
        other = CRS.from_user_input(declared)
    except CRSError:
        return False
    plain = other.sub_crs_list[0] if other.is_compound else other
    return bool(plain.to_2d().equals(crs.to_2d(), ignore_axis_order=True))


def _geographic(declared: str) -> bool:
    try:
        return bool(CRS.from_user_input(declared).is_geographic)
    except CRSError:
        return False


def crs_name(declared: str) -> str:
    """A declared CRS as people know it."""
    try:
        return str(CRS.from_user_input(declared).name)
    except CRSError:
        return declared[:80]


def _dig(
    shape: Shape, point: Floats, number: int, units: tuple[float, float], usual: DigDefaults
) -> Dig:
    """A shape as a dig; `units` of its attributes and of what is drawn [m]."""
    given = _Given(shape, units[0])
    kind = given.kind(usual.kind)
    name = given.text("name") or f"{kind} {number}"
    installs = given.utility(usual.installs)
    errors = {
        key: value
        for key in ("horizontal_sd", "vertical_sd")
        if np.isfinite(value := given.length(key))
    }
    depth, elevation = given.length("depth"), given.length("elevation")
    heights = point[:, 2]
    if not np.isfinite(depth) and not np.isfinite(elevation) and not np.isfinite(heights).all():
        depth = usual.depth
    missing = np.full(1, np.nan)
    depths = np.full(1, depth) if np.isfinite(depth) else missing
    if np.isfinite(elevation):
        heights = np.full(len(point), elevation)
    elevations = missing if np.isfinite(depth) else heights
    east, north = point[:, 0], point[:, 1]
    if kind in ("trench", "milling"):
        return Trench(
            name, east, north, np.array([given.needed("width", usual.width)]), depths, elevations,
            installs=installs, milling=kind == "milling", **errors,
        )  # fmt: skip
    if kind == "bore":
        final = given.needed("final_diameter", usual.final_diameter, "diameter")
        pilot = given.length("pilot_diameter")
        pilot = pilot if np.isfinite(pilot) else usual.pilot_diameter
        steering = {
            key: value
            for key in ("horizontal_steering", "vertical_steering")
            if np.isfinite(value := given.number(key))
        }
        return Bore(
            name, east, north, depths, elevations, pilot if np.isfinite(pilot) else final, final,
            installs=installs, **errors, **steering,
        )  # fmt: skip
    level = float("nan") if np.isfinite(depth) else float(np.min(heights))
    if kind == "pit":
        return Pit(name, east, north, depth, level, installs=installs, **errors)
    drawn = shape.diameter * units[1]
    drawn = drawn if np.isfinite(drawn) else usual.diameter
    return Post(
        name, float(east[0]), float(north[0]), given.needed("diameter", drawn), depth,
        level, installs=installs, **errors,
    )  # fmt: skip


class _Given:
    """A shape's attributes as sizes."""

    def __init__(self, shape: Shape, size: float) -> None:
        self.shape, self.size = shape, size

    def text(self, key: str) -> str:
        return self.shape.attributes.get(key, "").strip()

    def kind(self, usual: str) -> str:
        said = self.text("kind").lower()
        for word in (said, usual):
            if word and word not in _KINDS:
                raise InputError(
                    f"'{word}' is no kind of dig.",
                    where=self.shape.where,
                    remedy=f"Use one of {', '.join(_KINDS)}.",
                )
        fits = {LINE: ("trench", "bore", "milling"), AREA: ("pit",), POINT: ("post",)}
        if said and said not in fits[self.shape.kind]:
            raise InputError(
                f"a {said} is drawn as a {self.shape.kind}.",
                where=self.shape.where,
                remedy="Draw trenches, bores and milling as lines, pits as areas, posts as points.",
            )
        if not said and usual in fits[self.shape.kind]:
            return usual
        if said:
            return said
        if self.shape.kind == LINE and self.text("final_diameter"):
            return "bore"
        return fits[self.shape.kind][0]

    def number(self, key: str) -> float:
        text = self.text(key)
        if not text:
            return float("nan")
        try:
            return float(text)
        except ValueError:
            raise InputError(
                f"{key} is '{text}'.", where=self.shape.where, remedy="Give a number."
            ) from None

    def length(self, key: str) -> float:
        text = self.text(key)
        if not text:
            return float("nan")
        try:
            return float(text) * self.size
        except ValueError:
            pass
        try:
            return parse_feet_inches(text)
        except InputError as error:
            raise InputError(
                f"{key} is '{text}'.",
                where=self.shape.where,
                remedy="Give a number, or feet and inches such as 3' 6\".",
            ) from error

    def needed(self, key: str, usual: float, other: str = "") -> float:
        value = self.length(key)
        if not np.isfinite(value) and other:
            value = self.length(other)
        if not np.isfinite(value):
            value = usual
        if not np.isfinite(value):
            raise InputError(
                f"it has no {key}.",
                where=self.shape.where,
                remedy=f"Give an attribute '{key}', or a default for the file.",
            )
        return float(value)

    def utility(self, usual: Utility) -> Utility:
        word = self.text("installs")
        if not word:
            return usual
        try:
            return Utility[word.upper()]
        except KeyError:
            raise InputError(
                f"'{word}' is no utility.",
                where=self.shape.where,
                remedy=f"Use {', '.join(kind.word for kind in Utility)}.",
            ) from None


def _stations(
    content: bytes, name: str, axis: Floats | None, size: float, usual: DigDefaults
) -> Bore:
    """A bore from a table of station, offset and depth or elevation."""
    if axis is None:
        raise InputError(
            "a table of stations needs the axis that they count along.",
            where=name,
            remedy="Give the axis too, or a path with coordinates.",
        )
    try:
        rows = list(csv.DictReader(StringIO(content.decode("utf-8-sig"))))
    except (UnicodeDecodeError, csv.Error) as error:
        raise InputError(
            "this is no comma-separated text.", where=name, remedy="Save it as CSV in UTF-8."
        ) from error
    titles = {title.strip().lower(): title for title in (rows[0] if rows else {}) if title}
    level = "depth" if "depth" in titles else "elevation"
    lacks = [key for key in ("station", level) if key not in titles]
    if lacks or len(rows) < 2:
        raise InputError(
            f"the table has no column '{lacks[0]}'." if lacks else "the table has no two rows.",
            where=name,
            remedy="Give columns station, offset (right positive) and depth or elevation.",
        )

    def column(key: str) -> Floats:
        if key not in titles:
            return np.zeros(len(rows))
        values = []
        for number, row in enumerate(rows, 2):
            try:
                values.append(float(row[titles[key]]) * size)
            except (TypeError, ValueError):
                raise InputError(
                    f"{key} is '{row[titles[key]] or ''}'.",
                    where=f"{name}, line {number}",
                    remedy="Give a number.",
                ) from None
        return np.array(values)

    path = bore_by_station(axis, column("station"), column("offset"), column(level), where=name)
    for key in ("final_diameter",):
        if not np.isfinite(getattr(usual, key)):
            raise InputError(
                f"the table says no {key}.", where=name, remedy="Give it as a default."
            )
    pilot = usual.pilot_diameter if np.isfinite(usual.pilot_diameter) else usual.final_diameter
    nothing = np.full(1, np.nan)
    by_depth = level == "depth"
    return Bore(
        name.rpartition(".")[0] or name, path[:, 0], path[:, 1],
        path[:, 2] if by_depth else nothing, nothing if by_depth else path[:, 2],
        pilot, usual.final_diameter, installs=usual.installs,
    )  # fmt: skip
