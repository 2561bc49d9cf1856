from dataclasses import replace

import numpy as np
import pytest

from asfound.errors import FrameError
from asfound.geodesy import points_to_ground
from asfound.model import Frame, JobSettings, Source
from asfound.stakeout import point_targets, to_service
from asfound.units import from_decimal_year

COLORADO = JobSettings("job", Frame("EPSG:6428"))  # Colorado Central, US survey feet outside
HERE = points_to_ground(
    np.array([-104.8, -104.79]),
    np.array([39.0, 39.01]),
    np.array([1650.0, 1660.0]),
    np.full(2, np.datetime64("2026-11-25", "us")),
    Source("A", "", "", 0, 2, Frame("NAD83(2011)")),
    COLORADO,
)


def targets(**changes):
    made = point_targets(
        ["T1", "T2"], HERE.easting, HERE.northing, kind="exposure", height=HERE.height
    )
    return replace(made, **changes)


def there_and_back(service, settings=COLORADO, made=None, epoch=2026.9):
    """A list for a service, measured by that service and brought into the job's frame again."""
    made = targets() if made is None else made
    given = to_service(made, settings, service, epoch)
    ground = points_to_ground(
        given.x,
        given.y,
        given.height,
        from_decimal_year(np.full(len(given), epoch)),
        Source("B", "", "", 0, len(given), service),
        settings,
    )
    return given, ground


@pytest.mark.parametrize(
    "service",
    [
        Frame("ITRF2020"),
        Frame("ITRF2014"),
        Frame("NAD83(2011)"),
        Frame("EPSG:6428"),
        Frame("ITRF2020 / UTM zone 13N"),
        Frame("ITRF2020", 2026.9),
    ],
)
def test_a_spot_staked_out_and_measured_by_the_service_is_the_spot_within_a_tenth_of_a_millimetre(
    service,
):
    _, ground = there_and_back(service)
    np.testing.assert_allclose(ground.easting, HERE.easting, atol=1e-4)
    np.testing.assert_allclose(ground.northing, HERE.northing, atol=1e-4)
    np.testing.assert_allclose(ground.height, HERE.height, atol=1e-4)


def test_between_an_itrf_service_and_nad_83_lies_the_published_shift():
    # NAD 83(2011) minus ITRF2014 at 2026.9, 39.0N 104.8W: 1.342 E, -0.506 N, 0.881 U [m]; by the
    # parameters of the U.S. National Geodetic Survey as in the EPSG registry (operation 8970)
    given = to_service(targets(), COLORADO, Frame("ITRF2014"), 2026.9)
    east = np.radians(-104.8 - given.longitude[0]) * np.cos(np.radians(39.0)) * 6389704.0
    north = np.radians(39.0 - given.latitude[0]) * 6360716.0
    assert east == pytest.approx(1.342, abs=0.003)
    assert north == pytest.approx(-0.506, abs=0.003)
    assert 1650.0 - given.ellipsoidal_height[0] == pytest.approx(0.881, abs=0.001)
    assert "ITRF2014 to NAD83(2011)" in given.operation
    assert "(backwards)" in given.operation


def test_each_day_has_its_own_coordinates_and_the_list_says_which():
    now = to_service(targets(), COLORADO, Frame("ITRF2020"), 2026.9)
    later = to_service(targets(), COLORADO, Frame("ITRF2020"), 2031.9)
    moved = np.hypot(
        np.radians(later.longitude - now.longitude) * np.cos(np.radians(39.0)) * 6389704.0,
        np.radians(later.latitude - now.latitude) * 6360716.0,
    )
    # North America moves by about 1.7 cm a year there (ITRF2014 plate motion model)
    np.testing.assert_allclose(moved, 0.085, atol=0.02)
    assert now.epoch == 2026.9
    assert any("not modelled" in words for words in now.unmodelled)


def test_a_plate_fixed_service_needs_no_epoch_and_leaves_nothing_out():
    given = to_service(targets(), COLORADO, Frame("EPSG:6428"), 2026.9)
    assert np.isnan(given.epoch)
    assert given.unmodelled == ()
    assert given.projected
    np.testing.assert_allclose(given.x * 1200 / 3937, HERE.easting, atol=1e-4)


def test_a_job_in_a_dynamic_frame_carries_its_points_with_the_plate():
    global_job = JobSettings("job", Frame("ITRF2020 / UTM zone 13N", 2016.9))
    then = points_to_ground(
        np.array([-104.8]),
        np.array([39.0]),
        np.array([1650.0]),
        np.array(["2016-11-25"], "datetime64[us]"),
        Source("A", "", "", 0, 1, Frame("ITRF2020", 2016.9)),
        global_job,
    )
    made = point_targets(["T"], then.easting, then.northing, kind="shot", height=then.height)
    given = to_service(made, global_job, Frame("ITRF2020 / UTM zone 13N"), 2026.9)
    moved = np.hypot(given.x - then.easting, given.y - then.northing)
    assert 0.12 < moved[0] < 0.20  # ten years of the North American plate
    assert any("carried from 2016.90 to 2026.90" in words for words in given.unmodelled)
    # the same point by way of a service that moves with the plate does not move
    fixed = [
        to_service(made, global_job, Frame("NAD83(2011)"), day, measured_epoch=2016.9)
        for day in (2016.9, 2026.9)
    ]
    assert abs(fixed[0].longitude[0] - fixed[1].longitude[0]) < 2e-9


def test_a_dynamic_job_of_unknown_day_is_refused():
    job = JobSettings("job", Frame("ITRF2020 / UTM zone 13N"))
    here = targets(easting=np.array([517000.0] * 2), northing=np.array([4316000.0] * 2))
    with pytest.raises(FrameError, match="of which day"):
        to_service(here, job, Frame("NAD83(2011)"), 2026.9)


def test_a_loose_frame_name_is_refused_as_it_is_for_shots():
    with pytest.raises(FrameError, match="WGS 84"):
        to_service(targets(), COLORADO, Frame("EPSG:4979"), 2026.9)
    carried = to_service(targets(), COLORADO, Frame("EPSG:4979"), 2026.9, position_accuracy=2.0)
    assert carried.accuracy == 2.0
    assert carried.covariance[0, 0, 0] == pytest.approx(2.0)


def test_targets_without_heights_are_staked_out_in_plan():
    made = targets(height=np.array([np.nan, HERE.height[1]]))
    given, ground = there_and_back(Frame("ITRF2020"), made=made)
    assert np.isnan(given.height[0])
    assert any("1 of 2 targets have no height" in words for words in given.unmodelled)
    np.testing.assert_allclose(ground.easting, HERE.easting, atol=2e-3)


def moved_in_ten_years(longitude, latitude, frame, plate=""):
    settings = JobSettings("job", Frame(frame, 2016.9))
    then = points_to_ground(
        np.array([longitude]),
        np.array([latitude]),
        np.array([50.0]),
        np.array(["2016-11-25"], "datetime64[us]"),
        Source("A", "", "", 0, 1, Frame("ITRF2020", 2016.9)),
        settings,
    )
    made = point_targets(["T"], then.easting, then.northing, kind="shot", height=then.height)
    given = to_service(made, settings, Frame(frame), 2026.9, plate=plate)
    return given, np.array([given.x[0] - then.easting[0], given.y[0] - then.northing[0]])


def test_inside_a_plate_points_move_by_the_frames_own_plate_model():
    # Eurasia in ITRF2020 at 52N 10E, by hand: rotation x position of Altamimi and others (2023),
    # table 1, and the origin rate of their table 2
    mas = np.radians(1 / 3.6e6)
    phi, lam = np.radians([52.0, 10.0])
    radius = 6378137.0 / np.sqrt(1 - 0.00669438 * np.sin(phi) ** 2)
    x = radius * np.array(
        [np.cos(phi) * np.cos(lam), np.cos(phi) * np.sin(lam), (1 - 0.00669438) * np.sin(phi)]
    )
    v = np.cross(np.array([-0.085, -0.519, 0.753]) * mas, x) + np.array([0.37, 0.35, 0.74]) / 1000
    east = -np.sin(lam) * v[0] + np.cos(lam) * v[1]
    north = -np.sin(phi) * (np.cos(lam) * v[0] + np.sin(lam) * v[1]) + np.cos(phi) * v[2]
    given, moved = moved_in_ten_years(10.0, 52.0, "ITRF2020 / UTM zone 32N")
    # the grid's scale and convergence change some tenths of a millimetre
    np.testing.assert_allclose(moved, [10 * east, 10 * north], atol=3e-3)
    assert "ITRF2020-PMM" in given.operation
    assert any("0.010 m and 0.10 m in these 10.0 years" in words for words in given.unmodelled)
    assert 0.002 < np.sqrt(given.covariance[0, 0, 0]) < 0.006


def test_between_plates_nothing_is_chosen_and_a_named_plate_carries_the_deformation():
    _, alone = moved_in_ten_years(-118.2, 34.0, "ITRF2020 / UTM zone 11N")
    given, named = moved_in_ten_years(-118.2, 34.0, "ITRF2020 / UTM zone 11N", "Pacific")
    assert "Pacific" in given.operation
    assert np.hypot(*(named - alone)) > 0.2  # across the San Andreas, about 5 cm a year
    assert any("0.20 m in that time (1 sigma)" in words for words in given.unmodelled)
    assert np.sqrt(given.covariance[0, 0, 0]) > 0.19
    with pytest.raises(FrameError, match="no plate is called"):
        moved_in_ten_years(-118.2, 34.0, "ITRF2020 / UTM zone 11N", "Atlantis")


def test_where_no_plate_is_known_the_loss_is_said_with_its_size():
    given, moved = moved_in_ten_years(-30.0, 10.0, "ITRF2020 / UTM zone 26N")
    assert np.hypot(*moved) < 1e-4
    assert any("up to 0.80 m are not modelled" in words for words in given.unmodelled)
