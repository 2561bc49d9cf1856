"""GeoJSON (RFC 7946): shots, lines, envelopes and crossings.

RFC 7946 knows one frame only, WGS 84. Coordinates are written in the job CRS's own geographic
base, which is what a survey can defend; the foreign member ``asfound`` of each collection says
so. Taking them for WGS 84 is right to within a metre or two, which is how well a bare "WGS 84"
label is defined. Heights (third ordinate) are above the ellipsoid in metres, as the RFC asks.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry.polygon import orient

from asfound.deliver.accuracy_columns import stretches
from asfound.deliver.columns import cells
from asfound.deliver.delivery import Delivery
from asfound.deliver.dig_columns import approach_rows
from asfound.deliver.dig_shapes import approach_segment, tolerance_zone
from asfound.deliver.tables import (
    APPROACHES,
    CONDUCTORS,
    CROSSINGS,
    DIGS,
    EXPOSURES,
    HOLE_ADVICE,
    LINES,
    QUALITY_LEVELS,
    SHOTS,
    SWEEPS,
)

Floats = npt.NDArray[np.float64]
_DEGREE_DECIMALS = 9


def geojson_files(delivery: Delivery) -> Iterator[tuple[str, bytes]]:
    """Name and bytes of each GeoJSON file."""
    ground = delivery.results.ground
    yield (
        "shots.geojson",
        _collection(
            delivery,
            "shots",
            [_point(x, y) for x, y in _pairs(ground.longitude, ground.latitude)],
            cells(delivery, SHOTS).records(),
        ),
    )
    lines = cells(delivery, LINES).records()
    yield "lines.geojson", _collection(delivery, "lines", _axes(delivery), lines)
    yield "envelopes.geojson", _collection(delivery, "envelopes", _envelopes(delivery), lines)
    crossings = cells(delivery, CROSSINGS)
    points = zip(crossings.column("longitude"), crossings.column("latitude"), strict=True)
    yield (
        "crossings.geojson",
        _collection(delivery, "crossings", [_point(x, y) for x, y in points], crossings.records()),
    )
    pieces: list[dict[str, Any] | None] = []
    for _, plan in stretches(delivery):
        piece = _pairs(*delivery.to_geographic(plan[:, 0], plan[:, 1]))
        pieces.append({"type": "LineString", "coordinates": [list(point) for point in piece]})
    yield (
        "quality-levels.geojson",
        _collection(delivery, "quality levels", pieces, cells(delivery, QUALITY_LEVELS).records()),
    )
    tapes: list[dict[str, Any] | None] = []
    for sweep in delivery.results.sweeps:
        ends = np.stack([sweep.start, sweep.end])
        tape = _pairs(*delivery.to_geographic(ends[:, 0], ends[:, 1]))
        tapes.append({"type": "LineString", "coordinates": [list(point) for point in tape]})
    yield (
        "sweeps.geojson",
        _collection(delivery, "sweeps", tapes, cells(delivery, SWEEPS).records()),
    )
    found = cells(delivery, CONDUCTORS)
    points = zip(found.column("longitude"), found.column("latitude"), strict=True)
    yield (
        "conductors.geojson",
        _collection(delivery, "conductors", [_point(x, y) for x, y in points], found.records()),
    )
    yield from _dig_files(delivery)


def _dig_files(delivery: Delivery) -> Iterator[tuple[str, bytes]]:
    """Digs, tolerance zones, approaches, exposures and where to expose."""
    digs = [_area(delivery, shape.footprint) for shape in delivery.digs]
    yield "digs.geojson", _collection(delivery, "digs", digs, cells(delivery, DIGS).records())
    rows = approach_rows(delivery)
    near = cells(delivery, APPROACHES).records()
    zones = [
        _area(delivery, tolerance_zone(delivery.results, delivery.digs[k], one))
        for k, _, one in rows
    ]
    yield (
        "tolerance-zones.geojson",
        _collection(delivery, "tolerance zones", zones, near),
    )
    ways: list[dict[str, Any] | None] = []
    for _, _, one in rows:
        plan = approach_segment(one)[:, :2]
        way = _pairs(*delivery.to_geographic(plan[:, 0], plan[:, 1]))
        ways.append({"type": "LineString", "coordinates": [list(point) for point in way]})
    yield "approaches.geojson", _collection(delivery, "approaches", ways, near)
    for file, name, table in (
        ("exposures.geojson", "exposures", EXPOSURES),
        ("hole-advice.geojson", "where to expose", HOLE_ADVICE),
    ):
        found = cells(delivery, table)
        points = zip(found.column("longitude"), found.column("latitude"), strict=True)
        shapes = [_point(x, y) for x, y in points]
        yield file, _collection(delivery, name, shapes, found.records())


def _area(delivery: Delivery, shape: shapely.Geometry) -> dict[str, Any] | None:
    if shape.is_empty:
        return None
    area: dict[str, Any] = shapely.geometry.mapping(geographic(delivery, _outward(shape)))
    return area


def _outward(shape: shapely.Geometry) -> shapely.Geometry:
    """Outer rings counter-clockwise, as RFC 7946 wants them."""
    if shape.geom_type == "Polygon":
        return orient(shape, 1.0)
    return shapely.MultiPolygon([orient(part, 1.0) for part in shape.geoms])


def _collection(
    delivery: Delivery,
    name: str,
    geometries: Sequence[dict[str, Any] | None],
    properties: Sequence[dict[str, Any]],
) -> bytes:
    about = delivery.about
    head = {
        "title": f"{about.job}: {name}",
        **{
            heading.lower().replace(", ", "_").replace(" ", "_"): text
            for heading, text in about.facts()
        },
        "coordinates": (
            f"longitude, latitude in {about.geographic_name}, epoch {about.epoch}; RFC 7946's "
            "WGS 84 is nominal. Heights, where given, are above the ellipsoid in metres."
        ),
        "cautions": list(about.cautions),
    }
    lines = ['{"type": "FeatureCollection",', f'"name": "{name}",', f'"asfound": {_json(head)},']
    features = [
        f'{{"type": "Feature", "id": {k}, "geometry": {_json(shape)}, "properties": {_json(row)}}}'
        for k, (shape, row) in enumerate(zip(geometries, properties, strict=True), 1)
    ]
    body = '"features": [\n' + ",\n".join(features) + "\n]}\n"
    return ("\n".join(lines) + "\n" + body).encode("utf-8", "replace")


def _json(value: object) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)


def _pairs(longitude: Floats, latitude: Floats) -> list[tuple[float, float]]:
    x = np.round(longitude, _DEGREE_DECIMALS).tolist()
    return list(zip(x, np.round(latitude, _DEGREE_DECIMALS).tolist(), strict=True))


def _point(longitude: Any, latitude: Any) -> dict[str, Any] | None:
    if longitude is None or latitude is None or longitude != longitude or latitude != latitude:
        return None
    return {"type": "Point", "coordinates": [longitude, latitude]}


def _axes(delivery: Delivery) -> list[dict[str, Any] | None]:
    shapes: list[dict[str, Any] | None] = []
    for shape in delivery.shapes:
        columns = [
            np.round(shape.longitude, _DEGREE_DECIMALS),
            np.round(shape.latitude, _DEGREE_DECIMALS),
        ]
        if np.isfinite(shape.ellipsoidal_height).all():
            columns.append(np.round(shape.ellipsoidal_height, 3))
        vertices = np.column_stack(columns).tolist()
        shapes.append({"type": "LineString", "coordinates": vertices})
    return shapes


def _envelopes(delivery: Delivery) -> list[dict[str, Any] | None]:
    shapes: list[dict[str, Any] | None] = []
    for shape in delivery.shapes:
        polygon = geographic(delivery, shape.envelope)
        shapes.append(None if polygon.is_empty else shapely.geometry.mapping(polygon))
    return shapes


def geographic(delivery: Delivery, geometry: shapely.Geometry) -> shapely.Geometry:
    """A geometry in grid metres as longitude, latitude, rounded to 9 decimals."""

    def move(points: Floats) -> Floats:
        longitude, latitude = delivery.to_geographic(points[:, 0], points[:, 1])
        moved: Floats = np.column_stack([longitude, latitude])
        return moved.round(_DEGREE_DECIMALS)

    return shapely.transform(geometry, move)
