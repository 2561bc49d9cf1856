"""Just enough SVG for maps and profiles: millimetres on paper, numbers to a hundredth."""

from __future__ import annotations

from collections.abc import Sequence
from xml.sax.saxutils import escape, quoteattr

import numpy as np
import numpy.typing as npt
import shapely

Floats = npt.NDArray[np.float64]

INK = "#1c1c1c"
GREY = "#8a8a8a"
PALE = "#d9d9d9"
WORDS = "Libertinus Serif"
FIGURES = "DejaVu Sans Mono"
FIGURE_WIDTH = 0.602  # advance of every DejaVu Sans Mono character, in ems


def path_data(points: Floats, *, close: bool = False) -> str:
    """``M`` and ``L`` commands of one polyline (k, 2), or of many (n, k, 2)."""
    lines = points[None] if points.ndim == 2 else points
    end = "Z" if close else ""
    pieces = []
    for line in np.round(lines, 2).tolist():
        pieces.append("M" + "L".join(f"{x:g} {y:g}" for x, y in line) + end)
    return "".join(pieces)


def simplified(points: Floats, *, close: bool = False) -> str:
    """Path of a polyline (k, 2) without the corners that no printer can show (0.02 mm)."""
    if len(points) > 50:
        points = shapely.get_coordinates(
            shapely.simplify(shapely.linestrings(points), 0.02, preserve_topology=False)
        )
    return path_data(points, close=close)


class Svg:
    """A drawing of `width` by `height` millimetres, y downward."""

    def __init__(self, width: float, height: float) -> None:
        self.width = width
        self.height = height
        self._parts: list[str] = []

    def path(
        self,
        data: str,
        *,
        stroke: str = "none",
        width: float = 0.2,
        fill: str = "none",
        dash: str = "",
        opacity: float = 1.0,
        cap: str = "butt",
    ) -> None:
        """A path; nothing if it holds no point."""
        if not data:
            return
        extra = f' stroke-dasharray="{dash}"' if dash else ""
        extra += f' opacity="{opacity:g}"' if opacity < 1.0 else ""
        extra += f' stroke-linecap="{cap}" stroke-linejoin="round"' if stroke != "none" else ""
        self._parts.append(
            f'<path d="{data}" fill="{fill}" stroke="{stroke}" stroke-width="{width:g}"{extra}/>'
        )

    def line(self, start: Sequence[float], end: Sequence[float], **style: object) -> None:
        """A straight line."""
        self.path(path_data(np.array([start, end], np.float64)), **style)  # type: ignore[arg-type]

    def rect(
        self,
        x: float,
        y: float,
        width: float,
        height: float,
        *,
        radius: float = 0.0,
        stroke: str = "none",
        line: float = 0.2,
        fill: str = "none",
    ) -> None:
        """A rectangle by its upper left corner."""
        self._parts.append(
            f'<rect x="{x:.2f}" y="{y:.2f}" width="{width:.2f}" height="{height:.2f}" '
            f'rx="{radius:g}" fill="{fill}" stroke="{stroke}" stroke-width="{line:g}"/>'
        )

    def circle(
        self,
        x: float,
        y: float,
        radius: float,
        *,
        stroke: str = INK,
        line: float = 0.25,
        fill: str = "none",
    ) -> None:
        """A circle."""
        self._parts.append(
            f'<circle cx="{x:.2f}" cy="{y:.2f}" r="{radius:.2f}" fill="{fill}" '
            f'stroke="{stroke}" stroke-width="{line:g}"/>'
        )

    def text(
        self,
        x: float,
        y: float,
        words: str,
        *,
        size: float = 2.1,
        anchor: str = "start",
        font: str = FIGURES,
        bold: bool = False,
        italic: bool = False,
        fill: str = INK,
        turn: float = 0.0,
        halo: bool = False,
    ) -> None:
        """Text with its baseline at y; `turn` in degrees clockwise about (x, y)."""
        # Control characters and lone surrogates are not XML; nor can they be printed.
        words = escape("".join(c if c.isprintable() else "\ufffd" for c in words))
        weight = ' font-weight="bold"' if bold else ""
        weight += ' font-style="italic"' if italic else ""
        move = f' transform="rotate({turn:g} {x:.2f} {y:.2f})"' if turn else ""
        place = (
            f'x="{x:.2f}" y="{y:.2f}" font-family={quoteattr(font)} font-size="{size:g}" '
            f'text-anchor="{anchor}"{weight}{move}'
        )
        if halo:
            self._parts.append(
                f'<text {place} fill="{fill}" stroke="#ffffff" stroke-width="{size * 0.28:.2f}" '
                f'stroke-linejoin="round" paint-order="stroke">{words}</text>'
            )
        else:
            self._parts.append(f'<text {place} fill="{fill}">{words}</text>')

    def begin_clip(self, name: str, x: float, y: float, width: float, height: float) -> None:
        """What follows is drawn inside a rectangle only."""
        self._parts.append(
            f'<clipPath id="{name}"><rect x="{x:.2f}" y="{y:.2f}" width="{width:.2f}" '
            f'height="{height:.2f}"/></clipPath><g clip-path="url(#{name})">'
        )

    def end_clip(self) -> None:
        """End of the rectangle begun last."""
        self._parts.append("</g>")

    def markup(self) -> str:
        """The whole drawing."""
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{self.width:g}mm" '
            f'height="{self.height:g}mm" viewBox="0 0 {self.width:g} {self.height:g}">'
            + "".join(self._parts)
            + "</svg>"
        )
