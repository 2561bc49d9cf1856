"""IOGP Publication 373-7-2, Geomatics Guidance Note 7 part 2: its worked examples.

Coordinate Conversions and Transformations including Formulas. Values for the Texas, British and
geocentric examples as in the note; those of UPS North (method 9810) and Jamaica (method 9801) read
in transcriptions of the note (EPSG registry, method pages; PROJ mailing list, February 2003).
"""

import numpy as np
import pytest
from pyproj import CRS

from asfound.geodesy import Ellipsoid, Place, geocentric, job_grid, local_offset
from asfound.model import Frame

US_SURVEY_FOOT = 1200.0 / 3937.0
WGS84 = Ellipsoid.of(CRS.from_epsg(4979))


def dms(degrees, minutes=0.0, seconds=0.0):
    return degrees + minutes / 60.0 + seconds / 3600.0


@pytest.mark.parametrize(
    ("crs", "longitude", "latitude", "easting", "northing", "unit", "tolerance"),
    [
        # Lambert conic conformal (2SP): NAD27 / Texas South Central, US survey feet.
        ("EPSG:32040", -96.0, 28.5, 2963503.91, 254759.80, US_SURVEY_FOOT, 0.01),
        # Transverse Mercator: British National Grid.
        ("EPSG:27700", 0.5, 50.5, 577274.99, 69740.50, 1.0, 0.01),
        # Lambert conic conformal (1SP): JAD69 / Jamaica National Grid.
        ("EPSG:24200", -dms(76, 56, 37.26), dms(17, 55, 55.80), 255966.58, 142493.51, 1.0, 0.01),
    ],
)
def test_worked_projections_come_out_in_metres_whatever_the_unit(
    crs, longitude, latitude, easting, northing, unit, tolerance
):
    grid = job_grid(Frame(crs), None, ())
    found = grid.project(np.array([longitude]), np.array([latitude]))
    assert grid.unit_metres == pytest.approx(unit, abs=1e-15)
    assert found[0][0] == pytest.approx(easting * unit, abs=tolerance * unit)
    assert found[1][0] == pytest.approx(northing * unit, abs=tolerance * unit)
    back = grid.unproject(*found)
    assert back[0][0] == pytest.approx(longitude, abs=1e-9)
    assert back[1][0] == pytest.approx(latitude, abs=1e-9)


def test_polar_stereographic_example_comes_out():
    grid = job_grid(Frame("EPSG:32661"), None, ())  # WGS 84 / UPS North (N,E)
    easting, northing = grid.project(np.array([44.0]), np.array([73.0]))
    assert easting[0] == pytest.approx(3320416.75, abs=0.01)
    assert northing[0] == pytest.approx(632668.43, abs=0.01)


def test_geographic_to_geocentric_example_comes_out():
    lon, lat = -dms(2, 7, 46.380), dms(53, 48, 33.820)
    found = geocentric(np.array([lon]), np.array([lat]), np.array([73.0]), WGS84)
    expected = (3771793.968, 140253.342, 5124304.349)
    assert [abs(float(v[0])) for v in found] == pytest.approx(expected, abs=0.001)
    assert found[1][0] < 0.0  # the note prints a point east, its sketch west of Greenwich


def test_topocentric_example_comes_out():
    lon, lat = dms(2, 7, 46.380), dms(53, 48, 33.820)
    found = local_offset(
        np.array([lon]), np.array([lat]), np.array([73.0]), 5.0, 55.0, 200.0, WGS84
    )
    expected = (-189013.869, -128642.040, -4220.171)
    assert [float(v[0]) for v in found] == pytest.approx(expected, abs=0.001)


def test_a_place_prints_as_people_write_it():
    assert str(Place(-96.0, 28.5, -96.0, 28.5)) == "28.500°N 96.000°W"
