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


def pipe_outside_diameter(nominal: str) -> float:
    """Outside diameter [m] of a nominal pipe size such as ``'NPS 4'`` or ``'1 1/2'``.

    Raises
    ------
    InputError
        If the size is not in the table.
    """
    key = nominal.upper().replace("NPS", "").replace("IN", "").replace('"', "").strip()
    if key not in NOMINAL_PIPE_SIZE:
        raise InputError(
            f"'{nominal}' is not a nominal pipe size of the table.",
            remedy=f"Known: {', '.join(NOMINAL_PIPE_SIZE)}; or give the outside diameter.",
        )
    return NOMINAL_PIPE_SIZE[key] / 1000.0


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
