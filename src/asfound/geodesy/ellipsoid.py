"""Metric of the ellipsoid: what a small angle is in metres."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from pyproj import CRS

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Ellipsoid:
    """Ellipsoid of revolution: name, semi-major axis [m], first eccentricity squared."""

    name: str
    semi_major_axis: float
    eccentricity_squared: float

    @staticmethod
    def of(crs: CRS) -> Ellipsoid:
        """The ellipsoid of a CRS."""
        body = crs.ellipsoid
        if body is None:
            raise ValueError(f"{crs.name} has no ellipsoid")
        f = 1.0 / body.inverse_flattening if body.inverse_flattening else 0.0
        return Ellipsoid(body.name, float(body.semi_major_metre), f * (2.0 - f))

    def radii(self, sine_squared: Floats) -> tuple[Floats, Floats]:
        """Radii of curvature in the meridian and in the prime vertical [m].

        Parameters
        ----------
        sine_squared : (n,) float64
            Of the geodetic latitude.

        Notes
        -----
        M = a (1 - e²) / (1 - e² sin² φ)^(3/2), N = a / (1 - e² sin² φ)^(1/2).
        Source: Snyder, USGS Professional Paper 1395 (1987), eq. 4-18 and 4-20.
        """
        w = 1.0 - self.eccentricity_squared * sine_squared
        prime_vertical = self.semi_major_axis / np.sqrt(w)
        meridian = prime_vertical * (1.0 - self.eccentricity_squared) / w
        return meridian, prime_vertical
