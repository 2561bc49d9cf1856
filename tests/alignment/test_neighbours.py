"""Searches among neighbours and links between them, against trees and plain counting."""

import numpy as np
import pytest
from scipy.spatial import KDTree

from asfound.alignment._neighbours import _in_cells, _nearest, neighbour_paths
from asfound.alignment._neighbours_kernels import MERGE, REACH, at_most_two, tie_links, walk_links
from asfound.alignment._points import select_points


def points_of(scene, x, y, **columns):
    return select_points(scene.shots(x, y, **columns), scene.ground(x, y))


def chains(count, first, second, places=None):
    """Nodes in order along links, path after path, as `walk_links` gives them."""
    places = np.zeros((count, 2)) if places is None else places
    name = np.arange(count, dtype=np.int32)
    link, other = np.full(count, -1, np.int32), np.full(count, -1, np.int32)
    far, length = name.copy(), np.ones(count, np.int32)
    x, y = np.ascontiguousarray(places.T)
    tie_links(x, y, name, np.array(first, np.int32), np.array(second, np.int32), link, other, far,
              length)  # fmt: skip
    order, starts, least = (np.empty(count + one, np.int64) for one in (0, 1, 0))
    paths = walk_links(name, link, other, far, order, starts, least)
    ways = [order[starts[k] : starts[k + 1]].tolist() for k in range(paths)]
    assert [min(way) for way in ways] == least[:paths].tolist()
    return ways


@pytest.mark.parametrize("spread", [3.0, 60.0, 3000.0, 1e9])
def test_the_nearest_of_the_same_key_is_found(spread):
    rng = np.random.default_rng(int(spread) % 97)
    x, y = rng.uniform(-spread, spread, (2, 600))
    key = rng.integers(0, 3, 600).astype(np.int32)
    near, crowded = _nearest(_in_cells(x, y, key))
    expected = np.empty(600)
    for k in range(3):
        own = key == k
        place = np.column_stack((x[own], y[own]))
        expected[own] = KDTree(place).query(place, 2)[0][:, 1]
    assert crowded == np.sum(expected <= MERGE)
    close = expected <= MERGE
    assert np.all(near[close] <= MERGE)
    apart = ~close & (expected <= REACH)
    assert near[apart] == pytest.approx(expected[apart])
    assert np.all(np.isinf(near[expected > REACH]))


def test_cells_shrink_where_points_crowd():
    rng = np.random.default_rng(5)
    x, y = rng.uniform(0, 30, (2, 3000))
    cells = _in_cells(x, y, np.zeros(3000, np.int32))
    assert cells.size < 4.0
    assert sorted(cells.order.tolist()) == list(range(3000))
    assert cells.x.tolist() == x[cells.order].tolist()


@pytest.mark.parametrize("count", [0, 1, 2, 3])
def test_few_points_are_paths_of_their_own_or_one(scene, count):
    points = points_of(scene, np.arange(count) * 4.0, np.zeros(count))
    paths, close = neighbour_paths(points, np.arange(count), np.full(len(points.named), np.nan))
    assert len(close) == 0
    assert sorted(paths.nodes.tolist()) == list(range(count))
    assert len(paths) == (1 if count == 3 else count)


def test_nodes_lie_apart_and_every_other_point_lies_by_one_of_them(scene):
    rng = np.random.default_rng(6)
    x, y = rng.uniform(0, 20, (2, 2000))
    utility = rng.integers(1, 3, 2000).astype(np.int8)
    points = points_of(scene, x, y, utility=utility)
    paths, close = neighbour_paths(points, np.arange(2000), np.full(2, np.nan))
    assert sorted(np.concatenate((paths.nodes, close)).tolist()) == list(range(2000))
    place = np.column_stack((points.x + 1000.0 * points.key, points.y))
    tree = KDTree(place[paths.nodes])
    assert len(tree.query_pairs(MERGE)) == 0
    assert np.all(tree.query(place[close])[0] <= MERGE)


def test_coincident_points_by_the_thousand_cost_no_time_and_leave_one_node(scene):
    points = points_of(scene, np.zeros(20_000), np.zeros(20_000))
    paths, close = neighbour_paths(points, np.arange(20_000), np.array([np.nan]))
    assert paths.nodes.tolist() == [0]
    assert len(close) == 19_999


def test_paths_run_from_the_end_with_the_lower_number():
    assert chains(0, [], []) == []
    assert chains(2, [], []) == [[0], [1]]
    assert chains(6, [4, 2, 5], [2, 0, 3]) == [[0, 2, 4], [1], [3, 5]]
    assert chains(4, [1, 3, 0], [3, 0, 2]) == [[1, 3, 0, 2]]


def test_a_closed_path_opens_at_its_longest_link():
    places = np.array([[0.0, 0.0], [4.0, 0.0], [4.0, 7.0], [0.0, 4.0], [50.0, 0.0]])
    assert chains(5, [0, 1, 2, 3], [1, 2, 3, 0], places) == [[1, 0, 3, 2], [4]]


@pytest.mark.parametrize("seed", range(5))
def test_random_links_make_the_paths_that_a_plain_walk_finds(seed):
    rng = np.random.default_rng(seed)
    truth = np.split(rng.permutation(200), np.sort(rng.choice(199, 60, replace=False)) + 1)
    pairs = np.concatenate([np.column_stack((way[:-1], way[1:])) for way in truth])
    pairs = rng.permuted(rng.permutation(pairs), axis=1)
    found = chains(200, pairs[:, 0], pairs[:, 1])
    ways = [way.tolist() for way in truth]
    expected = {tuple(way if way[0] <= way[-1] else way[::-1]) for way in ways}
    assert set(map(tuple, found)) == expected


def test_no_point_gets_a_third_link():
    link, other = np.full(6, -1, np.int32), np.full(6, -1, np.int32)
    link[1], link[0] = 0, 1
    first, second = np.array([1, 1, 2, 2], np.int32), np.array([2, 3, 3, 4], np.int32)
    asked = np.zeros(6, np.int32)
    fit = np.empty((2, 4), np.int32)
    count = at_most_two(first, second, link, other, asked, fit[0], fit[1])
    # 1 has one link: its second is with 2; the link it can't take counts at 3 all the same
    assert fit[:, :count].T.tolist() == [[1, 2], [2, 3]]
    assert not asked.any()
