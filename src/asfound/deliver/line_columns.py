"""The tables of lines and of their crossings."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from asfound.budget import NORMAL_95
from asfound.deliver.about import SHORT_CAUTION
from asfound.deliver.accuracy_columns import levels_of_line
from asfound.deliver.columns import Table, Value, degrees, grid, integer, length, number, text
from asfound.deliver.delivery import Delivery
from asfound.deliver.shapes import LineShape
from asfound.deliver.shot_columns import VERDICT_WORDS, code_words, constant
from asfound.model import Crossing, Line, Verdict

Floats = npt.NDArray[np.float64]


def _each_line(value: Callable[[Line, LineShape], float]) -> Callable[[Delivery], Floats]:
    return lambda d: np.array(
        [value(line, shape) for line, shape in zip(d.results.lines, d.shapes, strict=True)],
        np.float64,
    )


def _each_crossing(value: Callable[[Crossing], float]) -> Callable[[Delivery], Floats]:
    return lambda d: np.array([value(c) for c in d.results.crossings], np.float64)


def _extreme(values: Floats, choose: Callable[[Floats], float]) -> float:
    known = values[np.isfinite(values)]
    return float(choose(known)) if len(known) else float("nan")


def _depth(line: Line) -> Floats:
    return line.ground_height - line.height


def _shots_called(delivery: Delivery, verdict: Verdict) -> list[Value]:
    """How many of each line's shots have a verdict of their own."""
    called = delivery.results.verdict
    return [int(np.count_nonzero(called[line.shots] == verdict)) for line in delivery.results.lines]


def _unsupported(line: Line) -> float:
    return float(np.sum(line.gaps[:, 1] - line.gaps[:, 0])) if len(line.gaps) else 0.0


def line_findings(delivery: Delivery) -> list[Value]:
    """Rule ids of each line's own findings."""
    found: list[list[str]] = [[] for _ in delivery.results.lines]
    for outcome in delivery.results.findings.outcomes:
        if outcome.rule.subject == "line":
            for index in outcome.index.tolist():
                if outcome.rule.id not in found[index]:
                    found[index].append(outcome.rule.id)
    return ["; ".join(ids) for ids in found]


def _crossing_lonlat(part: int) -> Callable[[Delivery], Floats]:
    def values(delivery: Delivery) -> Floats:
        crossings = delivery.results.crossings
        return delivery.to_geographic(
            np.array([c.easting for c in crossings], np.float64),
            np.array([c.northing for c in crossings], np.float64),
        )[part]

    return values


def _crossing_name(end: str) -> Callable[[Delivery], list[Value]]:
    return lambda d: [d.results.lines[getattr(c, end)].name for c in d.results.crossings]


LINES = Table(
    "lines",
    "Lines",
    "one line: shots joined, with the axis and envelope estimated from them",
    (
        text(
            "Line",
            "line",
            "LINE",
            "Name: as logged, else the utility's initial and a number.",
            lambda d: [line.name for line in d.results.lines],
        ),
        text(
            "Utility",
            "utility",
            "UTILITY",
            "What the line carries.",
            lambda d: [line.utility.word for line in d.results.lines],
        ),
        text(
            "Verdict",
            "verdict",
            "VERDICT",
            "Sound, doubtful or unfit: of the measurement, not of the ground.",
            lambda d: code_words(d.results.line_verdict, VERDICT_WORDS),
        ),
        text(
            "Findings",
            "findings",
            "FINDINGS",
            "Ids of the rules that object to the line as a whole; its shots have their own.",
            line_findings,
        ),
        length(
            "Length",
            "length",
            "LEN",
            "Along the axis, on the grid.",
            _each_line(lambda line, _: line.length),
        ),
        integer(
            "Shots",
            "shots",
            "SHOTS",
            "Shots joined into the line.",
            lambda d: [len(line.shots) for line in d.results.lines],
        ),
        integer(
            "Shots used",
            "shots_used",
            "SHOTS_USED",
            "Of these, used for the axis.",
            lambda d: [int(np.count_nonzero(line.used)) for line in d.results.lines],
        ),
        integer(
            "Doubtful shots",
            "doubtful",
            "DOUBTFUL",
            "Shots joined into the line whose own verdict is doubtful.",
            lambda d: _shots_called(d, Verdict.DOUBTFUL),
        ),
        integer(
            "Unfit shots",
            "unfit",
            "UNFIT",
            "Shots joined into the line whose own verdict is unfit.",
            lambda d: _shots_called(d, Verdict.UNFIT),
        ),
        length(
            "Least depth",
            "least_depth",
            "DMIN",
            "Least depth of the axis below the ground between shots; empty without depths.",
            _each_line(lambda line, _: _extreme(_depth(line), np.min)),
        ),
        length(
            "Greatest depth",
            "greatest_depth",
            "DMAX",
            "Greatest depth of the axis.",
            _each_line(lambda line, _: _extreme(_depth(line), np.max)),
        ),
        length(
            "Median across 95 %",
            "median_across_95",
            "AC95",
            "Half-width of the envelope across the axis, median along the line.",
            _each_line(lambda _, shape: _extreme(shape.across_95, np.median)),
        ),
        length(
            "Greatest across 95 %",
            "greatest_across_95",
            "ACMAX",
            "Half-width of the envelope where it is widest.",
            _each_line(lambda _, shape: _extreme(shape.across_95, np.max)),
        ),
        length(
            "Greatest vertical 95 %",
            "greatest_vertical_95",
            "VMAX",
            "Half-height of the envelope where it is highest.",
            _each_line(lambda _, shape: _extreme(shape.vertical_95, np.max)),
        ),
        length(
            "Outside diameter",
            "outside_diameter",
            "OD",
            "Nominal size, if declared.",
            _each_line(lambda line, _: line.outside_diameter),
        ),
        integer(
            "Bends",
            "bends",
            "BENDS",
            "Bends found.",
            lambda d: [len(line.bends) for line in d.results.lines],
        ),
        length(
            "Not supported",
            "not_supported",
            "GAPS",
            "Length over which no shots support the "
            "axis: it is drawn across the gap, not measured.",
            _each_line(lambda line, _: _unsupported(line)),
        ),
        text(
            "Proposed quality levels",
            "quality_levels",
            "QLEVELS",
            "Of its stretches, by stations; proposed only, a licensed professional assigns them.",
            lambda d: [levels_of_line(d, line.name) for line in d.results.lines],
        ),
        text(
            "CRS",
            "crs",
            "CRS",
            "Of the geometry's coordinates.",
            constant(lambda d: d.about.crs, lambda d: len(d.results.lines)),
        ),
        text(
            "Epoch",
            "epoch",
            "EPOCH",
            "Of the coordinates, in words.",
            constant(lambda d: d.about.epoch, lambda d: len(d.results.lines)),
        ),
        text(
            "Vertical reference",
            "vertical_reference",
            "VERT_REF",
            "Of heights.",
            constant(lambda d: d.about.vertical_reference, lambda d: len(d.results.lines)),
        ),
        text(
            "Caution",
            "caution",
            "CAUTION",
            "Reminder; read the cautions in full before use.",
            constant(lambda d: SHORT_CAUTION, lambda d: len(d.results.lines)),
        ),
    ),
)

CROSSINGS = Table(
    "crossings",
    "Crossings",
    "one place where two lines cross in plan",
    (
        text(
            "Upper line",
            "upper_line",
            "UPPER",
            "Line taken to be above, where heights are known.",
            _crossing_name("line_a"),
        ),
        text("Lower line", "lower_line", "LOWER", "The other line.", _crossing_name("line_b")),
        length(
            "Station on upper",
            "upper_station",
            "STNU",
            "Station on the upper line.",
            _each_crossing(lambda c: c.station_a),
        ),
        length(
            "Station on lower",
            "lower_station",
            "STNL",
            "Station on the lower line.",
            _each_crossing(lambda c: c.station_b),
        ),
        grid(
            "Easting",
            "easting",
            "E",
            "Grid easting, in the CRS's own unit.",
            _each_crossing(lambda c: c.easting),
        ),
        grid(
            "Northing",
            "northing",
            "N",
            "Grid northing, in the CRS's own unit.",
            _each_crossing(lambda c: c.northing),
        ),
        degrees(
            "Longitude", "longitude", "LON", "In the CRS's geographic base.", _crossing_lonlat(0), 9
        ),
        degrees(
            "Latitude", "latitude", "LAT", "In the CRS's geographic base.", _crossing_lonlat(1), 9
        ),
        length(
            "Separation",
            "separation",
            "SEP",
            "Vertical, centre to centre, upper above lower; empty without depths.",
            _each_crossing(lambda c: c.separation),
        ),
        length(
            "Separation 95 %",
            "separation_95",
            "SEP95",
            "Half-width of its 95 % interval.",
            _each_crossing(lambda c: NORMAL_95 * c.separation_sd),
        ),
        length(
            "Surface separation",
            "surface_separation",
            "SURF",
            "Less half of both outside diameters; empty where a size is not declared.",
            _each_crossing(lambda c: c.surface_separation),
        ),
        degrees(
            "Angle",
            "angle",
            "ANGLE",
            "Between the axes, 0 to 90.",
            _each_crossing(lambda c: float(np.degrees(c.angle))),
        ),
        number(
            "Order certainty",
            "order_certainty",
            "ORDER_CERT",
            "Probability that the upper line is above the lower one.",
            _each_crossing(lambda c: c.order_certainty),
            4,
        ),
        text(
            "CRS",
            "crs",
            "CRS",
            "Of easting and northing.",
            constant(lambda d: d.about.crs, lambda d: len(d.results.crossings)),
        ),
        text(
            "Caution",
            "caution",
            "CAUTION",
            "Reminder; read the cautions in full before use.",
            constant(lambda d: SHORT_CAUTION, lambda d: len(d.results.crossings)),
        ),
    ),
)
