"""Shots that take their place from a sweep lie there in every coordinate."""

import numpy as np
import pytest
from pyproj import Transformer

from asfound.folder import read_intake, read_settings
from asfound.folder.demonstration import build_demo
from asfound.job import process


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    folder = build_demo(tmp_path_factory.mktemp("job") / "street", 7)
    return process(read_intake(folder), read_settings(folder))


def test_longitude_and_latitude_follow_a_place_taken_from_a_sweep(results):
    # Against: PROJ itself, by EPSG codes. EPSG:6318 is NAD83(2011), the demonstration's base.
    rows = np.array([item.shot for item in results.corrections])
    assert len(rows)
    assert max(abs(item.shift_left) for item in results.corrections) > 0.02
    ground = results.ground
    crs = results.settings.frame.crs
    back = Transformer.from_crs("EPSG:6318", crs, always_xy=True)
    east, north = back.transform(ground.longitude, ground.latitude)
    given = np.isfinite(ground.easting) & np.isfinite(ground.longitude)
    away = np.hypot(
        east * ground.unit_metres - ground.easting, north * ground.unit_metres - ground.northing
    )
    assert given[rows].all()
    assert away[given].max() < 1e-6
