"""KML 2.3 (OGC 12-007r2) for globes and phones: no links, no icons to fetch.

KML knows WGS 84 only; the coordinates are those of the job's own geographic base, as in the
GeoJSON, and the document says so. Shots are drawn as ticks and ellipses of their own geometry.
Descriptions are shown as HTML by viewers, so user text is escaped twice: as HTML, then as XML.
"""

from __future__ import annotations

import html
import re
from collections.abc import Iterator, Sequence

import numpy as np
import numpy.typing as npt
import shapely

from asfound.deliver.columns import Cells, cells
from asfound.deliver.delivery import Delivery
from asfound.deliver.dig_columns import approach_rows, dig_rows
from asfound.deliver.dig_shapes import approach_segment, tolerance_zone
from asfound.deliver.symbols import colour, ellipses, ticks
from asfound.deliver.tables import (
    APPROACHES,
    CONDUCTORS,
    CROSSINGS,
    DIGS,
    EXPOSURES,
    HOLE_ADVICE,
    LINES,
    SHOTS,
    SWEEPS,
)
from asfound.model import Utility, Verdict

Floats = npt.NDArray[np.float64]

# XML 1.0, 2.2: #x9 | #xA | #xD | [#x20-#xD7FF] | [#xE000-#xFFFD] | [#x10000-#x10FFFF]
_ILLEGAL = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def xml_text(word: str) -> str:
    """Text for XML 1.0: markup escaped, characters that XML forbids replaced by U+FFFD."""
    return html.escape(_ILLEGAL.sub("\ufffd", word), quote=True)


def kml(delivery: Delivery) -> bytes:
    """The whole document."""
    about = delivery.about
    facts = "".join(
        f"<p><b>{html.escape(heading)}</b>: {html.escape(words)}</p>"
        for heading, words in about.facts()
    )
    cautions = "".join(f"<p><b>Caution</b>: {html.escape(c)}</p>" for c in about.cautions)
    frame = (
        f"<p>Longitude and latitude are in {html.escape(about.geographic_name)}; KML takes them "
        "for WGS 84, which is nominal.</p>"
    )
    parts = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        '<kml xmlns="http://www.opengis.net/kml/2.2">',
        "<Document>",
        f"<name>{xml_text(about.job)}</name>",
        f"<description>{xml_text(cautions + frame + facts)}</description>",
        *_styles(),
        *_lines(delivery),
        *_shots(delivery),
        *_crossings(delivery),
        *_sweeps(delivery),
        *_digs(delivery),
        "</Document>",
        "</kml>",
    ]
    return ("\n".join(parts) + "\n").encode("utf-8", "replace")


def _abgr(utility: int, alpha: int) -> str:
    red, green, blue = colour(utility).rgb
    return f"{alpha:02x}{blue:02x}{green:02x}{red:02x}"


def _styles() -> Iterator[str]:
    for utility in Utility:
        for verdict in Verdict:
            width = {Verdict.SOUND: 4, Verdict.DOUBTFUL: 2, Verdict.UNFIT: 1}[verdict]
            fill = 1 if verdict is Verdict.SOUND else 0
            yield (
                f'<Style id="{utility.word}-{verdict.word}">'
                "<IconStyle><scale>0</scale></IconStyle>"
                f"<LabelStyle><color>{_abgr(utility, 255)}</color><scale>0.7</scale></LabelStyle>"
                f"<LineStyle><color>{_abgr(utility, 255)}</color><width>{width}</width></LineStyle>"
                f"<PolyStyle><color>{_abgr(utility, 70)}</color><fill>{fill}</fill></PolyStyle>"
                "</Style>"
            )
    yield (
        '<Style id="crossing"><IconStyle><scale>0</scale></IconStyle>'
        "<LabelStyle><scale>0.8</scale></LabelStyle></Style>"
    )
    # White is the colour of planned excavation (APWA); the edge is dark, to be seen on any ground.
    for name, shade in (("dig", "a0ffffff"), ("zone", "30808080")):
        yield (
            f'<Style id="{name}"><IconStyle><scale>0</scale></IconStyle>'
            "<LabelStyle><scale>0.8</scale></LabelStyle>"
            "<LineStyle><color>ff202020</color><width>2</width></LineStyle>"
            f"<PolyStyle><color>{shade}</color></PolyStyle></Style>"
        )


def _coordinates(points: Floats) -> str:
    return " ".join(f"{x:.9f},{y:.9f}" for x, y in points.tolist())


def _description(names: Sequence[str], values: Sequence[object]) -> str:
    rows = "".join(
        f"<tr><td>{html.escape(name)}</td><td>{html.escape(str(value))}</td></tr>"
        for name, value in zip(names, values, strict=True)
        if value not in (None, "")
    )
    return f"<table>{rows}</table>"


# What one wants to read in a balloon on a phone; the other columns stand in the other files.
_SHOWN = frozenset(
    {
        *("shot", "line", "utility", "verdict", "findings_in_words", "station", "depth"),
        *("ground_height", "centre_height", "top_height", "horizontal_95", "vertical_95"),
        *("fix", "time", "note", "length", "least_depth", "greatest_depth", "shots"),
        *("median_across_95", "greatest_vertical_95", "not_supported", "upper_line"),
        *("lower_line", "separation", "separation_95", "surface_separation", "order_certainty"),
        *("status", "in_words", "line_depth", "line_depth_95", "shown_depth", "current"),
        *("dig", "kind", "lines_near", "searched_share", "clearance", "clearance_5"),
        *("clearance_95", "p_contact", "p_contact_without_exposures", "required", "p_breach"),
        *("exposure", "result", "top_depth", "who", "day", "method", "rank", "source"),
        *("sweep", "depth_from", "epoch", "vertical_reference", "caution"),
    }
)


def _placemarks(
    table: Cells, names: Sequence[str], styles: Sequence[str], geometries: Sequence[str]
) -> Iterator[str]:
    about = table.about
    shown = [column for column in table.table.columns if column.name in _SHOWN]
    titles = [column.title(about) for column in shown]
    rows = zip(*(table.column(column.name) for column in shown), strict=True)
    for name, style, geometry, row in zip(names, styles, geometries, rows, strict=True):
        if geometry:
            yield (
                f"<Placemark><name>{xml_text(name)}</name>"
                f"<description>{xml_text(_description(titles, row))}</description>"
                f"<styleUrl>#{style}</styleUrl>{geometry}</Placemark>"
            )


def _folder(name: str, items: Iterator[str], *, visible: bool = True) -> Iterator[str]:
    yield f"<Folder><name>{name}</name><visibility>{int(visible)}</visibility>"
    yield from items
    yield "</Folder>"


def _moved(delivery: Delivery, points: Floats) -> Floats:
    """(n, k, 2) grid metres as longitude, latitude."""
    flat = points.reshape(-1, 2)
    longitude, latitude = delivery.to_geographic(flat[:, 0], flat[:, 1])
    return np.column_stack([longitude, latitude]).reshape(points.shape)


def _point(longitude: object, latitude: object) -> str:
    if longitude is None or latitude is None:
        return ""
    return f"<Point><coordinates>{longitude:.9f},{latitude:.9f}</coordinates></Point>"


def _ring(points: Floats) -> str:
    closed = np.concatenate([points, points[:1]])
    return f"<LinearRing><coordinates>{_coordinates(closed)}</coordinates></LinearRing>"


def _shots(delivery: Delivery) -> Iterator[str]:
    table = cells(delivery, SHOTS)
    names = delivery.shot_names
    styles = [
        f"{utility}-{verdict}"
        for utility, verdict in zip(table.column("utility"), table.column("verdict"), strict=True)
    ]
    points = [
        _point(x, y)
        for x, y in zip(table.column("longitude"), table.column("latitude"), strict=True)
    ]
    yield from _folder("Shots", _placemarks(table, names, styles, points))
    yield from _folder("Shot ticks", _tick_marks(delivery, names, styles))
    yield from _folder(
        "95 % ellipses of shots", _ellipse_marks(delivery, names, styles), visible=False
    )


def _tick_marks(delivery: Delivery, names: Sequence[str], styles: Sequence[str]) -> Iterator[str]:
    symbols = ticks(delivery, 0.30, 0.05)
    ends, bars = _moved(delivery, symbols.ends), _moved(delivery, symbols.bar)
    strikes = _moved(delivery, symbols.strike)
    verdicts = delivery.results.verdict.tolist()
    for k in np.flatnonzero(np.isfinite(symbols.centre).all(axis=1)).tolist():
        if verdicts[k] == Verdict.DOUBTFUL:
            shape = _line_string(np.concatenate([bars[k], bars[k][:1]]))
        elif verdicts[k] == Verdict.UNFIT:
            shape = _line_string(ends[k]) + _line_string(strikes[k])
        else:
            shape = _line_string(ends[k])
        yield (
            f"<Placemark><name>{xml_text(names[k])}</name><styleUrl>#{styles[k]}</styleUrl>"
            f"<MultiGeometry>{shape}</MultiGeometry></Placemark>"
        )


def _line_string(points: Floats) -> str:
    return (
        "<LineString><tessellate>1</tessellate>"
        f"<coordinates>{_coordinates(points)}</coordinates></LineString>"
    )


def _ellipse_marks(
    delivery: Delivery, names: Sequence[str], styles: Sequence[str]
) -> Iterator[str]:
    rings = ellipses(delivery, 24)
    moved = _moved(delivery, rings)
    for k in np.flatnonzero(np.isfinite(rings).all(axis=(1, 2))).tolist():
        yield (
            f"<Placemark><name>{xml_text(names[k])} 95 %</name><visibility>0</visibility>"
            f"<styleUrl>#{styles[k]}</styleUrl><Polygon><outerBoundaryIs>{_ring(moved[k])}"
            "</outerBoundaryIs></Polygon></Placemark>"
        )


def _lines(delivery: Delivery) -> Iterator[str]:
    table = cells(delivery, LINES)
    names = [line.name for line in delivery.results.lines]
    styles = [
        f"{utility}-{verdict}"
        for utility, verdict in zip(table.column("utility"), table.column("verdict"), strict=True)
    ]
    axes = [
        _line_string(np.column_stack([shape.longitude, shape.latitude]))
        for shape in delivery.shapes
    ]
    yield from _folder("Lines", _placemarks(table, names, styles, axes))
    envelopes = [
        "<MultiGeometry>"
        + "".join(_polygon(delivery, part) for part in shapely.get_parts(shape.envelope))
        + "</MultiGeometry>"
        for shape in delivery.shapes
    ]
    titled = [f"{name} envelope, 95 % across" for name in names]
    yield from _folder(
        "Envelopes of lines, 95 % across", _placemarks(table, titled, styles, envelopes)
    )


def _polygon(delivery: Delivery, polygon: shapely.Polygon) -> str:
    def ring(line: shapely.LinearRing) -> str:
        return _ring(_moved(delivery, shapely.get_coordinates(line)[:-1]))

    inner = "".join(
        f"<innerBoundaryIs>{ring(hole)}</innerBoundaryIs>" for hole in polygon.interiors
    )
    outer = f"<outerBoundaryIs>{ring(polygon.exterior)}</outerBoundaryIs>"
    return f"<Polygon><tessellate>1</tessellate>{outer}{inner}</Polygon>"


def _crossings(delivery: Delivery) -> Iterator[str]:
    table = cells(delivery, CROSSINGS)
    names = [
        f"{upper} over {lower}"
        for upper, lower in zip(table.column("upper_line"), table.column("lower_line"), strict=True)
    ]
    points = [
        _point(x, y)
        for x, y in zip(table.column("longitude"), table.column("latitude"), strict=True)
    ]
    yield from _folder("Crossings", _placemarks(table, names, ["crossing"] * len(names), points))


def _sweeps(delivery: Delivery) -> Iterator[str]:
    table = cells(delivery, SWEEPS)
    names = [f"Sweep {sweep.name}" for sweep in delivery.results.sweeps]
    ends = np.array([[s.start[:2], s.end[:2]] for s in delivery.results.sweeps], np.float64)
    tapes = [_line_string(tape) for tape in _moved(delivery, ends)] if len(ends) else []
    styles = ["unknown-sound"] * len(names)
    yield from _folder("Sweeps", _placemarks(table, names, styles, tapes))
    found = cells(delivery, CONDUCTORS)
    names = [
        f"{line or 'other'} under sweep {sweep}"
        for line, sweep in zip(found.column("line"), found.column("sweep"), strict=True)
    ]
    points = [
        _point(x, y)
        for x, y in zip(found.column("longitude"), found.column("latitude"), strict=True)
    ]
    styles = ["crossing"] * len(names)
    yield from _folder("Conductors under sweeps", _placemarks(found, names, styles, points))


def _digs(delivery: Delivery) -> Iterator[str]:
    """Digs, tolerance zones, approaches, exposures and where to expose."""
    names = [f"{item.dig.kind} {item.dig.name}" for item in dig_rows(delivery)]
    areas = [_area(delivery, shape.footprint) for shape in delivery.digs]
    yield from _folder(
        "Planned digs", _placemarks(cells(delivery, DIGS), names, ["dig"] * len(names), areas)
    )
    rows, table = approach_rows(delivery), cells(delivery, APPROACHES)
    zones = [
        _area(delivery, tolerance_zone(delivery.results, delivery.digs[k], near))
        for k, _, near in rows
    ]
    titled = [f"Tolerance zone of {near.line} at {item.dig.name}" for _, item, near in rows]
    yield from _folder(
        "Tolerance zones near digs", _placemarks(table, titled, ["zone"] * len(rows), zones)
    )
    ways = [
        _line_string(_moved(delivery, approach_segment(near)[:, :2][None])[0])
        for _, _, near in rows
    ]
    titled = [f"{near.line} to {item.dig.name}" for _, item, near in rows]
    yield from _folder("Nearest approaches", _placemarks(table, titled, ["dig"] * len(rows), ways))
    for name, own, key in (
        ("Exposures", EXPOSURES, "exposure"),
        ("Where to expose", HOLE_ADVICE, "line"),
    ):
        found = cells(delivery, own)
        points = [
            _point(x, y)
            for x, y in zip(found.column("longitude"), found.column("latitude"), strict=True)
        ]
        labels = [str(word) for word in found.column(key)]
        yield from _folder(name, _placemarks(found, labels, ["crossing"] * len(labels), points))


def _area(delivery: Delivery, shape: shapely.Geometry) -> str:
    parts = "".join(_polygon(delivery, part) for part in shapely.get_parts(shape))
    return f"<MultiGeometry>{parts}</MultiGeometry>" if parts else ""
