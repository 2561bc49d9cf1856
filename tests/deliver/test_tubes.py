"""The area about an axis, where the axis doubles back on itself."""

from __future__ import annotations

import numpy as np

from asfound.deliver.shapes import tube


def test_an_axis_that_doubles_back_without_width_gives_areas_only():
    # There along east and back with no width, then on with some.
    easting = np.array([0.0, 10.0, 0.0, 0.0])
    northing = np.array([0.0, 0.0, 0.0, 10.0])
    bearing = np.array([np.pi / 2, np.pi / 2, -np.pi / 2, 0.0])
    area = tube(easting, northing, bearing, np.array([0.0, 0.0, 0.0, 0.5]))
    assert area.geom_type in ("Polygon", "MultiPolygon")
    assert area.is_valid
    assert area.area > 0.0


def test_an_axis_without_any_width_is_no_area():
    line = np.array([0.0, 10.0, 20.0])
    area = tube(line, np.zeros(3), np.full(3, np.pi / 2), np.zeros(3))
    assert area.is_empty
