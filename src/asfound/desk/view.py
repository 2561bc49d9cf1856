"""What the job page reads: a description of the plan, and all shots as columns of bytes.

`view.json` holds the frame, lines with their envelopes, crossings, sweeps, digs, control and the
work area; `shots.bin` one typed array a column, so that a browser needs no parsing; and
`findings.json`, `profiles/<line>.json`, `sweeps/<sweep>.json` what the panels ask for. Places are
whole tenths of a millimetre from the job's origin: exact where one pixel is 5 mm.
"""

from __future__ import annotations

import json
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pyproj
import shapely

from asfound.clearance import footprint_of
from asfound.clearance.solids import solid_of
from asfound.deliver.delivery import Delivery, prepare
from asfound.desk.desk_words import in_desk_words
from asfound.desk.details import (
    Json,
    advice_detail,
    comparison_detail,
    crossing_body,
    dig_detail,
    findings_list,
    line_detail,
    number,
    sweep_detail,
)
from asfound.desk.shot_columns import SCALE, shots_bytes
from asfound.files import write_whole
from asfound.job.digging import ground_surface
from asfound.model import APWA_COLOURS, DigClearance, Results, Severity, Utility, Verdict
from asfound.units import length_unit

SCHEMA = "asfound-view/1"
FINEST = 0.001
"""Vertices that lie within this of a straight run are left out of drawn lines [m]."""
TOLERANCE = 0.6096
"""Zone drawn around a dig where no rule names one: 24 inches, common practice, no source [m]."""

Floats = npt.NDArray[np.float64]
_SILENT: Callable[[str], None] = lambda step: None  # noqa: E731


def build_view(
    results: Results, folder: Path, *, progress: Callable[[str], None] = _SILENT
) -> None:
    """Write everything the job page reads of a processed job.

    Parameters
    ----------
    results : Results
    folder : Path
        Made if missing. `view.json` is written last: who reads it finds the rest.
    progress : callable
        Told the name of each step as it starts.

    Raises
    ------
    InputError
        If the folder can't be written to, or a dig can't be as it is given.
    """
    progress("Drawing the plan")
    delivery = prepare(results)
    origin = origin_of(results)
    write_whole(folder / "shots.bin", shots_bytes(results, origin))
    write_whole(folder / "findings.json", _json({"findings": findings_list(results)}))
    for index in range(len(results.lines)):
        write_whole(folder / "profiles" / f"{index}.json", _json(line_detail(results, index)))
    for index in range(len(results.sweeps)):
        write_whole(folder / "sweeps" / f"{index}.json", _json(sweep_detail(results, index)))
    digs = digs_body(results)
    write_whole(folder / "digs.json", _json(digs))
    write_whole(folder / "view.json", _json(view_body(delivery, origin, digs)))


def _json(body: object) -> bytes:
    return json.dumps(body, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode(
        "utf-8", "replace"
    )


def origin_of(results: Results) -> tuple[int, int]:
    """Easting and northing that encoded places count from [m], whole."""
    origin = []
    for values in (results.ground.easting, results.ground.northing):
        known = values[np.isfinite(values)]
        origin.append(int(np.floor(np.median(known))) if len(known) else 0)
    return origin[0], origin[1]


def _deltas(easting: Floats, northing: Floats, origin: tuple[int, int]) -> list[int]:
    """Places as whole tenths of a millimetre: the first from the origin, each from the last."""
    tenths = np.rint(np.column_stack([easting - origin[0], northing - origin[1]]) / SCALE).astype(
        np.int64
    )
    moves = np.diff(tenths, axis=0, prepend=np.zeros((1, 2), np.int64))
    return [int(value) for value in moves.ravel()]


def _rings(geometry: shapely.Geometry, origin: tuple[int, int]) -> list[list[int]]:
    """Outer and inner rings of polygons, for filling by the even-odd rule."""
    rings = []
    for part in shapely.get_parts(geometry):
        for ring in [shapely.get_exterior_ring(part), *part.interiors]:
            corners = shapely.get_coordinates(ring)[:-1]
            if len(corners):
                rings.append(_deltas(corners[:, 0], corners[:, 1], origin))
    return rings


def proj_text(crs: pyproj.CRS) -> str:
    """The job's projection for the browser, in metres whatever its own unit; empty if none."""
    with warnings.catch_warnings():
        # A PROJ string loses the datum's name; the page only draws background pictures with it.
        warnings.simplefilter("ignore", UserWarning)
        try:
            words = (crs.to_proj4() or "").split()
        except pyproj.exceptions.CRSError:
            return ""
    kept = [w for w in words if not w.startswith(("+units=", "+to_meter=", "+type="))]
    return " ".join([*kept, "+units=m"]) if kept else ""


def view_body(delivery: Delivery, origin: tuple[int, int], digs: Json) -> Json:
    """The description of the plan.

    Parameters
    ----------
    delivery : Delivery
    origin : (easting, northing)
        That places count from [m].
    digs : dict
        As `digs_body` gives it.
    """
    results, about = delivery.results, delivery.about
    settings = results.settings
    verdicts = np.bincount(results.verdict, minlength=len(Verdict))
    severities = [
        sum(int(np.count_nonzero(o.severity == s)) for o in results.findings.outcomes)
        for s in Severity
    ]
    area = delivery.work_area
    counted = [0] * len(results.lines)
    for outcome in results.findings.outcomes:
        if outcome.rule.subject == "line":
            for index in outcome.index.tolist():
                counted[index] += 1
    return {
        "schema": SCHEMA,
        "version": about.version,
        "job": {
            "name": settings.name,
            "client": settings.client,
            "place": settings.place,
            "crew": settings.crew,
            "notice": settings.notice,
            "purpose": settings.purpose,
            "day": about.day.isoformat() if about.day else None,
            "invented": settings.invented,
        },
        "frame": {
            "crs": settings.frame.crs,
            "name": about.crs_name,
            "code": about.crs_code,
            "epoch": about.epoch,
            "vertical_reference": about.vertical_reference,
            "proj": proj_text(delivery.crs),
        },
        "units": {
            "length": _unit_body(about.unit.code),
            "grid": _unit_body(about.grid_unit.code),
        },
        "origin": list(origin),
        "scale": SCALE,
        "extent": _extent(results, area, origin),
        "utilities": [
            {
                "word": utility.word,
                "hue": APWA_COLOURS[utility].hue,
                "rgb": list(APWA_COLOURS[utility].rgb),
                "covers": APWA_COLOURS[utility].covers,
            }
            for utility in Utility
        ],
        "counts": {
            "shots": len(results.verdict),
            **{one.word: int(verdicts[one]) for one in Verdict},
            "findings": {one.word: severities[one] for one in Severity},
            "rows_reported": len(results.intake.reports),
        },
        "lines": [_line(delivery, k, origin, counted) for k in range(len(results.lines))],
        "crossings": [crossing_body(results, crossing) for crossing in results.crossings],
        "sweeps": [_sweep(results, k) for k in range(len(results.sweeps))],
        "digs": [
            {**_drawn(results, one), "clearance": body}
            for one, body in zip(
                results.digs.digs if results.digs else (), digs["digs"], strict=True
            )
        ],
        "exposures": digs["exposures"],
        "expose": digs["expose"],
        "records": [
            {
                "name": record.name,
                "utility": int(record.utility),
                "basis": record.basis,
                "axis": _deltas(record.easting, record.northing, origin),
            }
            for record in results.plan.records
        ],
        "control": [
            {
                "name": point.name,
                "easting_m": number(point.easting),
                "northing_m": number(point.northing),
                "height_m": number(point.height),
            }
            for point in settings.control
        ],
        "work_area": None if area is None else _deltas(area[:, 0], area[:, 1], origin),
        "rows": [
            {
                "file": r.file,
                "row": r.row,
                "line": r.line_number,
                "reason": r.reason,
                "remedy": in_desk_words(r.remedy),
                "accepted": r.accepted,
            }
            for r in results.intake.reports[:500]
        ],
        "cautions": list(about.cautions),
        "uncertainty": about.uncertainty,
        "positions": about.positions,
        "verdicts": about.verdicts,
    }


def _unit_body(code: str) -> Json:
    unit = length_unit(code)
    return {"code": unit.code, "word": unit.word, "symbol": unit.symbol, "metres": unit.metres}


def _extent(results: Results, area: Floats | None, origin: tuple[int, int]) -> list[float]:
    """West, south, east, north of what the page shows first [m]; no stray shot stretches it."""
    parts = [np.column_stack([line.easting, line.northing]) for line in results.lines]
    if area is not None:
        parts.append(area)
    parts += [np.array([[p.easting, p.northing]]) for p in results.settings.control]
    if not results.lines:
        known = np.isfinite(results.ground.easting) & np.isfinite(results.ground.northing)
        parts.append(
            np.column_stack([results.ground.easting[known], results.ground.northing[known]])
        )
    places = np.concatenate(parts) if parts else np.empty((0, 2))
    if not len(places):
        places = np.array([origin, origin], np.float64)
    low, high = places.min(axis=0), places.max(axis=0)
    pad = max(5.0, 0.03 * float((high - low).max()))
    return [round(float(v), 3) for v in (*(low - pad), *(high + pad))]


def _line(delivery: Delivery, index: int, origin: tuple[int, int], counted: list[int]) -> Json:
    results = delivery.results
    line, shape = results.lines[index], delivery.shapes[index]
    verdict = results.verdict[line.shots]
    course = shapely.linestrings(np.column_stack([line.easting, line.northing]))
    axis = shapely.get_coordinates(shapely.simplify(course, FINEST))
    return {
        "name": line.name,
        "utility": int(line.utility),
        "verdict": Verdict(int(results.line_verdict[index])).word,
        "length_m": number(line.length),
        "outside_diameter_m": number(line.outside_diameter),
        "shots": len(line.shots),
        "doubtful": int(np.count_nonzero(verdict == Verdict.DOUBTFUL)),
        "unfit": int(np.count_nonzero(verdict == Verdict.UNFIT)),
        "across_95_m": _middle(shape.across_95),
        "across_95_most_m": _most(shape.across_95),
        "vertical_95_m": _middle(shape.vertical_95),
        "findings": counted[index],
        "axis": _deltas(axis[:, 0], axis[:, 1], origin),
        "envelope": _rings(shapely.simplify(shape.envelope, FINEST), origin),
    }


def _middle(values: Floats) -> float | None:
    known = values[np.isfinite(values)]
    return number(float(np.median(known))) if len(known) else None


def _most(values: Floats) -> float | None:
    known = values[np.isfinite(values)]
    return number(float(known.max())) if len(known) else None


def _sweep(results: Results, index: int) -> Json:
    located = results.sweeps[index]
    target = located.conductors[located.target] if located.target >= 0 else None
    return {
        "name": located.name,
        "line": results.assembly.names[located.line] if located.line >= 0 else "",
        "line_index": located.line,
        "start": [number(v) for v in located.start[:2].tolist()],
        "end": [number(v) for v in located.end[:2].tolist()],
        "usable": not located.reason,
        "explained": located.explained,
        "conductors": [
            [number(c.easting), number(c.northing), number(c.depth)] for c in located.conductors
        ],
        "depth_m": None if target is None else number(target.depth),
    }


def _drawn(results: Results, found: DigClearance) -> Json:
    """A dig's footprint, and the zone around it that holds lines to be exposed by hand."""
    dig, origin = found.dig, origin_of(results)
    zones = [
        answer.rule.horizontal
        for near in found.approaches
        for answer in near.rules
        if answer.rule.shape == "zone"
    ]
    reach = max(zones, default=TOLERANCE)
    footprint = footprint_of(solid_of(dig, ground_surface(results)))
    # A trench is made of legs; hair cracks between them are none in the ground.
    for step in (FINEST, -FINEST):
        footprint = shapely.buffer(footprint, step, join_style="mitre")
    footprint = shapely.simplify(footprint, FINEST)
    west, south, east, north = shapely.bounds(footprint).tolist()
    return {
        "name": dig.name,
        "kind": dig.kind,
        "footprint": _rings(footprint, origin),
        "bounds": [round(v, 3) for v in (west, south, east, north)],
        "zone": _rings(shapely.buffer(footprint, reach), origin),
        "zone_m": number(reach),
    }


def digs_body(results: Results) -> Json:
    """All planned digs against the lines, exposures against what was expected, and advice."""
    found = results.digs.digs if results.digs else ()
    advice = results.digs.advice if results.digs else None
    compared = results.exposed.comparisons if results.exposed else ()
    return {
        "digs": [dig_detail(one) for one in found],
        "ground": results.digs.ground if results.digs else "",
        "exposures": [comparison_detail(item) for item in compared],
        "expose": {"places": [], "words": []} if advice is None else advice_detail(advice),
    }
