"""ITRF to ETRS89: the EUREF parameters, applied by hand.

Source: EPSG registry, operations 8405 (ITRF2014 to ETRF2000) and 8869 (ITRF2008 to ETRF2014), as
published by EUREF, Technical Note 1 (Altamimi): translations [mm], rotations [mas], scale [ppb] at
2010.0 and their rates a year; position-vector convention. Read in the registry's public pages, not
taken from PROJ.
"""

import numpy as np
import pytest

from asfound.geodesy import Ellipsoid, Place, choose_operation, geocentric, resolve_frame

# operation: T, R, scale; rates
EUREF = {
    ("ITRF2014", "ETRF2000"): (
        (54.7, 52.2, -74.1), (1.701, 10.29, -16.632), 2.12,
        (0.1, 0.1, -1.9), (0.081, 0.49, -0.792), 0.11,
    ),
    ("ITRF2008", "ETRF2014"): (
        (-1.6, -1.9, -2.4), (1.785, 11.151, -16.17), 0.02,
        (0.0, 0.0, 0.1), (0.085, 0.531, -0.77), -0.03,
    ),
}  # fmt: skip
PLACES = [(13.066, 52.379, 174.0), (-9.1, 38.7, 80.0), (24.4, 60.2, 94.0)]


def by_hand(xyz, parameters, epoch):
    move, turn, scale, move_rate, turn_rate, scale_rate = parameters
    years = epoch - 2010.0
    shift = 1e-3 * (np.array(move) + years * np.array(move_rate))
    x, y, z = np.radians((np.array(turn) + years * np.array(turn_rate)) / 3.6e6)
    rotation = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    return xyz + shift + 1e-9 * (scale + years * scale_rate) * xyz + rotation @ xyz


@pytest.mark.parametrize("pair", EUREF)
@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("epoch", [2010.0, 2018.5, 2026.9])
def test_itrf_to_etrs89_is_as_euref_publishes_it_to_a_tenth_of_a_millimetre(pair, place, epoch):
    longitude, latitude, height = place
    source, target = (resolve_frame(name) for name in pair)
    change = choose_operation(source, target, Place(longitude, latitude, longitude, latitude))
    assert change.needs_epoch
    lon, lat, up, _ = change.transformer().transform([longitude], [latitude], [height], [epoch])
    ellipsoid = Ellipsoid.of(target)

    def xyz(*spot):
        parts = geocentric(*(np.array([float(v)]) for v in spot), ellipsoid)
        return np.array([float(part[0]) for part in parts])

    expected = by_hand(xyz(longitude, latitude, height), EUREF[pair], epoch)
    assert xyz(lon[0], lat[0], up[0]) == pytest.approx(expected, abs=1e-4)
    # and it is no trifle: decimetres that grow by two to three centimetres a year
    assert np.linalg.norm(expected - xyz(longitude, latitude, height)) > 0.4
