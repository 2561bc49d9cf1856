"""GeoJSON, GeoPackage and shapefiles, by GDAL, always on a copy in a folder of its own."""

from __future__ import annotations

import re
import shutil
import sqlite3
import tempfile
import warnings
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from pathlib import Path, PurePath

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import shapely

from asfound.errors import InputError
from asfound.intake.archives import Archive
from asfound.intake.features import GEOMETRY_HEIGHT, Features, plain_column, sound_text
from asfound.intake.geojson import NO_FEATURE, no_features, with_left_out
from asfound.intake.limits import DOCUMENT_BYTES, MEBIBYTE
from asfound.intake.mapping import Mapping
from asfound.intake.raw import Data, head, open_raw, raw_size

_SUFFIX = {"geojson": ".geojson", "geopackage": ".gpkg", "shapefile": ".shp"}
_PARTS = (".shp", ".dbf", ".shx", ".prj", ".cpg")
_POINT, _MULTIPOINT = 0, 4
# pyogrio's own errors are all of one of these
_GDAL_ERRORS = (ValueError, RuntimeError, OSError, pa.ArrowException, UnicodeError)


def read_features(
    data: Data, name: str, kind: str, *, layer: str = "", encoding: str = ""
) -> Features:
    """Features of a GIS file.

    Parameters
    ----------
    data : bytes or Path
        A shapefile on disk has its parts beside it, or all is in a zip archive.
    name : str
    kind : str
        ``'geojson'``, ``'geopackage'`` or ``'shapefile'``.
    layer : str
        Of several; empty for the only one.
    encoding : str
        Of a shapefile's attributes, where it does not say itself.

    Raises
    ------
    InputError
        If the file is damaged or too large, or has several layers and none is named.
    """
    import pyogrio  # loads GDAL and pandas: only where a file needs them

    bad = no_features(data, name) if kind == "geojson" else None
    with _copied(data, name, kind, layer) as path, warnings.catch_warnings():
        warnings.simplefilter("ignore")  # GDAL's remarks; what is lost is found by counting
        if kind == "geopackage":
            _check_pages(path, name)
        chosen = _layer(path, name, layer) if kind == "geopackage" else None
        try:
            info = pyogrio.read_info(path, layer=chosen, force_feature_count=True)
            options = {"encoding": encoding} if encoding and kind == "shapefile" else {}
            meta, table = pyogrio.read_arrow(path, layer=chosen, **options)
        except _GDAL_ERRORS as error:
            raise InputError(
                f"can't be read as {kind}: {_one_line(error)}.",
                where=name,
                remedy="Open and save it again in the program it came from, or export CSV.",
            ) from error
    if table.num_rows != info["features"] and info["features"] >= 0:
        raise InputError(
            f"the file says it has {info['features']} features, but {table.num_rows} can be read.",
            where=name,
            remedy="It is damaged or cut off: export it again.",
        )
    if bad is not None:
        table = with_left_out(table, bad, name)
    features = _features(table, meta, kind, chosen or layer)
    if bad is not None and bad.any():
        faults = {reason: mask & ~bad for reason, mask in features.faults.items()}
        features = replace(features, faults={**faults, NO_FEATURE: bad})
    return features


def _one_line(error: BaseException) -> str:
    """What GDAL says, without the place of the copy and its advice for programmers."""
    words = " ".join(str(error).split())
    if "not recognized as being in a supported file format" in words:
        return "it is something else under this name"
    words = re.sub(r"'?[^\s']*/asfound-[^\s']*'?", "the file", words)
    return (words if len(words) <= 200 else words[:200].rpartition(" ")[0] + " ...").rstrip(".")


def _features(table: pa.Table, meta: dict[str, object], kind: str, layer: str) -> Features:
    geometry_name = str(meta.get("geometry_name") or "wkb_geometry")
    if geometry_name not in table.column_names:
        geometry_name = "wkb_geometry" if "wkb_geometry" in table.column_names else ""
    count = table.num_rows
    damaged = np.zeros(count, bool)
    columns = {}
    for title in table.column_names:
        if title != geometry_name:
            columns[title], spoiled = sound_text(plain_column(table.column(title)))
            damaged |= spoiled
    if geometry_name:
        wkb = np.array(table.column(geometry_name).to_pylist(), object)
        x, y, z, faults = _points(shapely.from_wkb(wkb, on_invalid="ignore"))
        if np.isfinite(z).any():
            columns[GEOMETRY_HEIGHT] = pa.array(z)
    else:
        x = y = np.full(count, np.nan)
        faults = {"the feature has no geometry.": np.ones(count, bool)}
    if damaged.any():
        faults = {reason: mask & ~damaged for reason, mask in faults.items()}
        faults["the feature is damaged: it holds bytes that are no text."] = damaged
    crs = str(meta.get("crs") or "")
    if kind == "geojson" and crs in ("EPSG:4326", "OGC:CRS84"):
        crs = "EPSG:4979"
    return Features(columns, x, y, np.arange(1, count + 1), faults, crs, layer)


def _points(
    shapes: npt.NDArray[np.object_],
) -> tuple[
    npt.NDArray[np.float64],
    npt.NDArray[np.float64],
    npt.NDArray[np.float64],
    dict[str, npt.NDArray[np.bool_]],
]:
    """Coordinates of points, and why other shapes have none."""
    kinds = shapely.get_type_id(shapes)
    single = (kinds == _MULTIPOINT) & (shapely.get_num_geometries(shapes) == 1)
    shapes = shapes.copy()
    shapes[single] = shapely.get_geometry(shapes[single], 0)
    absent = (kinds < 0) | shapely.is_empty(shapes)
    other = ~absent & (kinds != _POINT) & ~single
    faults = {"the feature has no geometry.": absent}
    for code in np.unique(kinds[other]).tolist():
        word = shapely.GeometryType(code).name.lower()
        faults[f"the geometry is a {word}, not a point."] = other & (kinds == code)
    points = shapes.copy()
    points[absent | other] = None
    return shapely.get_x(points), shapely.get_y(points), shapely.get_z(points), faults


def _layer(path: Path, name: str, wanted: str) -> str:
    """The layer to read of a GeoPackage."""
    import pyogrio

    try:
        layers = pyogrio.list_layers(path)
    except _GDAL_ERRORS as error:
        raise InputError(
            f"can't be read as geopackage: {_one_line(error)}.",
            where=name,
            remedy="Open and save it again in the program it came from, or export CSV.",
        ) from error
    names = [str(row[0]) for row in layers]
    points = [str(row[0]) for row in layers if row[1] is not None and "Point" in str(row[1])]
    if wanted:
        if wanted in names:
            return wanted
        raise InputError(
            f"there is no layer '{wanted}'.",
            where=name,
            remedy=f"Set layer in the mapping file to one of {', '.join(names)}.",
        )
    if len(points) == 1 or len(names) == 1:
        return (points or names)[0]
    raise InputError(
        f"the GeoPackage has {len(names)} layers: {', '.join(names[:10])}."
        if names
        else "the GeoPackage has no layers.",
        where=name,
        remedy="Export the layer with the shots into a GeoPackage of its own, or set layer in a "
        "mapping file.",
    )


def _check_pages(path: Path, name: str) -> None:
    """Refuses a GeoPackage with a damaged page: rows on it would be missing silently."""
    try:
        with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro&immutable=1", uri=True)) as database:
            database.execute("PRAGMA trusted_schema = OFF")
            found = [str(row[0]) for row in database.execute("PRAGMA quick_check(3)")]
    except (sqlite3.Error, ValueError, OverflowError) as error:
        found = [str(error)]
    if found != ["ok"]:
        raise InputError(
            f"the GeoPackage is damaged: {'; '.join(' '.join(f.split()) for f in found)[:200]}.",
            where=name,
            remedy="Fetch it again from where it was made, or restore a backup.",
        )


@contextmanager
def _copied(data: Data, name: str, kind: str, layer: str) -> Iterator[Path]:
    """The file under a plain name in a folder of its own, which GDAL may write to."""
    size = raw_size(data, where=name)
    if size > DOCUMENT_BYTES and kind != "geopackage":
        raise InputError(
            f"larger than {DOCUMENT_BYTES // MEBIBYTE} MiB.",
            where=name,
            remedy="Split it, or export it as CSV or GeoPackage.",
        )
    with tempfile.TemporaryDirectory(prefix="asfound-") as folder:
        path = Path(folder) / f"upload{_SUFFIX[kind]}"
        if kind == "shapefile":
            _copy_shapefile(data, name, path, layer)
        else:
            with open_raw(data, where=name) as source, path.open("wb") as target:
                shutil.copyfileobj(source, target, MEBIBYTE)
        yield path


def _copy_shapefile(data: Data, name: str, path: Path, layer: str) -> None:
    if head(data, 2, where=name) == b"PK":
        _unpack_shapefile(data, name, path, layer)
    elif isinstance(data, bytes):
        path.write_bytes(data)
    else:
        for part in sorted(data.parent.iterdir()):
            suffix = part.suffix.lower()
            if part.stem == data.stem and suffix in _PARTS:
                shutil.copyfile(part, path.with_suffix(suffix))
    missing = [s for s in (".dbf", ".shx") if not path.with_suffix(s).exists()]
    if missing:
        raise InputError(
            f"the shapefile lacks its {' and '.join(missing)}.",
            where=name,
            remedy="Give the .shp with .shx, .dbf and .prj beside it, or all in one zip archive.",
        )


def _unpack_shapefile(data: Data, name: str, path: Path, layer: str) -> None:
    with Archive(data, name) as archive:
        found = archive.with_suffix(".shp")
        if layer:
            found = [member for member in found if PurePath(member).stem == layer]
        if len(found) != 1:
            stems = ", ".join(PurePath(member).stem for member in archive.with_suffix(".shp"))
            raise InputError(
                f"the archive holds several shapefiles: {stems}."
                if not layer
                else f"the archive holds no shapefile '{layer}', but {stems}.",
                where=name,
                remedy="Set layer in the mapping file to one of them, or pack just one.",
            )
        stem = found[0][: -len(".shp")]
        for member in archive.members:
            suffix = PurePath(member).suffix.lower()
            if suffix in _PARTS and member[: -len(suffix)] == stem:
                archive.extract(member, path.with_suffix(suffix))


def shapefile_encoding(mapping: Mapping) -> str:
    """Encoding that a mapping declares for a shapefile; empty to leave it to the file."""
    return "" if mapping.encoding == "utf-8" else mapping.encoding
