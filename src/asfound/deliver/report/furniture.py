"""What stands around a map: frame with coordinates, scale bar, north arrow, key."""

from __future__ import annotations

import numpy as np

from asfound.deliver.about import About, unit_words
from asfound.deliver.delivery import Delivery
from asfound.deliver.finding_columns import plain_number
from asfound.deliver.report.scales import Sheet, multiples, round_step, scale_words
from asfound.deliver.report.svg import FIGURE_WIDTH, GREY, INK, PALE, WORDS, Svg, path_data
from asfound.deliver.symbols import colour, hex_colour
from asfound.model import Utility

_ROW = 3.25  # lines of the key [mm]


def draw_frame(drawing: Svg, sheet: Sheet, about: About, *, left: float) -> None:
    """Neat line, grid crosses, and coordinates at the left and below."""
    unit = about.grid_unit.metres
    step = round_step(28.0 * sheet.metres_per_mm / unit)
    decimals = max(0, -int(np.floor(np.log10(step) + 1e-9)))
    drawing.rect(left, 0.0, sheet.width, sheet.height, stroke=INK, line=0.35)
    eastings = multiples(sheet.west / unit, sheet.east / unit, step)
    northings = multiples(sheet.south / unit, sheet.north / unit, step)
    bottom = sheet.height
    data = ""
    for easting in eastings:
        x = left + (easting * unit - sheet.west) / sheet.metres_per_mm
        data += f"M{x:.2f} {bottom:.2f}v1.2M{x:.2f} 0v1.2"
        words = f"{easting:.{decimals}f}"
        half = 0.5 * len(words) * FIGURE_WIDTH * 2.0
        x = min(x, left + sheet.width - half)
        drawing.text(x, bottom + 3.4, words, size=2.0, anchor="middle")
    for northing in northings:
        y = bottom - (northing * unit - sheet.south) / sheet.metres_per_mm
        data += f"M{left:.2f} {y:.2f}h-1.2M{left + sheet.width:.2f} {y:.2f}h-1.2"
        words = f"{northing:.{decimals}f}"
        half = 0.5 * len(words) * FIGURE_WIDTH * 2.0
        y = min(max(y, half), bottom - half)
        drawing.text(left - 1.7, y, words, size=2.0, anchor="middle", turn=-90.0)
    drawing.path(data, stroke=INK, width=0.25)
    crosses = "".join(
        f"M{left + (e * unit - sheet.west) / sheet.metres_per_mm - 1:.2f} {y:.2f}h2m-1 -1v2"
        for e in eastings
        for y in (bottom - (n * unit - sheet.south) / sheet.metres_per_mm for n in northings)
    )
    drawing.path(crosses, stroke=GREY, width=0.15)


def draw_key(
    drawing: Svg,
    sheet: Sheet,
    delivery: Delivery,
    utilities: list[int],
    factor: int,
    *,
    left: float,
) -> None:
    """Scale, north, symbols and colours, in a strip below the map."""
    about = delivery.about
    top = sheet.height + 7.5
    scale_bar(drawing, sheet, about, left, top)
    north_arrow(drawing, delivery, left + 4.5, top + 12.5)
    unit = about.unit.symbol
    small(drawing, left, top + 25.7, f"Beside a shot: its name and depth in {unit}.")
    size = "true to scale" if factor == 1 else f"drawn {factor} times true size"
    small(drawing, left, top + 30.2, "Envelopes and ellipses are", bold=True)
    small(drawing, left, top + 33.4, f"{size}.", bold=True)
    _symbols(drawing, left + 62.0, top)
    _colours(drawing, utilities, left + 124.0, top)


def small(
    drawing: Svg, x: float, y: float, words: str, *, bold: bool = False, size: float = 2.75
) -> None:
    """Words beside a symbol."""
    drawing.text(x, y, words, size=size, font=WORDS, bold=bold)


def scale_bar(drawing: Svg, sheet: Sheet, about: About, x: float, y: float) -> None:
    """A bar in the job's unit, with the scale in words."""
    unit = about.unit
    step = round_step(9.0 * sheet.metres_per_mm / unit.metres)
    mm = step * unit.metres / sheet.metres_per_mm
    # As many full steps as fit in the strip's first column.
    count = max(1, min(4, int(52.0 // mm)))
    for k in range(count):
        drawing.rect(
            x + k * mm, y, mm, 1.4, stroke=INK, line=0.2, fill=INK if k % 2 == 0 else "#ffffff"
        )
    for k in range(count + 1):
        drawing.text(
            x + k * mm,
            y - 0.8,
            plain_number(k * step, 3),
            size=2.0,
            anchor="middle" if k else "start",
        )
    words = f"{scale_words(sheet.denominator, unit.code == 'm')}; bar in {unit_words(unit)}"
    small(drawing, x, y + 5.0, words, bold=True)


def north_arrow(drawing: Svg, delivery: Delivery, x: float, y: float) -> None:
    """A needle with its east half dark: grid north."""
    drawing.path(f"M{x} {y - 4.5}L{x + 1.9} {y + 4.5}L{x} {y + 2.8}Z", fill=INK)
    drawing.path(
        f"M{x} {y - 4.5}L{x + 1.9} {y + 4.5}L{x} {y + 2.8}L{x - 1.9} {y + 4.5}Z",
        stroke=INK,
        width=0.25,
    )
    drawing.text(x, y + 8.0, "N", size=3.4, font=WORDS, bold=True, anchor="middle")
    small(drawing, x + 6.0, y - 0.5, "Up is grid north.")
    convergence = delivery.results.ground.convergence
    known = convergence[np.isfinite(convergence)]
    if len(known):
        angle = float(np.degrees(np.median(known)))
        side = "east" if angle > 0 else "west"
        small(drawing, x + 6.0, y + 3.0, f"It lies {abs(angle):.2f}\u00b0 {side} of true north.")
    small(drawing, x + 6.0, y + 6.5, f"Grid in {unit_words(delivery.about.grid_unit)}.")


def _symbols(drawing: Svg, x: float, y: float) -> None:
    """Shape says the verdict."""
    ink = "#4a4a4a"
    rows = (
        ("sound shot", "full"),
        ("doubtful shot", "open"),
        ("unfit shot", "struck"),
        ("control check", "triangle"),
        ("crossing of lines", "circle"),
        ("line and its 95 % envelope", "tube"),
        ("doubtful line; unfit: dotted", "dashed"),
        ("95 % ellipse of a shot", "ellipse"),
        ("sweep and what it found", "sweep"),
        ("axis not supported by shots", "gap"),
        ("work area", "area"),
    )
    for row, (words, kind) in enumerate(rows):
        cy = y + row * _ROW
        cx = x + 4.0
        if kind in ("full", "open", "struck"):
            drawing.path(f"M{cx - 4} {cy}h8", stroke=ink, width=0.3)
        if kind in ("full", "struck"):
            drawing.path(f"M{cx} {cy - 1.5}v3", stroke=ink, width=0.6)
        if kind == "open":
            drawing.rect(cx - 0.3, cy - 1.5, 0.6, 3.0, stroke=ink, line=0.22, fill="#ffffff")
        if kind == "struck":
            drawing.path(f"M{cx - 1.1} {cy + 1.1}l2.2 -2.2", stroke=INK, width=0.3)
        if kind == "triangle":
            drawing.path(f"M{cx} {cy - 1.5}l1.3 2.25h-2.6Z", stroke=INK, width=0.25)
        if kind == "circle":
            drawing.circle(cx, cy, 1.5)
        if kind == "tube":
            drawing.rect(cx - 4.0, cy - 1.1, 8.0, 2.2, fill=PALE)
            drawing.path(f"M{cx - 4} {cy}h8", stroke=ink, width=0.4)
        if kind == "sweep":
            drawing.path(f"M{cx - 4} {cy}h8", stroke="#6a6a6a", width=0.2)
            drawing.path(
                f"M{cx} {cy - 0.9}l0.9 0.9l-0.9 0.9l-0.9 -0.9Z",
                stroke=INK,
                width=0.2,
                fill="#ffffff",
            )
        if kind == "dashed":
            drawing.path(f"M{cx - 4} {cy}h8", stroke=ink, width=0.4, dash="1.6 0.9")
        if kind == "gap":
            drawing.path(f"M{cx - 4} {cy}h2m4 0h2", stroke=ink, width=0.4)
            drawing.path(f"M{cx - 2} {cy}h4", stroke=ink, width=0.12)
        if kind == "area":
            drawing.path(f"M{cx - 4} {cy}h8", stroke="#6a6a6a", width=0.3, dash="3 1 0.6 1")
        if kind == "ellipse":
            ring = np.column_stack(
                [
                    cx + 2.6 * np.cos(np.arange(24) * np.pi / 12),
                    cy + 1.1 * np.sin(np.arange(24) * np.pi / 12),
                ]
            )
            drawing.path(path_data(ring, close=True), stroke=ink, width=0.18)
        small(drawing, x + 10.0, cy + 0.9, words)


def _colours(drawing: Svg, utilities: list[int], x: float, y: float) -> None:
    """Colour says the utility."""
    for row, code in enumerate(utilities):
        cy = y + row * _ROW
        drawing.path(f"M{x} {cy}h7", stroke=hex_colour(code), width=1.1)
        name = Utility(code).word
        small(drawing, x + 9.0, cy + 0.9, f"{name} ({colour(code).hue})")
    small(drawing, x, y + 30.2, "Colour: the utility (APWA")
    small(drawing, x, y + 33.4, "uniform colour code).")
