"""Sections across a dig where a line comes nearest, true to scale."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from asfound.budget import NORMAL_95, RAYLEIGH_95
from asfound.deliver.finding_columns import plain_number
from asfound.deliver.report.axes import Axis, draw_ground
from asfound.deliver.report.dig_marks import MARK, draw_line_cut, draw_required, draw_standing
from asfound.deliver.report.dig_scene import DigScene
from asfound.deliver.report.dig_sections import (
    chord,
    dig_levels,
    level_bottom,
    section_through,
)
from asfound.deliver.report.dig_words import Standing, length, standing
from asfound.deliver.report.facts import clean
from asfound.deliver.report.labels import LabelPlaces
from asfound.deliver.report.scales import multiples, round_step, scale_words
from asfound.deliver.report.svg import FIGURE_WIDTH, INK, PALE, WORDS, Svg, path_data
from asfound.model import Approach, Bore, DigClearance, Pit, Post

Floats = npt.NDArray[np.float64]

WIDTH, HEIGHT = 57.0, 50.0
LEFT, TOP, FOOT = 9.0, 7.5, 1.0
MOST = 3
NEAR, NEARER, WIDE = 2.0, 1.0, 1.2
_METRIC = (10, 20, 25, 30, 40, 50, 75, 100, 150, 200, 500)
_FEET = (12, 24, 36, 48, 60, 96, 120, 180, 240, 600)


def wanted_sections(item: DigClearance, beside: set[int]) -> list[int]:
    """Which approaches of a dig get a section of their own, by their places.

    Parameters
    ----------
    beside : set of int
        Places of lines that the profile along the dig doesn't cut; all, of a pit or post.
    """
    chosen: list[int] = []
    for place, near in _ranked(item):
        if place not in beside:
            continue
        doubt = standing(near) > Standing.APART
        reach = NEAR if isinstance(item.dig, Pit | Post) and not chosen else NEARER
        same = any(
            abs(np.sin(near.line_bearing - item.approaches[other].line_bearing)) < np.sin(0.35)
            for other in chosen
        )
        if (doubt or near.clearance <= reach) and not (same and not doubt):
            chosen.append(place)
    return chosen[:MOST]


def _ranked(item: DigClearance) -> list[tuple[int, Approach]]:
    return sorted(
        enumerate(item.approaches), key=lambda pair: (-pair[1].p_contact, pair[1].clearance)
    )


class Cross:
    """One section.

    Parameters
    ----------
    scene : DigScene
    place : int
        Of the dig.
    chosen : int
        Of the approach through which the plane goes.
    """

    def __init__(self, scene: DigScene, place: int, chosen: int) -> None:
        self.scene, self.place = scene, place
        self.item, self.solid = scene.digs[place], scene.solids[place]
        self.near = self.item.approaches[chosen]
        self.chosen = chosen
        self.unit = scene.delivery.about.unit
        self.section = section_through(self.solid, self.item.approaches, chosen)
        self.hole = self._hole()
        self.ground_at = self._ground(np.array([0.0]))[0]
        low, high = self._window()
        room = np.array([WIDTH - LEFT - 1.0, HEIGHT - TOP - FOOT])
        size = high - low
        metric = self.unit.code == "m"
        scales = _METRIC if metric else _FEET
        self.denominator = next(
            (d for d in scales if (size * 1000.0 <= room * d).all()), scales[-1]
        )
        per_mm = self.denominator / 1000.0
        middle = 0.5 * (low + high)
        self.x = Axis(float(middle[0]), LEFT + room[0] / 2.0, per_mm)
        self.y = Axis(float(middle[1]), TOP + room[1] / 2.0, per_mm, -1.0)
        self.drawing = Svg(WIDTH, HEIGHT)

    def _ground(self, x: Floats) -> Floats:
        places = self.section.origin + np.outer(x, self.section.along)
        height, _ = self.scene.surface.heights(places[:, 0], places[:, 1])
        return height

    def _hole(self) -> tuple[list[tuple[float, float]], float, float, float, float]:
        """Parts of the dig along the plane; its bottom and top; its 95 % straying both ways."""
        dig, solid = self.item.dig, self.solid
        if isinstance(dig, Pit | Post):
            shape = self.scene.delivery.digs[self.place].footprint
            parts = chord(shape, self.section, 200.0)
            return (
                parts,
                level_bottom(solid),
                np.nan,
                NORMAL_95 * solid.horizontal_sd,
                NORMAL_95 * solid.vertical_sd,
            )
        levels = dig_levels(solid, self.scene.surface)
        at = self.near.dig_station
        bottom, top, sideways, height = (
            float(np.interp(at, levels.station, values))
            for values in (levels.bottom, levels.top, levels.horizontal_sd, levels.vertical_sd)
        )
        if isinstance(dig, Bore):
            half = 0.5 * dig.final_diameter
            factor = RAYLEIGH_95
            parts = [(-half, half)]
        else:
            # of a trench only the leg that the plane is square to
            parts = chord(self.scene.delivery.digs[self.place].footprint, self.section, 50.0)
            parts = [part for part in parts if part[0] - 0.2 <= 0.0 <= part[1] + 0.2]
            factor, top = NORMAL_95, np.nan
        return parts, bottom, top, factor * sideways, factor * height

    def _window(self) -> tuple[Floats, Floats]:
        parts, bottom, top, sideways, height = self.hole
        near = self.near
        cut = dict(self.section.cuts)[self.chosen]
        radius = 0.5 * near.outside_diameter
        wide = radius * cut.widening
        x = [cut.x - wide, cut.x + wide]
        # Of a wide dig only the side next to the line is shown.
        for start, end in parts:
            side = float(np.clip(cut.x, start, end))
            x += [max(start, side - WIDE), min(end, side + WIDE)]
        ring = cut.ring()
        half = np.array([min(1.0, np.ptp(ring[:, k]) / 2.0) for k in (0, 1)])
        x += [cut.x - half[0], cut.x + half[0]]
        y = [bottom - height, cut.height - radius, cut.height + radius, cut.height - half[1]]
        y += [value for value in (self.ground_at, top + height) if np.isfinite(value)]
        edge = max(0.12, sideways)
        return np.array([min(x) - edge, min(y) - 0.12]), np.array([max(x) + edge, max(y) + 0.3])

    def markup(self) -> str:
        """The drawing as SVG."""
        drawing = self.drawing
        right, bottom = WIDTH - 1.0, HEIGHT - FOOT
        metric = self.unit.code == "m"
        name = f"{clean(self.item.dig.name, 14)} and {clean(self.near.line, 14)}"
        number = self.scene.number(self.place, self.near)
        draw_standing(drawing, MARK + 0.4, 3.4, standing(self.near), number)
        drawing.text(LEFT, 2.9, name, size=2.9, font=WORDS, bold=True)
        drawing.text(
            LEFT,
            6.2,
            f"{scale_words(self.denominator, metric)}; heights in {self.unit.symbol}",
            size=2.6,
            font=WORDS,
        )
        self._levels(right, bottom)
        drawing.begin_clip("section", LEFT, TOP, right - LEFT, bottom - TOP)
        letters = [
            found
            for place, cut in self.section.cuts
            for found in draw_required(
                drawing,
                cut,
                self.item.approaches[place],
                self.scene.letters,
                self.x,
                self.y,
                TOP,
                bottom,
            )
        ]
        self._draw_hole()
        places = LabelPlaces(right, bottom)
        places.take((0.0, 0.0, LEFT + 0.3, bottom))
        places.take((0.0, 0.0, right, TOP + 0.3))
        for path in self._edges():
            places.take_along(path)
        for place, cut in reversed(self.section.cuts):
            draw_line_cut(drawing, cut, self.item.approaches[place], self.x, self.y)
        for place, cut in self.section.cuts:
            near = self.item.approaches[place]
            px, py = float(self.x(cut.x)), float(self.y(cut.height))
            if not (LEFT < px < right and TOP < py < bottom):
                continue
            reach = 0.5 * near.outside_diameter / self.y.per_mm
            places.take((px - reach, py - reach, px + reach, py + reach))
            self._text(
                places,
                px,
                py,
                f"{clean(near.line, 12)} OD "
                f"{length(near.outside_diameter, self.unit)}"
                + ("" if near.diameter_basis == "known" else "?"),
                max(1.2, reach),
            )
        for px, py, letter in letters:
            self._text(places, px, py, letter, 0.4)
        drawing.end_clip()
        drawing.rect(LEFT, TOP, right - LEFT, bottom - TOP, stroke=INK, line=0.25)
        return drawing.markup()

    def _edges(self) -> list[Floats]:
        """The dig's edges on paper, which labels keep clear of."""
        parts, bottom, _, sideways, height = self.hole
        paths = []
        for start, end in parts:
            for side, down in ((0.0, 0.0), (sideways, height)):
                ring = np.array(
                    [
                        (start - side, self.ground_at),
                        (start - side, bottom - down),
                        (end + side, bottom - down),
                        (end + side, self.ground_at),
                    ]
                )
                paths.append(np.column_stack([self.x(ring[:, 0]), self.y(ring[:, 1])]))
        return [path for path in paths if np.isfinite(path).all()]

    def _text(self, places: LabelPlaces, x: float, y: float, words: str, distance: float) -> None:
        size = 2.2
        for reach in (distance, 4.0, 8.0):
            corner = places.place(x, y, len(words) * FIGURE_WIDTH * size, size, reach)
            if corner is not None and words:
                if reach > distance:
                    left = corner[0] if corner[0] > x else corner[0] + len(words) * 1.3
                    self.drawing.line((x, y), (left, corner[1] + 1.1), stroke=INK, width=0.15)
                self.drawing.text(
                    corner[0], corner[1] + 0.85 * size, words, size=size, bold=True, halo=True
                )
                return

    def _levels(self, right: float, bottom: float) -> None:
        unit = self.unit.metres
        high = self.y.low + (self.y.start - TOP) * self.y.per_mm
        low = self.y.low - (bottom - self.y.start) * self.y.per_mm
        for level in multiples(low / unit, high / unit, round_step((high - low) / 5.0 / unit)):
            y = float(self.y(level * unit))
            self.drawing.line((LEFT, y), (right, y), stroke=PALE, width=0.15)
            words = plain_number(level, 2)
            self.drawing.text(
                LEFT - 0.6, y + 0.7, words, size=2.0 if len(words) < 7 else 1.8, anchor="end"
            )

    def _draw_hole(self) -> None:
        parts, bottom, top, sideways, height = self.hole
        low = self.x.low + (LEFT - self.x.start) * self.x.per_mm
        high = self.x.low + (WIDTH - self.x.start) * self.x.per_mm
        at = np.linspace(low, high, 60)
        ground = self._ground(at)
        if np.isfinite(ground).all():
            draw_ground(self.drawing, self.x(at), self.y(ground))
        dig = self.item.dig
        if isinstance(dig, Bore):
            centre = np.array([0.0, 0.5 * (bottom + top)])
            turn = np.arange(48) * (np.pi / 24.0)
            unit = np.column_stack([np.cos(turn), np.sin(turn)])
            half = 0.5 * dig.final_diameter
            self._outline(centre + half * unit, solid=True)
            self._outline(centre + 0.5 * dig.pilot_diameter * unit, solid=False)
            self._outline(centre + (half + np.array([sideways, height])) * unit, solid=False)
            return
        for start, end in parts:
            roof = [self._roof(value) for value in (start, end)]
            ring = np.array([(start, roof[0]), (start, bottom), (end, bottom), (end, roof[1])])
            self._outline(ring, solid=True)
            wide = np.array(
                [
                    (start - sideways, roof[0]),
                    (start - sideways, bottom - height),
                    (end + sideways, bottom - height),
                    (end + sideways, roof[1]),
                ]
            )
            self.drawing.path(
                path_data(np.column_stack([self.x(wide[:, 0]), self.y(wide[:, 1])])),
                stroke=INK,
                width=0.22,
                dash="0.9 0.6",
            )

    def _roof(self, x: float) -> float:
        """The ground there, or the top of the drawing."""
        ground = float(self._ground(np.array([x]))[0])
        return ground if np.isfinite(ground) else self.y.low + self.y.start * self.y.per_mm

    def _outline(self, ring: Floats, *, solid: bool) -> None:
        data = path_data(np.column_stack([self.x(ring[:, 0]), self.y(ring[:, 1])]), close=True)
        if solid:
            self.drawing.path(data, fill=INK, opacity=0.13)
        self.drawing.path(
            data, stroke=INK, width=0.5 if solid else 0.22, dash="" if solid else "0.9 0.6"
        )
