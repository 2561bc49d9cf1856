"""Which format a file is in, by its content first and its name second."""

from __future__ import annotations

import re
from pathlib import PurePath

from asfound.errors import InputError
from asfound.intake.archives import Archive
from asfound.intake.nmea import looks_like_nmea
from asfound.intake.raw import Data, head

_SHAPEFILE = b"\x00\x00\x27\x0a"
_PARTS = (".dbf", ".shx", ".prj", ".cpg", ".sbn", ".qpj")


def detect_format(data: Data, name: str) -> str:
    """One of `FORMATS`; whatever is nothing else is delimited text.

    Raises
    ------
    InputError
        If it is a part of a shapefile, or an archive without anything to read.
    """
    beginning = head(data, 65536, where=name)
    suffix = PurePath(name.replace("\\", "/")).suffix.lower()
    if beginning.startswith(b"SQLite format 3\x00"):
        return "geopackage"
    if beginning.startswith(_SHAPEFILE):
        if suffix == ".shx":
            raise _part_of_shapefile(name)
        return "shapefile"
    if beginning.startswith((b"PK\x03\x04", b"PK\x05\x06")):
        return _in_archive(data, name)
    if suffix in _PARTS:
        raise _part_of_shapefile(name)
    text = _text(beginning)
    if re.match(r"\s*[{\[]", text) and ('"type"' in text or suffix in (".json", ".geojson")):
        return "geojson"
    if re.match(r"\s*<", text) and ("<kml" in text or ":kml" in text or suffix == ".kml"):
        return "kml"
    if looks_like_nmea(beginning):
        return "nmea"
    if beginning and suffix in (".gpkg", ".shp", ".kmz", ".zip"):
        raise InputError(
            f"named {suffix}, but its content is not that.",
            where=name,
            remedy="Fetch it again, or give it the right ending.",
        )
    return "delimited"


def _text(beginning: bytes) -> str:
    if beginning.startswith((b"\xff\xfe", b"\xfe\xff")):
        return beginning.decode("utf-16", "replace")
    return beginning.removeprefix(b"\xef\xbb\xbf").decode("utf-8", "replace")


def _part_of_shapefile(name: str) -> InputError:
    return InputError(
        "a part of a shapefile, not the shapefile itself.",
        where=name,
        remedy="Give the .shp file with its parts beside it, or all in one zip archive.",
    )


def _in_archive(data: Data, name: str) -> str:
    with Archive(data, name) as archive:
        if archive.with_suffix(".shp"):
            return "shapefile"
        if archive.with_suffix(".kml"):
            return "kml"
        if "xl/workbook.xml" in archive.members:
            raise InputError(
                "a spreadsheet workbook, not a table of text.",
                where=name,
                remedy="Save the sheet as CSV and give that.",
            )
        shown = ", ".join(archive.members[:8]) or "nothing"
    raise InputError(
        f"a zip archive without a shapefile or KML; it holds {shown}.",
        where=name,
        remedy="Unpack it and give the file with the readings.",
    )
