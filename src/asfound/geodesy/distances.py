"""Distances on the ground, on the ellipsoid and on the grid."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from pyproj import Geod

from asfound.geodesy.ellipsoid import Ellipsoid

Floats = npt.NDArray[np.float64]


def geodesic(
    longitude: Floats,
    latitude: Floats,
    to_longitude: Floats,
    to_latitude: Floats,
    ellipsoid: Ellipsoid,
) -> tuple[Floats, Floats]:
    """Shortest way on the ellipsoid (Karney 2013, as PROJ has it).

    Parameters
    ----------
    longitude, latitude, to_longitude, to_latitude : (n,) float64
        [deg].

    Returns
    -------
    distance : (n,) float64
        [m].
    bearing : (n,) float64
        True bearing at the start, 0 to 2 pi [rad].
    """
    body = Geod(a=ellipsoid.semi_major_axis, es=ellipsoid.eccentricity_squared)
    azimuth, _, distance = body.inv(longitude, latitude, to_longitude, to_latitude)
    return np.asarray(distance), np.mod(np.radians(azimuth), 2.0 * np.pi)


def ground_lengths(easting: Floats, northing: Floats, combined_factor: Floats) -> Floats:
    """Ground length of each leg of a polyline drawn in the grid.

    Parameters
    ----------
    easting, northing : (n,) float64
        [m].
    combined_factor : (n,) float64
        Grid distance / ground distance at the vertices.

    Returns
    -------
    length : (n - 1,) float64
        [m] at the mean height of each leg's ends.

    Notes
    -----
    Grid length over the mean of the ends' factors; on legs shorter than 10 km this is within
    a part in ten million (Snyder, USGS PP 1395, on line scale factors).
    """
    grid = np.hypot(np.diff(easting), np.diff(northing))
    return np.asarray(grid / (0.5 * (combined_factor[1:] + combined_factor[:-1])))
