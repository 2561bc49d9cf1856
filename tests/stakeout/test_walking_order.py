"""Walking orders against exact solutions (all orders of few points) and a lower bound.

The bound is Held and Karp's (1971): the best minimum spanning 1-tree under node prices, found by
subgradient steps with scipy's spanning trees. No path can be shorter, so a path within 3 % of
it is within 3 % of the shortest. Google's OR-tools, an independent routing library, walks the
same targets with guided local search for a few seconds.
"""

import random
import warnings
from itertools import permutations

import numpy as np
import pytest
from scipy.sparse.csgraph import minimum_spanning_tree

from asfound.errors import InputError
from asfound.stakeout import path_length, walking_order
from asfound.stakeout._tour import Tour


def held_karp_bound(points, upper, rounds=180):
    """Lower bound of an open path from point 0 through all points."""
    d = np.abs(np.subtract.outer(points @ [1, 1j], points @ [1, 1j]))
    price, last = np.zeros(len(points)), np.zeros(len(points))
    best, step, failed = -np.inf, 2.0, 0
    for _ in range(rounds):
        priced = d + price[:, None] + price
        shift = priced.min() - 1.0  # zero weights would be taken for no edge
        tree = minimum_spanning_tree(priced - shift).tocoo()
        degree = np.bincount(tree.row, minlength=len(d)) + np.bincount(tree.col, minlength=len(d))
        end = 1 + int(np.argmin(price[1:]))
        degree[[0, end]] += 1  # the extra point that closes the path
        bound = tree.data.sum() + shift * (len(d) - 1) + price[0] + price[end] - 2 * price.sum()
        failed = 0 if bound > best + 1e-6 else failed + 1
        best = max(best, bound)
        if failed >= 10:
            step, failed = 0.7 * step, 0
        slope = degree - 2.0
        price = price + step * (upper - bound) / (slope @ slope) * (0.7 * slope + 0.3 * last)
        last = slope
    return best


def by_or_tools(points, seconds=1.0):
    """Length of the open path from point 0 that OR-tools finds: ends at an extra, free point."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its SWIG types lack a __module__
        from ortools.constraint_solver import pywrapcp, routing_enums_pb2

        count = len(points)
        d = np.zeros((count + 1, count + 1))
        d[:count, :count] = np.abs(np.subtract.outer(points @ [1, 1j], points @ [1, 1j]))
        table = np.rint(d * 1000.0).astype(int).tolist()
        manager = pywrapcp.RoutingIndexManager(count + 1, 1, [0], [count])
        routing = pywrapcp.RoutingModel(manager)
        cost = routing.RegisterTransitMatrix(table)
        routing.SetArcCostEvaluatorOfAllVehicles(cost)
        how = pywrapcp.DefaultRoutingSearchParameters()
        how.first_solution_strategy = routing_enums_pb2.FirstSolutionStrategy.PATH_CHEAPEST_ARC
        how.local_search_metaheuristic = (
            routing_enums_pb2.LocalSearchMetaheuristic.GUIDED_LOCAL_SEARCH
        )
        how.time_limit.FromMilliseconds(int(1000 * seconds))
        found = routing.SolveWithParameters(how)
        path, index = [], routing.Start(0)
        while not routing.IsEnd(index):
            path.append(manager.IndexToNode(index))
            index = found.Value(routing.NextVar(index))
    assert sorted(path) == list(range(count))
    return path_length(points[path])


def spots(seed, count=200):
    return np.random.default_rng(seed).uniform(0.0, 300.0, (count, 2))


def streets(seed, count=200):
    """Stations along a few streets, as stakeout lists are."""
    rng = np.random.default_rng(seed)
    street = rng.uniform(0.0, 300.0, (8, 2))
    way = rng.uniform(0.0, 2 * np.pi, 8)
    which = rng.integers(0, 8, count)
    along = rng.uniform(0.0, 150.0, count)[:, None]
    return street[which] + along * np.column_stack((np.sin(way), np.cos(way)))[which]


@pytest.mark.parametrize("seed", range(3))
def test_200_targets_are_walked_within_3_percent_of_the_shortest_way(seed):
    place = spots(seed)
    order, length = walking_order(place, (0.0, 0.0))
    full = np.vstack(([[0.0, 0.0]], place))
    assert sorted(order.tolist()) == list(range(200))
    assert length == pytest.approx(path_length(np.vstack(([[0.0, 0.0]], place[order]))))
    assert length <= 1.03 * held_karp_bound(full, length)


@pytest.mark.parametrize(("where", "seed"), [(spots, 0), (spots, 1), (streets, 0), (streets, 4)])
def test_200_targets_are_walked_within_3_percent_of_or_tools(where, seed):
    place = where(seed)
    _, length = walking_order(place, (0.0, 0.0))
    assert length <= 1.03 * by_or_tools(np.vstack(([[0.0, 0.0]], place)))


@pytest.mark.parametrize("seed", [0, 2])
def test_along_streets_ten_times_the_work_finds_nothing_3_percent_shorter(seed):
    # Dead ends make the lower bound itself loose, by 3 to 7 %, so it can't prove more here. (An
    # integer programme with subtour cuts, minutes of work, proved the order of seed 4 the
    # shortest, where the bound is 3 % lower.)
    place = streets(seed)
    _, length = walking_order(place, (0.0, 0.0))
    long = min(walking_order(place, (0.0, 0.0), rounds=2000, seed=k)[1] for k in (1, 2, 3))
    assert length <= 1.03 * long
    full = np.vstack(([[0.0, 0.0]], place))
    assert length <= 1.09 * held_karp_bound(full, length)


@pytest.mark.parametrize("seed", range(6))
def test_few_targets_are_walked_the_shortest_way_there_is(seed):
    rng = np.random.default_rng(seed)
    place = rng.uniform(0.0, 50.0, (1 + seed, 2))
    start = np.array([[5.0, -3.0]])
    best = min(
        path_length(np.vstack((start, place[list(order)])))
        for order in permutations(range(len(place)))
    )
    assert walking_order(place, (5.0, -3.0))[1] == pytest.approx(best)


def test_without_a_start_the_first_target_comes_first():
    order, _ = walking_order(spots(3, 40))
    assert order[0] == 0
    assert sorted(order.tolist()) == list(range(40))


def test_the_same_targets_give_the_same_order():
    first, again = (walking_order(spots(1), (1.0, 2.0))[0] for _ in range(2))
    np.testing.assert_array_equal(first, again)


def test_more_targets_than_a_window_are_all_passed_once_and_in_good_order():
    place = np.random.default_rng(8).uniform(0.0, 1000.0, (1700, 2))
    order, length = walking_order(place, (0.0, 0.0), rounds=100)
    assert sorted(order.tolist()) == list(range(1700))
    # Beardwood, Halton and Hammersley (1959): the shortest way tends to 0.7124 sqrt(n area)
    assert length < 1.12 * 0.7124 * np.sqrt(1700 * 1e6)


def test_targets_on_one_spot_and_no_targets_are_no_trouble():
    assert walking_order(np.zeros((12, 2)), (3.0, 4.0))[1] == pytest.approx(5.0)
    order, length = walking_order(np.empty((0, 2)), (0.0, 0.0))
    assert len(order) == 0
    assert length == 0.0


def test_a_target_without_a_place_is_refused():
    with pytest.raises(InputError, match="position"):
        walking_order(np.array([[0.0, np.nan]]), (0.0, 0.0))


def test_gains_that_are_counted_are_gains_in_length():
    rng = np.random.default_rng(4)
    points = rng.uniform(0.0, 10.0, (40, 2))
    distance = np.abs(np.subtract.outer(points @ [1, 1j], points @ [1, 1j]))
    near = np.argsort(distance, axis=1)[:, 1:9].tolist()

    def length(order):
        return float(distance[order, np.roll(order, -1)].sum())

    tour = Tour(distance.tolist(), near, list(range(40)))
    before = length(tour.order)
    tour.settle(list(range(40)))
    assert length(tour.order) == pytest.approx(before - tour.gain)
    draw = random.Random(2)
    now = length(tour.order)
    for _ in range(200):
        tour.perturb(draw, 15)
        assert length(tour.order) <= now + 1e-9
        now = length(tour.order)
        assert [tour.place[p] for p in tour.order] == list(range(40))
