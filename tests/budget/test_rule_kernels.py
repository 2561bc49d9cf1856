"""Loops behind the rules against the same said in NumPy, on rough data."""

from itertools import pairwise

import numpy as np
import pytest

from asfound.budget.rules._current_kernels import worth_a_fit
from asfound.budget.rules._line_kernels import NEITHER, SETTLED, WANTED
from asfound.budget.rules._log_kernels import NO_TIME, hash_rows, rows_alike, survey_log
from asfound.budget.rules._run_kernels import keep_usable, sort_the_log, split_by_signal
from asfound.budget.rules._visit_kernels import HALF_CELL, in_shared_cells
from asfound.budget.rules.beside import logged_beside
from asfound.em._change_kernels import LEAST_READINGS
from asfound.em._change_points import best_cut, prefix_sums
from asfound.model import Labels, Shots


def runs(rng, count, most):
    """Shuffled shots in runs, some of them empty."""
    starts = np.cumsum(np.append(0, rng.integers(0, most, count)))
    return rng.permutation(int(starts[-1])), starts


@pytest.mark.parametrize("count", [0, 1, 2, 7, 200])
@pytest.mark.parametrize("seed", range(4))
def test_the_log_is_sorted_as_lexsort_does(count, seed):
    rng = np.random.default_rng(seed)
    source = rng.integers(0, 3, count).astype(np.int16)
    receiver = rng.integers(-1, 2, count).astype(np.int32)
    time = rng.integers(0, 20, count)
    time[rng.random(count) < 0.2] = NO_TIME
    row = rng.integers(0, 50, count).astype(np.int32)
    order = np.empty(count, np.int64)
    sort_the_log(source, receiver, time, row, order)
    last = np.where(time == NO_TIME, np.iinfo(np.int64).max, time)
    assert order.tolist() == np.lexsort((row, last, receiver, source)).tolist()


@pytest.mark.parametrize("seed", range(4))
def test_signals_are_the_lines_sorted_by_upload_and_hook_up(seed):
    rng = np.random.default_rng(seed)
    order, starts = runs(rng, 40, 30)
    source = rng.integers(0, 2, len(order)).astype(np.int16)
    hookup = rng.integers(-1, 3, len(order)).astype(np.int32)
    split, bounds = np.empty_like(order), np.empty(len(order) + 1, np.int64)
    count = split_by_signal(order, starts, source, hookup, split, bounds)
    line = np.repeat(np.arange(40), np.diff(starts))
    keys = hookup[order], source[order], line
    by_key = np.lexsort(keys)
    assert split.tolist() == order[by_key].tolist()
    codes = np.stack(keys, axis=1)[by_key]
    cut = np.flatnonzero(np.append(True, (codes[1:] != codes[:-1]).any(axis=1)))
    assert bounds[: count + 1].tolist() == [*cut.tolist(), len(order)]


@pytest.mark.parametrize("seed", range(4))
def test_runs_keep_what_is_usable(seed):
    rng = np.random.default_rng(seed)
    order, starts = runs(rng, 40, 12)
    usable = rng.random(len(order)) < 0.3
    kept, bounds = np.empty_like(order), np.empty_like(starts)
    count, total = keep_usable(order, starts, usable, kept, bounds)
    parts = [kept[bounds[k] : bounds[k + 1]].tolist() for k in range(count)]
    wanted = [order[a:b][usable[order[a:b]]].tolist() for a, b in pairwise(starts)]
    assert parts == [part for part in wanted if part]
    assert total == usable.sum()


@pytest.mark.parametrize("side", [1, 4, 64])
@pytest.mark.parametrize("seed", range(3))
def test_no_shot_in_a_cell_with_another_runs_is_missed(side, seed):
    # Small maps repeat themselves and find too many; none may find too few.
    rng = np.random.default_rng(seed)
    order, starts = runs(rng, 30, 20)
    count = len(order)
    east, north = rng.uniform(-80, 80, (2, count))
    maps = np.zeros((2, 2 * side * side), np.int64)
    first, second, places = (np.empty(count, np.int64) for _ in range(3))
    found, *corner = in_shared_cells(
        order, starts, east, north, side, maps[0], maps[1], first, second, places
    )
    assert corner == [east.min(), north.min()]
    run = np.repeat(np.arange(30), np.diff(starts))
    halves = np.floor((np.stack([east, north], 1)[order] - corner) / HALF_CELL).astype(int)
    wanted = set()
    for shift in (0, 1):
        cell = (halves + shift) >> 1
        same = (cell[:, None] == cell[None]).all(axis=2) & (run[:, None] != run[None])
        wanted |= set(np.flatnonzero(same.any(axis=1)).tolist())
    assert wanted
    assert wanted <= set(places[:found].tolist())
    if side == 64:
        assert wanted == set(places[:found].tolist())


@pytest.mark.parametrize("seed", range(4))
def test_neighbours_in_the_log_are_the_nearest_settled_ones(seed):
    rng = np.random.default_rng(seed)
    count = 120
    shots = Shots.build(
        np.zeros(count),
        np.zeros(count),
        source=np.sort(rng.integers(0, 3, count)),
        receiver=Labels(rng.integers(-1, 2, count).astype(np.int32), ("A", "B")),
    )
    receiver = shots.receiver.codes
    log = np.lexsort((receiver, shots.source))
    state = rng.choice([NEITHER, SETTLED, WANTED], count).astype(np.int8)
    beside = logged_beside(shots, log, state, int((state == WANTED).sum()))
    assert beside.rows.tolist() == log[state[log] == WANTED].tolist()
    place = np.argsort(log)
    for row, before, after in zip(beside.rows, beside.before, beside.after, strict=True):
        nearest = [
            next((k for k in side if state[k] == SETTLED), -1)
            for side in (log[: place[row]][::-1], log[place[row] + 1 :])
        ]
        own = shots.source[row], receiver[row]
        for found, near in zip((before, after), nearest, strict=True):
            same = near >= 0 and (shots.source[near], receiver[near]) == own
            assert found == (near if same else -1)


def test_every_row_logged_twice_is_among_those_looked_at():
    rng = np.random.default_rng(2)
    x, time = rng.uniform(-1, 1, 5000), rng.integers(0, 10**15, 5000)
    x[:2], time[:2] = [0.0, -0.0], 7
    twice = rng.choice(np.arange(2, 5000), 40, replace=False)
    x[twice[:20]], time[twice[:20]] = x[twice[20:]], time[twice[20:]]
    mixed, table = np.empty(5000, np.int32), np.empty(1 << 16, bool)
    rows = np.empty(5000, np.int64)
    hash_rows(x.view(np.int64), time, mixed)
    found = set(rows[: rows_alike(mixed, np.sort(mixed), table, rows)].tolist())
    assert {0, 1, *twice.tolist()} <= found
    # Few others, or it would spare no work.
    assert len(found) < 100


@pytest.mark.parametrize("seed", range(4))
def test_uploads_are_counted_in_the_order_of_their_files(seed):
    rng = np.random.default_rng(seed)
    count = 300
    source = rng.integers(0, 3, count).astype(np.int16)
    receiver = rng.integers(-1, 2, count).astype(np.int32)
    time = rng.integers(0, 10, count) * 10**6
    time[rng.random(count) < 0.2] = NO_TIME
    row = rng.permutation(count).astype(np.int32)
    columns = [np.empty(4, np.int64) for _ in range(5)]
    receivers = np.empty((4, 3), bool)
    order = np.lexsort((row, source))
    shuffled = survey_log(
        np.empty(0, np.int64), source, receiver, time, row, *columns, receivers.reshape(-1)
    )
    assert not shuffled
    assert survey_log(order, source, receiver, time, row, *columns, receivers.reshape(-1))
    for own in range(4):
        mine = order[source[order] == own]
        told = time[mine][time[mine] != NO_TIME]
        latest = told.max() if len(told) else NO_TIME
        back = int((np.diff(told) < -1_000_000).sum())
        got = [int(column[own]) for column in columns]
        assert got == [len(mine), len(told), latest, max(len(told) - 1, 0), back]
        assert np.flatnonzero(receivers[own]).tolist() == sorted(set(receiver[mine] + 1))


@pytest.mark.parametrize("seed", range(4))
def test_lines_are_fitted_where_means_of_five_differ(seed):
    rng = np.random.default_rng(seed)
    order, starts = runs(rng, 60, 40)
    current = 0.1 * np.exp(0.08 * rng.standard_normal(len(order)))
    current[rng.random(len(order)) < 0.1] = np.nan
    station = np.where(rng.random(len(order)) < 0.05, np.nan, 1.0)
    kept, bounds = np.empty_like(order), np.empty_like(starts)
    count, usable = worth_a_fit(order, starts, station, current, kept, bounds)
    parts = []
    for first, last in pairwise(starts):
        mine = order[first:last]
        mine = mine[np.isfinite(current[mine]) & np.isfinite(station[mine])]
        logs = np.log(current[mine])
        means = [logs[k : k + 5].mean() for k in range(len(mine) - 4)]
        if any(abs(b - a) > 0.12 for a, b in zip(means, means[5:], strict=False)):
            parts.append(mine.tolist())
    assert [kept[bounds[k] : bounds[k + 1]].tolist() for k in range(count)] == parts
    assert 0 < count < 60
    assert usable == (np.isfinite(current) & np.isfinite(station)).sum()


@pytest.mark.parametrize("seed", range(4))
def test_the_best_cut_is_the_best_of_all(seed):
    # Every way of cutting eleven readings into pieces of three or more, by least squares.
    rng = np.random.default_rng(seed)
    x = np.linspace(-1, 1, 11)
    y = 2.0 * rng.standard_normal(11) + 6.0 * (x > rng.uniform(-0.5, 0.5))
    slope, penalty, price = np.array([0.5]), np.array([4.0]), np.array([2.0])

    def cost(a, b):
        level = y[a:b] - slope[0] * x[a:b]
        common = ((level - level.mean()) ** 2).sum()
        if b - a < 4:
            return common
        line = np.polyfit(x[a:b], y[a:b], 1)
        return min(common, ((y[a:b] - np.polyval(line, x[a:b])) ** 2).sum() + price[0])

    def ways(begin):
        if begin == 11:
            yield ()
        for end in range(begin + LEAST_READINGS, 12):
            yield from ((end, *rest) for rest in ways(end))

    def total(ends):
        begins = (0, *ends[:-1])
        return sum(map(cost, begins, ends)) + penalty[0] * (len(ends) - 1)

    best = min(ways(0), key=total)
    sums = prefix_sums(x[None], y[None], np.ones((1, 11)))
    piece = best_cut(sums, slope, penalty, price)[0]
    assert (np.flatnonzero(np.diff(piece)) + 1).tolist() == list(best[:-1])
