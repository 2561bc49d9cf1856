"""The profile along a trench or bore: ground, dig, and every line near it cut by its plane."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from asfound.budget import NORMAL_95
from asfound.deliver.finding_columns import plain_number
from asfound.deliver.report.axes import Axis, draw_ground, times
from asfound.deliver.report.dig_canvas import station_step
from asfound.deliver.report.dig_marks import MARK, draw_line_cut, draw_required, draw_standing
from asfound.deliver.report.dig_scene import DigScene
from asfound.deliver.report.dig_sections import Cut, Levels, course, dig_levels, profile_cuts
from asfound.deliver.report.dig_words import Standing, clearance_words, length, standing
from asfound.deliver.report.facts import clean
from asfound.deliver.report.labels import LabelPlaces
from asfound.deliver.report.scales import multiples, round_step
from asfound.deliver.report.svg import FIGURE_WIDTH, INK, PALE, WORDS, Svg, simplified
from asfound.model import Approach, Bore

Floats = npt.NDArray[np.float64]

LEFT, RIGHT, HEAD, FOOT = 15.0, 3.0, 5.0, 13.0
TALLEST, LOWEST = 50.0, 34.0
EXAGGERATIONS = (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 15.0, 20.0, 25.0, 30.0, 40.0, 50.0)
BEYOND = 2.6  # how far past an end of the dig lines are drawn [m]
BESIDE = 1.0  # lines that run beside and farther than this are left to the table [m]
SHARE_SHOWN = 1.0  # room at most for half an ellipse or steering error [m]


def profile_scale(span: float, rise: float, room: float) -> tuple[float, float]:
    """Metres a millimetre along a profile, and how much heights are exaggerated.

    Parameters
    ----------
    span, rise : float
        To show, along and in height [m].
    room : float
        Along, on paper [mm].

    Returns
    -------
    per_mm, exaggeration : float
        The greatest round exaggeration whose drawing is not taller than `TALLEST`; of what is
        taller still without any, the scale is made smaller.
    """
    per_mm = span / room
    fitting = [k for k in EXAGGERATIONS if rise * k / per_mm <= TALLEST]
    return (per_mm, fitting[-1]) if fitting else (rise / TALLEST, 1.0)


class Profile:
    """One stretch of a dig in profile.

    Parameters
    ----------
    scene : DigScene
    place : int
        Of the dig.
    low, high : float
        Stations [m].
    width : float
        On paper [mm].
    overview : bool
        Lines by their numbers only: their sizes could not be read.
    """

    def __init__(
        self,
        scene: DigScene,
        place: int,
        low: float,
        high: float,
        width: float,
        *,
        overview: bool = False,
    ) -> None:
        self.overview = overview
        self.scene, self.place, self.low, self.high = scene, place, low, high
        self.item, self.solid = scene.digs[place], scene.solids[place]
        self.unit = scene.delivery.about.unit
        self.levels = _within(dig_levels(self.solid, scene.surface), low, high)
        results = scene.delivery.results
        # Past the dig's own ends, not past those of a stretch.
        before = BEYOND if low <= 0.0 else 0.0
        after = BEYOND if high >= scene.profile_length(place) - 1e-6 else 0.0
        self.cuts: list[tuple[Approach, Cut]] = [
            (near, cut)
            for near in self.item.approaches
            for cut in profile_cuts(near, course(results, near, scene.surface), self.solid)
            if low - before <= cut.x <= high + after
            and (cut.through or near.clearance <= BESIDE or standing(near) > Standing.APART)
        ]
        # Lines beyond an end are shown too; stations run on there.
        reach = [
            cut.x + side * (0.5 * near.outside_diameter * cut.widening + 0.2)
            for near, cut in self.cuts
            for side in (-1.0, 1.0)
        ]
        low, high = min([low, *reach]), max([high, *reach])
        lowest, highest = self._range()
        room = width - LEFT - RIGHT - 8.0
        per_mm, self.exaggeration = profile_scale(max(high - low, 0.5), highest - lowest, room)
        rows = 20.0 if overview else 0.0  # for numbers above the ground
        self.height = max(LOWEST, (highest - lowest) * self.exaggeration / per_mm + 14.0) + rows
        self.x = Axis(low, LEFT + 4.0, per_mm)
        spare = self.height - 14.0 - (highest - lowest) * self.exaggeration / per_mm
        self.y = Axis(
            highest, HEAD + 4.0 + rows + 0.5 * (spare - rows), per_mm / self.exaggeration, -1.0
        )
        self.right = width - RIGHT
        self.drawing = Svg(width, HEAD + self.height + FOOT)

    def _range(self) -> tuple[float, float]:
        levels = self.levels
        stray = np.minimum(NORMAL_95 * levels.vertical_sd, SHARE_SHOWN)
        parts = [levels.ground, levels.bottom - stray, levels.bottom]
        if isinstance(self.item.dig, Bore):
            parts.append(levels.top + stray)
        for near, cut in self.cuts:
            radius = 0.5 * near.outside_diameter
            ring = cut.ring()[:, 1]
            parts.append(np.array([cut.height - radius, cut.height + radius]))
            parts.append(np.clip(ring, cut.height - SHARE_SHOWN, cut.height + SHARE_SHOWN))
        values = np.concatenate(parts)
        values = values[np.isfinite(values)]
        return float(values.min()), max(float(values.max()), float(values.min()) + 0.4)

    def markup(self) -> str:
        """The drawing as SVG."""
        self._frame()
        bottom = HEAD + self.height
        self.drawing.begin_clip("profile", LEFT, HEAD, self.right - LEFT, self.height)
        places = LabelPlaces(self.drawing.width, bottom)
        places.take((0.0, 0.0, LEFT + 0.4, bottom))
        places.take((0.0, 0.0, self.drawing.width, HEAD + 0.4))
        places.take((self.right, 0.0, self.drawing.width, bottom))
        if self.overview:
            self._dig()
            self._numbers()
        else:
            self._lines(places, bottom)
        self.drawing.end_clip()
        self._foot()
        return self.drawing.markup()

    def _numbers(self) -> None:
        """Where lines are, in two rows above the ground."""
        for row, (near, cut) in enumerate(sorted(self.cuts, key=lambda pair: pair[1].x)):
            x, y = float(self.x(cut.x)), HEAD + 4.0 + 6.5 * (row % 3)
            self.drawing.line((x, y), (x, float(self.y(cut.height))), stroke=INK, width=0.15)
            number = self.scene.number(self.place, near)
            draw_standing(self.drawing, x, y, standing(near), number)

    def _lines(self, places: LabelPlaces, bottom: float) -> None:
        """The dig among the lines as its plane cuts them, with what is required around them."""
        letters = [
            item
            for near, cut in self.cuts
            for item in draw_required(
                self.drawing, cut, near, self.scene.letters, self.x, self.y, HEAD, bottom
            )
        ]
        self._dig()
        for near, cut in reversed(self.cuts):
            draw_line_cut(self.drawing, cut, near, self.x, self.y)
        self._keep_clear(places)
        for near, cut in self.cuts:
            self._name(places, near, cut)
        for px, py, letter in letters:
            corner = places.place(px, py, 1.6, 2.2, 0.4)
            if corner is not None:
                self.drawing.text(
                    corner[0], corner[1] + 1.9, letter, size=2.3, bold=True, halo=True
                )

    def _frame(self) -> None:
        unit = self.unit
        bottom = HEAD + self.height
        high = self.y.low + (self.y.start - HEAD) * self.y.per_mm
        low = self.y.low - (bottom - self.y.start) * self.y.per_mm
        step = round_step((high - low) / 6.0 / unit.metres)
        for level in multiples(low / unit.metres, high / unit.metres, step):
            y = float(self.y(level * unit.metres))
            self.drawing.line((LEFT, y), (self.right, y), stroke=PALE, width=0.15)
            self.drawing.text(LEFT - 1.0, y + 0.8, plain_number(level, 2), size=2.2, anchor="end")
        self.drawing.rect(LEFT, HEAD, self.right - LEFT, self.height, stroke=INK, line=0.25)
        along = "length bored" if isinstance(self.item.dig, Bore) else "station"
        scale = (
            "heights and lengths to one scale"
            if self.exaggeration == 1.0
            else f"heights drawn {times(self.exaggeration)} times larger than lengths"
        )
        self.drawing.text(
            LEFT,
            HEAD - 1.3,
            f"Profile along {clean(self.item.dig.name, 30)}: "
            f"heights over {along} [{unit.symbol}]; {scale}",
            size=2.9,
            font=WORDS,
            bold=True,
        )

    def _dig(self) -> None:
        levels = self.levels
        x = self.x(levels.station)
        bottom, top = self.y(levels.bottom), self.y(levels.top)
        stray = NORMAL_95 * levels.vertical_sd
        bore = isinstance(self.item.dig, Bore)
        known = np.isfinite(levels.ground)
        if known.sum() > 1:
            draw_ground(self.drawing, x[known], self.y(levels.ground[known]))
        upper = np.where(np.isfinite(top), top, HEAD)
        ring = np.concatenate([np.column_stack([x, upper]), np.column_stack([x, bottom])[::-1]])
        self.drawing.path(simplified(ring, close=True), fill=INK, opacity=0.13)
        edges = [levels.bottom - stray] + (
            [levels.top + stray] if bore else [levels.bottom + stray]
        )
        for edge in edges:
            self.drawing.path(
                simplified(np.column_stack([x, self.y(edge)])),
                stroke=INK,
                width=0.22,
                dash="0.9 0.6",
            )
        self.drawing.path(simplified(np.column_stack([x, bottom])), stroke=INK, width=0.5)
        if bore:
            self.drawing.path(simplified(np.column_stack([x, top])), stroke=INK, width=0.5)
            axis = self.y(0.5 * (levels.bottom + levels.top))
            self.drawing.path(
                simplified(np.column_stack([x, axis])), stroke=INK, width=0.15, dash="2 0.6 0.4 0.6"
            )
        total = float(dig_levels(self.solid, self.scene.surface).station[-1])
        for end, station in ((0, 0.0), (-1, total)):
            if self.low - 1e-6 <= station <= self.high + 1e-6 and not bore:
                self.drawing.line(
                    (x[end], upper[end]), (x[end], bottom[end]), stroke=INK, width=0.5
                )

    def _keep_clear(self, places: LabelPlaces) -> None:
        levels = self.levels
        x = self.x(levels.station)
        stray = NORMAL_95 * levels.vertical_sd
        for level in (levels.bottom, levels.top, levels.bottom - stray):
            known = np.isfinite(level)
            if known.sum() > 1:
                places.take_along(np.column_stack([x, self.y(level)])[known])
        for end in (0, -1):
            wall = np.array([levels.top[end], levels.bottom[end]])
            if np.isfinite(wall).all():
                places.take_along(np.column_stack([np.full(2, x[end]), self.y(wall)]))
        for near, cut in self.cuts:
            px, py = float(self.x(cut.x)), float(self.y(cut.height))
            across = max(0.5 * near.outside_diameter * cut.widening / self.x.per_mm, 0.8)
            up = max(0.5 * near.outside_diameter / self.y.per_mm, 0.8)
            places.take((px - across, py - up, px + across, py + up))

    def _name(self, places: LabelPlaces, near: Approach, cut: Cut) -> None:
        px, py = float(self.x(cut.x)), float(self.y(cut.height))
        size = 2.2
        first = clean(near.line, 16) + f" {near.utility.word}"
        second = f"OD {length(near.outside_diameter, self.unit)}"
        second += "" if near.diameter_basis == "known" else "?"
        second += f", clear {clearance_words(near, self.unit)}"
        if not cut.through:
            second += ", at a slant" if near.crosses else ", beside"
        wide = max(len(first), len(second)) * FIGURE_WIDTH * size
        mark = 2.0 * MARK + 0.4
        up = 0.5 * near.outside_diameter / self.y.per_mm
        for distance, full in ((max(1.2, 0.7 * up), True), (5.0, True), (9.0, True), (1.0, False)):
            corner = places.place(
                px, py, mark + (wide + 0.6 if full else 0.0), mark + 0.4, distance
            )
            if corner is not None:
                break
        else:
            return
        left, top = corner
        # The mark stands next to the line, the words behind it.
        after = left + mark > px
        middle = left + MARK if after or not full else left + wide + 0.6 + MARK
        if abs(middle - px) > 6.0 or abs(top + MARK - py) > 6.0:
            self.drawing.line((px, py), (middle, top + MARK), stroke=INK, width=0.15)
        number = self.scene.number(self.place, near)
        draw_standing(self.drawing, middle, top + MARK + 0.2, standing(near), number)
        if full:
            x, anchor = (left + mark + 0.4, "start") if after else (left + wide, "end")
            self.drawing.text(x, top + 2.3, first, size=size, bold=True, halo=True, anchor=anchor)
            self.drawing.text(x, top + 5.1, second, size=size, halo=True, anchor=anchor)

    def _foot(self) -> None:
        """Stations, and how deep the dig is there."""
        unit = self.unit
        bottom = HEAD + self.height
        levels = self.levels
        step = station_step(self.x.per_mm, unit.metres)
        deep = levels.ground - levels.bottom
        for station in multiples(self.low / unit.metres, self.high / unit.metres, step):
            x = float(self.x(station * unit.metres))
            self.drawing.path(f"M{x:.2f} {bottom:.2f}v1.2", stroke=INK, width=0.25)
            self.drawing.text(x, bottom + 3.8, plain_number(station, 2), size=2.2, anchor="middle")
            below = float(np.interp(station * unit.metres, levels.station, deep))
            self.drawing.text(x, bottom + 7.6, length(below, unit), size=2.2, anchor="middle")
        for row, words in ((3.8, "station"), (7.6, "bottom at")):
            self.drawing.text(LEFT - 1.0, bottom + row, words, size=2.4, font=WORDS, anchor="end")
        self.drawing.text(
            LEFT - 14.0,
            bottom + 11.2,
            "Bottom: depth below the ground over the "
            "axis. Filled: 95 % ellipse of a line's axis. Round it in colour: what a "
            "rule (letter) requires, about the line as located.",
            size=2.5,
            font=WORDS,
        )


def _within(levels: Levels, low: float, high: float) -> Levels:
    """The part between two stations, cut exactly there."""
    at = levels.station
    inner = at[(at > low + 1e-9) & (at < high - 1e-9)]
    station = np.concatenate([[max(low, at[0])], inner, [min(high, at[-1])]])

    def cut(values: Floats) -> Floats:
        return np.asarray(np.interp(station, at, values))

    return Levels(
        station,
        cut(levels.ground),
        cut(levels.bottom),
        cut(levels.top),
        cut(levels.horizontal_sd),
        cut(levels.vertical_sd),
    )
