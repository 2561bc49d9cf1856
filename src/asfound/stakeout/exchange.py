"""Stakeout lists in open formats: GPX 1.1, KML 2.3, GeoJSON (RFC 7946), LandXML 1.2.

GPX, KML and GeoJSON know WGS 84 only, nominally; the coordinates are those of the service's own
frame and each file says so, because a receiver on that service shows the same numbers.
"""

from __future__ import annotations

import html
import json
from datetime import date

import numpy as np

from asfound.errors import InputError
from asfound.model import ServiceTargets
from asfound.stakeout.listing import about_list, describe, list_columns, short_unit

_FORBIDDEN = dict.fromkeys((*range(9), 11, 12, *range(14, 32), 65534, 65535), "�")
"""Characters that XML 1.0 (2.2) has no way to write; surrogates are dealt with in encoding."""
_NOMINAL = "Longitude and latitude are in {}; this format takes them for WGS 84, nominally."


def _text(word: str) -> str:
    return html.escape(word.translate(_FORBIDDEN), quote=True)


def _bytes(lines: list[str]) -> bytes:
    return ("\n".join(lines) + "\n").encode("utf-8", "replace")


def gpx_list(targets: ServiceTargets, title: str) -> bytes:
    """The list as waypoints of a GPX 1.1 file; elevations are the service's heights [m]."""
    table = list_columns(targets)
    about = " ".join((_NOMINAL.format(targets.crs), *about_list(targets)))
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        '<gpx version="1.1" creator="asfound" xmlns="http://www.topografix.com/GPX/1/1">',
        f"<metadata><name>{_text(title)}</name><desc>{_text(about)}</desc></metadata>",
    ]
    for k in range(len(targets)):
        height = table["height"][k]
        lines.append(
            f'<wpt lat="{table["latitude"][k]}" lon="{table["longitude"][k]}">'
            + (f"<ele>{height}</ele>" if height else "")
            + f"<name>{_text(table['name'][k])}</name><desc>{_text(describe(table, k))}</desc>"
            f"<type>{_text(table['kind'][k])}</type></wpt>"
        )
    return _bytes([*lines, "</gpx>"])


def kml_list(targets: ServiceTargets, title: str) -> bytes:
    """The list as points of a KML 2.3 file, without heights (they stand in the description)."""
    table = list_columns(targets)
    about = "".join(
        f"<p>{html.escape(words)}</p>"
        for words in (_NOMINAL.format(targets.crs), *about_list(targets))
    )
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        '<kml xmlns="http://www.opengis.net/kml/2.2">',
        "<Document>",
        f"<name>{_text(title)}</name>",
        f"<description>{_text(about)}</description>",
    ]
    for k in range(len(targets)):
        words = describe(table, k)
        if table["height"][k]:
            words += f", ground at {table['height'][k]} m ({targets.height_reference})"
        lines.append(
            f"<Placemark><name>{_text(table['name'][k])}</name>"
            f"<description>{_text(html.escape(words))}</description>"
            f"<Point><coordinates>{table['longitude'][k]},{table['latitude'][k]}</coordinates>"
            "</Point></Placemark>"
        )
    return _bytes([*lines, "</Document>", "</kml>"])


def geojson_list(targets: ServiceTargets, title: str) -> bytes:
    """The list as a GeoJSON feature collection; heights, if ellipsoidal, as third coordinate."""
    table = list_columns(targets)
    features = []
    for k in range(len(targets)):
        position = [float(table["longitude"][k]), float(table["latitude"][k])]
        # RFC 7946, 4: heights are above the WGS 84 ellipsoid
        if np.isfinite(targets.ellipsoidal_height[k]):
            position.append(round(float(targets.ellipsoidal_height[k]), 4))
        properties: dict[str, object] = {
            name: values[k] for name, values in table.items() if name not in _AS_GEOMETRY
        }
        for name in ("station", "height", "depth", "horizontal_95", "x", "y", "epoch"):
            properties[name] = float(table[name][k]) if table[name][k] else None
        properties["order"] = k + 1
        features.append(
            {
                "type": "Feature",
                "geometry": {"type": "Point", "coordinates": position},
                "properties": properties,
            }
        )
    document = {
        "type": "FeatureCollection",
        "name": title,
        "about": [_NOMINAL.format(targets.crs), *about_list(targets)],
        "features": features,
    }
    return (json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False) + "\n").encode(
        "utf-8", "replace"
    )


_AS_GEOMETRY = ("longitude", "latitude")
_LINEAR_UNITS = {
    "m": ("Metric", "meter"),
    "ft": ("Imperial", "foot"),
    "ftUS": ("Imperial", "USSurveyFoot"),
}


def landxml_list(targets: ServiceTargets, title: str, day: date) -> bytes:
    """The list as CgPoints of a LandXML 1.2 file: northing, easting, elevation in the CRS's unit.

    Parameters
    ----------
    targets : ServiceTargets
    title : str
    day : date
        The file's date, which the schema asks for.

    Raises
    ------
    InputError
        If the service's CRS is not projected, or in a unit that LandXML does not know.
    """
    unit = short_unit(targets)
    if unit not in _LINEAR_UNITS:
        raise InputError(
            f"LandXML points need eastings and northings; the service is in {targets.crs}.",
            remedy="Give the service's CRS with a projection, or take another format.",
        )
    table = list_columns(targets, unit=unit, decimals=5)
    metres = list_columns(targets)
    system, linear = _LINEAR_UNITS[unit]
    area, volume = {
        "meter": ("squareMeter", "cubicMeter"),
        "foot": ("squareFoot", "cubicFeet"),
        "USSurveyFoot": ("squareFoot", "cubicFeet"),
    }[linear]
    temperature, pressure = ("celsius", "HPA") if system == "Metric" else ("fahrenheit", "inHG")
    about = " ".join(about_list(targets))
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        '<LandXML xmlns="http://www.landxml.org/schema/LandXML-1.2" version="1.2" '
        f'date="{day.isoformat()}" time="00:00:00" readOnly="false" language="English">',
        f'<Units><{system} linearUnit="{linear}" areaUnit="{area}" volumeUnit="{volume}" '
        f'temperatureUnit="{temperature}" pressureUnit="{pressure}"/></Units>',
        f'<CoordinateSystem name="{_text(targets.crs)}" desc="{_text(about)}"/>',
        f'<Project name="{_text(title)}"/>',
        "<CgPoints>",
    ]
    for k in range(len(targets)):
        height = f" {table['height'][k]}" if table["height"][k] else ""
        lines.append(
            f'<CgPoint name="{_text(table["name"][k])}" code="{_text(table["kind"][k])}" '
            f'desc="{_text(describe(metres, k))}">'
            f"{table['y'][k]} {table['x'][k]}{height}</CgPoint>"
        )
    return _bytes([*lines, "</CgPoints>", "</LandXML>"])
