"""The report's maps: overview and sheets, drawn as SVG in millimetres on paper."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from asfound.deliver.about import plural
from asfound.deliver.delivery import Delivery
from asfound.deliver.report.furniture import draw_frame, draw_key
from asfound.deliver.report.labels import LabelPlaces
from asfound.deliver.report.scales import Sheet, details, overview, scale_words
from asfound.deliver.report.svg import FIGURE_WIDTH, INK, Svg, path_data, simplified
from asfound.deliver.shapes import ellipse_ring, tube
from asfound.deliver.symbols import hex_colour, ticks
from asfound.model import Verdict

Floats = npt.NDArray[np.float64]

LEFT, BELOW, KEY, EDGE = 5.0, 4.0, 41.0, 0.3  # room about the frame [mm]
TICK_LENGTH, TICK_WIDTH = 1.5, 0.30  # half length, half width of a shot's tick [mm]
MOST_SYMBOLS, MOST_LABELS = 4000, 700
_FACTORS = (1, 2, 5, 10, 20)
_DASHES = {int(Verdict.SOUND): "", int(Verdict.DOUBTFUL): "1.6 0.9", int(Verdict.UNFIT): "0.4 1"}


@dataclass(frozen=True)
class MapPage:
    """A map ready for the page."""

    title: str
    svg: str
    flipped: bool
    note: str


def map_pages(delivery: Delivery, body: dict[bool, tuple[float, float]]) -> list[MapPage]:
    """All maps of a job; none if nothing has a position.

    Parameters
    ----------
    delivery : Delivery
    body : dict
        Room on a page [mm]: width, height; portrait (False) and landscape (True).
    """
    metric = delivery.about.unit.code == "m"
    extent = map_extent(delivery)
    if extent is None:
        return []
    frames = {flip: (w - LEFT - EDGE, h - BELOW - KEY) for flip, (w, h) in body.items()}
    whole = overview(extent, frames, metric)
    sheets = details(whole, _wanted_points(delivery), frames, metric)
    pages = [_page(delivery, whole, sheets)]
    return pages + [_page(delivery, sheet, ()) for sheet in sheets]


def _points(delivery: Delivery) -> Floats:
    """Everything a map should show: axes and shots."""
    ground = delivery.results.ground
    axes = [np.column_stack([s.easting, s.northing]) for s in delivery.shapes]
    points: Floats = np.concatenate([np.column_stack([ground.easting, ground.northing]), *axes])
    return points[np.isfinite(points).all(axis=1)]


def _wanted_points(delivery: Delivery) -> Floats:
    """What the sheets must show: axes, a point at least every 2 m, and their shots.

    A stray shot gets no sheet of its own; it stands on the overview and in the table.
    """
    ground = delivery.results.ground
    joined = delivery.results.assembly.line >= 0
    parts = [np.column_stack([ground.easting, ground.northing])[joined]]
    for shape in delivery.shapes:
        axis = shapely.linestrings(np.column_stack([shape.easting, shape.northing]))
        parts.append(shapely.get_coordinates(shapely.segmentize(axis, 2.0)))
    points: Floats = np.concatenate(parts)
    points = points[np.isfinite(points).all(axis=1)]
    return points if len(points) else _points(delivery)


def map_extent(delivery: Delivery) -> Floats | None:
    """Lower left and upper right of what the maps show [m].

    A shot on no line that is not sound may lie anywhere (a typing error puts it in the next
    county), so it does not stretch the map; it is named as lying outside.
    """
    results = delivery.results
    ground = results.ground
    shots = np.column_stack([ground.easting, ground.northing])
    good = shots[(results.verdict == Verdict.SOUND) | (results.assembly.line >= 0)]
    parts = [good[np.isfinite(good).all(axis=1)]]
    parts += [np.column_stack([s.easting, s.northing]) for s in delivery.shapes]
    points = np.concatenate(parts)
    if not len(points):
        points = _points(delivery)
    if not len(points):
        return None
    extent = np.stack([points.min(axis=0), points.max(axis=0)])
    if delivery.work_area is not None:
        area = delivery.work_area
        wider = np.stack(
            [np.minimum(extent[0], area.min(axis=0)), np.maximum(extent[1], area.max(axis=0))]
        )
        # The work area is shown whole unless that would shrink the lines too much.
        if ((wider[1] - wider[0]) <= 2.0 * (extent[1] - extent[0]) + 10.0).all():
            extent = wider
    return extent


def exaggeration(sizes: Floats, metres_per_mm: float) -> int:
    """How much larger than true 95 % shapes are drawn, so that the eye can tell them apart."""
    known = sizes[np.isfinite(sizes) & (sizes > 0)]
    if not len(known):
        return 1
    middle = float(np.median(known)) / metres_per_mm
    return next((k for k in _FACTORS if k * middle >= 1.2), _FACTORS[-1])


def _some_names(delivery: Delivery, shots: npt.NDArray[np.int64]) -> str:
    """Names of the first eight shots, and how many more."""
    names = ", ".join(delivery.shot_names[k] for k in shots[:8].tolist())
    return f"{names} and {len(shots) - 8} more" if len(shots) > 8 else names


def _page(delivery: Delivery, sheet: Sheet, index: tuple[Sheet, ...]) -> MapPage:
    drawing = Svg(sheet.width + LEFT + EDGE, sheet.height + BELOW + KEY)
    results = delivery.results
    ground = results.ground
    shots = np.column_stack([ground.easting, ground.northing])
    inside = np.flatnonzero(sheet.holds(np.nan_to_num(shots, nan=np.inf)))
    factor = exaggeration(results.budget.ellipse[inside, 0], sheet.metres_per_mm)
    crowded = len(inside) > MOST_SYMBOLS or (
        bool(index) and _spacing(delivery) < 1.6 * sheet.metres_per_mm
    )
    if crowded:
        control = results.intake.shots.control.codes[inside] >= 0
        kept = (results.verdict[inside] != Verdict.SOUND) | control
        inside = inside[kept][:MOST_SYMBOLS]
    canvas = _Canvas(drawing, delivery, sheet, factor)
    draw_frame(drawing, sheet, delivery.about, left=LEFT)
    drawing.begin_clip("window", LEFT, 0.0, sheet.width, sheet.height)
    canvas.work_area()
    canvas.envelopes()
    canvas.axes()
    canvas.shots(inside, with_ellipses=not crowded)
    canvas.crossings()
    if not index:
        canvas.sweeps()
    canvas.index(index)
    canvas.line_names()
    unlabelled = canvas.shot_names(inside, wanted=not index)
    drawing.end_clip()
    off_control = inside[results.intake.shots.control.codes[inside] < 0]
    utilities = {int(line.utility) for line in results.lines} | {
        int(u) for u in results.intake.shots.utility[off_control]
    }
    draw_key(drawing, sheet, delivery, sorted(utilities), factor, left=LEFT)
    notes = []
    outside = np.flatnonzero(~sheet.holds(np.nan_to_num(shots, nan=np.inf)))
    if sheet.title == "Overview" and len(outside):
        notes.append(
            f"{plural(len(outside), 'shot')} outside this map or without a position: "
            f"{_some_names(delivery, outside)}."
        )
    if crowded:
        notes.append("At this scale sound shots are left out.")
    if index:
        notes.append("Numbered frames are the sheets that follow; shots are named there.")
        within = np.any([other.holds(shots) for other in index], axis=0)
        alone = np.flatnonzero(~within & sheet.holds(np.nan_to_num(shots, nan=np.inf)))
        if len(alone):
            notes.append(f"On no sheet: {_some_names(delivery, alone)}.")
    elif unlabelled:
        notes.append(f"{plural(unlabelled, 'label')} left out for want of room: see the table.")
    title = f"{sheet.title}, {scale_words(sheet.denominator, delivery.about.unit.code == 'm')}"
    return MapPage(title, drawing.markup(), sheet.flipped, " ".join(notes))


def _spacing(delivery: Delivery) -> float:
    """Median distance between neighbouring shots of a line [m]."""
    steps = [np.diff(line.station) for line in delivery.results.lines if len(line.station) > 1]
    return float(np.median(np.concatenate(steps))) if steps else np.inf


class _Canvas:
    """Draws a job's things into the window of a sheet."""

    def __init__(self, drawing: Svg, delivery: Delivery, sheet: Sheet, factor: int) -> None:
        self.drawing = drawing
        self.delivery = delivery
        self.sheet = sheet
        self.factor = factor
        self.places = LabelPlaces(sheet.width + LEFT, sheet.height)

    def paper(self, points: Floats) -> Floats:
        placed: Floats = self.sheet.paper(points) + np.array([LEFT, 0.0])
        return placed

    def work_area(self) -> None:
        if self.delivery.work_area is not None:
            data = path_data(self.paper(self.delivery.work_area), close=True)
            self.drawing.path(data, stroke="#6a6a6a", width=0.3, dash="3 1 0.6 1")

    def _in_view(self, easting: Floats, northing: Floats) -> bool:
        points = np.column_stack([easting, northing])
        low, high = points.min(axis=0), points.max(axis=0)
        return bool(
            high[0] >= self.sheet.west
            and low[0] <= self.sheet.east
            and high[1] >= self.sheet.south
            and low[1] <= self.sheet.north
        )

    def envelopes(self) -> None:
        for line, shape in zip(self.delivery.results.lines, self.delivery.shapes, strict=True):
            if not self._in_view(shape.easting, shape.northing):
                continue
            wide = tube(shape.easting, shape.northing, line.bearing, shape.across_95 * self.factor)
            data = "".join(
                simplified(self.paper(shapely.get_coordinates(ring)), close=True)
                for part in shapely.get_parts(wide)
                for ring in (part.exterior, *part.interiors)
            )
            self.drawing.path(data, fill=hex_colour(line.utility), opacity=0.16)

    def axes(self) -> None:
        results = self.delivery.results
        for line, verdict in zip(results.lines, results.line_verdict.tolist(), strict=True):
            if not self._in_view(line.easting, line.northing):
                continue
            plan = np.column_stack([line.easting, line.northing])
            axis = self.paper(plan)
            self.places.take_along(axis)
            self.drawing.path(
                simplified(axis),
                stroke=hex_colour(line.utility),
                width=0.4,
                dash=_DASHES[verdict],
            )
            for start, end in line.gaps:
                between = (line.axis_station >= start) & (line.axis_station <= end)
                if np.count_nonzero(between) > 1:
                    # A hairline where nothing was measured.
                    unsupported = simplified(axis[between])
                    self.drawing.path(unsupported, stroke="#ffffff", width=0.5)
                    self.drawing.path(unsupported, stroke=hex_colour(line.utility), width=0.12)

    def shots(self, shown: npt.NDArray[np.int64], *, with_ellipses: bool) -> None:
        """Ticks and ellipses, one path a colour and kind."""
        results = self.delivery.results
        scale = self.sheet.metres_per_mm
        symbols = ticks(self.delivery, TICK_LENGTH * scale, TICK_WIDTH * scale)
        utility, verdict = results.intake.shots.utility, results.verdict
        control = results.intake.shots.control.codes >= 0
        ellipse = results.budget.ellipse
        for code in sorted(set(utility[shown].tolist())):
            rgb = hex_colour(code)
            for kind in Verdict:
                group = shown[(utility[shown] == code) & (verdict[shown] == kind)]
                if with_ellipses:
                    known = group[np.isfinite(ellipse[group]).all(axis=1)]
                    larger = ellipse[known] * np.array([self.factor, self.factor, 1.0])
                    rings = symbols.centre[known][:, None] + ellipse_ring(larger, 24)
                    self.drawing.path(
                        path_data(self.paper(rings), close=True),
                        stroke=rgb,
                        width=0.14,
                        dash="" if kind is Verdict.SOUND else "0.6 0.45",
                    )
                on_line = group[~control[group]]
                if kind is Verdict.DOUBTFUL:
                    bars = path_data(self.paper(symbols.bar[on_line]), close=True)
                    self.drawing.path(bars, stroke=rgb, width=0.22, fill="#ffffff")
                else:
                    ends = path_data(self.paper(symbols.ends[on_line]))
                    self.drawing.path(ends, stroke=rgb, width=2 * TICK_WIDTH)
                if kind is Verdict.UNFIT:
                    strikes = path_data(self.paper(symbols.strike[on_line]))
                    self.drawing.path(strikes, stroke=INK, width=0.3)
                checks = path_data(self.paper(symbols.triangle[group[control[group]]]), close=True)
                self.drawing.path(checks, stroke=INK, width=0.25, fill="#ffffff")
        for x, y in self.paper(symbols.centre[shown]).tolist():
            self.places.take((x - 1.0, y - 1.0, x + 1.0, y + 1.0))

    def crossings(self) -> None:
        for crossing in self.delivery.results.crossings:
            place = np.array([crossing.easting, crossing.northing])
            if self.sheet.holds(place):
                x, y = self.paper(place).tolist()
                self.drawing.circle(x, y, 2.0, stroke=INK, line=0.25)
                self.places.take((x - 2.0, y - 2.0, x + 2.0, y + 2.0))

    def sweeps(self) -> None:
        """Tapes, and a diamond for each conductor found under them."""
        for sweep in self.delivery.results.sweeps:
            ends = np.stack([sweep.start[:2], sweep.end[:2]])
            if not (np.isfinite(ends).all() and self.sheet.holds(ends).any()):
                continue
            self.drawing.path(path_data(self.paper(ends)), stroke="#6a6a6a", width=0.2)
            for conductor in sweep.conductors:
                place = np.array([conductor.easting, conductor.northing])
                x, y = self.paper(place).tolist()
                self.drawing.path(
                    f"M{x:.2f} {y - 0.9:.2f}l0.9 0.9l-0.9 0.9l-0.9 -0.9Z",
                    stroke=INK,
                    width=0.2,
                    fill="#ffffff",
                )
                self.places.take((x - 1.0, y - 1.0, x + 1.0, y + 1.0))

    def index(self, sheets: tuple[Sheet, ...]) -> None:
        """Frames of the sheets that follow."""
        for number, sheet in enumerate(sheets, 1):
            corners = np.array([[sheet.west, sheet.north], [sheet.east, sheet.south]])
            (x0, y0), (x1, y1) = self.paper(corners).tolist()
            self.drawing.rect(x0, y0, x1 - x0, y1 - y0, stroke="#9a9a9a", line=0.25)
            words = str(number)
            # Within its frame, so that the numbers of small frames in a row stay apart.
            size = min(3.6, (x1 - x0 - 1.0) / (len(words) * FIGURE_WIDTH))
            self.drawing.text(
                x0 + 0.25 * size,
                y0 + 1.1 * size,
                words,
                size=size,
                bold=True,
                fill="#6a6a6a",
                halo=True,
            )

    def line_names(self) -> None:
        """A flag with each line's name near the middle of what is in view."""
        size = 2.5
        for line, shape in zip(self.delivery.results.lines, self.delivery.shapes, strict=True):
            axis = np.column_stack([shape.easting, shape.northing])
            visible = np.flatnonzero(self.sheet.holds(axis))
            if not len(visible):
                continue
            words = line.name if len(line.name) <= 24 else line.name[:23] + "\u2026"
            width, height = len(words) * FIGURE_WIDTH * size + 2.0, size + 1.5
            # Try the middle first, then towards both ends.
            for share in (0.5, 0.35, 0.65, 0.2, 0.8, 0.1, 0.9):
                x, y = self.paper(axis[visible[int(share * (len(visible) - 1))]]).tolist()
                corner = self.places.place(x, y, width + 1.2, height + 1.2, 1.9)
                if corner is not None:
                    left, top = corner[0] + 0.6, corner[1] + 0.6
                    self.drawing.rect(
                        left,
                        top,
                        width,
                        height,
                        radius=0.6,
                        fill="#ffffff",
                        stroke=hex_colour(line.utility),
                        line=0.4,
                    )
                    self.drawing.text(left + 1.0, top + size + 0.15, words, size=size, bold=True)
                    break

    def shot_names(self, shown: npt.NDArray[np.int64], *, wanted: bool) -> int:
        """Name and depth beside each shot where there is room; the number left out."""
        if not wanted:
            return 0
        size = 1.9
        depth = self.delivery.length(self.delivery.results.depth)
        decimals = 2 if self.delivery.about.unit.code == "m" else 1
        centre = np.column_stack(
            [self.delivery.results.ground.easting, self.delivery.results.ground.northing]
        )
        control = self.delivery.results.intake.shots.control
        left_out = 0
        for k in shown.tolist():
            if left_out > MOST_LABELS:
                left_out += 1
                continue
            words = self.delivery.shot_names[k]
            if control.codes[k] >= 0:
                words += f" {control.word(k)[:16]}"
            elif np.isfinite(depth[k]):
                words += f" {depth[k]:.{decimals}f}"
            x, y = self.paper(centre[k]).tolist()
            width = len(words) * FIGURE_WIDTH * size
            corner = self.places.place(x, y, width, size, 1.5)
            if corner is None:
                left_out += 1
            else:
                self.drawing.text(corner[0], corner[1] + 0.85 * size, words, size=size, halo=True)
        return left_out


def as_data(pages: list[MapPage]) -> list[dict[str, Any]]:
    """For the template."""
    return [
        {
            "title": page.title,
            "svg": page.svg,
            "flipped": page.flipped,
            "note": page.note,
            "first": number == 0,
        }
        for number, page in enumerate(pages)
    ]
