"""The plan of digs that lie together: outlines, lines, tolerance zones, nearest approaches."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import shapely

from asfound.deliver.report.dig_canvas import LEFT, PlanCanvas
from asfound.deliver.report.dig_marks import MARK, draw_hole
from asfound.deliver.report.dig_scene import DigScene, PlanView
from asfound.deliver.report.dig_sections import (
    dig_stations,
    place_on,
)
from asfound.deliver.report.furniture import draw_frame, north_arrow, scale_bar, small
from asfound.deliver.report.scales import Sheet, scale_list
from asfound.deliver.report.svg import INK, PALE, Svg
from asfound.model import Bore, Trench

Floats = npt.NDArray[np.float64]

BELOW, EDGE, KEY = 4.0, 0.3, 27.0
LOWEST, TALLEST, TALLEST_ALONG = 62.0, 112.0, 80.0
NEAR, MARGIN, LEAST = 2.6, 1.6, 6.0
FINEST = {True: 50, False: 60}


def plan_sheet(scene: DigScene, view: PlanView, width: float) -> Sheet:
    """The window of a plan, at the finest round scale that holds its digs.

    Parameters
    ----------
    width : float
        Of the page's body [mm].
    """
    points = _shown(scene, view)
    low, high = points.min(axis=0) - MARGIN, points.max(axis=0) + MARGIN
    size = np.maximum(high - low, LEAST)
    metric = scene.delivery.about.unit.code == "m"
    inner = width - LEFT - EDGE
    along = any(isinstance(scene.digs[place].dig, Trench | Bore) for place in view.places)
    tallest = TALLEST_ALONG if along else TALLEST  # a profile shares its page
    scales = [d for d in scale_list(metric) if d >= FINEST[metric]]
    denominator = next(
        (d for d in scales if (size * 1000.0 <= np.array([inner, tallest]) * d).all()), scales[-1]
    )
    height = float(np.clip(size[1] * 1000.0 / denominator, LOWEST, tallest))
    corner = 0.5 * (low + high) - np.array([inner, height]) * denominator / 2000.0
    return Sheet("", float(corner[0]), float(corner[1]), inner, height, denominator)


def _shown(scene: DigScene, view: PlanView) -> Floats:
    """(k, 2) corners of what must be seen [m]."""
    parts = []
    for place in view.places:
        item, solid = scene.digs[place], scene.solids[place]
        if isinstance(item.dig, Trench | Bore):
            stations = dig_stations(solid)
            inside = (stations >= view.low) & (stations <= view.high)
            ends = [max(view.low, 0.0), min(view.high, float(stations[-1]))]
            parts += [solid.outline[inside], np.array([place_on(solid, s)[0] for s in ends])]
        else:
            parts.append(shapely.get_coordinates(scene.delivery.digs[place].footprint))
        parts += [
            near.line_point[None, :2]
            for near in item.approaches
            if near.clearance <= NEAR and view.low <= near.dig_station <= view.high
        ]
    return np.concatenate(parts)


def draw_plan(scene: DigScene, view: PlanView, width: float) -> tuple[str, Sheet]:
    """The plan as SVG, and its window."""
    sheet = plan_sheet(scene, view, width)
    drawing = Svg(sheet.width + LEFT + EDGE, sheet.height + BELOW + KEY)
    draw_frame(drawing, sheet, scene.delivery.about, left=LEFT)
    drawing.begin_clip("window", LEFT, 0.0, sheet.width, sheet.height)
    canvas = PlanCanvas(drawing, scene, view, sheet)
    canvas.searched()
    canvas.zones()
    canvas.lines()
    canvas.digs()
    canvas.approaches()
    canvas.holes()
    canvas.dig_names()
    canvas.stations()
    canvas.line_names()
    canvas.zone_names()
    drawing.end_clip()
    _key(drawing, scene, sheet, canvas)
    return drawing.markup(), sheet


def _key(drawing: Svg, scene: DigScene, sheet: Sheet, canvas: PlanCanvas) -> None:
    """Scale, north and symbols below the plan."""
    top = sheet.height + 7.5
    scale_bar(drawing, sheet, scene.delivery.about, LEFT, top)
    north_arrow(drawing, scene.delivery, LEFT + 4.5, top + 11.5)
    ink = "#4a4a4a"
    rows = [
        ("dig and 95 % of its edge", "dig"),
        ("nearest approach, no. of table", "mark"),
        ("line and its 95 % envelope", "tube"),
        ("required in plan, by rule", "zone"),
    ]
    if canvas.has_records:
        rows.append(("line from records only", "records"))
    if canvas.has_exposed:
        rows.append(("exposed", "done"))
    if canvas.has_advised:
        rows.append(("advised to expose", "advised"))
    if scene.delivery.results.plan.searched:
        rows.append(("edge of what was searched", "searched"))
    for k, (words, kind) in enumerate(rows):
        x = LEFT + 66.0 + 54.0 * (k // 4)
        y = top + 0.8 + 4.6 * (k % 4)
        cx = x + 4.0
        if kind == "dig":
            drawing.rect(x, y - 1.7, 8.0, 3.4, stroke=INK, line=0.2)
            drawing.rect(x + 0.9, y - 1.0, 6.2, 2.0, stroke=INK, line=0.5, fill=PALE)
        elif kind == "mark":
            drawing.circle(cx, y, 0.75 * MARK, stroke=INK, line=0.25, fill="#ffffff")
            drawing.text(cx, y + 0.8, "1", size=2.3, anchor="middle", bold=True)
        elif kind == "tube":
            drawing.rect(x, y - 1.1, 8.0, 2.2, fill=PALE)
            drawing.path(f"M{x:.2f} {y:.2f}h8", stroke=ink, width=0.5)
        elif kind == "zone":
            drawing.path(f"M{x:.2f} {y:.2f}h8", stroke=ink, width=0.3, dash="2.2 0.8")
        elif kind == "records":
            drawing.path(f"M{x:.2f} {y:.2f}h8", stroke=ink, width=0.5, dash="3.2 1 0.6 1 0.6 1")
        elif kind in ("done", "advised"):
            draw_hole(drawing, cx, y, done=kind == "done")
        elif kind == "searched":
            drawing.path(
                f"M{x:.2f} {y:.2f}h8", stroke="#6a6a6a", width=0.3, dash="0.3 1.2", cap="round"
            )
        small(drawing, x + 10.0, y + 0.9, words)
