"""From the antenna's phase centre down the pole to the ground under its tip.

>>> tip = tip_offset(np.array([2.0]), np.array([0.1]), np.array([np.pi / 2]))
>>> [float(round(part[0], 4)) + 0.0 for part in tip]
[-0.1997, 0.0, -1.99]
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from asfound.geodesy.ellipsoid import Ellipsoid

Floats = npt.NDArray[np.float64]


def tip_offset(
    antenna_height: Floats, tilt: Floats, tilt_bearing: Floats
) -> tuple[Floats, Floats, Floats]:
    """Tip minus antenna in local east, north, up.

    Parameters
    ----------
    antenna_height : (n,) float64
        Phase centre above the tip, along the pole [m].
    tilt : (n,) float64
        Angle of the pole from the vertical [rad]; NaN: not measured, taken as vertical.
    tilt_bearing : (n,) float64
        True bearing towards which the antenna leans from the tip [rad]; NaN: not known, the
        sideways part is left out (the error budget carries it).

    Returns
    -------
    east, north, up : (n,) float64
        [m]; NaN where the antenna height is.

    Notes
    -----
    tip = antenna - h (sin t sin b, sin t cos b, cos t).
    """
    if not np.isfinite(tilt).any():
        zero = np.where(np.isfinite(antenna_height), 0.0, np.nan)
        return zero, zero, -antenna_height
    lean = np.nan_to_num(tilt)
    known = np.isfinite(tilt) & np.isfinite(tilt_bearing)
    bearing = np.where(known, tilt_bearing, 0.0)
    sideways = np.where(known, -antenna_height * np.sin(lean), antenna_height * 0.0)
    return sideways * np.sin(bearing), sideways * np.cos(bearing), -antenna_height * np.cos(lean)


def move_local(
    longitude: Floats,
    latitude: Floats,
    height: Floats,
    east: Floats,
    north: Floats,
    up: Floats,
    ellipsoid: Ellipsoid,
) -> tuple[Floats, Floats, Floats]:
    """Points moved by small local offsets.

    Parameters
    ----------
    longitude, latitude : (n,) float64
        [deg].
    height : (n,) float64
        Ellipsoidal [m]; NaN counts as 0 for the horizontal part and stays NaN.
    east, north, up : (n,) float64
        [m].

    Returns
    -------
    longitude, latitude, height : (n,) float64

    Notes
    -----
    First order on the ellipsoid, second order in height: dφ = n / (M + h),
    dλ = e / ((N + h) cos φ), dh = u + (e² + n²) / 2R. For offsets to 3 m what is left out stays
    below 2 micrometres up to 80° latitude. At the poles, where east has no meaning, the result
    is not finite.
    """
    phi = np.radians(latitude)
    sine_squared = np.sin(phi) ** 2
    meridian, prime_vertical = ellipsoid.radii(sine_squared)
    h = np.nan_to_num(height)
    with np.errstate(divide="ignore", invalid="ignore"):
        moved_lon = longitude + np.degrees(
            east / ((prime_vertical + h) * np.sqrt(1.0 - sine_squared))
        )
    moved_lat = latitude + np.degrees(north / (meridian + h))
    return moved_lon, moved_lat, height + up + (east**2 + north**2) / (2.0 * prime_vertical)
