"""Snyder, Map Projections: A Working Manual, USGS Professional Paper 1395 (1987), appendix A.

Numerical examples on the ellipsoid: Mercator (p. 266), transverse Mercator (p. 269), Lambert
conformal conic (p. 296), polar stereographic (p. 314). Coordinates are printed to 0.1 m, scale
factors to 7 decimals.
"""

import numpy as np
import pytest
from pyproj import Transformer

from asfound.geodesy import Ellipsoid, exact_factors

CLARKE_1866 = Ellipsoid("Clarke 1866", 6378206.4, 0.00676866)
INTERNATIONAL = Ellipsoid("International", 6378388.0, 0.00672267)

# Ellipsoid, projection, longitude, latitude, x, y, scale; None where our source leaves it out.
EXAMPLES = [
    (CLARKE_1866, "merc +lon_0=180", -75.0, 35.0, 11688673.7, 4139145.6, 1.2194146),
    (CLARKE_1866, "tmerc +lon_0=-75 +k_0=0.9996", -73.5, 40.5, 127106.5, 4484124.4, 0.9997989),
    (
        CLARKE_1866,
        "lcc +lat_1=33 +lat_2=45 +lat_0=23 +lon_0=-96",
        -75.0,
        35.0,
        1894410.9,
        1564649.5,
        0.9970171,
    ),
    (
        INTERNATIONAL,
        "stere +lat_0=-90 +lat_ts=-71 +lon_0=-100",
        150.0,
        -75.0,
        -1540033.6,
        -560526.4,
        0.9896256,
    ),
]


@pytest.mark.parametrize(
    ("ellipsoid", "projection", "longitude", "latitude", "x", "y", "scale"), EXAMPLES
)
def test_coordinates_and_scale_of_the_numerical_examples_come_out(
    ellipsoid, projection, longitude, latitude, x, y, scale
):
    body = f"+a={ellipsoid.semi_major_axis} +es={ellipsoid.eccentricity_squared}"
    pipeline = Transformer.from_pipeline(
        f"+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad +step +proj={projection} "
        + body
    )

    def project(lon, lat):
        return pipeline.transform(lon, lat)

    easting, northing = project(np.array([longitude]), np.array([latitude]))
    assert easting[0] == pytest.approx(x, abs=0.06)
    assert northing[0] == pytest.approx(y, abs=0.06)
    _, found = exact_factors(project, np.array([longitude]), np.array([latitude]), ellipsoid)
    assert found[0] == pytest.approx(scale, abs=6e-8)
