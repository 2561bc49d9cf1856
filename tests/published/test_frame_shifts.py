"""ITRF2014 to NAD 83(2011): the 14 parameters of the US National Geodetic Survey.

Source: EPSG registry, operation 8970 (reference epoch 2010.0, coordinate-frame convention). The
table of shifts is what these parameters give, worked out by PROJ 9.5.1 in a separate script; here
the parameters are also applied by hand, without PROJ.
"""

import numpy as np
import pytest
from pyproj import CRS, Transformer

from asfound.geodesy import (
    GRS80,
    Place,
    choose_operation,
    compare_frames,
    foot_mix_up,
    geocentric,
)

# Latitude, longitude, east, north, up, horizontal [m]: NAD 83(2011) minus ITRF2014 at 2026.9.
SHIFTS = [
    (39.0, -104.8, 1.342, -0.506, 0.881, 1.435),
    (33.7, -84.4, 0.838, -0.768, 1.355, 1.137),
    (47.6, -122.3, 1.592, -0.232, 0.307, 1.608),
    (25.8, -80.2, 0.635, -0.628, 1.609, 0.893),
    (44.8, -68.8, 0.520, -1.266, 1.129, 1.369),
]
TRANSLATION = np.array([1.0053, -1.90921, -0.54157])
ROTATION = np.array([0.02678138, -0.00042027, 0.01093206])  # seconds of arc
SCALE = 0.36891e-9
TRANSLATION_RATE = np.array([0.79e-3, -0.60e-3, -1.44e-3])
ROTATION_RATE = np.array([0.06667e-3, -0.75744e-3, -0.05133e-3])
SCALE_RATE = -0.07201e-9


def by_hand(x, epoch):
    years = epoch - 2010.0
    t = TRANSLATION + TRANSLATION_RATE * years
    rx, ry, rz = np.radians((ROTATION + ROTATION_RATE * years) / 3600.0)
    turn = np.array([[1.0, rz, -ry], [-rz, 1.0, rx], [ry, -rx, 1.0]])
    return t + (1.0 + SCALE + SCALE_RATE * years) * (turn @ x)


@pytest.mark.parametrize(("latitude", "longitude", "east", "north", "up", "horizontal"), SHIFTS)
def test_nad83_2011_differs_from_itrf2014_as_tabulated(
    latitude, longitude, east, north, up, horizontal
):
    (found,) = compare_frames(longitude, latitude, 2026.9, ("ITRF2014", "NAD83(2011)"))
    assert (found.east, found.north, found.up) == pytest.approx((east, north, up), abs=6e-4)
    assert found.horizontal == pytest.approx(horizontal, abs=6e-4)
    assert found.words.startswith("a service in ITRF2014 at 2026.9 reads")
    assert f"{found.horizontal:.3f} m" in found.words


def test_the_chosen_operation_is_the_published_one_applied_by_hand():
    lon, lat, height, epoch = -104.8, 39.0, 1600.0, 2026.9
    change = choose_operation(
        CRS.from_epsg(7912), CRS.from_epsg(6319), Place(-104.8, 39.0, -104.8, 39.0)
    )
    x = np.array([v[0] for v in geocentric(*(np.array([v]) for v in (lon, lat, height)), GRS80)])
    unfold = Transformer.from_pipeline(
        "+proj=pipeline +step +inv +proj=cart +ellps=GRS80 "
        "+step +proj=unitconvert +xy_in=rad +xy_out=deg"
    )
    expected = unfold.transform(*by_hand(x, epoch))
    found = change.transformer().transform(lon, lat, height, epoch)
    assert found[:2] == pytest.approx(expected[:2], abs=1e-10)
    assert found[2] == pytest.approx(expected[2], abs=1e-5)


def test_leaving_the_epoch_out_costs_three_decimetres_near_denver():
    now, then = (
        compare_frames(-104.8, 39.0, epoch, ("ITRF2014", "NAD83(2011)"))[0]
        for epoch in (2026.9, 2010.0)
    )
    assert then.horizontal == pytest.approx(1.237, abs=6e-4)
    assert np.hypot(now.east - then.east, now.north - then.north) == pytest.approx(0.29, abs=0.02)


def test_three_million_in_the_wrong_foot_is_six_feet_off():
    mix_up = foot_mix_up(3_000_000 * 0.3048, 0.0)
    assert mix_up.horizontal == pytest.approx(1.829, abs=5e-4)
    assert "6.00 ft" in mix_up.words
