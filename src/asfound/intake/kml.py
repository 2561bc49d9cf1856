"""KML and KMZ: placemarks as features, read as a stream and without entities or DTD."""

from __future__ import annotations

from dataclasses import dataclass, field
from xml.etree.ElementTree import ParseError

import numpy as np
import pyarrow as pa
from defusedxml import DefusedXmlException
from defusedxml.ElementTree import DefusedXMLParser

from asfound.errors import InputError
from asfound.intake.archives import Archive
from asfound.intake.features import GEOMETRY_HEIGHT, Features
from asfound.intake.limits import DOCUMENT_BYTES, MEBIBYTE, XML_DEPTH
from asfound.intake.raw import Data, head, whole

_SHAPES = {"LineString", "Polygon", "LinearRing", "Model", "Track", "MultiTrack"}
_OWN = {"name": "name", "description": "description", "when": "time"}


@dataclass
class _Placemark:
    line: int
    attributes: dict[str, str] = field(default_factory=dict)
    coordinates: list[str] = field(default_factory=list)
    shapes: list[str] = field(default_factory=list)


class _Reader:
    """Target of the parser: gathers placemarks as they pass by."""

    def __init__(self) -> None:
        self.parser: DefusedXMLParser | None = None
        self.placemarks: list[_Placemark] = []
        self._open: list[str] = []
        self._text: list[str] = []
        self._attribute = ""
        self._current: _Placemark | None = None

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        name = tag.rpartition("}")[2]
        self._open.append(name)
        if len(self._open) > XML_DEPTH:
            raise ParseError(f"elements are nested more than {XML_DEPTH} deep")
        self._text = []
        if name == "Placemark":
            line = self.parser.parser.CurrentLineNumber if self.parser else 0
            self._current = _Placemark(line)
        elif self._current is not None:
            if name in ("Data", "SimpleData"):
                self._attribute = attributes.get("name", "")
            elif name in _SHAPES:
                self._current.shapes.append(name)

    def data(self, text: str) -> None:
        self._text.append(text)

    def end(self, tag: str) -> None:
        name = self._open.pop()
        parent = self._open[-1] if self._open else ""
        mark = self._current
        text = "".join(self._text).strip()
        self._text = []
        if mark is None:
            return
        if name == "Placemark":
            self.placemarks.append(mark)
            self._current = None
        elif name == "coordinates" and parent == "Point":
            mark.coordinates.append(text)
        elif (name == "value" and parent == "Data") or name == "SimpleData":
            mark.attributes[self._attribute or "value"] = text
        elif name in _OWN and (parent == "Placemark" or name == "when"):
            mark.attributes[_OWN[name]] = text

    def close(self) -> list[_Placemark]:
        return self.placemarks


def read_kml(data: Data, name: str) -> Features:
    """Placemarks of a KML or KMZ file.

    Coordinates of KML are longitude and latitude "in WGS 84", which is a metre-level label, and
    heights are above the EGM96 geoid (OGC 12-007r2).

    Raises
    ------
    InputError
        If it is no sound XML, declares entities or a DTD, or is too large.
    """
    content = _content(data, name)
    reader = _Reader()
    try:
        parser = DefusedXMLParser(target=reader, forbid_dtd=True)
        reader.parser = parser
        for start in range(0, len(content), MEBIBYTE):
            parser.feed(content[start : start + MEBIBYTE])
        placemarks = parser.close()
    except DefusedXmlException as error:
        raise InputError(
            "the KML declares XML entities or a document type, which can hide anything.",
            where=name,
            remedy="Save it again without them.",
        ) from error
    except (ParseError, ValueError, LookupError) as error:
        raise InputError(
            f"the KML is no sound XML: {error}.",
            where=name,
            remedy="It is damaged or cut off: export it again.",
        ) from error
    return _features(placemarks)


def _content(data: Data, name: str) -> bytes:
    if head(data, 2, where=name) != b"PK":
        return whole(data, DOCUMENT_BYTES, where=name)
    with Archive(data, name) as archive:
        members = archive.with_suffix(".kml")
        main = [m for m in members if m.lower() == "doc.kml"] or members
        if not main:
            raise InputError("the archive holds no KML.", where=name, remedy="Export it again.")
        return archive.read(main[0], DOCUMENT_BYTES)


def _features(placemarks: list[_Placemark]) -> Features:
    count = len(placemarks)
    titles: dict[str, None] = {}
    for mark in placemarks:
        titles.update(dict.fromkeys(mark.attributes))
    columns = {
        title: pa.array([mark.attributes.get(title) for mark in placemarks], pa.string())
        for title in titles
    }
    points = np.full((count, 3), np.nan)
    absent, other, several = (np.zeros(count, bool) for _ in range(3))
    for k, mark in enumerate(placemarks):
        if mark.shapes:
            other[k] = True
        elif len(mark.coordinates) > 1:
            several[k] = True
        elif not mark.coordinates:
            absent[k] = True
        else:
            points[k] = _point(mark.coordinates[0])
    if np.isfinite(points[:, 2]).any():
        columns[GEOMETRY_HEIGHT] = pa.array(points[:, 2])
    faults = {
        "the placemark has no point.": absent,
        "the placemark is a line, an area or a model, not a point.": other,
        "the placemark has several points.": several,
    }
    line = np.array([mark.line for mark in placemarks], np.int64)
    return Features(columns, points[:, 0], points[:, 1], line, faults, "EPSG:4979")


def _point(text: str) -> list[float]:
    """Longitude, latitude, height of a coordinate tuple; NaN for what can't be read."""
    numbers = []
    for part in text.split(",")[:3]:
        try:
            numbers.append(float(part))
        except ValueError:
            numbers.append(float("nan"))
    return numbers + [float("nan")] * (3 - len(numbers))
