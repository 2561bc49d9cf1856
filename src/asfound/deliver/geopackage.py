"""GeoPackage (OGC 12-128r18): layers, tables, styles and the statement about them in one file.

Styles lie in the table `layer_styles` (QML and SLD), which desktop GIS read on opening. Facts and
cautions are a table of their own (`about`) and dataset metadata. Dates in the file are the job's
day, so that the same job gives the same bytes.
"""

from __future__ import annotations

import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import numpy as np

from asfound.deliver.delivery import Delivery
from asfound.deliver.features import Layer, attribute_arrays, clean_text, layers
from asfound.deliver.styles import qml, sld

_STYLE_TABLE = """
CREATE TABLE layer_styles (
    id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL,
    f_table_catalog TEXT, f_table_schema TEXT, f_table_name TEXT, f_geometry_column TEXT,
    styleName TEXT, styleQML TEXT, styleSLD TEXT, useAsDefault BOOLEAN,
    description TEXT, owner TEXT, ui TEXT, update_time DATETIME
)
"""


def geopackage(delivery: Delivery) -> bytes:
    """The whole file."""
    day = delivery.about.day
    moment = f"{day.isoformat() if day else '1970-01-01'}T00:00:00.000Z"
    with tempfile.TemporaryDirectory(prefix="asfound-") as folder:
        path = Path(folder) / "map.gpkg"
        with _gdal_options(moment):
            styled = []
            for layer in layers(delivery):
                _write_layer(path, layer, delivery)
                if layer.geometry_type:
                    styled.append(layer.name)
            _write_about(path, delivery)
        _add_styles(path, styled, moment)
        return path.read_bytes()


@contextmanager
def _gdal_options(moment: str) -> Iterator[None]:
    """A fixed time for gpkg_contents.last_change, and no waiting for the disk."""
    import pyogrio

    # The file is built in a temporary folder and put in place whole, so that a crash in the
    # middle can't leave a torn one behind: SQLite need not wait for the disk.
    options = {"OGR_CURRENT_DATE": moment, "OGR_SQLITE_SYNCHRONOUS": "OFF"}
    before = {name: pyogrio.get_gdal_config_option(name) for name in options}
    pyogrio.set_gdal_config_options(options)
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options(before)


def _write_layer(path: Path, layer: Layer, delivery: Delivery) -> None:
    from pyogrio import raw

    data, masks = attribute_arrays(layer)
    about = delivery.about
    first = not path.exists()
    raw.write(
        path,
        geometry=layer.geometry,
        field_data=data,
        fields=list(layer.cells.fields),
        field_mask=masks,
        layer=layer.name,
        driver="GPKG",
        geometry_type=layer.geometry_type or None,
        crs=delivery.crs.to_wkt() if layer.geometry_type else None,
        promote_to_multi=False,
        append=not first,
        dataset_metadata=_metadata(delivery) if first else None,
        layer_options={
            "IDENTIFIER": layer.title,
            "DESCRIPTION": f"One row is {layer.cells.table.row}. Epoch: {about.epoch}. "
            f"{about.vertical_reference}. {about.units}.",
        },
        dataset_options={"VERSION": "1.4"} if first else None,
    )


def _metadata(delivery: Delivery) -> dict[str, str]:
    about = delivery.about
    facts = {
        heading.upper().replace(", ", "_").replace(" ", "_"): clean_text(text) or ""
        for heading, text in about.facts()
    }
    cautions = {f"CAUTION_{k}": caution for k, caution in enumerate(about.cautions, 1)}
    return {**facts, **cautions}


def _write_about(path: Path, delivery: Delivery) -> None:
    from pyogrio import raw

    rows = [*delivery.about.facts(), *(("Caution", c) for c in delivery.about.cautions)]
    raw.write(
        path,
        geometry=None,
        field_data=[np.array([clean_text(row[part]) for row in rows], object) for part in (0, 1)],
        fields=["heading", "words"],
        layer="about",
        driver="GPKG",
        append=True,
        layer_options={"IDENTIFIER": "About this file: frame, units, uncertainty, cautions"},
    )


def _add_styles(path: Path, styled: list[str], moment: str) -> None:
    # GeoPackage stores text as data, so nothing from a user is ever part of a statement.
    with closing(sqlite3.connect(path)) as base, base:
        base.execute("PRAGMA synchronous = OFF")
        base.execute(_STYLE_TABLE)
        for name in styled:
            base.execute(
                "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name,"
                " f_geometry_column, styleName, styleQML, styleSLD, useAsDefault, description,"
                " owner, ui, update_time) VALUES ('', '', ?, 'geom', ?, ?, ?, 1, ?, '', NULL, ?)",
                (
                    name,
                    name,
                    qml(name),
                    sld(name),
                    "Colour says the utility, shape the verdict",
                    moment,
                ),
            )
        base.execute(
            "INSERT INTO gpkg_contents (table_name, data_type, identifier, description,"
            " last_change) VALUES ('layer_styles', 'attributes', 'layer_styles', 'Styles', ?)",
            (moment,),
        )
