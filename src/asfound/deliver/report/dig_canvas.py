"""What a plan of digs draws into its window: zones, lines, digs, approaches, holes, names."""

from __future__ import annotations

import itertools

import numpy as np
import numpy.typing as npt
import shapely

from asfound.budget import NORMAL_95
from asfound.clearance import Solid
from asfound.deliver.dig_columns import advice_rows, exposure_rows
from asfound.deliver.dig_shapes import approach_segment
from asfound.deliver.finding_columns import plain_number
from asfound.deliver.report.dig_marks import MARK, draw_hole, draw_standing
from asfound.deliver.report.dig_scene import DigScene, PlanView
from asfound.deliver.report.dig_sections import (
    Course,
    course,
    dig_levels,
    dig_stations,
    place_on,
)
from asfound.deliver.report.dig_words import Standing, length, standing
from asfound.deliver.report.facts import clean
from asfound.deliver.report.labels import LabelPlaces
from asfound.deliver.report.scales import Sheet, multiples, round_step
from asfound.deliver.report.svg import FIGURE_WIDTH, INK, Svg, path_data, simplified
from asfound.deliver.shapes import tube
from asfound.deliver.symbols import hex_colour
from asfound.model import Approach, Bore, DigClearance, Pit, Post, Trench

Floats = npt.NDArray[np.float64]

LEFT = 5.0
"""Room left of the window [mm]."""
_SHARES = (0.85, 0.15, 0.7, 0.3, 0.5, 0.95, 0.05, 0.6, 0.4, 0.78, 0.22)
SLIVER = 0.001
MARKED = 3.6
"""Approaches farther than this stand in the table; their marks would only cross the plan [m]."""


class PlanCanvas:
    """Draws into the window of a sheet."""

    def __init__(self, drawing: Svg, scene: DigScene, view: PlanView, sheet: Sheet) -> None:
        self.drawing, self.scene, self.view, self.sheet = drawing, scene, view, sheet
        self.places = LabelPlaces(sheet.width + LEFT, sheet.height)
        # A frame's numbers stand left of the window: no label goes there.
        self.places.take((0.0, 0.0, LEFT + 0.3, sheet.height))
        self.window = shapely.box(sheet.west, sheet.south, sheet.east, sheet.north)
        self.courses: dict[int, tuple[Approach, Course]] = {}
        self.pairs: list[tuple[int, Approach]] = [
            (place, near) for place in view.places for near in scene.digs[place].approaches
        ]
        for _, near in self.pairs:
            if near.line_index not in self.courses:
                self.courses[near.line_index] = (
                    near,
                    course(scene.delivery.results, near, scene.surface),
                )
        self._zone_edges: list[tuple[Floats, str, str]] = []
        self.has_records = any(near.source == "records" for _, near in self.pairs)
        self.has_exposed = self.has_advised = False

    def paper(self, points: Floats) -> Floats:
        return np.asarray(self.sheet.paper(points[..., :2]) + np.array([LEFT, 0.0]))

    def _area(self, shape: shapely.Geometry) -> str:
        return "".join(
            simplified(self.paper(shapely.get_coordinates(ring)), close=True)
            for part in shapely.get_parts(shape)
            if part.geom_type == "Polygon"
            for ring in (part.exterior, *part.interiors)
        )

    def searched(self) -> None:
        """Areas that were searched, by their edge."""
        for area in self.scene.delivery.results.plan.searched:
            ring = np.column_stack([area.easting, area.northing])
            self.drawing.path(
                path_data(self.paper(ring), close=True),
                stroke="#6a6a6a",
                width=0.3,
                dash="0.3 1.2",
                cap="round",
            )

    def zones(self) -> None:
        """What each rule asks for in plan, about the line's axis as drawn."""
        widest: dict[tuple[int, str], tuple[float, Approach, str]] = {}
        for _, near in self.pairs:
            for answer in near.rules:
                rule = answer.rule
                if rule.shape == "distance":
                    continue
                half = rule.horizontal + 0.5 * near.outside_diameter
                widest[(near.line_index, rule.id)] = (half, near, rule.shape)
        for (index, rule_id), (half, near, shape) in widest.items():
            axis = shapely.LineString(self.courses[index][1].axis[:, :2])
            piece = axis.intersection(self.window.buffer(2.0 * half + 5.0))
            zone = piece.buffer(half, quad_segs=8)
            colour = hex_colour(near.utility)
            data = self._area(zone)
            if shape == "zone":
                self.drawing.path(data, fill=colour, opacity=0.08)
            dash = "2.2 0.8" if shape == "zone" else "3 0.8 0.6 0.8"
            self.drawing.path(data, stroke=colour, width=0.22, dash=dash)
            seen = shapely.boundary(zone).intersection(self.window)
            letter = self.scene.letters.get(rule_id, "")
            unit = self.scene.delivery.about.unit
            edge = shapely.get_coordinates(shapely.segmentize(seen, 0.5))
            if letter and len(edge):
                words = f"{letter} {length(half - 0.5 * near.outside_diameter, unit)}"
                self._zone_edges.append((edge, words, colour))

    def lines(self) -> None:
        results = self.scene.delivery.results
        for index, (near, line) in self.courses.items():
            colour = hex_colour(near.utility)
            if near.source == "located":
                envelope = self.scene.delivery.shapes[index].envelope
            else:
                normal = np.array([np.cos(near.line_bearing), -np.sin(near.line_bearing)])
                across = NORMAL_95 * float(np.sqrt(normal @ near.line_covariance[:2, :2] @ normal))
                envelope = shapely.LineString(line.axis[:, :2]).buffer(across, cap_style="flat")
            inside = envelope.intersection(self.window.buffer(3.0))
            records = near.source == "records"
            self.drawing.path(self._area(inside), fill=colour, opacity=0.12 if records else 0.25)
            axis = self.paper(line.axis)
            self.places.take_along(axis)
            self.drawing.path(
                simplified(axis),
                stroke=colour,
                width=0.5,
                dash="3.2 1 0.6 1 0.6 1" if records else "",
            )
            if records:
                continue
            found = results.lines[index]
            for start, end in found.gaps:
                between = (found.axis_station >= start) & (found.axis_station <= end)
                if np.count_nonzero(between) > 1:
                    hair = simplified(axis[between])
                    self.drawing.path(hair, stroke="#ffffff", width=0.6)
                    self.drawing.path(hair, stroke=colour, width=0.14)

    def digs(self) -> None:
        for place in self.view.places:
            item, solid = self.scene.digs[place], self.scene.solids[place]
            footprint = without_slivers(self.scene.delivery.digs[place].footprint)
            small_on_paper = np.sqrt(footprint.area) / self.sheet.metres_per_mm < 4.0
            self.drawing.path(
                self._area(self._stray(item, solid, footprint)),
                stroke=INK,
                width=0.2,
                dash="0.9 0.6",
            )
            for ring in shapely.get_parts(footprint):
                self.places.take_along(self.paper(shapely.get_coordinates(ring.exterior)))
            data = self._area(footprint)
            self.drawing.path(data, fill=INK, opacity=0.14)
            self.drawing.path(data, stroke=INK, width=0.25 if small_on_paper else 0.5)

    def _stray(
        self, item: DigClearance, solid: Solid, footprint: shapely.Geometry
    ) -> shapely.Geometry:
        """Where the dig's edge may come to lie, 95 % at each place."""
        dig = item.dig
        if not isinstance(dig, Bore):
            return footprint.buffer(NORMAL_95 * solid.horizontal_sd, quad_segs=8)
        levels = dig_levels(solid, self.scene.surface)
        stations = dig_stations(solid)
        east, north = (np.interp(levels.station, stations, solid.outline[:, k]) for k in (0, 1))
        run = np.gradient(np.column_stack([east, north]), axis=0)
        half = 0.5 * dig.final_diameter + NORMAL_95 * levels.horizontal_sd
        return tube(east, north, np.arctan2(run[:, 0], run[:, 1]), half)

    def stations(self) -> None:
        """Round stations along trenches and bores, the same as in their profiles."""
        for place in self.view.places:
            if isinstance(self.scene.digs[place].dig, Trench | Bore):
                self._stations(self.scene.solids[place])

    def _stations(self, solid: Solid) -> None:
        """Ticks across one dig and their stations."""
        unit = self.scene.delivery.about.unit.metres
        total = float(dig_stations(solid)[-1])
        low, high = max(self.view.low, 0.0), min(self.view.high, total)
        step = station_step(self.sheet.metres_per_mm, unit)
        for station in multiples(low / unit, high / unit, step):
            place, run = place_on(solid, station * unit)
            x, y = self.paper(place).tolist()
            across = np.array([run[1], run[0]])
            tick = np.array([[x, y], [x, y]]) + np.outer([-1.1, 1.1], across)
            self.drawing.path(path_data(tick), stroke=INK, width=0.25)
            words = plain_number(station, 2)
            size = 2.2
            wide = len(words) * FIGURE_WIDTH * size
            corner = self.places.place(x, y, wide, size, 1.6)
            if corner is not None:
                self.drawing.text(corner[0], corner[1] + 0.85 * size, words, size=size, halo=True)

    def approaches(self) -> None:
        """The way from each dig to its nearest line, and to all where there is doubt."""
        shown = [
            (place, near)
            for place, near in self.pairs
            if self.view.low <= near.dig_station <= self.view.high
            and (
                standing(near) > Standing.APART
                or near is min(self.scene.digs[place].approaches, key=lambda one: one.clearance)
                or (len(self.view.places) == 1 and near.clearance <= MARKED)
            )
        ]
        shown.sort(key=lambda pair: -standing(pair[1]))
        for _, near in shown:
            segment = self.paper(approach_segment(near))
            self.drawing.path(path_data(segment), stroke="#ffffff", width=1.0)
            self.drawing.path(path_data(segment), stroke=INK, width=0.35)
            for x, y in segment.tolist():
                self.drawing.circle(x, y, 0.4, fill=INK)
            self.places.take_along(segment)
        for place, near in shown:
            number = self.scene.number(place, near)
            if number:
                self._number(self.paper(approach_segment(near)).mean(axis=0), near, number)

    def _number(self, middle: Floats, near: Approach, number: str) -> None:
        x, y = middle.tolist()
        size = 2.0 * MARK + 0.4
        for distance in (0.8, 4.0, 8.0):
            corner = self.places.place(x, y, size, size, distance)
            if corner is not None:
                cx, cy = corner[0] + size / 2, corner[1] + size / 2
                if np.hypot(cx - x, cy - y) > size:
                    self.drawing.line((x, y), (cx, cy), stroke=INK, width=0.15)
                draw_standing(self.drawing, cx, cy, standing(near), number)
                return

    def holes(self) -> None:
        for exposure, compared in exposure_rows(self.scene.delivery):
            place = np.array([exposure.easting, exposure.northing])
            if self.sheet.holds(place):
                struck = compared is not None and compared.contradicted
                words = exposure.name + (" contradicts" if struck else "")
                self._hole(place, words, done=True, struck=struck)
                self.has_exposed = True
        for rank, (hole, _, _) in enumerate(advice_rows(self.scene.delivery), 1):
            place = np.array([hole.easting, hole.northing])
            if self.sheet.holds(place):
                self._hole(place, f"expose {rank}", done=False, struck=False)
                self.has_advised = True

    def _hole(self, place: Floats, words: str, *, done: bool, struck: bool) -> None:
        x, y = self.paper(place).tolist()
        draw_hole(self.drawing, x, y, done=done, contradicted=struck)
        self.places.take((x - 1.7, y - 1.7, x + 1.7, y + 1.7))
        self._label(x, y, clean(words, 24), bold=True, distance=2.3)

    def _label(self, x: float, y: float, words: str, *, bold: bool, distance: float) -> None:
        size = 2.4
        wide = len(words) * FIGURE_WIDTH * size
        corner = self.places.place(x, y, wide, size, distance)
        if corner is not None:
            self.drawing.text(
                corner[0], corner[1] + 0.85 * size, words, size=size, bold=bold, halo=True
            )

    def dig_names(self) -> None:
        for place in self.view.places:
            item, solid = self.scene.digs[place], self.scene.solids[place]
            if isinstance(item.dig, Post | Pit):
                at = shapely.get_coordinates(self.scene.delivery.digs[place].footprint.centroid)[0]
            else:
                total = float(dig_stations(solid)[-1])
                middle = 0.5 * (max(self.view.low, 0.0) + min(self.view.high, total))
                at = place_on(solid, middle)[0]
            x, y = self.paper(at).tolist()
            words = clean(item.dig.name, 20)
            size = 3.0
            wide = len(words) * FIGURE_WIDTH * size
            for distance in (1.4, 4.0, 8.0):
                corner = self.places.place(x, y, wide, size, distance)
                if corner is not None:
                    self.drawing.text(
                        corner[0], corner[1] + 0.85 * size, words, size=size, bold=True, halo=True
                    )
                    break

    def line_names(self) -> None:
        """A flag with name and utility near the middle of what is in view."""
        size = 2.4
        for near, line in self.courses.values():
            trace = shapely.LineString(line.axis[:, :2]).intersection(self.window)
            if trace.is_empty:
                continue
            piece = max(shapely.get_parts(trace), key=lambda part: part.length)
            name = clean(near.line, 18)
            words = f"{name} {near.utility.word}"
            if near.source == "records":
                words += ", records"
            wide, high = len(words) * FIGURE_WIDTH * size + 2.0, size + 1.5
            for distance, share in itertools.product((1.9, 6.0, 11.0), _SHARES):
                at = shapely.get_coordinates(piece.interpolate(share, normalized=True))[0]
                x, y = self.paper(at).tolist()
                corner = self.places.place(x, y, wide + 1.2, high + 1.2, distance)
                if corner is None:
                    continue
                left, top = corner[0] + 0.6, corner[1] + 0.6
                colour = hex_colour(near.utility)
                if distance > 2.0:
                    self.drawing.line(
                        (x, y), (left + wide / 2, top + high / 2), stroke=colour, width=0.2
                    )
                self.drawing.rect(
                    left, top, wide, high, radius=0.6, fill="#ffffff", stroke=colour, line=0.4
                )
                self.drawing.text(left + 1.0, top + size + 0.1, words, size=size, bold=True)
                break

    def zone_names(self) -> None:
        """Letter of the rule and its size, at the zone's edge."""
        size = 2.2
        for edge, words, colour in self._zone_edges:
            wide = len(words) * FIGURE_WIDTH * size
            for share in (0.1, 0.9, 0.25, 0.75, 0.5, 0.4, 0.6, 0.02):
                x, y = self.paper(edge[int(share * (len(edge) - 1))]).tolist()
                corner = self.places.place(x, y, wide, size, 0.7)
                if corner is not None:
                    self.drawing.text(
                        corner[0],
                        corner[1] + 0.85 * size,
                        words,
                        size=size,
                        fill=colour,
                        bold=True,
                        halo=True,
                    )
                    break


def without_slivers(footprint: shapely.Geometry) -> shapely.Geometry:
    """A footprint without the hairlines that rounding leaves between its pieces."""
    wider = footprint.buffer(SLIVER, join_style="mitre")
    return wider.buffer(-SLIVER, join_style="mitre")


def station_step(per_mm: float, unit: float) -> float:
    """Between round stations along a dig, in the job's unit: not closer than 13 mm.

    Parameters
    ----------
    per_mm, unit : float
        Metres a millimetre of paper, and a unit.
    """
    return round_step(13.0 * per_mm / unit)
