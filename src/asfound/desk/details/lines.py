"""A line's profile with envelope, crossings, and the current along it."""

from __future__ import annotations

import numpy as np

from asfound.budget import NORMAL_95
from asfound.deliver.shapes import envelope_95
from asfound.desk.details._json import Json, number, numbers
from asfound.desk.details.findings import findings_about
from asfound.em import EventKind, current_along_lines
from asfound.model import (
    Crossing,
    Line,
    Results,
    Verdict,
)


def line_detail(results: Results, index: int) -> Json:
    """A line's profile with envelope, its shots, crossings, and the current along it."""
    line = results.lines[index]
    across, up = envelope_95(line.covariance, line.bearing)
    shots = line.shots
    return {
        "line": line.name,
        "index": index,
        "utility": line.utility.word,
        "verdict": Verdict(int(results.line_verdict[index])).word,
        "length_m": number(line.length),
        "outside_diameter_m": number(line.outside_diameter),
        "axis": {
            "station_m": numbers(line.axis_station),
            "easting_m": numbers(line.easting),
            "northing_m": numbers(line.northing),
            "height_m": numbers(line.height),
            "ground_height_m": numbers(line.ground_height),
            "across_95_m": numbers(across),
            "vertical_95_m": numbers(up),
        },
        "shots": {
            "index": shots.tolist(),
            "shot": [results.shot_name(k) for k in shots.tolist()],
            "station_m": numbers(line.station),
            "ground_height_m": numbers(results.ground.height[shots]),
            "centre_height_m": numbers(results.budget.centre_height[shots]),
            "vertical_95_m": numbers(results.budget.vertical_95[shots]),
            "left_m": numbers(line.residual[:, 1]),
            "up_m": numbers(line.residual[:, 2]),
            "verdict": [Verdict(k).word for k in results.verdict[shots].tolist()],
            "used": line.used.tolist(),
            "current_a": numbers(results.intake.shots.current[shots], 6),
        },
        "gaps_m": [numbers(gap) for gap in line.gaps],
        "bends": [
            {"station_m": number(s), "deflection_deg": number(np.degrees(a), 2)}
            for s, a in line.bends.tolist()
        ],
        "crossings": [
            crossing_body(results, c) for c in results.crossings if index in (c.line_a, c.line_b)
        ],
        "current": _current(results, line),
        "findings": findings_about(results, "line", index),
    }


def crossing_body(results: Results, crossing: Crossing) -> Json:
    """Two lines that cross, the upper one first where heights are known."""
    a, b = results.lines[crossing.line_a], results.lines[crossing.line_b]
    return {
        "upper": a.name,
        "lower": b.name,
        "upper_index": crossing.line_a,
        "lower_index": crossing.line_b,
        "upper_utility": a.utility.word,
        "lower_utility": b.utility.word,
        "upper_station_m": number(crossing.station_a),
        "lower_station_m": number(crossing.station_b),
        "upper_height_m": _height_at(a, crossing.station_a),
        "lower_height_m": _height_at(b, crossing.station_b),
        "easting_m": number(crossing.easting),
        "northing_m": number(crossing.northing),
        "separation_m": number(crossing.separation),
        "separation_95_m": number(NORMAL_95 * crossing.separation_sd),
        "surface_separation_m": number(crossing.surface_separation),
        "angle_deg": number(np.degrees(crossing.angle), 1),
        "order_certainty": number(crossing.order_certainty, 4),
    }


def _height_at(line: Line, station: float) -> float | None:
    return number(float(np.interp(station, line.axis_station, line.height)))


def _current(results: Results, line: Line) -> Json | None:
    """Decay fit and steps of the current along a line; None without enough readings."""
    current = results.intake.shots.current[line.shots]
    usable = np.isfinite(current) & (current > 0) & np.isfinite(line.station)
    if np.count_nonzero(usable) < 3:
        return None
    station = line.station[usable]
    fit = current_along_lines(station, current[usable], offset=line.residual[usable, 1])
    order = np.argsort(station, kind="stable")
    events = fit.events
    return {
        "station_m": numbers(station[order]),
        "fitted_a": numbers(fit.fitted[order], 6),
        "piece": fit.piece[order].tolist(),
        "decay_length_m": number(1.0 / fit.decay[0], 1) if fit.decay[0] else None,
        "events": [
            {
                "station_m": number(float(events.station[k])),
                "ratio": number(float(events.ratio[k])),
                "kind": EventKind(int(events.kind[k])).word,
            }
            for k in range(len(events.station))
        ],
    }
