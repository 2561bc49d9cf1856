"""Geodesics: GeographicLib documentation (Karney), inverse example 40.6N 73.8W to 51.6N 0.5W."""

import numpy as np
import pytest
from pyproj import CRS

from asfound.geodesy import Ellipsoid, geodesic


def test_the_inverse_example_of_geographiclib_comes_out():
    distance, bearing = geodesic(
        *(np.array([v]) for v in (-73.8, 40.6, -0.5, 51.6)), Ellipsoid.of(CRS.from_epsg(4979))
    )
    assert distance[0] == pytest.approx(5551759.400, abs=6e-4)
    assert np.degrees(bearing[0]) == pytest.approx(51.198882846, abs=6e-10)


def test_quarter_meridian_of_the_international_ellipsoid_of_1980():
    # Moritz, Geodetic Reference System 1980, J. Geodesy 74 (2000): Q = 10 001 965.7293 m; the
    # value is from memory.
    grs80 = Ellipsoid.of(CRS.from_epsg(4937))
    zero = np.zeros(1)
    distance, bearing = geodesic(zero, zero, zero, np.array([90.0]), grs80)
    assert distance[0] == pytest.approx(10001965.7293, abs=1.5e-4)
    assert bearing[0] == pytest.approx(0.0, abs=1e-12)
