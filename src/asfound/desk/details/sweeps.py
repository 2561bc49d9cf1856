"""A sweep's readings, and the conductors that explain them."""

from __future__ import annotations

import numpy as np

from asfound.budget import NORMAL_95
from asfound.deliver.report.sweeps import COIL_WORDS, fitted_readings
from asfound.desk.details._json import Json, number, numbers
from asfound.model import (
    Results,
)

_CURVE_POINTS = 161


def sweep_detail(results: Results, index: int) -> Json:
    """A sweep's readings, the conductors found, and what they would give as readings."""
    located = results.sweeps[index]
    sweep = results.intake.sweeps[located.sweep]
    low, high = float(np.min(sweep.position)), float(np.max(sweep.position))
    margin = 0.05 * (high - low)
    position = np.linspace(low - margin, high + margin, _CURVE_POINTS)
    series = []
    for coil in np.unique(sweep.coil).tolist():
        for height in np.unique(sweep.coil_height[sweep.coil == coil]).tolist():
            mine = np.flatnonzero((sweep.coil == coil) & (sweep.coil_height == height))
            curve = fitted_readings(sweep, located, position, coil, height)
            series.append(
                {
                    "coil": COIL_WORDS[coil],
                    "coil_height_m": number(height),
                    "position_m": numbers(sweep.position[mine]),
                    "value": numbers(sweep.value[mine], 6),
                    "left_out": (located.outlier | sweep.saturated)[mine].tolist(),
                    "curve": numbers(curve, 6),
                }
            )
    return {
        "sweep": located.name,
        "index": index,
        "line": results.assembly.names[located.line] if located.line >= 0 else "",
        "utility": sweep.utility.word,
        "unit": sweep.unit,
        "time": None if np.isnat(sweep.time) else f"{np.datetime_as_string(sweep.time, unit='s')}Z",
        "usable": not located.reason,
        "explained": located.explained,
        "reason": located.reason,
        "words": list(located.words),
        "p_value": number(located.p_value, 6),
        "length_m": number(sweep.length),
        "start": numbers(located.start),
        "end": numbers(located.end),
        "target": located.target,
        "shown_peak_m": number(located.shown_peak),
        "shown_null_m": number(located.shown_null),
        "shown_depth_m": number(located.shown_depth),
        "curve_position_m": numbers(position),
        "series": series,
        "conductors": [
            {
                "position_m": number(c.position),
                "depth_m": number(c.depth),
                "position_95_m": number(NORMAL_95 * c.position_sd),
                "depth_95_m": number(NORMAL_95 * c.depth_sd),
                "current_a": number(c.current, 6),
                "easting_m": number(c.easting),
                "northing_m": number(c.northing),
            }
            for c in located.conductors
        ],
        "corrected": [
            {
                "shot": results.shot_name(c.shot),
                "index": c.shot,
                "moved_left_m": number(c.shift_left),
                "depth_before_m": number(c.depth_before),
                "depth_m": number(c.depth),
                "reason": c.reason,
            }
            for c in results.corrections
            if c.located == index
        ],
    }
