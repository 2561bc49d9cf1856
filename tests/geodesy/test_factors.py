import numpy as np
import pytest
from pyproj import CRS, Proj

from asfound.errors import FrameError
from asfound.geodesy import (
    Ellipsoid,
    Place,
    elevation_factor,
    exact_factors,
    geocentric,
    geodesic,
    ground_lengths,
    job_grid,
    spread_factors,
)
from asfound.geodesy.factors import TOLERANCE
from asfound.model import Frame

# Job grids on five continents, both hemispheres, metres and both feet, five projections.
GRIDS = [
    ("EPSG:6428", -104.8, 39.0),  # Lambert, US survey feet
    ("EPSG:6461", -87.0, 39.8),  # transverse Mercator, US survey feet
    ("EPSG:6499", -84.6, 42.8),  # Lambert, international feet
    ("EPSG:6394", -133.0, 57.0),  # oblique Mercator, Alaska panhandle
    ("EPSG:25832", 9.0, 48.0),
    ("EPSG:2056", 7.5, 47.0),  # oblique, Switzerland
    ("EPSG:7855", 145.0, -37.8),
    ("EPSG:2193", 174.7, -36.8),
    ("EPSG:31983", -46.6, -23.5),
    ("EPSG:6677", 139.7, 35.7),
    ("EPSG:22718", -75.0, 45.4),
    ("ITRF2020 / UTM zone 34S", 19.0, -33.5),
    ("ITRF2020 / UTM zone 43N", 77.0, 28.0),
]


def cloud(longitude, latitude, count, size, seed=1):
    rng = np.random.default_rng(seed)
    return (
        longitude + rng.uniform(-size, size, count),
        latitude + rng.uniform(-size, size, count),
    )


@pytest.mark.parametrize(("code", "longitude", "latitude"), GRIDS)
def test_convergence_and_scale_agree_with_proj(code, longitude, latitude):
    grid = job_grid(Frame(code), Place(longitude, latitude, longitude, latitude), ())
    lon, lat = cloud(longitude, latitude, 600, 0.2)
    convergence, scale = spread_factors(grid.project_degrees, lon, lat, grid.ellipsoid)
    proj = Proj(grid.crs).get_factors(lon, lat)
    assert np.radians(proj.meridian_convergence) == pytest.approx(convergence, abs=3 * TOLERANCE)
    # PROJ's area scale, so that the mean over directions is compared.
    assert np.sqrt(proj.areal_scale) == pytest.approx(scale, abs=3 * TOLERANCE)


@pytest.mark.parametrize(("code", "longitude", "latitude"), GRIDS)
def test_the_combined_factor_is_grid_over_ground_distance(code, longitude, latitude):
    grid = job_grid(Frame(code), Place(longitude, latitude, longitude, latitude), ())
    rng = np.random.default_rng(5)
    lon, lat = cloud(longitude, latitude, 50, 0.1)
    height = rng.uniform(0, 3000, 50)
    _, scale = spread_factors(grid.project_degrees, lon, lat, grid.ellipsoid)
    combined = scale * elevation_factor(lat, height, grid.ellipsoid)
    # Independent: a chord in space between two points at the same height, a few metres apart.
    step = 2e-5
    angle = rng.uniform(0, 2 * np.pi, 50)
    lon2 = lon + step * np.sin(angle) / np.cos(np.radians(lat))
    lat2 = lat + step * np.cos(angle)
    a, b = (
        np.array(geocentric(x, y, height, grid.ellipsoid)) for x, y in ((lon, lat), (lon2, lat2))
    )
    ground = np.linalg.norm(a - b, axis=0)
    e1, n1 = grid.project_degrees(lon, lat)
    e2, n2 = grid.project_degrees(lon2, lat2)
    assert np.hypot(e2 - e1, n2 - n1) / ground == pytest.approx(combined, abs=3e-6)


def test_true_bearing_is_grid_bearing_plus_convergence():
    grid = job_grid(Frame("EPSG:25832"), Place(11.0, 48.0, 11.0, 48.0), ())
    lon, lat = np.array([11.0]), np.array([48.0])
    convergence, _ = exact_factors(grid.project_degrees, lon, lat, grid.ellipsoid)
    assert convergence[0] > 0.0  # east of the central meridian, northern hemisphere
    e, n = grid.project_degrees(lon, lat)
    there = grid.unproject(e + 30.0, n + 40.0)
    _, bearing = geodesic(lon, lat, *there, grid.ellipsoid)
    assert bearing[0] == pytest.approx(np.arctan2(30.0, 40.0) + convergence[0], abs=1e-6)


def test_strays_on_another_continent_do_not_spoil_the_others():
    grid = job_grid(Frame("EPSG:6428"), Place(-104.8, 39.0, -104.8, 39.0), ())
    lon, lat = cloud(-104.8, 39.0, 2000, 0.05)
    lon[7], lat[7] = 104.8, 39.0
    lat[9] = np.nan
    convergence, scale = spread_factors(grid.project_degrees, lon, lat, grid.ellipsoid)
    good = np.ones(2000, bool)
    good[[7, 9]] = False
    expected = exact_factors(grid.project_degrees, lon[good], lat[good], grid.ellipsoid)
    assert convergence[good] == pytest.approx(expected[0], abs=TOLERANCE)
    assert scale[good] == pytest.approx(expected[1], abs=TOLERANCE)
    assert np.isnan(convergence[9])


def test_one_point_and_none_are_fine():
    body = Ellipsoid.of(CRS.from_epsg(4937))

    def project(lon, lat):
        return lon * 1e5, lat * 1e5

    assert len(spread_factors(project, np.empty(0), np.empty(0), body)[0]) == 0
    convergence, _ = spread_factors(project, np.array([5.0]), np.array([50.0]), body)
    assert convergence[0] == pytest.approx(0.0, abs=1e-12)


def test_ground_lengths_divide_by_the_mean_factor():
    lengths = ground_lengths(
        np.array([0.0, 300.0, 300.0]), np.array([0.0, 400.0, 500.0]), np.array([0.9998, 1.0, 1.0])
    )
    assert lengths == pytest.approx([500.0 / 0.9999, 100.0])


def test_a_display_projection_is_refused_as_a_survey_grid():
    with pytest.raises(FrameError, match="display"):
        job_grid(Frame("EPSG:3857"), Place(9.0, 48.0, 9.0, 48.0), ())
