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

from asfound.budget import NORMAL_95
from asfound.deliver.accuracy_columns import level_of, scheme_label, stretches
from asfound.deliver.delivery import Delivery
from asfound.deliver.dxf_digs import add_dig_layers, add_digs
from asfound.deliver.dxf_entities import DASHED, DOTTED, EntityWriter, layer, plain_text
from asfound.deliver.dxf_shots import TEXT_HEIGHT, add_shots
from asfound.deliver.report.maps import map_extent
from asfound.deliver.symbols import colour
from asfound.model import Verdict

# DXF reference, header variable $INSUNITS: 2 feet, 6 metres, 21 US survey feet, 0 unitless.
INSERT_UNITS = {"m": 6, "ft": 2, "ftUS": 21}


def dxf(delivery: Delivery) -> bytes:
    """The whole drawing."""
    ezdxf: Any = import_module("ezdxf")  # late: it takes a third of a second to import
    with _fixed_metadata(ezdxf.options):
        drawing = ezdxf.new("R2018", units=INSERT_UNITS.get(delivery.about.grid_unit.code, 0))
        _header(drawing, delivery)
        space = drawing.modelspace()
        _Layers(drawing, delivery).add_fixed()
        add_dig_layers(drawing, delivery)
        _crossings(space, delivery)
        _work_area(space, delivery)
        _first_view(drawing, delivery)
        _notes(space, delivery)
        handles = drawing.entitydb.handles
        writer = EntityWriter(int(str(handles), 16), space.layout_key)
        _lines(writer, delivery)
        add_shots(writer, delivery)
        _sweeps(writer, delivery)
        _quality_levels(writer, delivery)
        add_digs(writer, delivery)
        handles.reset(f"{writer.next:X}")
        # ezdxf registers the classes in use in the order of a set, which changes from run to run.
        for kind in sorted(drawing.entitydb.dxf_types_in_use()):
            drawing.classes.add_class(kind)
        stream = io.StringIO()
        drawing.write(stream)
        return bytes(drawing.encode(_with_entities(stream.getvalue(), writer.parts)))


def _with_entities(text: str, entities: list[str]) -> str:
    """The drawing's text with more entities at the end of its ENTITIES section."""
    start = text.index("  2\nENTITIES\n")
    end = text.index("  0\nENDSEC\n", start)
    return "".join([text[:end], *entities, text[end:]])


@contextmanager
def _fixed_metadata(options: Any) -> Iterator[None]:
    """No clock and no random identifiers in the file: the same job gives the same bytes."""
    before = options.write_fixed_meta_data_for_testing
    options.write_fixed_meta_data_for_testing = True
    try:
        yield
    finally:
        options.write_fixed_meta_data_for_testing = before


class _Layers:
    """Layers with true colours; only those in use."""

    def __init__(self, drawing: Any, delivery: Delivery) -> None:
        self.drawing = drawing
        scale = delivery.about.grid_unit.metres
        dash, gap = 0.30 / scale, 0.15 / scale
        drawing.linetypes.add(DASHED, [dash + gap, dash, -gap], description="doubtful __ __ __")
        drawing.linetypes.add(DOTTED, [2 * gap, gap / 3, -5 * gap / 3], description="unfit . . .")
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
        for name in ("CONTROL", "CROSSING", "SWEEP", "QUALITY-LEVEL", "WORK-AREA", "NOTES"):
            # Colour 7 is black on white paper and white on a dark screen.
            self.drawing.layers.add(name, color=7)


def _header(drawing: Any, delivery: Delivery) -> None:
    about = delivery.about
    drawing.header["$MEASUREMENT"] = int(about.grid_unit.code == "m")  # 0: feet and inches
    # The style that comes with a new drawing is a stroke font without most of the world's scripts.
    drawing.styles.get("Standard").dxf.font = "arial.ttf"
    drawing.header["$PDMODE"] = 34  # a POINT is drawn as a cross in a circle
    drawing.header["$PDSIZE"] = 0.08 / about.grid_unit.metres
    for heading, words in about.facts():
        drawing.header.custom_vars.append(heading, plain_text(words))
    for number, caution in enumerate(about.cautions, 1):
        drawing.header.custom_vars.append(f"Caution {number}", plain_text(caution))


_LINETYPES = {
    int(Verdict.SOUND): "CONTINUOUS",
    int(Verdict.DOUBTFUL): DASHED,
    int(Verdict.UNFIT): DOTTED,
}


def _lines(writer: EntityWriter, delivery: Delivery) -> None:
    verdicts = delivery.results.line_verdict.tolist()
    scale = delivery.about.grid_unit.metres
    for line, shape, verdict in zip(delivery.results.lines, delivery.shapes, verdicts, strict=True):
        own = layer(line.utility, verdict)
        plan = delivery.grid(np.column_stack([line.easting, line.northing]))
        # 6: linetype, 370: lineweight in hundredths of a millimetre.
        style = f"  6\n{_LINETYPES[verdict]}\n370\n50\n"
        if shape.has_heights:
            axis = np.column_stack([plan, delivery.grid(line.height)])
            writer.polyline3d(own, axis.tolist(), style)
        else:
            writer.polyline(own, plan.tolist(), closed=False, style=style)
        for part in shapely.get_parts(shape.envelope):
            for ring in (part.exterior, *part.interiors):
                corners = delivery.grid(shapely.get_coordinates(ring)[:-1]).tolist()
                writer.polyline(f"{own}-ENVELOPE", corners, closed=True, style="370\n13\n")
        x, y = plan[len(plan) // 2].tolist()
        words = plain_text(f"{line.name}  {line.utility.word}, {Verdict(verdict).word}")
        size = 1.5 * TEXT_HEIGHT / scale
        writer.text(f"{own}-TEXT", x + 2 * size, y + size, size, words)


def _sweeps(writer: EntityWriter, delivery: Delivery) -> None:
    """Tapes, and the conductors found under them as 3D points with their depth."""
    scale, unit = delivery.about.grid_unit.metres, delivery.about.unit
    size = TEXT_HEIGHT / scale
    for sweep in delivery.results.sweeps:
        ends = delivery.grid(np.stack([sweep.start[:2], sweep.end[:2]])).tolist()
        if not np.isfinite(ends).all():
            continue
        writer.line("SWEEP", ends[0], ends[1])
        writer.text("SWEEP", ends[0][0], ends[0][1], size, plain_text(f"Sweep {sweep.name}"))
        for place, conductor in enumerate(sweep.conductors):
            x, y = conductor.easting / scale, conductor.northing / scale
            if np.isfinite(conductor.height):
                writer.point("SWEEP", x, y, conductor.height / scale)
            own = place == sweep.target
            name = delivery.results.assembly.names[sweep.line] if own else "other conductor"
            words = f"{name}  {conductor.depth / unit.metres:.2f} {unit.symbol}"
            writer.text("SWEEP", x + size, y + size / 2, size, plain_text(words))


def _quality_levels(writer: EntityWriter, delivery: Delivery) -> None:
    """The proposed level of each stretch at its middle, and where one stretch ends."""
    scale = delivery.about.grid_unit.metres
    size = TEXT_HEIGHT / scale
    labels: list[str] = []
    for item, plan in stretches(delivery):
        label = scheme_label(item.scheme)
        if label not in labels:
            labels.append(label)
        steps = np.hypot(*np.diff(plan, axis=0).T)
        along = np.concatenate(([0.0], np.cumsum(steps)))
        middle = [float(np.interp(0.5 * along[-1], along, plan[:, k])) / scale for k in (0, 1)]
        # several schemes stand one under the other
        below = (2.0 + 1.6 * labels.index(label)) * size
        words = plain_text(f"{label}: proposed level {level_of(item)}")
        writer.text("QUALITY-LEVEL", middle[0] + size, middle[1] - below, size, words)
        if item.segment.start < item.segment.end:
            across = (plan[-1] - plan[-2])[::-1] * np.array([1.0, -1.0])
            across *= 0.5 / max(float(np.hypot(*across)), 1e-9)
            ends = np.stack([plan[-1] - across, plan[-1] + across]) / scale
            writer.line("QUALITY-LEVEL", ends[0].tolist(), ends[1].tolist())


def _text(
    space: Any, delivery: Delivery, words: str, place: Any, own: str, size: float = 1.0
) -> None:
    height = TEXT_HEIGHT * size / delivery.about.grid_unit.metres
    offset = 0.4 / delivery.about.grid_unit.metres
    space.add_text(
        plain_text(words),
        height=height,
        dxfattribs={
            "layer": own,
            "insert": (float(place[0]) + offset, float(place[1]) + offset / 2),
        },
    )


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
                f"{NORMAL_95 * crossing.separation_sd / unit.metres:.2f}"
            )
        _text(space, delivery, words, place, "CROSSING")


def _work_area(space: Any, delivery: Delivery) -> None:
    if delivery.work_area is not None:
        corners = delivery.grid(delivery.work_area).tolist()
        space.add_lwpolyline(corners, close=True, dxfattribs={"layer": "WORK-AREA"})


def _first_view(drawing: Any, delivery: Delivery) -> None:
    """Open on the job, not on the origin of the grid nor on a mistyped shot far away."""
    ground, extent = delivery.results.ground, map_extent(delivery)
    if extent is None:
        return
    low, high = delivery.grid(extent)
    height = 1.3 * max(float((high - low).max()), 10.0)
    drawing.set_modelspace_vport(height=height, center=((low + high) / 2.0).tolist())
    # Programs that place a drawing without opening it go by the header, which names all there is.
    plan = np.column_stack([ground.easting, ground.northing])
    plan = np.concatenate([delivery.grid(plan[np.isfinite(plan).all(axis=1)]), [low, high]])
    levels = delivery.grid(ground.height[np.isfinite(ground.height)])
    levels = np.concatenate([[0.0], levels])
    drawing.modelspace().reset_extents(
        (*plan.min(axis=0).tolist(), float(levels.min())),
        (*plan.max(axis=0).tolist(), float(levels.max())),
    )
    drawing.modelspace().reset_limits(low.tolist(), high.tolist())


def _notes(space: Any, delivery: Delivery) -> None:
    """Facts and cautions as a block of text below the job."""
    extent = map_extent(delivery)
    (left, bottom), (right, _) = np.zeros((2, 2)) if extent is None else extent
    size = max(TEXT_HEIGHT * 2, (right - left) / 150)
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
