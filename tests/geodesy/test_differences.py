import numpy as np
import pytest

from asfound.errors import FrameError
from asfound.geodesy import compare_frames, foot_mix_up


def test_frames_that_apply_at_a_place_are_compared_by_themselves():
    pairs = {(d.source, d.target) for d in compare_frames(-104.8, 39.0, 2026.9)}
    assert ("ITRF2020", "NAD83(2011)") in pairs
    assert ("ITRF2014", "NAD83(2011)") in pairs
    # Canada's box in the registry reaches down to Colorado; its frames must not.
    assert {target for _, target in pairs} == {"NAD83(2011)"}
    there = {d.target for d in compare_frames(145.0, -37.8, 2026.9)}
    assert {"GDA2020", "GDA94"} == there


def test_words_say_size_and_direction_of_the_mistake():
    (found,) = compare_frames(-104.8, 39.0, 2026.9, ("ITRF2020", "NAD83(2011)"))
    # The local frame's coordinates lie east and south of the service's: so the service's
    # reading, taken for the local frame, lands to the west and north.
    assert found.east > 0.0 > found.north
    assert np.pi < found.bearing < 2.0 * np.pi
    assert found.words == (
        "a service in ITRF2020 at 2026.9 reads 1.433 m from NAD83(2011) here, to the "
        "west-north-west, and 0.883 m low"
    )


def test_staking_out_in_the_wrong_frame_ends_where_the_receiver_shows_the_entered_numbers():
    # By definition, not by our own difference: one stands where the service's coordinates equal
    # the numbers entered, so where NAD 83 coordinates are larger by once more the difference.
    # NAD 83(2011) minus ITRF2014 at 39.0N 104.8W, 2026.9: +1.342 E, -0.506 N (EPSG 8970).
    (found,) = compare_frames(-104.8, 39.0, 2026.9, ("ITRF2014", "NAD83(2011)"))
    east, north = 1.342, -0.506
    assert np.degrees(np.arctan2(east, north)) == pytest.approx(110.7, abs=0.1)  # east-south-east
    assert found.standing == (
        "stake out NAD83(2011) coordinates with a service in ITRF2014, and you stand 1.435 m to "
        "the east-south-east"
    )


@pytest.mark.parametrize("epoch", [20264.0, 26.9, 1066.0, float("nan")])
def test_an_epoch_that_cant_be_meant_is_refused(epoch):
    with pytest.raises(FrameError, match="no place and time"):
        compare_frames(-104.8, 39.0, epoch, ("ITRF2014", "NAD83(2011)"))


def test_the_other_way_round_is_the_opposite():
    (there,) = compare_frames(9.0, 48.0, 2026.9, ("ETRF2000", "ETRF2014"))
    (back,) = compare_frames(9.0, 48.0, 2026.9, ("ETRF2014", "ETRF2000"))
    assert (there.east, there.north, there.up) == pytest.approx(
        (-back.east, -back.north, -back.up), abs=1e-6
    )


def test_frames_that_are_the_same_here_are_said_to_be():
    (found,) = compare_frames(-75.0, 45.2, 2026.9, ("NAD83(2011)", "NAD83(CSRS)v8"))
    assert "reads the same as" in found.words


def test_a_pair_that_cannot_be_compared_says_why():
    (found,) = compare_frames(-46.6, -23.5, 2026.9, ("ITRF2020", "SIRGAS 2000"))
    assert np.isnan(found.horizontal)
    assert "can't be compared" in found.words
    (found,) = compare_frames(-104.8, 39.0, 2026.9, ("WGS 84", "NAD83(2011)"))
    assert np.isnan(found.horizontal)
    assert "2 m" in found.words


def test_the_plate_carries_a_service_away_as_years_go_by():
    sizes = [
        compare_frames(145.0, -37.8, epoch, ("ITRF2014", "GDA2020"))[0].horizontal
        for epoch in (2020.0, 2021.0, 2030.0)
    ]
    assert sizes[0] < 0.001  # GDA2020 is ITRF2014 at 2020.0 by definition
    assert 0.05 < sizes[1] < 0.07
    assert sizes[2] == pytest.approx(10 * sizes[1], rel=0.01)


@pytest.mark.parametrize(("lon", "lat"), [(0.0, 91.0), (0.0, np.nan), (400.0, 0.0)])
def test_places_that_are_none_are_refused(lon, lat):
    with pytest.raises(FrameError, match="no place and time"):
        compare_frames(lon, lat, 2026.9)


def test_the_foot_mix_up_grows_with_the_coordinates():
    small, large = foot_mix_up(1000.0, 0.0), foot_mix_up(914_400.0, 304_800.0)
    assert small.horizontal == pytest.approx(0.002, abs=1e-6)
    assert large.horizontal == pytest.approx(np.hypot(914_400, 304_800) * 2e-6, rel=1e-5)


def test_where_no_plate_fixed_frame_is_known_the_global_ones_are_compared():
    (found,) = compare_frames(77.0, 28.0, 2026.9)
    assert (found.source, found.target) == ("ITRF2020", "ITRF2014")
    assert found.horizontal < 0.01
