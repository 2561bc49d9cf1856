"""Exact geometry in space: geocentric axes, and east, north, up at a point.

>>> lon, lat, h = (np.array([v]) for v in (2.0, 50.0, 10.0))
>>> there = local_offset(lon, lat, h, 2.0, 50.0, 0.0, GRS80)
>>> [round(float(part[0]), 6) + 0.0 for part in there]
[0.0, 0.0, 10.0]
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from asfound.geodesy.ellipsoid import Ellipsoid

Floats = npt.NDArray[np.float64]

# Source: Moritz, Geodetic Reference System 1980, Journal of Geodesy 74 (2000): a = 6378137 m,
# 1/f = 298.257222101.
GRS80 = Ellipsoid("GRS 1980", 6378137.0, (2.0 - 1.0 / 298.257222101) / 298.257222101)


def geocentric(
    longitude: Floats, latitude: Floats, height: Floats, ellipsoid: Ellipsoid
) -> tuple[Floats, Floats, Floats]:
    """Earth-centred coordinates of points.

    Parameters
    ----------
    longitude, latitude : (n,) float64
        [deg].
    height : (n,) float64
        Ellipsoidal [m].

    Returns
    -------
    x, y, z : (n,) float64
        [m].

    Notes
    -----
    Source: IOGP Guidance Note 7-2, method 9602.
    """
    lam, phi = np.radians(longitude), np.radians(latitude)
    sine = np.sin(phi)
    _, prime_vertical = ellipsoid.radii(sine**2)
    across = (prime_vertical + height) * np.cos(phi)
    along_axis = ((1.0 - ellipsoid.eccentricity_squared) * prime_vertical + height) * sine
    return across * np.cos(lam), across * np.sin(lam), along_axis


def local_offset(
    longitude: Floats,
    latitude: Floats,
    height: Floats,
    origin_longitude: float,
    origin_latitude: float,
    origin_height: float,
    ellipsoid: Ellipsoid,
) -> tuple[Floats, Floats, Floats]:
    """East, north and up of points from an origin, along straight lines in space.

    Parameters
    ----------
    longitude, latitude : (n,) float64
        [deg].
    height : (n,) float64
        Ellipsoidal [m].
    origin_longitude, origin_latitude : float
        [deg].
    origin_height : float
        [m].

    Returns
    -------
    east, north, up : (n,) float64
        [m].

    Notes
    -----
    Source: IOGP Guidance Note 7-2, methods 9836 and 9837.
    """
    origin = [np.array([v]) for v in (origin_longitude, origin_latitude, origin_height)]
    here = geocentric(longitude, latitude, height, ellipsoid)
    there = geocentric(origin[0], origin[1], origin[2], ellipsoid)
    dx, dy, dz = (a - b for a, b in zip(here, there, strict=True))
    lam, phi = np.radians(origin_longitude), np.radians(origin_latitude)
    outward = np.cos(lam) * dx + np.sin(lam) * dy
    east = -np.sin(lam) * dx + np.cos(lam) * dy
    north = -np.sin(phi) * outward + np.cos(phi) * dz
    up = np.cos(phi) * outward + np.sin(phi) * dz
    return east, north, up
