"""Write all files of a hand-over, each whole or not at all."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from asfound.deliver.csv_table import csv_files
from asfound.deliver.delivery import Delivery, prepare
from asfound.deliver.dxf import dxf
from asfound.deliver.geojson import geojson_files
from asfound.deliver.geopackage import geopackage
from asfound.deliver.kml import kml
from asfound.deliver.report import report_pdf
from asfound.deliver.results_json import results_json
from asfound.deliver.shapefile import shapefile_zip
from asfound.deliver.stakeout_files import stakeout_files
from asfound.errors import InputError
from asfound.model import Results

Writer = Callable[[Delivery], Iterable[tuple[str, bytes]]]


def _one(name: str, make: Callable[[Delivery], bytes]) -> Writer:
    """A writer of a single file."""

    def writer(delivery: Delivery) -> Iterator[tuple[str, bytes]]:
        yield name, make(delivery)

    return writer


_WRITERS: dict[str, tuple[str, Writer]] = {
    "pdf": ("report", _one("report.pdf", report_pdf)),
    "json": ("results.json", _one("results.json", results_json)),
    "csv": ("CSV", csv_files),
    "geojson": ("GeoJSON", geojson_files),
    "gpkg": ("GeoPackage", _one("map.gpkg", geopackage)),
    "shp": ("Shapefile", _one("map-shapefile.zip", shapefile_zip)),
    "kml": ("KML", _one("map.kml", kml)),
    "dxf": ("DXF", _one("map.dxf", dxf)),
    "stakeout": ("stakeout lists", stakeout_files),
}
ALL: tuple[str, ...] = tuple(_WRITERS)


def write_outputs(
    results: Results,
    folder: Path,
    *,
    formats: Iterable[str] = ALL,
    progress: Callable[[str], None] | None = None,
) -> tuple[Path, ...]:
    """Write a job's deliverables into a folder.

    All files are made before the first is put in place, so a fault in one format leaves the
    folder as it was; each is then renamed over its predecessor. The same results give the same
    bytes, on any day, in any time zone and locale.

    Parameters
    ----------
    results : Results
    folder : Path
        Made if it does not exist. Other files in it are left alone.
    formats : iterable of str
        Any of `ALL`.
    progress : callable, optional
        Told the name of each step as it starts.

    Returns
    -------
    tuple of Path
        Files written, in the order of `ALL`.

    Raises
    ------
    InputError
        If a format is unknown or the folder can't be written to.
    """
    chosen = tuple(formats)
    unknown = [name for name in chosen if name not in _WRITERS]
    if unknown:
        raise InputError(
            f"'{unknown[0]}' is not an output format.",
            where="formats",
            remedy=f"Use any of: {', '.join(ALL)}.",
        )
    delivery = prepare(results)
    files: dict[str, bytes] = {}
    for name, (title, writer) in _WRITERS.items():
        if name in chosen:
            if progress is not None:
                progress(f"Writing {title}")
            files.update(writer(delivery))
    return _put(folder, files)


def _put(folder: Path, files: dict[str, bytes]) -> tuple[Path, ...]:
    """Write all files under temporary names, then rename each into place."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=folder, prefix=".part-") as temporary:
            staged = Path(temporary)
            for name, data in files.items():
                (staged / name).parent.mkdir(parents=True, exist_ok=True)
                with (staged / name).open("wb") as stream:
                    stream.write(data)
                    stream.flush()
                    os.fsync(stream.fileno())
            for name in files:
                (folder / name).parent.mkdir(parents=True, exist_ok=True)
                (staged / name).replace(folder / name)
    except OSError as error:
        raise InputError(
            f"Can't write: {error.strerror or error}.",
            where=str(folder),
            remedy="Check the folder's permissions, the free space, and that no file in it is "
            "open in another program.",
        ) from error
    return tuple(folder / name for name in files)
