"""A line seen from the side: grade and cover along it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from asfound.model import Line

Floats = npt.NDArray[np.float64]


def grade_of(line: Line, over: float = 5.0) -> Floats:
    """Grade of the axis at each of its samples.

    Parameters
    ----------
    line : Line
    over : float
        Length the grade is taken over, centred on the sample and shortened at the ends [m].

    Returns
    -------
    (m,) float64
        Rise per metre of station, rising positive; NaN where the height is not known.
    """
    station = line.axis_station
    low = np.maximum(station - over / 2.0, station[0])
    high = np.minimum(station + over / 2.0, station[-1])
    rise = np.interp(high, station, line.height) - np.interp(low, station, line.height)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.where(high > low, rise / (high - low), np.nan))


def cover_of(line: Line) -> tuple[Floats, Floats]:
    """Ground above the top of the utility at each sample, and its standard deviation.

    Returns
    -------
    cover : (m,) float64
        Ground to the top [m]; to the centre where the outside diameter is not known.
    sd : (m,) float64
        Of the axis's height; the ground is the shots' own and shares their errors [m].
    """
    radius = 0.0 if np.isnan(line.outside_diameter) else line.outside_diameter / 2.0
    return line.ground_height - line.height - radius, np.sqrt(line.covariance[:, 2, 2])
