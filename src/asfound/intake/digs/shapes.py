"""Drawn shapes of dig files before they become digs: coordinates, attributes, declared CRS."""

from __future__ import annotations

import json
import tempfile
import warnings
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from io import StringIO
from pathlib import Path, PurePath
from typing import Any
from xml.etree.ElementTree import Element, ParseError

import numpy as np
import numpy.typing as npt
import shapely
from defusedxml import DefusedXmlException
from defusedxml.ElementTree import fromstring

from asfound.errors import InputError
from asfound.intake.archives import Archive
from asfound.intake.digs import landxml
from asfound.intake.limits import DOCUMENT_BYTES

Floats = npt.NDArray[np.float64]

_PARTS = (".shp", ".dbf", ".shx", ".prj", ".cpg")
LINE, AREA, POINT = "line", "area", "point"
CHORD = 0.005
"""Chords stay this near to a drawn curve, in the drawing's unit."""
DEEPEST_BLOCK = 8
MOST_DRAWN = 100_000
_GDAL = (ValueError, RuntimeError)  # pyogrio's own errors are all of one of these


@dataclass(frozen=True, eq=False)
class Shape:
    """One drawn shape.

    Parameters
    ----------
    kind : str
        `LINE`, `AREA` or `POINT`.
    point : (k, 3) float64
        As in the file; height NaN where there is none.
    attributes : dict of str to str
        Keys in lower case.
    where : str
        For messages.
    diameter : float
        As drawn, in the unit of the coordinates; NaN where none is drawn.
    """

    kind: str
    point: Floats
    attributes: dict[str, str]
    where: str
    diameter: float = float("nan")


def shapes_of(content: bytes, name: str, kind: str) -> tuple[tuple[Shape, ...], str, str]:
    """All shapes of a file, the CRS and the unit it declares (empty: none).

    Parameters
    ----------
    content : bytes
    name : str
        For messages.
    kind : str
        ``'geojson'``, ``'shapefile'`` (zip archive), ``'geopackage'``, ``'kml'``, ``'dxf'`` or
        ``'landxml'``.

    Raises
    ------
    InputError
        If the file is damaged, too large, or holds no shapes.
    """
    if len(content) > DOCUMENT_BYTES:
        raise InputError("the file is too large.", where=name, remedy="Cut out the digs.")
    unit = ""
    if kind == "dxf":
        found, crs = _dxf(content, name), ""
    elif kind == "landxml":
        found, crs, unit = _landxml(content, name)
    elif kind == "kml":
        found, crs = _kml(content, name), "OGC:CRS84"
    else:
        found, crs = _gdal(content, name, kind)
    if not found:
        raise InputError(
            "the file holds no lines, areas or points.",
            where=name,
            remedy="Draw trenches and bores as lines, pits as areas and posts as points.",
        )
    for shape in found:
        if not np.any(shape.point[:, 2]):  # drawn in plan: zero stands for no height
            shape.point[:, 2] = np.nan
    return tuple(found), crs, unit


def _gdal(content: bytes, name: str, kind: str) -> tuple[list[Shape], str]:
    import pyogrio  # loads GDAL and pandas: only where a file needs them

    suffix = {"geojson": ".geojson", "shapefile": ".shp", "geopackage": ".gpkg"}[kind]
    if kind == "geojson":
        _check_json(content, name)
    with tempfile.TemporaryDirectory(prefix="asfound-") as folder, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        path = Path(folder) / f"digs{suffix}"
        if kind == "shapefile":
            _unpack(content, name, path)
        else:
            path.write_bytes(content)
        try:
            meta, table = pyogrio.read_arrow(path)
        except _GDAL as error:
            raise InputError(
                f"can't be read as {kind}: {' '.join(str(error).split())[:200]}.",
                where=name,
                remedy="Open and save it again in the program it came from"
                + (", all parts in one zip archive." if kind == "shapefile" else "."),
            ) from error
    column = str(meta.get("geometry_name") or "wkb_geometry")
    column = column if column in table.column_names else "wkb_geometry"
    shapes = shapely.from_wkb(np.array(table.column(column).to_pylist(), object))
    others = [title for title in table.column_names if title != column]
    rows = table.select(others).to_pylist() if others else [{} for _ in range(len(shapes))]
    found: list[Shape] = []
    for k, (shape, row) in enumerate(zip(shapes, rows, strict=True)):
        attributes = {key.lower(): _text(value) for key, value in row.items() if value is not None}
        found += _parts(shape, attributes, f"{name}, feature {k + 1}")
    return found, str(meta.get("crs") or "")


def _unpack(content: bytes, name: str, path: Path) -> None:
    """The one shapefile of a zip archive, under a plain name."""
    if content[:2] != b"PK":
        raise InputError(
            "a shapefile comes as one zip archive.",
            where=name,
            remedy="Pack the .shp with .shx, .dbf and .prj beside it.",
        )
    with Archive(content, name) as archive:
        found = archive.with_suffix(".shp")
        if len(found) != 1:
            raise InputError(
                f"the archive holds {len(found)} shapefiles.",
                where=name,
                remedy="Pack just one.",
            )
        stem = found[0][: -len(".shp")]
        for member in archive.members:
            suffix = PurePath(member).suffix.lower()
            if suffix in _PARTS and member[: -len(suffix)] == stem:
                archive.extract(member, path.with_suffix(suffix))


def _text(value: object) -> str:
    return f"{value:.12g}" if isinstance(value, float) else str(value).strip()


def _check_json(content: bytes, name: str) -> None:
    try:
        json.loads(content)
    except (ValueError, RecursionError) as error:
        raise InputError(
            f"the file is no JSON: {error}.",
            where=name,
            remedy="It is damaged or cut off: export it again.",
        ) from error


def _parts(shape: shapely.Geometry | None, attributes: dict[str, str], where: str) -> list[Shape]:
    if shape is None or shape.is_empty:
        raise InputError("it has no geometry.", where=where, remedy="Draw it, or leave it out.")
    parts = list(shape.geoms) if hasattr(shape, "geoms") else [shape]
    found = []
    for part in parts:
        if isinstance(part, shapely.Polygon):
            if len(part.interiors):
                raise InputError(
                    "the area has a hole.", where=where, remedy="Draw it as two areas side by side."
                )
            found.append(Shape(AREA, _coordinates(part.exterior)[:-1], attributes, where))
        elif isinstance(part, shapely.LineString):
            found.append(Shape(LINE, _coordinates(part), attributes, where))
        else:
            found.append(Shape(POINT, _coordinates(part), attributes, where))
    return found


def _coordinates(shape: shapely.Geometry) -> Floats:
    return np.asarray(shapely.get_coordinates(shape, include_z=True), np.float64)


def _dxf(content: bytes, name: str) -> list[Shape]:
    from ezdxf.filemanagement import read as read_dxf  # slow to load: only where it is needed
    from ezdxf.lldxf.const import DXFError

    try:
        text = content.decode("utf-8", "surrogateescape")
        drawing = read_dxf(StringIO(text))
    except (DXFError, UnicodeError, ValueError, OSError) as error:
        raise InputError(
            f"can't be read as DXF: {' '.join(str(error).split())[:200]}.",
            where=name,
            remedy="Save it as text DXF, release 2000 or later.",
        ) from error
    found: list[Shape] = []
    for entity, layer, handle in _drawn(drawing.modelspace(), name):
        kind = entity.dxftype()
        where = f"{name}, {kind} {handle} on layer {layer}"
        if len(found) >= MOST_DRAWN:
            raise InputError(
                f"more than {MOST_DRAWN:,} shapes are drawn, blocks taken apart.",
                where=where,
                remedy="Save only the digs in a drawing of their own.",
            )
        attributes = {"layer": layer, "name": f"{layer} {handle}"}
        if kind == "LINE":
            point = np.array([tuple(entity.dxf.start), tuple(entity.dxf.end)], np.float64)
            found.append(Shape(LINE, point, attributes, where))
        elif kind == "POLYLINE" and not entity.is_poly_face_mesh and not entity.is_polygon_mesh:
            closed = bool(entity.is_closed)
            point = np.array([tuple(v.dxf.location) for v in entity.vertices], np.float64)
            if entity.is_2d_polyline and entity.has_arc:
                point = _chords(entity)[: -1 if closed else None]
            found.append(Shape(AREA if closed else LINE, point, attributes, where))
        elif kind == "LWPOLYLINE":
            plan = np.array([p[:2] for p in entity.get_points()], np.float64)
            level = np.full((len(plan), 1), float(entity.dxf.elevation))
            point = np.hstack((plan, level))
            if entity.has_arc:
                point = _chords(entity)[: -1 if entity.closed else None]
            found.append(Shape(AREA if entity.closed else LINE, point, attributes, where))
        elif kind == "POINT":
            point = np.array([tuple(entity.dxf.location)], np.float64)
            found.append(Shape(POINT, point, attributes, where))
        elif kind == "CIRCLE":
            point = np.array([tuple(entity.dxf.center)], np.float64)
            size = 2.0 * float(entity.dxf.radius)
            found.append(Shape(POINT, point, attributes, where, size))
        elif kind in ("ARC", "ELLIPSE", "SPLINE"):
            found.append(Shape(LINE, _chords(entity), attributes, where))
    return found


def _drawn(
    entities: Iterable[Any], name: str, reference: tuple[str, str] | None = None, depth: int = 0
) -> Iterator[tuple[Any, str, str]]:
    """Entities with layer and handle; blocks taken apart and put where they are referred to.

    Parts of a block have no handle of their own: they are numbered after that of the reference.
    What is drawn on layer 0 of a block lies on the layer of the reference, as in DXF.
    """
    for number, entity in enumerate(entities, start=1):
        layer, handle = str(entity.dxf.layer), str(entity.dxf.handle)
        if reference is not None:
            layer = reference[0] if layer == "0" else layer
            handle = f"{reference[1]}.{number}"
        if entity.dxftype() != "INSERT":
            yield entity, layer, handle
            continue
        where = f"{name}, block {entity.dxf.name} at {handle} on layer {layer}"
        if depth >= DEEPEST_BLOCK:
            raise InputError(
                f"blocks lie more than {DEEPEST_BLOCK} deep in each other.",
                where=where,
                remedy="Take the blocks apart in the drawing and save it again.",
            )
        if entity.block() is None:
            raise InputError(
                "the drawing refers to a block that it does not hold.",
                where=where,
                remedy="Save the drawing again with its blocks, or delete the reference.",
            )
        copies = list(entity.multi_insert()) if entity.mcount > 1 else [entity]
        for k, copy in enumerate(copies, start=1):
            own = handle if len(copies) == 1 else f"{handle}.{k}"
            yield from _drawn(copy.virtual_entities(), name, (layer, own), depth + 1)


def _chords(entity: Any) -> Floats:
    """(k, 3) points of a drawn curve whose chords stay near it."""
    from ezdxf.path import make_path

    points = [tuple(point) for point in make_path(entity).flattening(CHORD)]
    return np.array(points, np.float64).reshape(-1, 3)


def _xml(content: bytes, name: str) -> Element:
    try:
        root: Element = fromstring(content, forbid_dtd=True)
    except (ParseError, DefusedXmlException, ValueError, LookupError) as error:
        raise InputError(
            f"the file is no sound XML, or declares entities: {type(error).__name__}.",
            where=name,
            remedy="Save it again without them.",
        ) from error
    return root


def _local(element: Element) -> str:
    return str(element.tag).rpartition("}")[2]


def _kml(content: bytes, name: str) -> list[Shape]:
    found = []
    marks = [e for e in _xml(content, name).iter() if _local(e) == "Placemark"]
    for k, mark in enumerate(marks):
        attributes: dict[str, str] = {}
        for element in mark.iter():
            tag, text = _local(element), (element.text or "").strip()
            if tag == "name" and "name" not in attributes:
                attributes["name"] = text
            elif tag == "Data":
                value = next((e.text for e in element if _local(e) == "value"), "")
                attributes[element.get("name", "").lower()] = (value or "").strip()
            elif tag == "SimpleData":
                attributes[element.get("name", "").lower()] = text
        where = f"{name}, placemark {k + 1}"
        for element in mark.iter():
            kind = {"LineString": LINE, "Polygon": AREA, "Point": POINT}.get(_local(element))
            if kind is None:
                continue
            texts = [e.text or "" for e in element.iter() if _local(e) == "coordinates"]
            if len(texts) != 1:
                raise InputError(
                    "a shape has a hole or no coordinates.",
                    where=where,
                    remedy="Draw it as one outline.",
                )
            point = _numbers(texts[0].replace(",", " ").split(), texts[0], where)
            modes = [(e.text or "").strip() for e in element.iter() if _local(e) == "altitudeMode"]
            if modes != ["absolute"]:  # heights count only then; else the shape lies on the ground
                point[:, 2] = np.nan
            if kind == AREA:
                point = point[:-1]
            found.append(Shape(kind, point, attributes, where))
    return found


def _numbers(words: list[str], text: str, where: str) -> Floats:
    each = len(text.split()[0].split(",")) if text.split() else 0
    try:
        flat = np.array([float(word) for word in words])
        point = flat.reshape(-1, each)
    except (ValueError, ZeroDivisionError) as error:
        raise InputError(
            "its coordinates can't be read.", where=where, remedy="Export it again."
        ) from error
    if each == 2:
        point = np.hstack((point, np.full((len(point), 1), np.nan)))
    return point


def _landxml(content: bytes, name: str) -> tuple[list[Shape], str, str]:
    """Paths, and the CRS and the unit that the file declares."""
    root = _xml(content, name)
    found = [
        Shape(LINE, path.point, {"name": path.name, "description": path.description}, path.where)
        for path in landxml.paths(root, name)
    ]
    return found, landxml.declared_crs(root), landxml.declared_unit(root, name)
