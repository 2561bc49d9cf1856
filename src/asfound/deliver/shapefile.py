"""Shapefile, zipped: for programs that read nothing newer.

One dBASE field name holds ten characters, so names are short (`readme.txt` says what each means)
and text is cut at 254 bytes. Everything in full stands in the GeoPackage and in `results.json`.
"""

from __future__ import annotations

import io
import tempfile
import zipfile
from datetime import date
from pathlib import Path

import numpy as np

from asfound.deliver.delivery import Delivery
from asfound.deliver.features import Layer, attribute_arrays, layers
from asfound.deliver.tables import TABLES

_TEXT_BYTES = 254
_ZIP_TIME = (1980, 1, 1, 0, 0, 0)


def shapefile_zip(delivery: Delivery) -> bytes:
    """The zip archive."""
    with tempfile.TemporaryDirectory(prefix="asfound-") as name:
        folder = Path(name)
        for layer in layers(delivery):
            _write(folder, layer, delivery)
        (folder / "readme.txt").write_bytes(_readme(delivery))
        return _zip(folder)


def _write(folder: Path, layer: Layer, delivery: Delivery) -> None:
    from pyogrio import raw

    data, masks = attribute_arrays(layer)
    for column, values in enumerate(data):
        if values.dtype == object:
            data[column] = np.array([_cut(value) for value in values], object)
    about = delivery.about
    day = about.day or date(1980, 1, 1)
    raw.write(
        folder / (f"{layer.name}.shp" if layer.geometry_type else f"{layer.name}.dbf"),
        geometry=layer.geometry,
        field_data=data,
        fields=[column.short_field(about) for column in layer.cells.table.columns],
        field_mask=masks,
        driver="ESRI Shapefile",
        geometry_type=_SHAPE_TYPES.get(layer.geometry_type, layer.geometry_type) or None,
        crs=delivery.crs.to_wkt() if layer.geometry_type else None,
        encoding="UTF-8",
        promote_to_multi=False,
        layer_options={"DBF_DATE_LAST_UPDATE": day.isoformat()},
    )


# Shapefile has no separate type for multipolygons: a polygon may have many rings.
_SHAPE_TYPES = {"MultiPolygon": "Polygon"}


def _cut(value: str | None) -> str | None:
    """Text of at most 254 bytes in UTF-8, cut between characters."""
    if value is None:
        return None
    return value.encode("utf-8")[:_TEXT_BYTES].decode("utf-8", "ignore")


def _readme(delivery: Delivery) -> bytes:
    about = delivery.about
    lines = [about.text()]
    lines.append(
        "\nText longer than 254 bytes is cut, as the format wants it; the GeoPackage and "
        "results.json hold it in full. Heights of line vertices are in the CRS's unit.\n"
    )
    lines.append("\nlines.shp and envelopes.shp have the same fields.\n")
    for table in TABLES.values():
        lines.append(f"\n{table.name}: one record is {table.row}\n")
        for column in table.columns:
            unit = column.unit(about)
            lines.append(
                f"  {column.short_field(about):<10}  {column.heading}"
                f"{f' [{unit}]' if unit else ''}: {column.description}\n"
            )
    return "".join(lines).replace("\n", "\r\n").encode("utf-8", "replace")


def _zip(folder: Path) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as archive:
        for path in sorted(folder.iterdir(), key=lambda p: p.name):
            entry = zipfile.ZipInfo(path.name, _ZIP_TIME)
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.external_attr = 0o644 << 16
            entry.create_system = 3
            archive.writestr(entry, path.read_bytes())
    return stream.getvalue()
