import numpy as np
import pytest

from asfound.errors import InputError
from asfound.model import Assembly, Crossing, Line, Utility
from asfound.stakeout import (
    Targets,
    crossing_targets,
    line_targets,
    point_targets,
    tee_targets,
)


def a_line(name="W1", bends=((30.0, 0.5),)):
    """East for 30 m, then north-east for 20 m; 1.2 m deep under rising ground."""
    station = np.linspace(0.0, 50.0, 51)
    turn = np.maximum(station - 30.0, 0.0)
    easting = 100.0 + np.minimum(station, 30.0) + turn * np.sin(0.8)
    northing = 200.0 + turn * np.cos(0.8)
    ground = 10.0 + 0.02 * station
    spread = 0.02 + 0.001 * station
    covariance = spread[:, None, None] ** 2 * np.diag([1.0, 1.0, 4.0])
    nothing = np.empty(0)
    return Line(
        name=name,
        utility=Utility.WATER,
        shots=np.empty(0, np.int64),
        used=np.empty(0, bool),
        weight=nothing,
        station=nothing,
        residual=np.empty((0, 3)),
        axis_station=station,
        easting=easting,
        northing=northing,
        height=ground - 1.2,
        ground_height=ground,
        bearing=np.where(station < 30.0, np.pi / 2, 0.8),
        covariance=covariance,
        independent=covariance,
        bends=np.array(bends).reshape(-1, 2),
        gaps=np.empty((0, 2)),
    )


def test_stations_stand_every_so_many_metres_with_the_ends_and_the_bend():
    targets = line_targets(a_line(), every=20.0)
    np.testing.assert_allclose(targets.station, [0.0, 20.0, 30.0, 40.0, 50.0])
    assert targets.kind == ("end", "station", "bend", "station", "end")
    assert targets.name[2] == "W1 30.00 bend"
    np.testing.assert_allclose(targets.easting[:2], [100.0, 120.0])
    np.testing.assert_allclose(targets.depth, 1.2)
    np.testing.assert_allclose(targets.height[1], 10.4)


def test_stations_next_to_a_bend_stay_however_dense_they_are():
    # every 0.1 m on 50 m: 501 stations, the first and the last of them the ends
    targets = line_targets(a_line(), every=0.1, bends=False)
    assert len(targets) == 501
    assert np.diff(targets.station) == pytest.approx(np.full(500, 0.1))


def test_stations_every_foot_count_from_station_zero_also_in_a_part():
    targets = line_targets(a_line(), every=100 * 0.3048, start=5.0, end=45.0, bends=False)
    np.testing.assert_allclose(targets.station, [5.0, 30.48, 45.0])


def test_uncertainty_between_samples_lies_between_theirs():
    targets = line_targets(a_line(), every=7.5, ends=False, bends=False)
    np.testing.assert_allclose(np.sqrt(targets.covariance[1, 0, 0]), 0.0275, rtol=1e-3)


def test_only_bends_can_be_asked_for():
    assert line_targets(a_line(), ends=False).kind == ("bend",)


@pytest.mark.parametrize(
    "wrong",
    [{"every": 0.0}, {"every": -1.0}, {"every": 0.05}, {"start": 10.0, "end": 5.0}, {"end": 51.0}],
)
def test_parts_and_distances_that_are_none_are_refused(wrong):
    with pytest.raises(InputError):
        line_targets(a_line(), **wrong)


def test_crossings_and_tees_are_targets_with_names_that_say_what_meets():
    lines = (a_line("G1"), a_line("W2"))
    crossing = Crossing(0, 1, 12.0, 3.0, 112.0, 200.0, 0.4, 0.05, np.nan, 1.0, 0.99)
    targets = crossing_targets([crossing], lines)
    assert targets.name == ("G1 over W2",)
    assert targets.easting[0] == 112.0
    assembly = Assembly(
        *(np.empty(0, t) for t in (np.int32, np.int32, float, float)),
        names=("G1", "G2"),
        utility=np.array([2, 2], np.int8),
        hookup=np.array([-1, -1], np.int32),
        tees=((1, 0, 105.0, 200.5),),
    )
    tee = tee_targets(assembly)
    assert tee.name == ("G2 off G1",)
    assert np.isnan(tee.covariance[0, 0, 0])
    assert len(crossing_targets([], lines)) == 0


def test_lists_join_and_follow_a_walking_order():
    corners = point_targets(["D1", "D2"], np.array([1.0, 2.0]), np.zeros(2), kind="dig corner")
    both = Targets.join([corners, line_targets(a_line(), every=25.0)])
    assert len(both) == 6
    turned = both.take(np.array([5, 0]))
    assert turned.name == ("W1 50.00 end", "D1")
    assert turned.kind == ("end", "dig corner")
