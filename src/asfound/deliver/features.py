"""Layers for GIS files: geometry as WKB in the CRS's own unit, attributes as arrays."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from asfound.deliver.accuracy_columns import stretches
from asfound.deliver.columns import Cells, cells
from asfound.deliver.delivery import Delivery
from asfound.deliver.dig_columns import advice_rows, approach_rows, exposure_rows
from asfound.deliver.dig_shapes import approach_segment, tolerance_zone
from asfound.deliver.sweep_columns import conductors
from asfound.deliver.tables import (
    APPROACHES,
    CHECKS,
    CONDUCTORS,
    CROSSINGS,
    DIGS,
    EXPOSURES,
    FINDINGS,
    HOLE_ADVICE,
    LINES,
    QUALITY_LEVELS,
    ROWS,
    SHOTS,
    SWEEPS,
)


@dataclass(frozen=True, eq=False)
class Layer:
    """One layer.

    Parameters
    ----------
    name, title : str
    geometry_type : str
        As OGR names it; empty for a table without geometry.
    geometry : (n,) object array of bytes or None
        WKB, CRS unit.
    cells : Cells
        Attributes.
    """

    name: str
    title: str
    geometry_type: str
    geometry: npt.NDArray[np.object_] | None
    cells: Cells


def layers(delivery: Delivery) -> Iterator[Layer]:
    """Shots, lines, envelopes, crossings, sweeps; findings and rows without geometry."""
    ground = delivery.results.ground
    yield Layer(
        "shots",
        "Shots: ground point under the pole's tip",
        "Point",
        _points(delivery, ground.easting, ground.northing),
        cells(delivery, SHOTS),
    )
    lines = cells(delivery, LINES)
    with_z = bool(delivery.shapes) and all(shape.has_heights for shape in delivery.shapes)
    axes = []
    for shape in delivery.shapes:
        columns = [shape.easting, shape.northing, *([shape.height] if with_z else [])]
        axes.append(shapely.linestrings(delivery.grid(np.column_stack(columns))))
    yield Layer(
        "lines",
        "Lines: axis of the conductor" + (", with heights in the CRS's unit" if with_z else ""),
        "LineString Z" if with_z else "LineString",
        _wkb(axes),
        lines,
    )
    scale = delivery.about.grid_unit.metres
    yield Layer(
        "envelopes",
        "Envelopes of lines: 95 % across the axis",
        "MultiPolygon",
        _wkb(
            [
                shapely.multipolygons(
                    shapely.get_parts(shapely.transform(shape.envelope, lambda x: x / scale))
                )
                for shape in delivery.shapes
            ]
        ),
        lines,
    )
    crossings = delivery.results.crossings
    yield Layer(
        "crossings",
        "Crossings of lines in plan",
        "Point",
        _points(
            delivery,
            np.array([c.easting for c in crossings], np.float64),
            np.array([c.northing for c in crossings], np.float64),
        ),
        cells(delivery, CROSSINGS),
    )
    yield Layer(
        "quality_levels",
        "Proposed quality levels of stretches; an exposed point is a piece of 0.2 m",
        "LineString",
        _wkb([shapely.linestrings(delivery.grid(plan)) for _, plan in stretches(delivery)]),
        cells(delivery, QUALITY_LEVELS),
    )
    tapes = [
        shapely.linestrings(delivery.grid(np.stack([sweep.start[:2], sweep.end[:2]])))
        for sweep in delivery.results.sweeps
    ]
    yield Layer(
        "sweeps",
        "Sweeps: the tape from its zero to its end",
        "LineString",
        _wkb(tapes),
        cells(delivery, SWEEPS),
    )
    found = [conductor for _, _, conductor in conductors(delivery)]
    yield Layer(
        "conductors",
        "Conductors that sweeps found",
        "Point",
        _points(
            delivery,
            np.array([c.easting for c in found], np.float64),
            np.array([c.northing for c in found], np.float64),
        ),
        cells(delivery, CONDUCTORS),
    )
    yield from _dig_layers(delivery)
    yield Layer("accuracy_checks", "Checks of accuracy", "", None, cells(delivery, CHECKS))
    yield Layer("findings", "Findings with remedies", "", None, cells(delivery, FINDINGS))
    yield Layer("rows", "Rows that need a look", "", None, cells(delivery, ROWS))


def _dig_layers(delivery: Delivery) -> Iterator[Layer]:
    """Footprints, tolerance zones, nearest approaches, exposures, where to expose."""
    results, scale = delivery.results, delivery.about.grid_unit.metres

    def areas(shapes: list[shapely.Geometry]) -> npt.NDArray[np.object_]:
        parts = [shapely.get_parts(shapely.transform(one, lambda x: x / scale)) for one in shapes]
        wkb = _wkb([shapely.multipolygons(list(part)) for part in parts])
        wkb[np.array([shape.is_empty for shape in shapes], bool)] = None
        return wkb

    yield Layer(
        "digs",
        "Planned digs: what they take in plan",
        "MultiPolygon",
        areas([shape.footprint for shape in delivery.digs]),
        cells(delivery, DIGS),
    )
    rows = approach_rows(delivery)
    near = cells(delivery, APPROACHES)
    yield Layer(
        "tolerance_zones",
        "Tolerance zones around lines near digs, about the axis as drawn",
        "MultiPolygon",
        areas([tolerance_zone(results, delivery.digs[k], one) for k, _, one in rows]),
        near,
    )
    ways = [delivery.grid(approach_segment(one)) for _, _, one in rows]
    yield Layer(
        "approaches",
        "Nearest approach of each line to each dig, with heights; a stroke where they meet",
        "LineString Z",
        _wkb([shapely.linestrings(way) for way in ways]),
        near,
    )
    seen = [exposure for exposure, _ in exposure_rows(delivery)]
    yield Layer(
        "exposures",
        "Exposures",
        "Point",
        _points(
            delivery,
            np.array([one.easting for one in seen], np.float64),
            np.array([one.northing for one in seen], np.float64),
        ),
        cells(delivery, EXPOSURES),
    )
    places = [place for place, _, _ in advice_rows(delivery)]
    yield Layer(
        "hole_advice",
        "Where to expose",
        "Point",
        _points(
            delivery,
            np.array([one.easting for one in places], np.float64),
            np.array([one.northing for one in places], np.float64),
        ),
        cells(delivery, HOLE_ADVICE),
    )


def _points(
    delivery: Delivery, easting: npt.NDArray[np.float64], northing: npt.NDArray[np.float64]
) -> npt.NDArray[np.object_]:
    plan = delivery.grid(np.column_stack([easting, northing]))
    wkb = np.asarray(shapely.to_wkb(shapely.points(plan)), object)
    wkb[~np.isfinite(plan).all(axis=1)] = None
    return wkb


def _wkb(shapes: list[shapely.Geometry]) -> npt.NDArray[np.object_]:
    # ISO WKB, which is what OGR and the GeoPackage standard speak.
    return np.array([shapely.to_wkb(shape, flavor="iso") for shape in shapes], object)


def attribute_arrays(
    layer: Layer,
) -> tuple[list[npt.NDArray[np.generic]], list[npt.NDArray[np.bool_] | None]]:
    """Values and null masks of a layer's attributes, as OGR's writer takes them."""
    data: list[npt.NDArray[np.generic]] = []
    masks: list[npt.NDArray[np.bool_] | None] = []
    for column, values in zip(layer.cells.table.columns, layer.cells.columns, strict=True):
        missing = np.array([value is None for value in values], bool)
        if column.kind == "number":
            data.append(np.array([np.nan if v is None else v for v in values], np.float64))
        elif column.kind == "integer":
            data.append(np.array([0 if v is None else v for v in values], np.int32))
        else:
            data.append(np.array([clean_text(v) for v in values], object))
        masks.append(missing if missing.any() else None)
    return data, masks


def clean_text(value: object) -> str | None:
    """Text that OGR takes: no NUL (it ends a C string), no lone surrogates."""
    if value is None:
        return None
    return str(value).replace("\0", "\ufffd").encode("utf-8", "replace").decode("utf-8")
