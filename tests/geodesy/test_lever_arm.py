import numpy as np
import pytest
from pyproj import Transformer
from scipy.spatial.transform import Rotation

from asfound.geodesy import GRS80, geocentric, local_offset, move_local, tip_offset

RNG = np.random.default_rng(7)


def some_poles(count=200):
    return (
        RNG.uniform(1.5, 3.0, count),
        RNG.uniform(0.0, 0.6, count),
        RNG.uniform(0.0, 2.0 * np.pi, count),
    )


def test_the_tip_lies_down_a_pole_turned_by_an_independent_rotation():
    height, tilt, bearing = some_poles()
    # An upright pole from antenna to tip, leaned about the axis square to the lean's bearing.
    axis = np.column_stack([np.cos(bearing), -np.sin(bearing), np.zeros_like(bearing)])
    lean = Rotation.from_rotvec(-axis * tilt[:, None])
    expected = lean.apply(np.column_stack([np.zeros_like(height)] * 2 + [-height]))
    # Leaning towards `bearing` takes the antenna there, so the tip lies the other way.
    assert np.column_stack(tip_offset(height, tilt, bearing)) == pytest.approx(expected, abs=1e-12)


def test_an_antenna_leaning_east_has_its_tip_to_the_west():
    east, north, up = tip_offset(np.array([2.0]), np.array([0.1]), np.array([np.pi / 2]))
    assert east[0] == pytest.approx(-2.0 * np.sin(0.1))
    assert north[0] == pytest.approx(0.0, abs=1e-15)
    assert up[0] == pytest.approx(-2.0 * np.cos(0.1))


def test_moving_locally_agrees_with_exact_geometry_in_space():
    count = 200
    lon, lat = RNG.uniform(-180, 180, count), RNG.uniform(-80, 80, count)
    height = RNG.uniform(-100, 4000, count)
    offset = tip_offset(*some_poles(count))
    moved = move_local(lon, lat, height, *offset, GRS80)
    for k in range(count):
        back = local_offset(*(v[k : k + 1] for v in moved), lon[k], lat[k], height[k], GRS80)
        assert [float(v[0]) for v in back] == pytest.approx([float(v[k]) for v in offset], abs=3e-6)


def test_geocentric_agrees_with_proj():
    lon, lat = RNG.uniform(-180, 180, 100), RNG.uniform(-90, 90, 100)
    height = RNG.uniform(-100, 9000, 100)
    cart = Transformer.from_pipeline(
        "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad "
        "+step +proj=cart +ellps=GRS80"
    )
    expected = cart.transform(lon, lat, height)
    for ours, theirs in zip(geocentric(lon, lat, height, GRS80), expected, strict=True):
        assert ours == pytest.approx(theirs, abs=1e-8)


def test_a_pole_whose_tilt_was_not_measured_is_taken_as_upright():
    nan = np.full(3, np.nan)
    east, north, up = tip_offset(np.array([2.0, 1.8, np.nan]), nan, nan)
    assert up[:2] == pytest.approx([-2.0, -1.8])
    assert (east[:2] == 0.0).all()
    assert (north[:2] == 0.0).all()
    assert np.isnan(up[2])


def test_a_tilt_without_direction_only_lowers_the_antenna():
    east, north, up = tip_offset(np.array([2.0]), np.array([0.3]), np.array([np.nan]))
    assert (east[0], north[0]) == (0.0, 0.0)
    assert up[0] == pytest.approx(-2.0 * np.cos(0.3))


def test_an_unknown_height_stays_unknown_but_the_place_moves():
    one = np.ones(1)
    lon, lat, height = move_local(one, one * 45, one * np.nan, one, one, -one, GRS80)
    assert lon[0] > 1.0
    assert lat[0] > 45.0
    assert np.isnan(height[0])
