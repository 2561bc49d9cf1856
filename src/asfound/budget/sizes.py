"""Nominal sizes: outside diameters of pipe, and what a job declares for its lines.

The field reads to the centre of the current; the top of a pipe lies half its outside diameter
above.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from asfound.errors import InputError
from asfound.model import Assembly, NominalSize, Shots, Utility

# Source: ASME B36.10M, nominal pipe size to outside diameter in millimetres. NPS 2, 4, 6, 8 and
# 12 as published in the trade; the others from memory.
NOMINAL_PIPE_SIZE: dict[str, float] = {
    "1/2": 21.3,
    "3/4": 26.7,
    "1": 33.4,
    "1 1/4": 42.2,
    "1 1/2": 48.3,
    "2": 60.3,
    "2 1/2": 73.0,
    "3": 88.9,
    "4": 114.3,
    "6": 168.3,
    "8": 219.1,
    "10": 273.0,
    "12": 323.8,
    "14": 355.6,
    "16": 406.4,
    "18": 457.0,
    "20": 508.0,
    "24": 610.0,
}


# Metric names of the same pipe. Source: ASME B36.10M lists both, from memory.
NOMINAL_DIAMETER: dict[str, str] = {
    "15": "1/2",
    "20": "3/4",
    "25": "1",
    "32": "1 1/4",
    "40": "1 1/2",
    "50": "2",
    "65": "2 1/2",
    "80": "3",
    "100": "4",
    "150": "6",
    "200": "8",
    "250": "10",
    "300": "12",
    "350": "14",
    "400": "16",
    "450": "18",
    "500": "20",
    "600": "24",
}

# Ductile iron pipe, inches. Source: AWWA C151, from memory. PVC and PE water mains sold as "DIPS"
# have the same.
_DUCTILE_IRON_INCHES: dict[str, float] = {
    "3": 3.96,
    "4": 4.80,
    "6": 6.90,
    "8": 9.05,
    "10": 11.10,
    "12": 13.20,
    "14": 15.30,
    "16": 17.40,
    "18": 19.50,
    "20": 21.60,
    "24": 25.80,
}

# Copper tube sizes, also of PE service pipe: 1/8 inch over the nominal size. Source: ASTM B88,
# from memory.
_COPPER_TUBE_INCHES: dict[str, float] = {
    "1/2": 0.625,
    "3/4": 0.875,
    "1": 1.125,
    "1 1/4": 1.375,
    "1 1/2": 1.625,
    "2": 2.125,
}

_INCH = 0.0254
PIPE_KINDS: dict[str, dict[str, float]] = {
    "NPS": {size: mm / 1000 for size, mm in NOMINAL_PIPE_SIZE.items()},
    "IPS": {size: mm / 1000 for size, mm in NOMINAL_PIPE_SIZE.items()},
    "DN": {dn: NOMINAL_PIPE_SIZE[size] / 1000 for dn, size in NOMINAL_DIAMETER.items()},
    "DI": {size: inches * _INCH for size, inches in _DUCTILE_IRON_INCHES.items()},
    "CTS": {size: inches * _INCH for size, inches in _COPPER_TUBE_INCHES.items()},
}
"""Outside diameters [m] by kind and nominal size. NPS: steel pipe; IPS: PE and PVC made to the
same diameters (ASTM D2513 and D1785, from memory); DN: the metric names; DI: ductile iron; CTS:
copper tube and service pipe."""


def pipe_outside_diameter(nominal: str) -> float:
    """Outside diameter [m] of a nominal size such as ``'NPS 4'``, ``'1 1/2'`` or ``'DI 6'``.

    A size without one of `PIPE_KINDS` before it is taken as NPS.

    Raises
    ------
    InputError
        If the size is not in the tables.
    """
    written = nominal.upper().replace('"', "").strip()
    kind = next((k for k in PIPE_KINDS if written.startswith(k)), "")
    size = written.removeprefix(kind).strip().removesuffix("IN").strip()
    sizes = PIPE_KINDS[kind or "NPS"]
    if size not in sizes:
        raise InputError(
            f"'{nominal}' is not a nominal pipe size of the table.",
            remedy=f"Known {kind or 'NPS'}: {', '.join(sizes)}; other kinds: "
            f"{', '.join(k for k in PIPE_KINDS if k != (kind or 'NPS'))}; or give the outside "
            "diameter.",
        )
    return sizes[size]


def outside_diameters(
    shots: Shots, assembly: Assembly, sizes: Sequence[NominalSize]
) -> npt.NDArray[np.float64]:
    """Outside diameter of the line under each shot, as the job declares it.

    A size given for a line by name goes before one given for a utility.

    Returns
    -------
    diameter : (n,) float64
        [m], NaN where nothing is declared.
    """
    by_utility = np.full(len(Utility), np.nan)
    by_line: dict[str, float] = {}
    for size in sizes:
        if size.line:
            by_line[size.line] = size.outside_diameter
        else:
            by_utility[size.utility] = size.outside_diameter
    diameter = by_utility[np.clip(shots.utility, 0, len(Utility) - 1)]
    if by_line:
        of_name = np.array([by_line.get(name, np.nan) for name in assembly.names] + [np.nan])
        named = of_name[assembly.line]
        diameter = np.where(np.isfinite(named), named, diameter)
    return np.asarray(diameter, np.float64)
