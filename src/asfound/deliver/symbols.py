"""How a shot is drawn: a short tick across its line, with its 95 % ellipse to scale.

Colour belongs to the utility, so a verdict is shown by shape: sound is a full tick, doubtful an
open one with a dashed ellipse, unfit a full one struck through. A control check is a triangle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.deliver.delivery import Delivery
from asfound.deliver.shapes import ellipse_ring
from asfound.model import APWA_COLOURS, Utility, UtilityColour

Floats = npt.NDArray[np.float64]


def colour(utility: int) -> UtilityColour:
    """Colour of a utility code under the convention in use."""
    return APWA_COLOURS[Utility(utility)]


def hex_colour(utility: int) -> str:
    """``'#d0a000'``."""
    return "#{:02x}{:02x}{:02x}".format(*colour(utility).rgb)


@dataclass(frozen=True, eq=False)
class Ticks:
    """Corners of the symbols of n shots, grid metres, about each shot's position.

    Parameters
    ----------
    centre : (n, 2) float64
        Easting, northing; NaN where a position is missing.
    ends : (n, 2, 2) float64
        Ends of the tick.
    bar : (n, 4, 2) float64
        Corners of the open tick.
    strike : (n, 2, 2) float64
        Ends of the stroke through an unfit one.
    triangle : (n, 3, 2) float64
        For control checks.
    """

    centre: Floats
    ends: Floats
    bar: Floats
    strike: Floats
    triangle: Floats


def ticks(delivery: Delivery, half_length: float, half_width: float) -> Ticks:
    """Symbols of all shots.

    Parameters
    ----------
    delivery : Delivery
    half_length, half_width : float
        Of a tick, on the ground [m].
    """
    ground = delivery.results.ground
    # A shot on no line has no direction to be drawn across: its tick lies east to west.
    bearing = np.nan_to_num(delivery.results.assembly.bearing)
    along = np.column_stack([np.sin(bearing), np.cos(bearing)]) * half_width
    across = np.column_stack([np.cos(bearing), -np.sin(bearing)]) * half_length
    centre = np.column_stack([ground.easting, ground.northing])
    middle = centre[:, None, :]
    corners = np.stack([across + along, across - along, -across - along, -across + along], axis=1)
    # The stroke is longer than the tick is wide and leans 45 degrees to it.
    stroke = (across / half_length + along / half_width) * (0.5 * half_length)
    angles = np.pi / 2 + np.arange(3) * (2 * np.pi / 3)
    triangle = np.column_stack([np.cos(angles), np.sin(angles)]) * half_length
    return Ticks(
        centre=centre,
        ends=middle + np.stack([-across, across], axis=1),
        bar=middle + corners,
        strike=middle + np.stack([-stroke, stroke], axis=1),
        triangle=middle + triangle[None],
    )


def ellipses(delivery: Delivery, corners: int = 48) -> Floats:
    """(n, corners, 2): 95 % ellipses of all shots in grid metres, true to scale."""
    ground = delivery.results.ground
    centre = np.column_stack([ground.easting, ground.northing])
    return centre[:, None, :] + ellipse_ring(delivery.results.budget.ellipse, corners)


def shot_labels(delivery: Delivery) -> list[str]:
    """``'A-17 1.23 m'``: name and depth, for drawings."""
    depth = delivery.length(delivery.results.depth).tolist()
    unit = delivery.about.unit.symbol
    decimals = 2 if unit == "m" else 1
    return [
        f"{name}  {d:.{decimals}f} {unit}" if d == d else name
        for name, d in zip(delivery.shot_names, depth, strict=True)
    ]
