"""Marks that dig drawings share: standing by shape, exposures, lines cut by a plane."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from asfound.deliver.report.axes import Axis
from asfound.deliver.report.dig_sections import Cut
from asfound.deliver.report.dig_words import Standing
from asfound.deliver.report.svg import FIGURES, INK, Svg, path_data
from asfound.deliver.symbols import hex_colour
from asfound.model import Approach, ClearanceRule

Floats = npt.NDArray[np.float64]

MARK = 2.7
"""Half the size of a standing's mark [mm]."""
_RING = np.linspace(0.0, 2.0 * np.pi, 49)[:-1]


def draw_standing(drawing: Svg, x: float, y: float, state: Standing, words: str = "") -> None:
    """A number in a shape: full triangle, full diamond, open diamond, open circle."""
    full = state in (Standing.MEETS, Standing.TOO_NEAR)
    size = MARK
    if state <= Standing.APART:
        drawing.circle(x, y, 0.8 * size, stroke=INK, line=0.25, fill="#ffffff")
    else:
        corners = (
            [(0.0, -1.25), (1.25, 0.85), (-1.25, 0.85)]
            if state is Standing.MEETS
            else [(0.0, -1.1), (1.1, 0.0), (0.0, 1.1), (-1.1, 0.0)]
        )
        shape = np.array(corners) * size + np.array([x, y])
        drawing.path(
            path_data(shape, close=True), stroke=INK, width=0.35, fill=INK if full else "#ffffff"
        )
    if words:
        drawing.text(
            x,
            y + (1.5 if state is Standing.MEETS else 0.8),
            words,
            size=2.3 if len(words) < 3 else 1.8,
            anchor="middle",
            font=FIGURES,
            bold=True,
            fill="#ffffff" if full else INK,
        )


def draw_hole(drawing: Svg, x: float, y: float, *, done: bool, contradicted: bool = False) -> None:
    """An exposure: full square if done, struck if it contradicts; an open dashed one if advised."""
    if done:
        drawing.rect(x - 1.3, y - 1.3, 2.6, 2.6, stroke="#ffffff", line=0.3, fill=INK)
        if contradicted:
            drawing.path(f"M{x - 2.3:.2f} {y + 2.3:.2f}l4.6 -4.6", stroke=INK, width=0.5)
    else:
        ring = np.array([(-1.6, -1.6), (1.6, -1.6), (1.6, 1.6), (-1.6, 1.6)]) + np.array([x, y])
        data = path_data(ring, close=True)
        drawing.path(data, stroke="#ffffff", width=0.9)
        drawing.path(data, stroke=INK, width=0.4, dash="0.9 0.5")


def required_outline(cut: Cut, radius: float, rule: ClearanceRule) -> Floats:
    """What a rule asks for around a line, in a plane that cuts it.

    Parameters
    ----------
    radius : float
        Half the outside diameter [m].

    Returns
    -------
    (k, 2) float64
        Closed outline: x, height [m]. A zone has no bounds in height: infinite.
    """
    middle = np.array([cut.x, cut.height])
    if rule.shape == "distance":
        half = radius + rule.distance
        ring = np.column_stack([cut.widening * half * np.cos(_RING), half * np.sin(_RING)])
        return np.asarray(ring + middle)
    across = cut.widening * (radius + rule.horizontal)
    up = np.inf if rule.shape == "zone" else radius + rule.vertical
    corners = np.array([(-across, -up), (across, -up), (across, up), (-across, up)])
    return np.asarray(corners + middle)


def body_outline(cut: Cut, radius: float) -> Floats:
    """(k, 2) outline of the line itself: x, height [m]."""
    ring = np.column_stack([cut.widening * radius * np.cos(_RING), radius * np.sin(_RING)])
    return np.asarray(ring + np.array([cut.x, cut.height]))


def draw_required(
    drawing: Svg,
    cut: Cut,
    near: Approach,
    letters: dict[str, str],
    x: Axis,
    y: Axis,
    top: float,
    bottom: float,
) -> list[tuple[float, float, str]]:
    """All required clearances around a cut line; where each may be named: x, y and its letter."""
    named = []
    for answer in near.rules:
        outline = required_outline(cut, 0.5 * near.outside_diameter, answer.rule)
        tall = np.isinf(outline[:, 1])
        paper = np.column_stack([x(outline[:, 0]), y(np.where(tall, 0.0, outline[:, 1]))])
        paper[tall, 1] = np.where(outline[tall, 1] > 0, top, bottom)
        data = path_data(paper, close=True)
        colour = hex_colour(near.utility)
        if answer.rule.shape != "separation":
            drawing.path(data, fill=colour, opacity=0.07)
        drawing.path(data, stroke=colour, width=0.22, dash=_DASHES[answer.rule.shape])
        at = (float(paper[:, 0].max()), top + 2.6) if tall.any() else _upper_right(paper)
        named.append((*at, letters.get(answer.rule.id, "")))
    return named


_DASHES = {"zone": "2.2 0.8", "distance": "0.8 0.6", "separation": "3 0.8 0.6 0.8"}


def _upper_right(paper: Floats) -> tuple[float, float]:
    k = int(np.argmax(paper[:, 0] - paper[:, 1]))
    return float(paper[k, 0]), float(paper[k, 1])


def draw_line_cut(drawing: Svg, cut: Cut, near: Approach, x: Axis, y: Axis) -> None:
    """95 % ellipse of the axis, and the line in its outside diameter."""
    colour = hex_colour(near.utility)
    body = body_outline(cut, 0.5 * near.outside_diameter)
    drawing.path(
        path_data(np.column_stack([x(body[:, 0]), y(body[:, 1])]), close=True),
        stroke=colour,
        width=0.45,
        dash="" if near.diameter_basis == "known" else "0.7 0.4",
        fill="#ffffff" if cut.through else "none",
    )
    ring = cut.ring()
    data = path_data(np.column_stack([x(ring[:, 0]), y(ring[:, 1])]), close=True)
    drawing.path(data, fill=colour, opacity=0.3 if near.source == "located" else 0.07)
    drawing.path(
        data, stroke=colour, width=0.22, dash="" if near.source == "located" else "1.2 0.6"
    )
    px, py = float(x(cut.x)), float(y(cut.height))
    drawing.path(f"M{px - 0.6:.2f} {py:.2f}h1.2M{px:.2f} {py - 0.6:.2f}v1.2", stroke=INK, width=0.2)
