"""A line along its length: offsets in plan above, ground and depths below, as SVG."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt

from asfound.budget import NORMAL_95
from asfound.deliver.delivery import Delivery
from asfound.deliver.finding_columns import plain_number
from asfound.deliver.report.axes import Axis, draw_ground, times
from asfound.deliver.report.labels import LabelPlaces
from asfound.deliver.report.scales import multiples, round_step
from asfound.deliver.report.svg import (
    FIGURE_WIDTH,
    GREY,
    INK,
    PALE,
    WORDS,
    Svg,
    path_data,
    simplified,
)
from asfound.deliver.shapes import LineShape
from asfound.deliver.symbols import hex_colour
from asfound.model import Crossing, Line, Verdict

Floats = npt.NDArray[np.float64]

LEFT = 15.0
STRIP, GAP, PROFILE, STATIONS = 22.0, 9.0, 50.0, 8.5  # heights [mm]
LEAST_SPAN = 5.0  # stations that a panel spans at least [m]: shorter lines are not blown up
MOST_PANELS = 6
MOST_MARKS = 120  # sound shots drawn in one panel
_LEAST_SPACING = 4.5  # mean distance of shots on paper below which a line is cut into panels [mm]


def line_panels(delivery: Delivery, number: int, width: float) -> list[str]:
    """Drawings of one line, one or several panels in order of station.

    Parameters
    ----------
    delivery : Delivery
    number : int
        Index of the line.
    width : float
        Of the page's body [mm].
    """
    line = delivery.results.lines[number]
    room = width - LEFT - 3.0
    wanted = int(np.ceil(len(line.shots) * _LEAST_SPACING / room))
    count = min(MOST_PANELS, max(1, wanted))
    cuts = np.linspace(line.axis_station[0], line.axis_station[-1], count + 1)
    return [
        _Panel(delivery, number, width, float(low), float(high)).markup()
        for low, high in pairwise(cuts)
    ]


class _Panel:
    def __init__(
        self, delivery: Delivery, number: int, width: float, low: float, high: float
    ) -> None:
        self.delivery = delivery
        self.number = number
        self.line: Line = delivery.results.lines[number]
        self.shape: LineShape = delivery.shapes[number]
        self.unit = delivery.about.unit
        self.colour = hex_colour(self.line.utility)
        self.low, self.high = low, high
        span = max(high - low, LEAST_SPAN)
        room = width - LEFT - 3.0
        # A little air at both ends, so that the first and last shot are whole.
        self.x = Axis(low, LEFT + 4.0, span / (room - 8.0))
        self.width = width
        station = self.line.station
        self.members = np.flatnonzero((station >= low - 1e-6) & (station <= high + 1e-6))
        self.every = max(1, int(np.ceil(len(self.members) / MOST_MARKS)))
        if self.every > 1:
            verdict = delivery.results.verdict[self.line.shots[self.members]]
            kept = (verdict != Verdict.SOUND) | (np.arange(len(verdict)) % self.every == 0)
            self.members = self.members[kept]
        self.vertices = np.flatnonzero(
            (self.line.axis_station >= low - 1e-6) & (self.line.axis_station <= high + 1e-6)
        )
        self.has_profile = self._levels() is not None
        height = STRIP + STATIONS + (GAP + PROFILE if self.has_profile else 0.0)
        self.drawing = Svg(width, height + 1.0)

    def markup(self) -> str:
        self._strip()
        if self.has_profile:
            self._profile()
        self._stations()
        return self.drawing.markup()

    # --- shared ---------------------------------------------------------------------------------

    def _box(
        self,
        top: float,
        height: float,
        y: Axis,
        step: float,
        title: str,
        *,
        foot: float = 0.0,
        depths: bool = False,
    ) -> None:
        """Frame, level lines with their values, and a title."""
        unit = self.unit.metres
        low, high = sorted((self._value(y, top + height - foot), self._value(y, top)))
        for level in multiples(low, high, step):
            height_mm = float(y(level * unit))
            self.drawing.line(
                (LEFT, height_mm), (self.width - 3.0, height_mm), stroke=PALE, width=0.15
            )
            self.drawing.text(
                LEFT - 1.2,
                height_mm + 0.7,
                plain_number(abs(level) if depths else level, 3),
                size=1.95,
                anchor="end",
            )
        self.drawing.rect(LEFT, top, self.width - LEFT - 3.0, height, stroke=INK, line=0.25)
        self.drawing.text(LEFT, top - 1.3, title, size=2.9, font=WORDS, bold=True)

    def _value(self, y: Axis, paper: float) -> float:
        return (y.low + y.sign * (paper - y.start) * y.per_mm) / self.unit.metres

    def _marks(self, x: Floats, y: Floats, half: Floats, verdict: npt.NDArray[np.int8]) -> None:
        """A bar of 95 % and a mark of the verdict at each shot."""
        bars = np.stack([np.column_stack([x, y - half]), np.column_stack([x, y + half])], axis=1)
        known = np.isfinite(bars).all(axis=(1, 2))
        for kind, dash in (
            (Verdict.SOUND, ""),
            (Verdict.DOUBTFUL, "0.7 0.5"),
            (Verdict.UNFIT, "0.7 0.5"),
        ):
            group = known & (verdict == kind)
            self.drawing.path(path_data(bars[group]), stroke=self.colour, width=0.28, dash=dash)
        r = 0.75
        for px, py, kind in zip(x.tolist(), y.tolist(), verdict.tolist(), strict=True):
            if not np.isfinite(py):
                continue
            self.drawing.rect(
                px - r,
                py - 0.3,
                2 * r,
                0.6,
                stroke=self.colour,
                line=0.22,
                fill="#ffffff" if kind == Verdict.DOUBTFUL else self.colour,
            )
            if kind == Verdict.UNFIT:
                self.drawing.path(
                    f"M{px - r:.2f} {py + r:.2f}l{2 * r:g} {-2 * r:g}", stroke=INK, width=0.3
                )

    def _band(self, middle: Floats, half: Floats) -> None:
        x = self.x(self.line.axis_station[self.vertices])
        ring = np.concatenate(
            [np.column_stack([x, middle - half]), np.column_stack([x, middle + half])[::-1]]
        )
        if len(x) > 1 and np.isfinite(ring).all():
            self.drawing.path(simplified(ring, close=True), fill=self.colour, opacity=0.18)
            self.drawing.path(
                simplified(np.column_stack([x, middle])), stroke=self.colour, width=0.4
            )
            for start, end in self.line.gaps:
                station = self.line.axis_station[self.vertices]
                between = (station >= start) & (station <= end)
                if np.count_nonzero(between) > 1:
                    unsupported = simplified(np.column_stack([x, middle])[between])
                    self.drawing.path(unsupported, stroke="#ffffff", width=0.5)
                    self.drawing.path(unsupported, stroke=self.colour, width=0.12)

    # --- offsets in plan ------------------------------------------------------------------------

    def _thinned(self) -> str:
        return f"; of sound shots every {self.every}th" if self.every > 1 else ""

    def _strip(self) -> None:
        line, shape = self.line, self.shape
        shots = line.shots[self.members]
        budget = self.delivery.results.budget
        bearing = np.nan_to_num(self.delivery.results.assembly.bearing[shots])
        normal = np.column_stack([np.cos(bearing), -np.sin(bearing)])
        variance = np.einsum("mi,mij,mj->m", normal, budget.covariance[shots, :2, :2], normal)
        half = NORMAL_95 * np.sqrt(variance)
        offset = line.residual[self.members, 1]
        across = shape.across_95[self.vertices]
        used = line.used[self.members]
        sound = used & (self.delivery.results.verdict[shots] == Verdict.SOUND)
        limit = 1.1 * max(0.05, _high(across), _high((np.abs(offset) + half)[sound]))
        y = Axis(0.0, STRIP / 2 + 5.0, limit / (STRIP / 2 - 0.5), -1.0)
        top, bottom = 5.0 + 0.5, STRIP + 5.0 - 0.5
        step = round_step(limit / 2.6 / self.unit.metres)
        ratio = self.x.per_mm / y.per_mm
        self._box(
            5.0,
            STRIP,
            y,
            step,
            f"Plan: offset from the axis [{self.unit.symbol}], left of it upward; offsets "
            f"drawn {times(ratio)} times larger than stations{self._thinned()}",
        )
        self.drawing.begin_clip("strip", LEFT, 5.0, self.width - LEFT - 3.0, STRIP)
        x_axis = self.x(line.axis_station[self.vertices])
        self._band(np.full(len(x_axis), float(y(0.0))), across / y.per_mm)
        x, at = self.x(line.station[self.members]), y(offset)
        seen = (at >= top) & (at <= bottom)
        verdict = self.delivery.results.verdict[shots]
        self._marks(x[seen], at[seen], (half / y.per_mm)[seen], verdict[seen])
        for px, py in zip(x[~seen].tolist(), at[~seen].tolist(), strict=True):
            # An arrowhead at the edge: the shot lies beyond what is drawn.
            edge, tip = (top + 2.0, -2.0) if py < top else (bottom - 2.0, 2.0)
            self.drawing.path(f"M{px - 0.8:.2f} {edge:g}h1.6l-0.8 {tip:g}Z", fill=self.colour)
        bends = LabelPlaces(self.width, STRIP)
        for station, angle in line.bends.tolist():
            if self.low <= station <= self.high:
                at_bend = float(self.x(station))
                self.drawing.path(f"M{at_bend:.2f} 5v2.2l-1 -2.2h2l-1 2.2", stroke=INK, width=0.25)
                words = f"bend {np.degrees(angle):+.0f}\u00b0"
                room = len(words) * FIGURE_WIDTH * 1.8
                box = (at_bend - 1.2, 5.5, at_bend + 2.0 + room, 7.5)
                if bends.free(box):
                    bends.take(box)
                    self.drawing.text(at_bend + 1.4, 7.4, words, size=1.8, halo=True)
        self.drawing.end_clip()

    # --- profile --------------------------------------------------------------------------------

    def _shot_levels(self) -> tuple[Floats, Floats]:
        """Ground and centre at the shots; depth below a flat ground where heights are missing."""
        shots = self.line.shots[self.members]
        ground = self.delivery.results.ground.height[shots]
        centre = self.delivery.results.budget.centre_height[shots]
        if not np.isfinite(ground).any():
            depth = self.delivery.results.depth[shots]
            return np.zeros(len(shots)), -depth
        return ground, centre

    def _levels(self) -> tuple[float, float] | None:
        """Lowest and highest thing to show; None if there are no depths."""
        ground, centre = self._shot_levels()
        if not np.isfinite(centre).any():
            return None
        shots = self.line.shots[self.members]
        half = self.delivery.results.budget.vertical_95[shots]
        # What is badly known does not stretch the drawing; it runs out of the frame instead.
        used = self.line.used[self.members] & (
            self.delivery.results.verdict[shots] == Verdict.SOUND
        )
        if not np.isfinite(centre[used]).any():
            used = np.isfinite(centre)
        axis = self.line.height[self.vertices]
        reach = self.shape.vertical_95[self.vertices]
        parts = [
            ground[used],
            (centre - half)[used],
            centre[used],
            axis - reach,
            axis + reach,
            self.line.ground_height[self.vertices],
        ]
        values = np.concatenate(parts)
        values = values[np.isfinite(values)]
        if not len(values):
            return None
        low, high = float(values.min()), float(values.max())
        # Crossing lines are shown unless that would press this line flat.
        others = self._crossing_heights()
        lowest, highest = min([low, *others]) - 0.05, max([high, *others])
        if highest - lowest <= 1.8 * (high - low):
            return lowest, highest
        return low, high

    def _crossing_heights(self) -> list[float]:
        heights = []
        for crossing in self.delivery.results.crossings:
            mark = _other(crossing, self.number)
            if mark is not None and self.low <= mark[1] <= self.high:
                line = self.delivery.results.lines[mark[0]]
                heights.append(float(np.interp(mark[2], line.axis_station, line.height)))
        return [height for height in heights if np.isfinite(height)]

    def _profile(self) -> None:
        levels = self._levels()
        assert levels is not None
        low, high = levels
        top = 5.0 + STRIP + GAP
        span = max(high - low, 0.5)
        # Room for names above the ground, and for depths and crossings below.
        y = Axis(high, top + 5.0, span / (PROFILE - 14.0), -1.0)
        step = round_step(span / 6.0 / self.unit.metres)
        flat = not np.isfinite(self._ground_known()).any()
        what = "depth below the ground" if flat else "heights"
        exaggeration = self.x.per_mm / y.per_mm
        self._box(
            top,
            PROFILE,
            y,
            step,
            f"Profile: {what} [{self.unit.symbol}]; vertical exaggeration {times(exaggeration)}",
            foot=4.5,
            depths=flat,
        )
        floor = top + PROFILE - 1.3
        self.drawing.text(LEFT - 1.2, floor, "depth", size=2.4, font=WORDS, anchor="end")
        self.drawing.path(f"M{LEFT} {floor - 2.6:.2f}H{self.width - 3.0}", stroke=GREY, width=0.15)
        self.places = LabelPlaces(self.width, top + PROFILE)
        self.drawing.begin_clip("profile", LEFT, top, self.width - LEFT - 3.0, PROFILE)
        line = self.line
        x_axis = self.x(line.axis_station[self.vertices])
        surface = np.zeros(len(x_axis)) if flat else line.ground_height[self.vertices]
        if np.isfinite(surface).all() and len(x_axis) > 1:
            draw_ground(self.drawing, x_axis, y(surface))
        axis = line.height[self.vertices]
        self._band(y(axis), self.shape.vertical_95[self.vertices] / y.per_mm)
        if np.isfinite(line.outside_diameter) and np.isfinite(axis).all() and len(axis) > 1:
            crown = np.column_stack([x_axis, y(axis + line.outside_diameter / 2.0)])
            self.drawing.path(simplified(crown), stroke=self.colour, width=0.2, dash="2 0.8")
        ground, centre = self._shot_levels()
        shots = line.shots[self.members]
        x = self.x(line.station[self.members])
        for px, py in zip(x.tolist(), y(ground).tolist(), strict=True):
            if np.isfinite(py):
                self.drawing.path(f"M{px:.2f} {py:.2f}v-1.3", stroke=INK, width=0.25)
        self._marks(
            x,
            y(centre),
            self.delivery.results.budget.vertical_95[shots] / y.per_mm,
            self.delivery.results.verdict[shots],
        )
        self._crossing_marks(y, top)
        self._names(x, y(ground), shots, top)
        self.drawing.end_clip()

    def _ground_known(self) -> Floats:
        return self.delivery.results.ground.height[self.line.shots]

    def _names(self, x: Floats, y: Floats, shots: npt.NDArray[np.int64], top: float) -> None:
        depths = LabelPlaces(self.width, 10.0)
        size = 1.8
        floor = top + PROFILE - 1.3
        depth = self.delivery.length(self.delivery.results.depth)
        decimals = 2 if self.unit.code == "m" else 1
        for px, py, shot in zip(x.tolist(), y.tolist(), shots.tolist(), strict=True):
            words = self.delivery.shot_names[shot]
            number = f"{depth[shot]:.{decimals}f}"
            below = (px - len(number) * 0.52 * size, 0.0, px + len(number) * 0.52 * size, size)
            if np.isfinite(depth[shot]) and depths.free(below):
                depths.take((below[0] - 0.8, below[1], below[2] + 0.8, below[3]))
                self.drawing.text(px, floor, number, size=size, anchor="middle")
            width = len(words) * FIGURE_WIDTH * size
            box = (px - width / 2, py - 1.8 - size, px + width / 2, py - 1.8)
            if np.isfinite(py) and box[1] > top and self.places.free(box):
                self.places.take((box[0] - 0.8, box[1], box[2] + 0.8, box[3]))
                self.drawing.text(px, py - 1.9, words, size=size, anchor="middle")

    def _crossing_marks(self, y: Axis, top: float) -> None:
        for crossing in self.delivery.results.crossings:
            mark = _other(crossing, self.number)
            if mark is None or not self.low <= mark[1] <= self.high:
                continue
            other, station, station_other = mark
            line = self.delivery.results.lines[other]
            x = float(self.x(station))
            self.drawing.line((x, top), (x, top + PROFILE), stroke=GREY, width=0.2, dash="0.5 0.9")
            height = float(np.interp(station_other, line.axis_station, line.height))
            level = float(y(height)) if np.isfinite(height) else np.inf
            if top < level < top + PROFILE - 5.5:
                self.drawing.circle(
                    x, level, 1.3, stroke=hex_colour(line.utility), line=0.5, fill="#ffffff"
                )
            else:
                level = top + PROFILE - 6.0
            words = self._crossing_words(crossing, other)
            room = len(words) * FIGURE_WIDTH * 1.8
            left = x + 2.2 if x + 2.2 + room < self.width - 4.0 else x - 2.2 - room
            self.drawing.text(left, level + 0.6, words, size=1.8, halo=True)
            self.places.take((left, level - 1.2, left + room, level + 1.0))

    def _crossing_words(self, crossing: Crossing, other: int) -> str:
        words = f"{self.delivery.results.lines[other].name[:16]} crosses"
        if not np.isfinite(crossing.separation):
            return words
        side = "above" if crossing.line_a == other else "below"
        apart = crossing.separation / self.unit.metres
        reach = NORMAL_95 * crossing.separation_sd / self.unit.metres
        return f"{words}, {side} by {apart:.2f} \u00b1 {reach:.2f}"

    # --- stations -------------------------------------------------------------------------------

    def _stations(self) -> None:
        bottom = 5.0 + STRIP + (GAP + PROFILE if self.has_profile else 0.0)
        unit = self.unit.metres
        step = round_step(18.0 * self.x.per_mm / unit)
        for station in multiples(self.low / unit, self.high / unit, step):
            x = float(self.x(station * unit))
            self.drawing.path(f"M{x:.2f} {bottom:.2f}v1.2", stroke=INK, width=0.25)
            self.drawing.text(x, bottom + 3.3, plain_number(station, 3), size=1.95, anchor="middle")
        self.drawing.text(
            LEFT - 1.2,
            bottom + 3.3,
            f"station [{self.unit.symbol}]",
            size=2.4,
            font=WORDS,
            anchor="end",
        )


def _other(crossing: Crossing, number: int) -> tuple[int, float, float] | None:
    """The line that crosses `number`, the station on `number`, and on the other."""
    if crossing.line_a == number:
        return crossing.line_b, crossing.station_a, crossing.station_b
    if crossing.line_b == number:
        return crossing.line_a, crossing.station_b, crossing.station_a
    return None


def _high(values: Floats) -> float:
    """The ninth decile; zero if nothing is known."""
    known = values[np.isfinite(values)]
    return float(np.quantile(known, 0.9)) if len(known) else 0.0
