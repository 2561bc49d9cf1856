"""A sweep as a picture: readings and fitted fields above, the ground with its conductors below.

The lower part is to scale in both directions. Conductors are drawn with their 95 % ellipse; an
open diamond shows where one-conductor logic would have put the line.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from asfound.budget import NORMAL_95, RAYLEIGH_95
from asfound.deliver.delivery import Delivery
from asfound.deliver.report.facts import clean
from asfound.deliver.report.svg import FIGURES, GREY, INK, PALE, WORDS, Svg, path_data
from asfound.deliver.symbols import hex_colour
from asfound.em import CrossSection, section_field
from asfound.em.inversion import UNIT_FIELDS
from asfound.model import HORIZONTAL_COIL, LocatedSweep, Sweep
from asfound.units import LengthUnit, lengths_in

Floats = npt.NDArray[np.float64]

_LEFT, _RIGHT, _TOP, _BOTTOM = 10.0, 3.0, 10.5, 10.0
# Of the page's width: the words stand beside the drawing, so that two sweeps fit on a page.
_SHARE = 0.60
_GAP = 9.0
_CURVE_POINTS = 241
COIL_WORDS = {HORIZONTAL_COIL: "horizontal coil (peak)", 1: "vertical coil (null)"}


def fitted_readings(
    sweep: Sweep, located: LocatedSweep, position: Floats, coil: int, height: float
) -> Floats:
    """Readings that the conductors found would give, in the sweep's unit.

    Parameters
    ----------
    position : (m,) float64
        Along the tape [m].
    coil : int
        `HORIZONTAL_COIL` or the vertical one.
    height : float
        Of the coil above ground [m].

    Returns
    -------
    reading : (m,) float64
        Magnitude; NaN where nothing was found.
    """
    if not located.conductors:
        return np.full(len(position), np.nan)
    section = CrossSection(
        np.array([c.position for c in located.conductors]),
        np.array([c.depth for c in located.conductors]),
        np.array([c.current for c in located.conductors]),
    )
    field = np.abs(np.real(section_field(section, position, height)[coil]))
    unit = UNIT_FIELDS[sweep.unit]
    if unit is not None:
        return np.asarray(field / unit)
    # The gain is not known: the one that suits the readings of the horizontal coil best.
    same = ~located.outlier & ~sweep.saturated
    fit = np.empty(len(sweep.value))
    for kind in (0, 1):
        for level in np.unique(sweep.coil_height):
            mine = (sweep.coil == kind) & (sweep.coil_height == level)
            if mine.any():
                fit[mine] = np.abs(
                    np.real(section_field(section, sweep.position[mine], float(level))[kind])
                )
    if sweep.unit == "dB":
        shift = float(np.median((sweep.value - 20 * np.log10(np.maximum(fit, 1e-30)))[same]))
        return np.asarray(20 * np.log10(np.maximum(field, 1e-30)) + shift)
    gain = float((sweep.value * fit)[same].sum() / (fit * fit)[same].sum())
    return np.asarray(field * gain)


def sweep_figure(
    sweep: Sweep, located: LocatedSweep, unit: LengthUnit, width: float = 174.0
) -> str:
    """The drawing of one sweep as SVG.

    Parameters
    ----------
    unit : LengthUnit
        For axes and labels.
    width : float
        On paper [mm].
    """
    low, high = _extent(sweep, located)
    inner = width - _LEFT - _RIGHT
    scale = inner / (high - low)
    deepest = max([c.depth + RAYLEIGH_95 * c.depth_sd for c in located.conductors] + [1.0])
    if np.isfinite(located.shown_depth):
        deepest = max(deepest, located.shown_depth)
    deepest = min(deepest * 1.1 + 0.1, 6.0)
    readings, ground = 18.0 + 0.2 * width, deepest * scale
    svg = Svg(width, _TOP + readings + _GAP + ground + _BOTTOM)

    def x(position: float | Floats) -> Any:
        return _LEFT + (np.asarray(position) - low) * scale

    colour = hex_colour(int(sweep.utility))
    _draw_readings(svg, sweep, located, x, low, high, _TOP, readings, colour)
    _draw_ground(
        svg, sweep, located, x, low, high, _TOP + readings + _GAP, scale, deepest, unit, colour
    )
    return svg.markup()


def _extent(sweep: Sweep, located: LocatedSweep) -> tuple[float, float]:
    places = [float(sweep.position.min()), float(sweep.position.max())]
    places += [c.position for c in located.conductors if abs(c.position) < 50]
    span = max(max(places) - min(places), 0.5)
    return min(places) - 0.04 * span, max(places) + 0.04 * span


def _draw_readings(
    svg: Svg,
    sweep: Sweep,
    located: LocatedSweep,
    x: Any,
    low: float,
    high: float,
    top: float,
    height: float,
    colour: str,
) -> None:
    bottom = top + height
    values = np.abs(sweep.value) if sweep.unit != "dB" else sweep.value
    floor = float(values.min()) - 3.0 if sweep.unit == "dB" else 0.0
    ceiling = float(values.max()) * 1.12 if sweep.unit != "dB" else float(values.max()) + 3.0
    ceiling = max(ceiling, floor + 1e-9)

    def y(value: float | Floats) -> Any:
        return bottom - (np.asarray(value) - floor) / (ceiling - floor) * height

    svg.rect(_LEFT, top, svg.width - _LEFT - _RIGHT, height, stroke=PALE)
    for mark in _round_marks(floor, ceiling, 5):
        svg.line((_LEFT, y(mark)), (svg.width - _RIGHT, y(mark)), stroke=PALE, width=0.15)
        svg.text(_LEFT - 1.2, float(y(mark)) + 0.8, f"{mark:g}", anchor="end")
    svg.text(_LEFT, top - 6.0, f"Readings [{sweep.unit}] and what was fitted", font=WORDS, size=3.1)
    curve = np.linspace(low, high, _CURVE_POINTS)
    levels = sorted({float(v) for v in sweep.coil_height})
    svg.begin_clip("readings", _LEFT, top, svg.width - _LEFT - _RIGHT, height)
    for number, level in enumerate(levels):
        for coil in (0, 1):
            mine = (sweep.coil == coil) & (sweep.coil_height == level)
            if not mine.any():
                continue
            fitted = fitted_readings(sweep, located, curve, coil, level)
            known = np.isfinite(fitted)
            if known.any():
                svg.path(
                    path_data(np.stack([x(curve[known]), y(fitted[known])], axis=1)),
                    stroke=colour,
                    width=0.35,
                    dash="" if coil == HORIZONTAL_COIL else "1.6 1",
                    opacity=1.0 if number == 0 else 0.5,
                )
            for k in np.flatnonzero(mine):
                place = (float(x(sweep.position[k])), float(y(values[k])))
                _reading_mark(svg, place, coil, number > 0, bool(located.outlier[k]))
    svg.end_clip()
    _legend(svg, levels, sweep, top)


def _reading_mark(
    svg: Svg, place: tuple[float, float], coil: int, upper: bool, left_out: bool
) -> None:
    """Round for the horizontal coil, square for the vertical; pale for the upper height."""
    ink = GREY if upper else INK
    if coil == HORIZONTAL_COIL:
        svg.circle(*place, 0.75, stroke=ink, fill=ink)
    else:
        svg.rect(place[0] - 0.7, place[1] - 0.7, 1.4, 1.4, stroke=ink, line=0.25, fill="#ffffff")
    if left_out:
        svg.line((place[0] - 1.6, place[1] + 1.6), (place[0] + 1.6, place[1] - 1.6), stroke=INK)


def _legend(svg: Svg, levels: list[float], sweep: Sweep, top: float) -> None:
    at = svg.width - _RIGHT
    words = [COIL_WORDS[coil] for coil in (0, 1) if (sweep.coil == coil).any()]
    text = "round, full line: " + words[0] if words[:1] == [COIL_WORDS[0]] else ""
    if COIL_WORDS[1] in words:
        text += ("; " if text else "") + "square, dashed: " + COIL_WORDS[1]
    if len(levels) > 1:
        text += "; pale: coil raised"
    svg.text(at, top - 2.0, text, font=WORDS, size=2.4, anchor="end", fill=GREY)


def _draw_ground(
    svg: Svg,
    sweep: Sweep,
    located: LocatedSweep,
    x: Any,
    low: float,
    high: float,
    top: float,
    scale: float,
    deepest: float,
    unit: LengthUnit,
    colour: str,
) -> None:
    bottom = top + deepest * scale
    right = svg.width - _RIGHT
    svg.text(_LEFT, top - 2.0, f"Below ground [{unit.symbol}], to scale", font=WORDS, size=3.1)
    svg.rect(_LEFT, top, right - _LEFT, bottom - top, stroke=PALE)
    svg.line((_LEFT, top), (right, top), stroke=INK, width=0.5)
    for mark in _round_marks(0.0, deepest / unit.metres, 4):
        level = top + mark * unit.metres * scale
        svg.line((_LEFT, level), (right, level), stroke=PALE, width=0.15)
        svg.text(_LEFT - 1.2, level + 0.8, f"{mark:g}", anchor="end")
    for mark in _round_marks(low / unit.metres, high / unit.metres, 8):
        at = float(x(mark * unit.metres))
        svg.line((at, bottom), (at, bottom + 1.2), stroke=INK)
        svg.text(at, bottom + 4.0, f"{mark:g}", anchor="middle")
    svg.text(
        0.5 * (_LEFT + right),
        bottom + 8.0,
        f"along the tape [{unit.symbol}]",
        font=WORDS,
        size=2.9,
        anchor="middle",
    )
    svg.begin_clip("ground", _LEFT, top, right - _LEFT, bottom - top)
    angle = np.linspace(0.0, 2 * np.pi, 73)
    labels: list[tuple[tuple[float, float], float, str, str]] = []
    for number, conductor in enumerate(located.conductors):
        centre = (float(x(conductor.position)), top + conductor.depth * scale)
        ring = np.stack(
            [
                centre[0] + RAYLEIGH_95 * conductor.position_sd * scale * np.cos(angle),
                centre[1] + RAYLEIGH_95 * conductor.depth_sd * scale * np.sin(angle),
            ],
            axis=1,
        )
        mine = number == located.target
        ink = colour if mine else GREY
        svg.path(path_data(ring, close=True), stroke=ink, width=0.3, fill=ink, opacity=0.25)
        svg.circle(*centre, 1.1, stroke=ink, fill=ink)
        depth = f"{conductor.depth / unit.metres:.2f}"
        spread = f"{NORMAL_95 * conductor.depth_sd / unit.metres:.2f}"
        words = f"{'the line' if mine else 'another'}: {depth} \u00b1 {spread} {unit.symbol}"
        reach = RAYLEIGH_95 * max(conductor.position_sd, conductor.depth_sd) * scale
        labels.append((centre, reach, words, ink))
    if np.isfinite(located.shown_peak) and np.isfinite(located.shown_depth):
        shown_at = (float(x(located.shown_peak)), top + located.shown_depth * scale)
        diamond = np.array([(0, -1.6), (1.6, 0), (0, 1.6), (-1.6, 0)]) + shown_at
        svg.path(path_data(diamond, close=True), stroke=INK, width=0.35)
        shown = f"one-conductor logic: {located.shown_depth / unit.metres:.2f} {unit.symbol}"
        labels.append((shown_at, 1.6, shown, INK))
    svg.end_clip()
    _place_labels(svg, labels, right)


def _place_labels(
    svg: Svg, labels: list[tuple[tuple[float, float], float, str, str]], right: float
) -> None:
    """Names beside their points' ellipses, half as wide as given, none over another."""
    taken: list[tuple[float, float, float, float]] = []
    middle = (
        0.5 * (min(p[0] for p, *_ in labels) + max(p[0] for p, *_ in labels)) if (labels) else 0.0
    )
    for (px, py), half, words, ink in labels:
        length, off = len(words) * 2.3 * 0.602, half + 1.2
        to_right = px >= middle and px + off + length < right
        start = px + off if to_right else px - off - length
        wanted, start = start, min(max(start, _LEFT + 1.0), right - length - 1.0)
        base = py + 0.8 if start == wanted else py - half - 0.8  # above it where there is no room
        while any(
            start < b[2] and b[0] < start + length and base - 2.4 < b[3] and b[1] < base + 0.8
            for b in taken
        ):
            base += 3.2
        taken.append((start, base - 2.4, start + length, base + 0.8))
        svg.text(
            start,
            base,
            words,
            size=2.3,
            font=FIGURES,
            fill=INK if ink == GREY else ink,
            halo=True,
            bold=ink not in (GREY, INK),
        )


def _round_marks(low: float, high: float, about: int) -> list[float]:
    """Round numbers between two bounds, about so many."""
    raw = (high - low) / max(about, 1)
    power = 10.0 ** np.floor(np.log10(raw))
    step = min((m * power for m in (1, 2, 5, 10)), key=lambda s: abs(s - raw))
    first = np.ceil(low / step - 1e-9) * step
    marks = np.arange(first, high + 1e-9 * step, step)
    return [float(np.round(mark, 10)) + 0.0 for mark in marks]


def sweep_pages(delivery: Delivery, width: float) -> list[dict[str, Any]]:
    """What the report sets of each sweep: the drawing and the words beside it."""
    results = delivery.results
    unit = delivery.about.unit
    return [
        {
            "name": clean(located.name),
            "figure": sweep_figure(
                results.intake.sweeps[located.sweep], located, unit, _SHARE * width
            )
            if not located.reason
            else "",
            "facts": sweep_facts(delivery, number),
            "words": [
                clean(lengths_in(words, unit))
                for words in ([located.reason] if located.reason else located.words)
            ],
            "taken": taken_from(delivery, number),
        }
        for number, located in enumerate(results.sweeps)
    ]


def sweep_facts(delivery: Delivery, number: int) -> list[str]:
    """In plain sentences: where, what was found, what one-conductor logic would have said."""
    results, unit = delivery.results, delivery.about.unit
    located = results.sweeps[number]
    sweep = results.intake.sweeps[located.sweep]

    def length(metres: float) -> str:
        return f"{metres / unit.metres:.2f} {unit.symbol}"

    said = [
        f"{len(sweep.value)} readings across "
        + (
            f"line {clean(results.assembly.names[located.line])}"
            if located.line >= 0
            else "no line of the job"
        )
        + f" ({sweep.utility.word}), {len(np.unique(sweep.coil_height))} coil height"
        + ("s." if len(np.unique(sweep.coil_height)) > 1 else ".")
    ]
    for place, conductor in enumerate(located.conductors):
        name = "The line" if place == located.target else "Another conductor"
        said.append(
            f"{name if located.target >= 0 else 'A conductor'}: "
            f"{length(conductor.position)} along the tape, "
            f"{length(conductor.depth)} deep to its centre, 95 % within "
            f"{length(NORMAL_95 * conductor.position_sd)} across and "
            f"{length(NORMAL_95 * conductor.depth_sd)} in depth."
        )
    if located.target >= 0:
        conductor = located.conductors[located.target]
        if np.isfinite(located.shown_depth):
            off = located.shown_depth - conductor.depth
            said.append(
                f"One-conductor logic shows its peak {length(located.shown_peak)} along the tape "
                f"and a depth of {length(located.shown_depth)}: "
                f"{length(abs(off))} too {'deep' if off > 0 else 'shallow'}."
            )
    return said


def taken_from(delivery: Delivery, number: int) -> list[list[str]]:
    """Shots that took their place and depth from a sweep: name, before, after."""
    results, unit = delivery.results, delivery.about.unit
    return [
        [
            delivery.shot_names[item.shot],
            f"{item.depth_before / unit.metres:.2f}",
            f"{item.depth / unit.metres:.2f}",
            f"{abs(item.shift_left) / unit.metres:.2f} "
            f"{'left' if item.shift_left > 0 else 'right'}",
            f"{NORMAL_95 * item.horizontal_sd / unit.metres:.2f}",
            f"{NORMAL_95 * item.depth_sd / unit.metres:.2f}",
        ]
        for item in results.corrections
        if item.located == number
    ]
