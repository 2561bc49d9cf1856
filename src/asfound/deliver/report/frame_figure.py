"""How far frames lie apart at a place, drawn: an arrow to scale for every pair.

An arrow begins where a shot was taken and ends where it is drawn if its coordinates, of the first
frame, are taken for those of the second. Whoever stakes out coordinates of the second frame with a
receiver on the first stands off the opposite way; the words say so. Pairs that can't be told apart
on the drawing share one arrow.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from asfound.deliver.report.svg import FIGURES, GREY, INK, PALE, WORDS, Svg
from asfound.geodesy import FrameDifference
from asfound.units import LengthUnit

_SAME = 0.02  # share of the figure's scale that the eye can't tell apart
_LEAST = 0.0005  # a difference below this is none [m]
_ROW = 10.6
_LABEL = 2.8  # size of an arrow's number [mm]
_COLUMNS = 41  # of the terminal's drawing; rows are half as many


@dataclass(frozen=True)
class _Arrow:
    pairs: tuple[FrameDifference, ...]
    numbers: tuple[int, ...]

    @property
    def east(self) -> float:
        """Where a shot lands: the way opposite to what a transformation adds [m]."""
        return -self.pairs[0].east

    @property
    def north(self) -> float:
        return -self.pairs[0].north

    @property
    def label(self) -> str:
        """Numbers of the pairs: ``1``, ``1, 3``, ``1\u20134``."""
        first, last = self.numbers[0], self.numbers[-1]
        if len(self.numbers) > 2 and last - first == len(self.numbers) - 1:
            return f"{first}\u2013{last}"
        return ", ".join(str(number) for number in self.numbers)


def frames_svg(
    pairs: Sequence[FrameDifference], unit: LengthUnit, width: float = 150.0, plot: float = 52.0
) -> str:
    """The figure as SVG markup; millimetres.

    Parameters
    ----------
    pairs : sequence of FrameDifference
    unit : LengthUnit
        Of the lengths in words.
    width, plot : float
        Of the figure, and of the square with the arrows [mm].
    """
    known = _known(pairs)
    arrows, span = _arrows(known, unit.metres)
    height = max(plot + 4.0, 10.0 + _ROW * len(known))
    drawing = Svg(width, height)
    middle_x, middle_y, radius = plot / 2.0, 4.0 + (plot - 8.0) / 2.0, (plot - 12.0) / 2.0
    _rings(drawing, middle_x, middle_y, radius, span / unit.metres, unit)
    taken: list[tuple[float, float, float]] = []
    for arrow in arrows:
        _draw(drawing, arrow, middle_x, middle_y, radius / span, taken)
    drawing.circle(middle_x, middle_y, 0.8, fill=INK)
    x, y = plot + 4.0, 6.0
    for number, pair in enumerate(known, 1):
        drawing.text(x, y, str(number), size=3.2, bold=True)
        drawing.text(
            x + 6.0, y, f"{pair.source} taken for {pair.target}", size=3.2, font=WORDS, bold=True
        )
        drawing.text(x + 6.0, y + 3.3, pair_words(pair, unit), size=2.7, font=WORDS)
        drawing.text(x + 6.0, y + 6.3, standing_words(pair), size=2.7, font=WORDS)
        y += _ROW
    if not known:
        drawing.text(x, y, _nothing(pairs), size=3.2, font=WORDS)
    return drawing.markup()


def pair_words(pair: FrameDifference, unit: LengthUnit) -> str:
    """Length, bearing and height of one pair's error in words."""
    horizontal, up = pair.horizontal / unit.metres, -pair.up / unit.metres
    bearing = math.degrees(pair.bearing) % 360.0
    level = f"{abs(up):.3f} {unit.symbol} {'high' if up > 0 else 'low'}"
    return f"shots lie {horizontal:.3f} {unit.symbol} off, bearing {bearing:.0f}°, and {level}"


def standing_words(pair: FrameDifference) -> str:
    """Where one stands who stakes out by the same mistake: the opposite way."""
    bearing = (math.degrees(pair.bearing) + 180.0) % 360.0
    return f"staking out, you stand as far off the opposite way, bearing {bearing:.0f}°"


def _nothing(pairs: Sequence[FrameDifference]) -> str:
    """What to say instead of arrows: not comparable is not the same as no difference."""
    if any(not np.isfinite(pair.horizontal) for pair in pairs):
        return "Nothing to draw: not all of these frames can be compared here."
    return "No pair of frames lies apart here."


def frames_plot(pairs: Sequence[FrameDifference], unit: LengthUnit) -> list[str]:
    """The figure in characters, north up: ``+`` the spot meant, numbers where one lands."""
    known = _known(pairs)
    if not known:
        return [_nothing(pairs)]
    arrows, span = _arrows(known, unit.metres)
    half_columns, half_rows = _COLUMNS // 2, _COLUMNS // 4
    grid = [[" "] * _COLUMNS for _ in range(2 * half_rows + 1)]

    def put(east: float, north: float, mark: str) -> None:
        column = half_columns + round(east / span * half_columns)
        column = max(0, min(column, _COLUMNS - len(mark)))
        row = half_rows - round(north / span * half_rows)
        for k, letter in enumerate(mark):
            if 0 <= row < len(grid) and 0 <= column + k < _COLUMNS:
                grid[row][column + k] = letter

    for k in range(72):
        angle = math.radians(5.0 * k)
        put(span * math.sin(angle), span * math.cos(angle), ".")
    for arrow in arrows:
        length = math.hypot(arrow.east, arrow.north)
        steps = max(2, round(length / span * half_columns))
        for k in range(1, steps):
            put(arrow.east * k / steps, arrow.north * k / steps, "*")
    for arrow in arrows:
        put(arrow.east, arrow.north, arrow.label)
    put(0.0, 0.0, "+")
    notes = [
        f"ring: {span / unit.metres:g} {unit.symbol}",
        "+ where a shot was taken",
        "1 where it is drawn",
        "",
    ]
    for number, pair in enumerate(known, 1):
        notes += [f"{number} {pair.source} taken for {pair.target}:", f"  {_short(pair, unit)}"]
    rows = ["".join(row) for row in grid]
    rows[0] = rows[0][:half_columns] + "N" + rows[0][half_columns + 1 :]
    rows += [" " * _COLUMNS] * (len(notes) - len(rows))
    notes += [""] * (len(rows) - len(notes))
    return [f"{row}  {note}".rstrip() for row, note in zip(rows, notes, strict=True)]


def _short(pair: FrameDifference, unit: LengthUnit) -> str:
    bearing = math.degrees(pair.bearing) % 360.0
    return f"{pair.horizontal / unit.metres:.3f} {unit.symbol} towards {bearing:.0f}°"


def _known(pairs: Sequence[FrameDifference]) -> list[FrameDifference]:
    return [p for p in pairs if np.isfinite(p.horizontal) and p.horizontal > _LEAST]


def _arrows(known: Sequence[FrameDifference], metres: float) -> tuple[list[_Arrow], float]:
    """Pairs that look the same together, and the figure's half-width [m], round in the unit."""
    if not known:
        return [], metres
    longest = max(pair.horizontal for pair in known)
    span = _round_up(longest / metres) * metres
    arrows: list[_Arrow] = []
    for number, pair in enumerate(known, 1):
        for k, arrow in enumerate(arrows):
            other = arrow.pairs[0]
            if math.hypot(pair.east - other.east, pair.north - other.north) < _SAME * span:
                arrows[k] = _Arrow((*arrow.pairs, pair), (*arrow.numbers, number))
                break
        else:
            arrows.append(_Arrow((pair,), (number,)))
    return arrows, span


def _round_up(size: float) -> float:
    power = 10.0 ** math.floor(math.log10(size))
    return next(f * power for f in (1.0, 2.0, 5.0, 10.0) if size <= f * power * (1.0 + 1e-9))


def _rings(drawing: Svg, x: float, y: float, radius: float, span: float, unit: LengthUnit) -> None:
    for share in (0.5, 1.0):
        drawing.circle(x, y, radius * share, stroke=PALE, line=0.25)
        drawing.text(
            x + 0.8,
            y + radius * share - 0.8,
            f"{span * share:g} {unit.symbol}",
            size=2.3,
            font=FIGURES,
            fill=GREY,
        )
    for dx, dy in ((0.0, 1.0), (1.0, 0.0)):
        drawing.line(
            (x - dx * radius, y - dy * radius),
            (x + dx * radius, y + dy * radius),
            stroke=PALE,
            width=0.2,
        )
    drawing.text(x, y - radius - 1.2, "N", size=3.0, font=WORDS, bold=True, anchor="middle")


def _draw(
    drawing: Svg,
    arrow: _Arrow,
    x: float,
    y: float,
    scale: float,
    taken: list[tuple[float, float, float]],
) -> None:
    end = np.array([x + arrow.east * scale, y - arrow.north * scale])
    way = end - (x, y)
    length = float(np.hypot(*way))
    along = way / length if length > 0 else np.array([0.0, -1.0])
    across = np.array([-along[1], along[0]])
    if length >= 0.2:
        head = min(2.6, 0.6 * length)
        neck = end - head * along
        drawing.line((x, y), (float(neck[0]), float(neck[1])), stroke=INK, width=0.55)
        left, right = neck + 0.38 * head * across, neck - 0.38 * head * across
        drawing.path(
            f"M{end[0]:.2f} {end[1]:.2f}L{left[0]:.2f} {left[1]:.2f}"
            f"L{right[0]:.2f} {right[1]:.2f}Z",
            fill=INK,
        )
    half = 0.5 * _LABEL * 0.62 * len(arrow.label)
    for out, aside in ((3, 0), (3, 4), (3, -4), (6, 0), (6, 5), (6, -5), (9, 0), (9, 7), (9, -7)):
        spot = end + out * along + aside * across
        free = all(
            abs(spot[0] - at) > half + other + 0.5 or abs(spot[1] - up) > _LABEL
            for at, up, other in taken
        )
        if free:
            break
    taken.append((float(spot[0]), float(spot[1]), half))
    drawing.text(
        float(spot[0]), float(spot[1]) + 1.0, arrow.label, size=_LABEL, bold=True,
        anchor="middle", halo=True,
    )  # fmt: skip
