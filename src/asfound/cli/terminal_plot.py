"""A sweep drawn with characters, for a terminal in a truck."""

from __future__ import annotations

import numpy as np

from asfound.deliver import fitted_readings
from asfound.model import HORIZONTAL_COIL, Results
from asfound.units import length_unit

_WIDTH, _HEIGHT, _DEEP = 68, 15, 9


def plot_sweep(results: Results, number: int) -> list[str]:
    """Lines of text: readings of the lowest coil height and their fit, then the ground.

    ``o`` and ``x`` are readings of the horizontal and the vertical coil, ``.`` the fitted
    fields; below ground ``O`` is the line, ``*`` another conductor, ``<>`` where one-conductor
    logic would have put the line.
    """
    located = results.sweeps[number]
    sweep = results.intake.sweeps[located.sweep]
    unit = length_unit(results.settings.length_unit)
    low, high = float(sweep.position.min()), float(sweep.position.max())
    span = max(high - low, 0.1)
    level = float(sweep.coil_height.min())
    values = sweep.value if sweep.unit == "dB" else np.abs(sweep.value)
    mine = sweep.coil_height == level
    floor = float(values[mine].min()) - 1.0 if sweep.unit == "dB" else 0.0
    top = max(float(values[mine].max()) * (1.0 if sweep.unit == "dB" else 1.05), floor + 1e-9)
    grid = np.full((_HEIGHT, _WIDTH), " ")

    def column(position: float) -> int:
        return round((position - low) / span * (_WIDTH - 1))

    def put(position: float, value: float, mark: str) -> None:
        row = round((1.0 - (value - floor) / (top - floor)) * (_HEIGHT - 1))
        if 0 <= row < _HEIGHT and 0 <= column(position) < _WIDTH:
            grid[row, column(position)] = mark

    curve = np.linspace(low, high, _WIDTH)
    for coil in np.unique(sweep.coil[mine]).tolist():
        for position, value in zip(
            curve, fitted_readings(sweep, located, curve, coil, level), strict=True
        ):
            if np.isfinite(value):
                put(float(position), float(value), ".")
    for k in np.flatnonzero(mine):
        put(
            float(sweep.position[k]),
            float(values[k]),
            "o" if sweep.coil[k] == HORIZONTAL_COIL else "x",
        )
    rows = []
    for index in range(_HEIGHT):
        value = top - (top - floor) * index / (_HEIGHT - 1)
        label = f"{value:8.1f}" if index % 7 == 0 else " " * 8
        rows.append(f"{label} |{''.join(grid[index])}")
    rows.append(f"{sweep.unit:>8} +{'-' * _WIDTH}  o horizontal, x vertical coil, . fitted")
    return rows + _ground(results, number, low, span, unit.metres, unit.symbol)


def _ground(
    results: Results, number: int, low: float, span: float, metres: float, symbol: str
) -> list[str]:
    located = results.sweeps[number]
    marks = [
        (c.position, c.depth, "O" if k == located.target else "*")
        for k, c in enumerate(located.conductors)
    ]
    if np.isfinite(located.shown_depth):
        marks.append((located.shown_peak, located.shown_depth, "<>"))
    if not marks:
        return []
    deepest = max(depth for _, depth, _ in marks) * 1.15
    grid = np.full((_DEEP, _WIDTH + 1), " ")
    for position, depth, mark in marks:
        row = min(round(depth / deepest * (_DEEP - 1)), _DEEP - 1)
        at = round((position - low) / span * (_WIDTH - 1))
        for offset, letter in enumerate(mark):
            if 0 <= at + offset <= _WIDTH:
                grid[row, at + offset] = letter
    rows = ["         |" + "=" * _WIDTH + "  ground"]
    for index in range(1, _DEEP):
        depth = deepest * index / (_DEEP - 1) / metres
        label = f"{depth:8.2f}" if index % 2 == 0 else " " * 8
        rows.append(f"{label} |{''.join(grid[index]).rstrip()}")
    high = low + span
    axis = f"{low / metres:<8.2f}{'':{_WIDTH - 16}}{high / metres:>8.2f}"
    rows.append(f"{symbol:>8} |{axis} {symbol} along the tape")
    rows.append("          O the line, * another conductor, <> one-conductor logic")
    return rows
