"""Which unit a column is in: what its title says, else what its values leave possible."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from asfound.intake.mapping import OPEN, Doubt
from asfound.intake.quantities import QUANTITIES
from asfound.intake.units_at_the_edge import SCALES

# Ranges in which nearly all values of a column lie, by quantity and unit: common practice, no
# source. Where values fit more than one unit, the unit is open.
_PLAUSIBLE: dict[str, dict[str, tuple[float, float]]] = {
    "depth": {
        "m": (0.1, 6.0), "ft": (0.4, 20.0), "in": (5.0, 240.0), "cm": (12.0, 600.0),
        "mm": (120.0, 6000.0),
    },
    "antenna_height": {
        "m": (0.5, 3.2), "ft": (3.3, 10.5), "in": (40.0, 125.0), "cm": (126.0, 320.0),
        "mm": (500.0, 3200.0),
    },
    "peak_null_separation": {
        "m": (0.0, 1.0), "cm": (1.0, 100.0), "in": (0.5, 40.0), "ft": (0.05, 3.0),
    },
    "current": {"mA": (1.0, 2000.0), "A": (0.0001, 0.99)},
    "frequency": {"kHz": (0.3, 199.0), "Hz": (200.0, 250_000.0)},
    "base_distance": {"km": (0.0, 100.0), "m": (101.0, 200_000.0)},
    "east_sd": {"m": (0.0005, 0.49), "mm": (0.5, 500.0)},
    "north_sd": {"m": (0.0005, 0.49), "mm": (0.5, 500.0)},
    "up_sd": {"m": (0.0005, 0.49), "mm": (0.5, 500.0)},
    "horizontal_sd": {"m": (0.0005, 0.49), "mm": (0.5, 500.0)},
    "position": {
        "m": (-30.0, 30.0), "ft": (-100.0, 100.0), "in": (-1200.0, 1200.0), "cm": (-3000.0, 3000.0),
    },
    "coil_height": {"m": (0.0, 2.0), "cm": (3.0, 200.0), "in": (1.0, 80.0), "ft": (0.1, 6.5)},
    "length": {"m": (0.5, 60.0), "ft": (1.0, 200.0), "in": (20.0, 2400.0), "cm": (50.0, 6000.0)},
}  # fmt: skip
# A wrong unit here moves no point and no depth: the likeliest is taken, with a doubt.
_HARMLESS = {
    "current": "mA", "frequency": "Hz", "base_distance": "m", "speed": "m/s",
    "correction_age": "s", "tilt": "deg", "tilt_bearing": "deg", "signal": "dB",
}  # fmt: skip
_ALIKE = {"east_sd", "north_sd", "up_sd", "horizontal_sd"}


@dataclass(frozen=True)
class UnitGuess:
    """A unit, and what is to be said of it."""

    unit: str
    doubt: Doubt | None = None
    ambiguous: bool = False


def guess_unit(name: str, title: str, values: list[float], lengths: str) -> UnitGuess:
    """Unit of a column whose title names none.

    Parameters
    ----------
    name, title : str
        Quantity; title of the column.
    values : list of float
    lengths : str
        Unit that the file's other titles give lengths in; empty if none does, or they differ.
    """
    units = "|".join(SCALES[QUANTITIES[name].dimension])
    remedy = (
        f'Set unit under [columns.{name}] in the mapping file, or give --unit "{title}=UNIT" with '
        f"UNIT one of {units}."
    )
    fitting = fitting_units(name, values)
    if name in _HARMLESS:
        unit = fitting[0] if len(fitting) == 1 else _HARMLESS[name]
        return UnitGuess(
            unit,
            Doubt(
                name,
                f"Column '{title}' names no unit; taken as {unit}.",
                "Its values fit." if unit in fitting or not fitting else "",
                remedy,
            ),
        )
    if lengths and (name == "height" or not fitting or lengths in fitting or name in _ALIKE):
        return UnitGuess(
            lengths,
            Doubt(
                name,
                f"Column '{title}' names no unit; taken as {lengths}.",
                "The other lengths of the file are in it.",
                remedy,
            ),
        )
    if len(fitting) == 1 or (fitting and name in _ALIKE):
        return UnitGuess(
            fitting[0],
            Doubt(
                name,
                f"Column '{title}' names no unit; taken as {fitting[0]}.",
                f"Its values ({_range(values)}) fit no other.",
                remedy,
            ),
        )
    if len(fitting) > 1:
        why = f"Its values ({_range(values)}) fit {', '.join(fitting[:-1])} and {fitting[-1]}."
    elif values:
        why = f"Its values ({_range(values)}) tell nothing."
    else:
        why = "It holds no values yet."
    return UnitGuess(
        OPEN, Doubt(name, f"Column '{title}' names no unit.", why, remedy), ambiguous=True
    )


def fitting_units(name: str, values: list[float]) -> list[str]:
    """Units in which at least 95 % of the values that are not zero are plausible."""
    ranges = _PLAUSIBLE.get(name, {})
    numbers = (
        np.abs([v for v in values if v != 0]) if name not in ("position",) else np.array(values)
    )
    if not len(numbers):
        return []
    return [
        unit
        for unit, (low, high) in ranges.items()
        if np.mean((numbers >= low) & (numbers <= high)) >= 0.95
    ]


def _range(values: list[float]) -> str:
    return f"{min(values):g} to {max(values):g}"
