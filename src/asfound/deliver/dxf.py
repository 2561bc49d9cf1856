"""DXF (R2018) for CAD: in the job CRS's own unit, one layer a utility and verdict.

Plan symbols lie at elevation zero; what is three-dimensional is the axis of each line (3D
polyline) and a POINT at each conductor centre. User text is written as single-line TEXT with the
format's own codes taken out, never as MTEXT, which has a markup language.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import import_module
from typing import Any

import numpy as np
import shapely

from asfound.deliver.delivery import Delivery
from asfound.deliver.shot_columns import shot_roles
from asfound.deliver.symbols import colour, shot_labels, ticks
from asfound.model import Utility, Verdict

# DXF reference, header variable $INSUNITS: 2 feet, 6 metres, 21 US survey feet, 0 unitless.
INSERT_UNITS = {"m": 6, "ft": 2, "ftUS": 21}
_TICK, _WIDTH, _TEXT = 0.30, 0.05, 0.20  # half length, half width, text height on the ground [m]
_DASHED = "ASFOUND_DASHED"
_DOTTED = "ASFOUND_DOTTED"


def dxf(delivery: Delivery) -> bytes:
    """The whole drawing."""
    ezdxf: Any = import_module("ezdxf")  # late: it takes a third of a second to import
    with _fixed_metadata(ezdxf.options):
        drawing = ezdxf.new("R2018", units=INSERT_UNITS.get(delivery.about.grid_unit.code, 0))
        _header(drawing, delivery)
        space = drawing.modelspace()
        _Layers(drawing, delivery).add_fixed()
        _lines(space, delivery)
        _shots(space, delivery)
        _crossings(space, delivery)
        _work_area(space, delivery)
        _notes(space, delivery)
        # ezdxf registers the classes in use in the order of a set, which changes from run to run.
        for kind in sorted(drawing.entitydb.dxf_types_in_use()):
            drawing.classes.add_class(kind)
        stream = io.StringIO()
        drawing.write(stream)
        return bytes(drawing.encode(stream.getvalue()))


@contextmanager
def _fixed_metadata(options: Any) -> Iterator[None]:
    """No clock and no random identifiers in the file: the same job gives the same bytes."""
    before = options.write_fixed_meta_data_for_testing
    options.write_fixed_meta_data_for_testing = True
    try:
        yield
    finally:
        options.write_fixed_meta_data_for_testing = before


def plain_text(word: str) -> str:
    """User text for a TEXT entity: one line, without the format's control codes."""
    line = "".join(c if c.isprintable() else " " for c in " ".join(word.split()))
    # %% starts a code such as %%d; ^ followed by a letter is a control character; \U+XXXX and
    # \M+XXXX are characters. A blank in between leaves them readable and inert.
    return (
        line.replace("%%", "% %")
        .replace("^", "^ ")
        .replace("\\U+", "\\ U+")
        .replace("\\M+", "\\ M+")
    )


def layer(utility: int, verdict: int, part: str = "") -> str:
    """``'GAS-SOUND'``, ``'GAS-SOUND-ELLIPSE'``."""
    name = f"{Utility(utility).name}-{Verdict(verdict).name}"
    return f"{name}-{part}" if part else name


class _Layers:
    """Layers with true colours; only those in use."""

    def __init__(self, drawing: Any, delivery: Delivery) -> None:
        self.drawing = drawing
        scale = delivery.about.grid_unit.metres
        dash, gap = 0.30 / scale, 0.15 / scale
        drawing.linetypes.add(_DASHED, [dash + gap, dash, -gap], description="doubtful __ __ __")
        drawing.linetypes.add(_DOTTED, [2 * gap, gap / 3, -5 * gap / 3], description="unfit . . .")
        results = delivery.results
        pairs = zip(results.intake.shots.utility.tolist(), results.verdict.tolist(), strict=True)
        lines = zip(
            (int(line.utility) for line in results.lines),
            results.line_verdict.tolist(),
            strict=True,
        )
        for utility, verdict in sorted({*pairs, *lines}):
            for part in ("", "ENVELOPE", "ELLIPSE", "TEXT"):
                self._add(layer(utility, verdict, part), colour(utility).rgb)

    def _add(self, name: str, rgb: tuple[int, int, int]) -> None:
        entry = self.drawing.layers.add(name)
        entry.rgb = rgb

    def add_fixed(self) -> None:
        """Layers that belong to no utility."""
        for name in ("CONTROL", "CROSSING", "WORK-AREA", "NOTES"):
            self._add(name, (40, 40, 40))


def _header(drawing: Any, delivery: Delivery) -> None:
    about = delivery.about
    drawing.header["$MEASUREMENT"] = int(about.grid_unit.code == "m")  # 0: feet and inches
    drawing.header["$PDMODE"] = 34  # a POINT is drawn as a cross in a circle
    drawing.header["$PDSIZE"] = 0.08 / about.grid_unit.metres
    for heading, words in about.facts():
        drawing.header.custom_vars.append(heading, plain_text(words))
    for number, caution in enumerate(about.cautions, 1):
        drawing.header.custom_vars.append(f"Caution {number}", plain_text(caution))


_LINETYPES = {
    int(Verdict.SOUND): "CONTINUOUS",
    int(Verdict.DOUBTFUL): _DASHED,
    int(Verdict.UNFIT): _DOTTED,
}


def _lines(space: Any, delivery: Delivery) -> None:
    verdicts = delivery.results.line_verdict.tolist()
    for line, shape, verdict in zip(delivery.results.lines, delivery.shapes, verdicts, strict=True):
        own = layer(line.utility, verdict)
        plan = delivery.grid(np.column_stack([line.easting, line.northing]))
        style = {"layer": own, "linetype": _LINETYPES[verdict], "lineweight": 50}
        if shape.has_heights:
            height = delivery.grid(line.height)
            space.add_polyline3d(np.column_stack([plan, height]).tolist(), dxfattribs=style)
        else:
            space.add_lwpolyline(plan.tolist(), dxfattribs=style)
        for part in shapely.get_parts(shape.envelope):
            for ring in (part.exterior, *part.interiors):
                corners = delivery.grid(shapely.get_coordinates(ring)[:-1]).tolist()
                space.add_lwpolyline(
                    corners, close=True, dxfattribs={"layer": f"{own}-ENVELOPE", "lineweight": 13}
                )
        middle = len(plan) // 2
        words = f"{line.name}  {line.utility.word}, {Verdict(verdict).word}"
        _text(space, delivery, words, plan[middle], f"{own}-TEXT", 1.5)


def _text(
    space: Any, delivery: Delivery, words: str, place: Any, own: str, size: float = 1.0
) -> None:
    height = _TEXT * size / delivery.about.grid_unit.metres
    offset = 0.4 / delivery.about.grid_unit.metres
    space.add_text(
        plain_text(words),
        height=height,
        dxfattribs={
            "layer": own,
            "insert": (float(place[0]) + offset, float(place[1]) + offset / 2),
        },
    )


def _shots(space: Any, delivery: Delivery) -> None:
    results = delivery.results
    symbols = ticks(delivery, _TICK, _WIDTH)
    grid = delivery.grid
    centre, ends, bars = grid(symbols.centre), grid(symbols.ends), grid(symbols.bar)
    strikes, triangles = grid(symbols.strike), grid(symbols.triangle)
    ellipse = results.budget.ellipse
    sine, cosine = np.sin(ellipse[:, 2]), np.cos(ellipse[:, 2])
    major = grid(np.column_stack([sine, cosine]) * ellipse[:, :1])
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.clip(ellipse[:, 1] / ellipse[:, 0], 1e-6, 1.0).tolist()
    height = grid(results.budget.centre_height).tolist()
    drawable = np.isfinite(symbols.centre).all(axis=1)
    has_ellipse = np.isfinite(ellipse).all(axis=1) & (ellipse[:, 0] > 0)
    width = 2 * _WIDTH / delivery.about.grid_unit.metres
    labels, roles = shot_labels(delivery), shot_roles(delivery)
    utility, verdict = results.intake.shots.utility.tolist(), results.verdict.tolist()
    for k in np.flatnonzero(drawable).tolist():
        own = layer(utility[k], verdict[k])
        place = centre[k].tolist()
        if roles[k] == "control check":
            space.add_lwpolyline(triangles[k].tolist(), close=True, dxfattribs={"layer": "CONTROL"})
        elif verdict[k] == Verdict.DOUBTFUL:
            space.add_lwpolyline(bars[k].tolist(), close=True, dxfattribs={"layer": own})
        else:
            space.add_lwpolyline(ends[k].tolist(), dxfattribs={"layer": own, "const_width": width})
        if verdict[k] == Verdict.UNFIT:
            space.add_line(*strikes[k].tolist(), dxfattribs={"layer": own})
        if has_ellipse[k]:
            space.add_ellipse(
                place,
                major_axis=major[k].tolist(),
                ratio=ratio[k],
                dxfattribs={
                    "layer": f"{own}-ELLIPSE",
                    "linetype": "CONTINUOUS" if verdict[k] == Verdict.SOUND else _DASHED,
                    "ltscale": 0.25,
                },
            )
        if height[k] == height[k]:
            space.add_point((*place, height[k]), dxfattribs={"layer": own})
        _text(space, delivery, labels[k], place, f"{own}-TEXT")


def _crossings(space: Any, delivery: Delivery) -> None:
    unit = delivery.about.unit
    lines = delivery.results.lines
    for crossing in delivery.results.crossings:
        place = (
            crossing.easting / delivery.about.grid_unit.metres,
            crossing.northing / delivery.about.grid_unit.metres,
        )
        radius = 0.5 / delivery.about.grid_unit.metres
        space.add_circle(place, radius, dxfattribs={"layer": "CROSSING"})
        words = f"{lines[crossing.line_a].name} x {lines[crossing.line_b].name}"
        if np.isfinite(crossing.separation):
            words += (
                f"  {lines[crossing.line_a].name} above by "
                f"{crossing.separation / unit.metres:.2f} {unit.symbol}, 95 % "
                f"{1.96 * crossing.separation_sd / unit.metres:.2f}"
            )
        _text(space, delivery, words, place, "CROSSING")


def _work_area(space: Any, delivery: Delivery) -> None:
    if delivery.work_area is not None:
        corners = delivery.grid(delivery.work_area).tolist()
        space.add_lwpolyline(corners, close=True, dxfattribs={"layer": "WORK-AREA"})


def _notes(space: Any, delivery: Delivery) -> None:
    """Facts and cautions as a block of text beside the drawing."""
    ground = delivery.results.ground
    known = np.isfinite(ground.easting) & np.isfinite(ground.northing)
    east, north = ground.easting[known], ground.northing[known]
    left, bottom = (float(east.min()), float(north.min())) if len(east) else (0.0, 0.0)
    size = max(_TEXT * 2, float(np.ptp(east)) / 150 if len(east) else 0.0)
    scale = delivery.about.grid_unit.metres
    lines = [line for line in delivery.about.text().splitlines() if line]
    for number, line in enumerate(lines, 1):
        space.add_text(
            plain_text(line),
            height=size / scale,
            dxfattribs={
                "layer": "NOTES",
                "insert": (left / scale, (bottom - (number + 2) * 1.8 * size) / scale),
            },
        )
