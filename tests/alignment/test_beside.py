"""The search for paths beside paths against plain distances of every node from every segment."""

import numpy as np
import pytest
from shapely import LineString, Point

from asfound.alignment._alongside import (
    merge_alongside,
    nearest_beside,
    places_in_paths,
    take_in_small,
)
from asfound.alignment._points import Paths, Points
from asfound.alignment._tails import shed_by_log, shed_tails, usual_step
from asfound.alignment._tees import find_tees


def points_at(x, y, key=0, scatter=0.05):
    count = len(x)
    key = np.broadcast_to(np.asarray(key, np.int32), count).copy()
    return Points(
        shot=np.arange(count),
        x=np.asarray(x, float),
        y=np.asarray(y, float),
        key=key,
        chain=np.zeros(count, np.int32),
        hookup=np.full(count, -1, np.int32),
        log=np.arange(count),
        upload=np.zeros(count, np.int32),
        scatter=np.broadcast_to(np.asarray(scatter, float), count).copy(),
        named=np.zeros(int(key.max(initial=0)) + 1, bool),
    )


def wandering(rng, paths, keys=2, extent=60.0, longest=60):
    """Paths of all sizes that cross, touch and run beside each other; some steps are very long."""
    sizes = rng.integers(1, longest, paths)
    x, y = [], []
    for size in sizes:
        bearing = rng.uniform(0, 6) + np.cumsum(rng.normal(0, 0.3, size))
        step = np.where(rng.random(size) < 0.03, 90.0, rng.uniform(0.2, 6.0))
        x.append(rng.uniform(0, extent) + np.cumsum(step * np.sin(bearing)))
        y.append(rng.uniform(0, extent) + np.cumsum(step * np.cos(bearing)))
    key = np.repeat(rng.integers(0, keys, paths), sizes)
    count = int(sizes.sum())
    scatter = rng.choice([0.05, 0.3, 3.0], count, p=[0.8, 0.15, 0.05])
    nodes = rng.permutation(count)
    place = np.empty((2, count))
    place[:, nodes] = np.concatenate(x), np.concatenate(y)
    key_of, scatter_of = np.empty(count, np.int32), np.empty(count)
    key_of[nodes], scatter_of[nodes] = key, scatter
    return points_at(*place, key_of, scatter_of), Paths.of_sizes(nodes, sizes)


def plain_nearest(points, paths, key, position, own, reach):
    """Nearest path, and the distance, from each segment in turn."""
    best = (-1, np.inf)
    px, py = points.x[paths.nodes[position]], points.y[paths.nodes[position]]
    for path in np.flatnonzero((key == key[own]) & (paths.sizes > 1)):
        if path == own:
            continue
        node = paths.nodes[paths.starts[path] : paths.starts[path + 1]]
        line = LineString(np.column_stack((points.x[node], points.y[node])))
        distance = line.distance(Point(px, py))
        if distance <= reach and distance < best[1]:
            best = (path, distance)
    return best


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("everyone", [True, False])
def test_the_nearest_path_beside_each_node_is_found(seed, everyone):
    rng = np.random.default_rng(seed)
    points, paths = wandering(rng, 25)
    key = points.key[paths.nodes[paths.starts[:-1]]]
    chosen = np.arange(25) if everyone else np.flatnonzero(rng.random(25) < 0.4)
    given = np.where(rng.random(len(chosen)) < 0.5, rng.uniform(0, 5, len(chosen)), np.nan)
    asked = chosen, paths.starts[chosen], paths.starts[chosen + 1] - 1
    beside = nearest_beside(points, paths, key, asked, given, everyone)
    found = dict(zip(beside.who.tolist(), range(len(beside)), strict=True))
    assert np.all(np.diff(beside.who) > 0)
    number = 0
    for path, fixed in zip(chosen, given, strict=True):
        for position in range(paths.starts[path], paths.starts[path + 1]):
            scatter = points.scatter[paths.nodes[position]]
            reach = 0.35 + 2.0 * (scatter - 0.05) if np.isnan(fixed) else fixed
            other, distance = plain_nearest(points, paths, key, position, path, reach)
            assert (position in found) == (other >= 0)
            if other >= 0:
                k = found[position]
                assert beside.other[k] == other
                assert beside.distance[k] == pytest.approx(distance, abs=1e-9)
                number += 1
    assert number > 5


def test_a_node_beside_a_segment_finds_its_place_along_it():
    points = points_at([0.0, 10.0, 20.0, 13.0], [0.0, 0.0, 0.0, 0.4])
    paths = Paths.of_sizes(np.arange(4), np.array([3, 1]))
    one = np.array([1]), np.array([3]), np.array([3])
    beside = nearest_beside(points, paths, np.zeros(2, np.int32), one, np.array([0.5]))
    assert beside.other.tolist() == [0]
    assert beside.begin.tolist() == [1]
    assert beside.share[0] == pytest.approx(0.3)
    assert beside.distance[0] == pytest.approx(0.4)


@pytest.mark.parametrize("seed", range(4))
def test_merging_keeps_every_point_once(seed):
    points, paths = wandering(np.random.default_rng(seed), 40, keys=1)
    merged = merge_alongside(points, paths, np.zeros(len(points), bool))
    assert sorted(merged.nodes.tolist()) == list(range(len(points)))
    assert merged.starts[-1] == len(points)
    assert np.all(merged.sizes > 0)


@pytest.mark.parametrize("backward", [False, True])
def test_a_stretch_taken_again_is_merged_in_order_of_station(backward):
    first, second = np.arange(0.0, 100.0, 5.0), np.arange(41.7, 120.0, 4.0)
    if backward:
        second = second[::-1]
    x = np.concatenate((first, second))
    points = points_at(x, np.repeat([0.0, 0.1], [len(first), len(second)]))
    paths = Paths.of_sizes(np.arange(len(x)), np.array([len(first), len(second)]))
    merged = merge_alongside(points, paths, np.zeros(len(x), bool))
    assert len(merged) == 1
    assert np.all(np.diff(x[merged.nodes]) > 0)


def test_points_that_stay_alone_are_not_merged():
    x = np.concatenate((np.arange(0.0, 50.0, 5.0), [12.0]))
    points = points_at(x, np.zeros(11))
    paths = Paths.of_sizes(np.arange(11), np.array([10, 1]))
    alone = np.zeros(11, bool)
    assert len(merge_alongside(points, paths, alone)) == 1
    alone[10] = True
    assert len(merge_alongside(points, paths, alone)) == 2


@pytest.mark.parametrize("between", [True, False])
def test_a_single_point_logged_between_two_of_a_path_may_lie_farther_off_it(between):
    x, y = np.arange(0.0, 50.0, 5.0), np.zeros(10)
    at = 4 if between else 10
    x, y = np.insert(x, at, 18.0), np.insert(y, at, 2.0)
    points = points_at(x, y)
    rest = np.delete(np.arange(11), at)
    paths = Paths.of_sizes(np.append(rest, at), np.array([10, 1]))
    where = places_in_paths(points, paths)
    assert where[paths.nodes].tolist() == list(range(11))
    alone = np.zeros(11, bool)
    assert len(take_in_small(points, paths, alone)) == 2
    assert len(take_in_small(points, paths, alone, where)) == (1 if between else 2)


@pytest.mark.parametrize("seed", range(3))
def test_the_usual_step_is_the_lower_median_of_at_most_sixteen_steps(seed):
    points, paths = wandering(np.random.default_rng(seed), 30)
    for path, usual in enumerate(usual_step(points, paths)):
        node = paths.nodes[paths.starts[path] : paths.starts[path + 1]]
        step = np.hypot(np.diff(points.x[node]), np.diff(points.y[node]))
        if len(step) == 0:
            assert np.isnan(usual)
            continue
        taken = min(len(step), 16)
        sample = np.sort(step[np.arange(taken) * len(step) // taken])
        assert usual == pytest.approx(sample[(taken - 1) // 2], abs=1e-12)


def test_an_end_that_hangs_on_by_a_long_step_or_at_an_angle_is_cut_off():
    x = np.concatenate((np.arange(0.0, 50.0, 5.0), [60.0]))
    straight = points_at(np.arange(0.0, 55.0, 5.0), np.zeros(11))
    paths = Paths.of_sizes(np.arange(11), np.array([11]))
    assert shed_tails(straight, paths).sizes.tolist() == [11]
    assert shed_tails(points_at(x, np.zeros(11)), paths).sizes.tolist() == [10, 1]
    aside = points_at(np.arange(0.0, 55.0, 5.0), np.append(4.0, np.zeros(10)))
    assert shed_tails(aside, paths).sizes.tolist() == [1, 10]


def test_an_end_that_the_log_has_inside_another_path_is_cut_off():
    # point 4 was logged in the middle of one path and drawn onto the end of the other
    one, two = [0, 1, 2, 3, 5, 6, 7], [8, 9, 10, 11, 4]
    east = np.array([0.0, 5, 10, 15, 20, 25, 30, 35, 0, 5, 10, 15])
    points = points_at(east, np.where(np.isin(np.arange(12), two), 3.0, 0.0))
    paths = Paths.of_sizes(np.array(one + two), np.array([7, 5]))
    cut, shed = shed_by_log(points, paths, places_in_paths(points, paths))
    assert shed.tolist() == [4]
    assert cut.sizes.tolist() == [7, 4, 1]
    head = Paths.of_sizes(np.array(two[::-1] + one[::-1]), np.array([5, 7]))
    cut, shed = shed_by_log(points, head, places_in_paths(points, head))
    assert shed.tolist() == [4]
    assert cut.sizes.tolist() == [1, 4, 7]


def test_a_branch_meets_the_main_where_its_direction_leads():
    main = np.arange(0.0, 50.0, 5.0)
    x = np.concatenate((main, np.full(5, 22.0)))
    y = np.concatenate((np.zeros(10), np.arange(13.0, 0.0, -3.0)))
    paths = Paths.of_sizes(np.arange(15), np.array([10, 5]))
    tx, ty = np.repeat([1.0, 0.0], [10, 5]), np.repeat([0.0, -1.0], [10, 5])
    points, kind = points_at(x, y), np.ones(2, np.int8)
    usual = usual_step(points, paths)
    found = find_tees(points, paths, kind, usual, tx, ty, np.zeros(2, bool))
    branch, into, end, hit_x, hit_y = (part.tolist() for part in found)
    assert (branch, into, end) == ([1], [0], [1])
    assert hit_x == pytest.approx([22.0])
    assert hit_y == pytest.approx([0.0], abs=1e-12)
