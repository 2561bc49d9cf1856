"""The report's pages on coming back: each stakeout list, its frame in bold, its walk drawn."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from asfound.deliver.delivery import Delivery
from asfound.deliver.report.facts import clean, quantity
from asfound.deliver.report.scales import round_step
from asfound.deliver.report.svg import GREY, INK, PALE, WORDS, Svg, path_data
from asfound.deliver.stakeout_files import target_count
from asfound.deliver.symbols import hex_colour
from asfound.model import CAUTIONS, ServiceTargets, StakeoutList
from asfound.stakeout import about_list, list_columns, short_unit
from asfound.units import lengths_in

Floats = npt.NDArray[np.float64]

MOST_ROWS = 120
_WIDEST, _HIGHEST = 172.0, 78.0  # of the drawing [mm]
_MARGIN = 6.0
_APART = 5.0  # least distance between numbers [mm]


def stakeout_pages(delivery: Delivery) -> list[dict[str, Any]]:
    """Everything the template sets of each list."""
    return [_page(delivery, made) for made in delivery.results.stakeouts]


def _page(delivery: Delivery, made: StakeoutList) -> dict[str, Any]:
    targets, request = made.targets, made.request
    facts = {"name": clean(request.name), "day": request.day.isoformat()}
    if targets is None:
        return {**facts, "reason": clean(made.reason), "remedy": clean(made.remedy)}
    unit = delivery.about.unit
    epoch = f"epoch {targets.epoch:.2f}" if np.isfinite(targets.epoch) else "no epoch needed"
    sentences = [words for words in about_list(targets)[1:] if words not in CAUTIONS]
    return {
        **facts,
        "reason": "",
        "remedy": "",
        "frame": clean(targets.crs),
        "epoch": epoch,
        "walk": f"{target_count(len(targets))}, {quantity(delivery, made.distance, 0)} on foot, "
        f"starting {clean(made.start)}",
        "words": [clean(lengths_in(words, unit)) for words in sentences],
        "heads": _heads(targets, unit.symbol),
        "rows": _rows(targets, unit.code),
        "more": max(0, len(targets) - MOST_ROWS),
        "svg": _walk(delivery, targets),
    }


def _heads(targets: ServiceTargets, symbol: str) -> list[list[str]]:
    plane = short_unit(targets)
    first, second = ("Easting", "Northing") if targets.projected else ("Latitude", "Longitude")
    return [
        ["No.", ""],
        ["Target", ""],
        ["Kind", ""],
        [first, plane if targets.projected else "deg"],
        [second, plane if targets.projected else "deg"],
        ["Height", symbol],
        ["Depth", symbol],
        ["95 %", symbol],
    ]


def _rows(targets: ServiceTargets, unit: str) -> list[list[str]]:
    table = list_columns(targets, unit=unit, decimals=3)
    plane = ("x", "y") if targets.projected else ("latitude", "longitude")
    names = ("order", "name", "kind", *plane, "height", "depth", "horizontal_95")
    return [
        [clean(table[name][k], 60) or "\u2013" for name in names]
        for k in range(min(len(targets), MOST_ROWS))
    ]


def _walk(delivery: Delivery, targets: ServiceTargets) -> str:
    """The walk over the job's lines, grid north up, with a scale bar."""
    own = targets.targets
    spots = np.column_stack((own.easting, own.northing))
    low, high = spots.min(axis=0), spots.max(axis=0)
    size = np.maximum(high - low, 1.0)
    inner = np.array([_WIDEST, _HIGHEST]) - 2.0 * _MARGIN
    scale = float((inner / size).min())  # mm a metre
    width, height = size * scale + 2.0 * _MARGIN
    drawing = Svg(max(float(width), 60.0), float(height) + 6.0)

    def place(points: Floats) -> Floats:
        x = _MARGIN + (points[:, 0] - low[0]) * scale
        y = _MARGIN + (high[1] - points[:, 1]) * scale
        return np.column_stack((x, y))

    drawing.begin_clip(
        "walk-" + "".join(c for c in targets.crs if c.isalnum()),
        0.0, 0.0, drawing.width, float(height),
    )  # fmt: skip
    for line in delivery.results.lines:
        axis = place(np.column_stack((line.easting, line.northing)))
        drawing.path(path_data(axis), stroke=hex_colour(line.utility), width=0.5, opacity=0.45)
    drawing.end_clip()
    at = place(spots)
    drawing.path(path_data(at), stroke=GREY, width=0.25, dash="1 0.8")
    named: list[tuple[float, float]] = []
    for x, y in at.tolist():
        drawing.circle(x, y, 0.75, fill="#ffffff", line=0.25)
    for k, (x, y) in enumerate(at.tolist()):
        if all(abs(x - other) > _APART or abs(y - up) > 0.6 * _APART for other, up in named):
            named.append((x, y))
            drawing.text(x + 1.1, y - 0.9, str(k + 1), size=1.9, halo=True)
    _bar(drawing, delivery, scale, float(height))
    return drawing.markup()


def _bar(drawing: Svg, delivery: Delivery, scale: float, top: float) -> None:
    unit = delivery.about.unit
    step = round_step(18.0 / scale / unit.metres)
    length = step * unit.metres * scale
    y = top + 2.0
    drawing.line((_MARGIN, y), (_MARGIN + length, y), stroke=INK, width=0.5)
    for x in (_MARGIN, _MARGIN + length):
        drawing.line((x, y - 1.0), (x, y + 1.0), stroke=INK, width=0.3)
    drawing.text(
        _MARGIN + length + 1.5,
        y + 0.9,
        f"{step:g} {unit.symbol}, up is grid north",
        size=2.6,
        font=WORDS,
    )
    drawing.line((0.0, top - 0.2), (drawing.width, top - 0.2), stroke=PALE, width=0.15)
