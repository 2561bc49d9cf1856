from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS, Transformer

from asfound.errors import FrameError
from asfound.geodesy import (
    GRS80,
    Place,
    choose_operation,
    local_offset,
    points_to_ground,
    resolve_frame,
    tip_offset,
    to_ground,
)
from asfound.model import Frame, JobSettings, Shots, Source
from asfound.units import decimal_year

NOON = np.datetime64("2026-11-17T12:00:00", "us")
# Upload's frame, job's frame, longitude, latitude: every continent, metres and both feet.
JOBS = [
    ("ITRF2020", "EPSG:6428", -104.8, 39.0),
    ("NAD83(2011)", "EPSG:6499", -84.6, 42.8),
    ("NAD83(2011)", "EPSG:6394", -133.0, 57.0),
    ("ITRF2020", "EPSG:25832", 9.0, 48.0),
    ("ETRF2000", "ETRF2000 / UTM zone 33N", 15.0, 52.0),
    ("ITRF2014", "EPSG:7855", 145.0, -37.8),
    ("NZGD2000", "EPSG:2193", 174.7, -36.8),
    ("SIRGAS 2000", "EPSG:31983", -46.6, -23.5),
    ("JGD2011", "EPSG:6677", 139.7, 35.7),
    ("ITRF2020", "ITRF2020 / UTM zone 43N", 77.0, 28.0),
    ("Hartebeesthoek94", "Hartebeesthoek94 / UTM zone 34S", 19.0, -33.5),
    ("ITRF2020", "EPSG:22718", -75.0, 45.4),
]


def source(crs, **options):
    frame = {k: options.pop(k) for k in ("epoch", "height_kind", "geoid") if k in options}
    return Source("A", "day.csv", "", 0, 0, Frame(crs, **frame), **options)


def job(crs, grids=(), **options):
    return JobSettings("test", Frame(crs, **options), grids=grids)


def cloud(longitude, latitude, count=40, **columns):
    rng = np.random.default_rng(3)
    return Shots.build(
        longitude + rng.uniform(-0.02, 0.02, count),
        latitude + rng.uniform(-0.02, 0.02, count),
        **{
            "height": rng.uniform(0, 2000, count),
            "time": NOON + np.arange(count) * np.timedelta64(1, "D"),
            "antenna_height": 2.0,
            **columns,
        },
    )


@pytest.mark.parametrize(("frame", "crs", "longitude", "latitude"), JOBS)
def test_the_recorded_operation_alone_gives_the_same_coordinates(frame, crs, longitude, latitude):
    shots = cloud(longitude, latitude)
    ground = to_ground(shots, [source(frame, position_of="ground")], job(crs))
    (operation,) = ground.operations
    alone = Transformer.from_pipeline(operation.definition)
    x, y, z, _ = alone.transform(shots.x, shots.y, shots.height, decimal_year(shots.time))
    assert ground.easting == pytest.approx(x * ground.unit_metres, abs=1e-7)
    assert ground.northing == pytest.approx(y * ground.unit_metres, abs=1e-7)
    assert ground.height == pytest.approx(z, abs=1e-7)
    assert ground.ellipsoidal_height == pytest.approx(z, abs=1e-7)


@pytest.mark.parametrize(("frame", "crs", "longitude", "latitude"), JOBS)
def test_there_and_back_is_within_a_tenth_of_a_millimetre(frame, crs, longitude, latitude):
    shots = cloud(longitude, latitude)
    ground = to_ground(shots, [source(frame, position_of="ground")], job(crs))
    back = Transformer.from_pipeline(ground.operations[0].definition).transform(
        ground.easting / ground.unit_metres,
        ground.northing / ground.unit_metres,
        ground.height,
        decimal_year(shots.time),
        direction="INVERSE",
    )
    metres = 111_000 * np.array([back[0] - shots.x, back[1] - shots.y])
    assert np.abs(metres).max() < 1e-4
    assert np.abs(back[2] - shots.height).max() < 1e-4


@settings(max_examples=40, deadline=None)
@given(st.floats(-106, -103), st.floats(38, 40), st.floats(-100, 4000), st.floats(2010, 2040))
def test_any_point_comes_back_within_a_tenth_of_a_millimetre(lon, lat, height, epoch):
    shots = Shots.build(np.array([lon]), np.array([lat]), height=height)
    ground = to_ground(
        shots, [source("ITRF2020", epoch=epoch, position_of="ground")], job("EPSG:6428")
    )
    back = Transformer.from_pipeline(ground.operations[0].definition).transform(
        ground.easting / ground.unit_metres,
        ground.northing / ground.unit_metres,
        ground.height,
        np.array([epoch]),
        direction="INVERSE",
    )
    assert abs(back[0][0] - lon) * 111_000 < 1e-4
    assert abs(back[1][0] - lat) * 111_000 < 1e-4
    assert abs(back[2][0] - height) < 1e-4


def test_the_antenna_is_brought_down_the_leaning_pole_before_the_frame_changes():
    rng = np.random.default_rng(4)
    tilt, bearing = rng.uniform(0, 0.4, 40), rng.uniform(0, 2 * np.pi, 40)
    shots = cloud(-104.8, 39.0, tilt=tilt, tilt_bearing=bearing)
    at_tip = to_ground(shots, [source("NAD83(2011)")], job("EPSG:6428"))
    expected = np.column_stack(tip_offset(shots.antenna_height, tilt, bearing))
    for k in range(40):
        found = local_offset(
            at_tip.longitude[k : k + 1], at_tip.latitude[k : k + 1],
            at_tip.ellipsoidal_height[k : k + 1],
            shots.x[k], shots.y[k], shots.height[k], GRS80,
        )  # fmt: skip
        assert [float(v[0]) for v in found] == pytest.approx(expected[k], abs=1e-5)


def test_positions_declared_on_the_ground_are_left_there():
    shots = cloud(-104.8, 39.0, tilt=0.3, tilt_bearing=1.0)
    ground = to_ground(shots, [source("NAD83(2011)", position_of="ground")], job("EPSG:6428"))
    assert ground.height == pytest.approx(shots.height)


def test_the_uploads_antenna_height_fills_in_and_a_missing_one_costs_the_height_only():
    shots = cloud(-104.8, 39.0, antenna_height=np.r_[np.full(20, 1.8), np.full(20, np.nan)])
    filled = to_ground(shots, [source("NAD83(2011)", antenna_height=2.1)], job("EPSG:6428"))
    assert filled.height == pytest.approx(shots.height - np.r_[np.full(20, 1.8), np.full(20, 2.1)])
    bare = to_ground(shots, [source("NAD83(2011)")], job("EPSG:6428"))
    assert np.isnan(bare.height[20:]).all()
    assert np.isfinite(bare.height[:20]).all()
    assert bare.easting == pytest.approx(filled.easting)


def test_missing_heights_pass_through_and_cost_less_than_a_millimetre():
    shots = cloud(-104.8, 39.0)
    known = to_ground(shots, [source("ITRF2020")], job("EPSG:6428"))
    blind = to_ground(cloud(-104.8, 39.0, height=np.nan), [source("ITRF2020")], job("EPSG:6428"))
    assert np.isnan(blind.height).all()
    assert np.isnan(blind.combined_factor).all()
    assert blind.easting == pytest.approx(known.easting, abs=1e-3)
    assert blind.northing == pytest.approx(known.northing, abs=1e-3)


def test_positions_that_are_missing_or_impossible_become_nan_and_none_is_dropped():
    shots = cloud(-104.8, 39.0)
    x, y = shots.x.copy(), shots.y.copy()
    x[3], y[4], y[5] = np.nan, np.inf, 991.0
    shots = replace(shots, x=x, y=y)
    ground = to_ground(shots, [source("ITRF2020")], job("EPSG:6428"))
    assert len(ground) == 40
    lost = [3, 4, 5]
    for values in (
        ground.easting, ground.northing, ground.height, ground.longitude, ground.convergence,
    ):  # fmt: skip
        assert np.isnan(values[lost]).all()
        assert np.isfinite(np.delete(values, lost)).all()


def test_uploads_in_different_frames_meet_in_the_job():
    # One physical point, as two services see it.
    change = choose_operation(
        resolve_frame("ITRF2020"), resolve_frame("NAD83(2011)"), Place(-104.8, 39.0, -104.8, 39.0)
    )
    to_nad83 = change.transformer()
    lon, lat, height, _ = to_nad83.transform(-104.8, 39.0, 1600.0, 2026.9)
    shots = Shots.build(
        np.array([-104.8, lon]), np.array([39.0, lat]),
        height=np.array([1600.0, height]), source=np.array([0, 1], np.int16),
    )  # fmt: skip
    uploads = [
        source("ITRF2020", epoch=2026.9, position_of="ground"),
        source("NAD83(2011)", position_of="ground"),
    ]
    ground = to_ground(shots, uploads, job("EPSG:6428"))
    assert ground.easting[0] == pytest.approx(ground.easting[1], abs=1e-6)
    assert ground.northing[0] == pytest.approx(ground.northing[1], abs=1e-6)
    assert ground.height[0] == pytest.approx(ground.height[1], abs=1e-6)
    assert list(ground.operation) == [0, 1]
    assert [o.epoch for o in ground.operations] == ["2026.9", "not needed"]
    assert ground.epoch[0] == 2026.9
    assert np.isnan(ground.epoch[1])


def test_a_projected_upload_in_feet_is_read_in_its_own_unit():
    shots = cloud(-104.8, 39.0)
    ground = to_ground(shots, [source("NAD83(2011)")], job("EPSG:6428"))
    again = Shots.build(
        ground.easting / ground.unit_metres, ground.northing / ground.unit_metres,
        height=ground.height,
    )  # fmt: skip
    back = to_ground(again, [source("EPSG:6428", position_of="ground")], job("EPSG:6427"))
    assert back.longitude == pytest.approx(ground.longitude, abs=1e-11)
    assert back.unit_metres == 1.0
    assert ground.unit_metres == pytest.approx(1200 / 3937, abs=1e-15)
    assert back.easting == pytest.approx(ground.easting, abs=2e-4)


def test_a_dynamic_frame_without_time_or_epoch_is_refused_naming_rows():
    times = np.full(40, NOON)
    times[[4, 9]] = np.datetime64("NaT")
    with pytest.raises(FrameError) as caught:
        to_ground(cloud(-104.8, 39.0, time=times), [source("ITRF2020")], job("EPSG:6428"))
    assert "rows 5, 10 have no time" in caught.value.what
    assert "ITRF2020" in caught.value.what
    assert caught.value.where == "upload A (day.csv)"
    assert "epoch" in caught.value.remedy


def test_a_declared_epoch_holds_for_the_whole_upload():
    shots = cloud(-104.8, 39.0, time=np.datetime64("NaT"))
    ground = to_ground(shots, [source("ITRF2020", epoch=2010.0)], job("EPSG:6428"))
    assert (ground.epoch == 2010.0).all()
    later = to_ground(shots, [source("ITRF2020", epoch=2026.9)], job("EPSG:6428"))
    moved = np.hypot(later.easting - ground.easting, later.northing - ground.northing)
    assert moved == pytest.approx(0.29, abs=0.02)  # the trap of the missing epoch


def test_static_frames_need_no_time():
    shots = cloud(-104.8, 39.0, time=np.datetime64("NaT"))
    ground = to_ground(shots, [source("NAD83(2011)")], job("EPSG:6428"))
    assert ground.operations[0].epoch == "not needed"
    assert ground.operations[0].accuracy == 0.0
    assert np.isnan(ground.epoch).all()


def test_a_job_fixed_to_an_epoch_of_a_dynamic_frame_takes_only_shots_of_that_time():
    near = to_ground(
        cloud(77.0, 28.0), [source("ITRF2020")], job("ITRF2020 / UTM zone 43N", epoch=2026.9)
    )
    assert np.isfinite(near.easting).all()
    with pytest.raises(FrameError, match="plates move"):
        to_ground(
            cloud(77.0, 28.0), [source("ITRF2020")], job("ITRF2020 / UTM zone 43N", epoch=2020.0)
        )


def test_the_two_metres_of_wgs_84_are_carried_once_not_twice():
    shots = cloud(-104.8, 39.0)
    with pytest.raises(FrameError, match="upload A"):
        to_ground(shots, [source("WGS 84")], job("EPSG:6428"))
    ground = to_ground(shots, [source("WGS 84", position_accuracy=2.0)], job("EPSG:6428"))
    assert ground.operations[0].accuracy == 0.0  # the label carries it
    assert "carried by the upload" in ground.operations[0].name


@pytest.mark.parametrize(
    ("crs", "says"),
    [
        ("EPSG:6319", "EPSG:6427"),
        ("EPSG:32755", "meant for"),
        ("EPSG:7855", "meant for"),
        ("EPSG:3857", "display"),
        ("", "no reference frame"),
    ],
)
def test_job_frames_that_do_not_suit_are_refused_with_a_remedy(crs, says):
    with pytest.raises(FrameError) as caught:
        to_ground(cloud(-104.8, 39.0), [source("NAD83(2011)")], job(crs))
    assert says in caught.value.what + caught.value.remedy
    assert caught.value.remedy
    assert caught.value.where == "the job's frame"


def test_a_grid_that_runs_west_and_south_is_refused_with_one_that_does_not():
    with pytest.raises(FrameError, match="Hartebeesthoek94 / UTM zone 34S"):
        to_ground(cloud(19.0, -33.5), [source("Hartebeesthoek94")], job("EPSG:2048"))


def test_shots_far_outside_the_jobs_area_are_an_error_naming_both():
    with pytest.raises(FrameError) as caught:
        to_ground(cloud(9.0, 48.0), [source("ITRF2020")], job("EPSG:6428"))
    assert "48.0" in caught.value.what
    assert "Colorado" in caught.value.what


def test_one_stray_does_not_stop_the_job():
    shots = cloud(-104.8, 39.0)
    x = shots.x.copy()
    x[7] = 104.8
    shots = replace(shots, x=x)
    ground = to_ground(shots, [source("ITRF2020")], job("EPSG:6428"))
    assert np.isfinite(np.delete(ground.easting, 7)).all()
    clean = to_ground(cloud(-104.8, 39.0), [source("ITRF2020")], job("EPSG:6428"))
    assert np.delete(ground.easting, 7) == pytest.approx(np.delete(clean.easting, 7), abs=1e-9)
    assert ground.operations == clean.operations


def test_no_shots_give_no_ground_and_no_error():
    empty = Shots.build(np.empty(0), np.empty(0))
    ground = to_ground(empty, [source("ITRF2020")], job("EPSG:6428"))
    assert len(ground) == 0
    assert len(to_ground(empty, [], job("EPSG:6428"))) == 0


def test_shots_of_no_upload_are_refused():
    with pytest.raises(FrameError, match="no upload"):
        to_ground(cloud(-104.8, 39.0, source=3), [source("ITRF2020")], job("EPSG:6428"))


def test_points_on_the_ground_go_the_same_way_without_the_antenna():
    shots = cloud(-104.8, 39.0)
    expected = to_ground(shots, [source("ITRF2020", position_of="ground")], job("EPSG:6428"))
    found = points_to_ground(
        shots.x, shots.y, shots.height, shots.time, source("ITRF2020"), job("EPSG:6428")
    )
    assert found.easting == pytest.approx(expected.easting, abs=1e-12)
    assert found.height == pytest.approx(expected.height, abs=1e-12)


def test_a_frame_from_paris_in_grads_comes_out_in_degrees_from_greenwich():
    # NTF (Paris) / Lambert zone II: its longitudes count from 2.33722917 degrees east.
    crs = CRS.from_epsg(27572)
    assert crs.geodetic_crs.axis_info[0].unit_name == "grad"
    shots = Shots.build(np.array([700000.0]), np.array([2300000.0]), height=300.0)
    ground = to_ground(shots, [source("EPSG:27572", position_of="ground")], job("EPSG:27572"))
    assert ground.easting[0] == pytest.approx(700000.0, abs=1e-6)
    greenwich = Transformer.from_crs(crs, "EPSG:4275", always_xy=True)  # NTF, Greenwich
    lon, lat = greenwich.transform(700000.0, 2300000.0)
    assert ground.longitude[0] == pytest.approx(lon, abs=1e-8)
    assert ground.latitude[0] == pytest.approx(lat, abs=1e-8)
    assert ground.combined_factor[0] == pytest.approx(0.9999, abs=5e-4)


def test_a_grid_of_the_projects_own_can_be_the_job():
    own = "NAD83(2011) / +proj=tmerc +lat_0=39 +lon_0=-104.8 +k=1.00025 +x_0=50000 +units=us-ft"
    shots = cloud(-104.8, 39.0, height=1600.0, antenna_height=0.0)
    ground = to_ground(shots, [source("ITRF2020")], job(own))
    assert resolve_frame(own).is_projected
    # Made for ground distances at 1600 m: 1.00025 times R / (R + h) is one part in a million.
    assert ground.combined_factor == pytest.approx(1.0, abs=2e-6)


@pytest.mark.parametrize(
    ("frame", "x", "y"),
    [("NAD83(2011)", 39.0, -104.8), ("ITRF2020", 3203014.0, 1731000.0)],
)
def test_an_upload_whose_coordinates_cannot_be_in_its_frame_is_refused(frame, x, y):
    shots = Shots.build(np.full(3, x), np.full(3, y), height=1.0, time=NOON)
    with pytest.raises(FrameError, match="no position can be in") as caught:
        to_ground(shots, [source(frame)], job("EPSG:6428"))
    assert "swapped" in caught.value.remedy
    assert caught.value.where == "upload A (day.csv)"


def test_an_upload_without_any_position_has_ground_points_that_are_nan():
    shots = Shots.build(np.full(3, np.nan), np.full(3, np.nan), time=NOON)
    ground = to_ground(shots, [source("ITRF2020")], job("EPSG:6428"))
    assert np.isnan(ground.easting).all()
    assert len(ground.operations) == 1


def test_many_threads_get_the_same_result():
    shots = cloud(-104.8, 39.0, 2000)
    expected = to_ground(shots, [source("ITRF2020")], job("EPSG:6428")).easting
    with ThreadPoolExecutor(4) as pool:
        found = pool.map(
            lambda _: to_ground(shots, [source("ITRF2020")], job("EPSG:6428")).easting, range(8)
        )
        assert all((easting == expected).all() for easting in found)
