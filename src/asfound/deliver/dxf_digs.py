"""Digs in the DXF: outlines in space, approaches, tolerance zones, exposures, where to expose.

A layer a dig, ``DIG-T1``, with its approaches on ``DIG-T1-APPROACH``: a planner can switch each on
and off, and finds heights where solids have them.
"""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import shapely

from asfound.deliver.delivery import Delivery
from asfound.deliver.dig_columns import advice_rows, by_contact, chance, dig_rows, exposure_rows
from asfound.deliver.dig_shapes import approach_segment, tolerance_zone
from asfound.deliver.dxf_entities import DASHED, EntityWriter, plain_text
from asfound.deliver.dxf_shots import TEXT_HEIGHT
from asfound.model import Approach

ZONE, EXPOSURE, ADVICE = "TOLERANCE-ZONE", "EXPOSURE", "EXPOSE-HERE"
# Characters that names of layers can't have: DXF reference, symbol table entries.
_FORBIDDEN = re.compile(r"[<>/\\\":;?*|=`',\x00-\x1f\x7f]")
_LONGEST = 60
CAUTION = "no leave to dig; read the cautions"


def dig_layers(delivery: Delivery) -> tuple[str, ...]:
    """The layer of each dig, in their order; no two alike in capitals."""
    names: list[str] = []
    for item in dig_rows(delivery):
        plain = _FORBIDDEN.sub("_", plain_text(item.dig.name))[:_LONGEST].strip() or "_"
        name, number = f"DIG-{plain}", 1
        while name.upper() in {known.upper() for known in names}:
            number += 1
            name = f"DIG-{plain}-{number}"
        names.append(name)
    return tuple(names)


def add_dig_layers(drawing: Any, delivery: Delivery) -> None:
    """Layers of digs; none where nothing is planned and nothing was exposed."""
    names = list(dig_layers(delivery))
    wanted = [layer for name in names for layer in (name, f"{name}-APPROACH")]
    if names:
        wanted.append(ZONE)
    if advice_rows(delivery):
        wanted.append(ADVICE)
    if exposure_rows(delivery):
        wanted.append(EXPOSURE)
    for name in wanted:
        # Colour 7 is black on white paper and white on a dark screen.
        drawing.layers.add(name, color=7)


def add_digs(writer: EntityWriter, delivery: Delivery) -> None:
    """All of it."""
    scale = delivery.about.grid_unit.metres
    size = TEXT_HEIGHT / scale
    layers = dig_layers(delivery)
    for name, item, shape in zip(layers, dig_rows(delivery), delivery.digs, strict=True):
        for outline in shape.outlines:
            edge = delivery.grid(outline)
            if np.isfinite(edge).all():
                writer.polyline3d(name, edge.tolist(), "370\n35\n")
        for part in shapely.get_parts(shape.footprint):
            ring = delivery.grid(shapely.get_coordinates(part.exterior)[:-1])
            writer.polyline(name, ring.tolist(), closed=True, style="370\n13\n")
        middle = shape.footprint.centroid
        x, y = middle.x / scale, middle.y / scale
        words = plain_text(f"{item.dig.kind} {item.dig.name}: {CAUTION}")
        writer.text(name, x + size, y + size, size, words)
        for near in by_contact(item):
            _approach(writer, delivery, f"{name}-APPROACH", near)
            for part in shapely.get_parts(tolerance_zone(delivery.results, shape, near)):
                ring = delivery.grid(shapely.get_coordinates(part.exterior)[:-1])
                dashed = f"  6\n{DASHED}\n"
                writer.polyline(ZONE, ring.tolist(), closed=True, style=dashed)
    for exposure, said in exposure_rows(delivery):
        x, y = exposure.easting / scale, exposure.northing / scale
        ground = exposure.ground_height
        if np.isfinite(ground):
            writer.point(EXPOSURE, x, y, (ground - exposure.top_depth) / scale)
        result = "not used" if said is None else "contradicts" if said.contradicted else "agrees"
        words = f"{exposure.name} on {exposure.line}: {result}"
        writer.text(EXPOSURE, x + size, y + size, size, plain_text(words))
    for rank, (place, _, _) in enumerate(advice_rows(delivery), 1):
        x, y = place.easting / scale, place.northing / scale
        square = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]]) * 0.3 / scale
        writer.polyline(ADVICE, (square + np.array([x, y])).tolist(), closed=True)
        words = f"{rank}: expose {place.line} here by hand or vacuum"
        writer.text(ADVICE, x + size, y - 2.0 * size, size, plain_text(words))


def _approach(writer: EntityWriter, delivery: Delivery, layer: str, near: Approach) -> None:
    unit, scale = delivery.about.unit, delivery.about.grid_unit.metres
    way = delivery.grid(approach_segment(near))
    writer.polyline3d(layer, way.tolist(), "370\n25\n")
    x, y = way.mean(axis=0)[:2].tolist()
    clear = f"{near.clearance / unit.metres:.2f} {unit.symbol}"
    words = f"{near.line}: {clear}, contact {_percent(near.p_contact)}"
    writer.text(layer, x, y, 0.7 * TEXT_HEIGHT / scale, plain_text(words))


def _percent(probability: float) -> str:
    p = chance(probability)
    if p < 0.001:
        return "< 0.1 %"
    return "> 99.9 %" if p > 0.999 else f"{100.0 * p:.1f} %"
