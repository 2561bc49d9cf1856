"""Loops over a pole's log against plain sums, least squares and a search of everything."""

import numpy as np
import pytest

from asfound.budget.rules import pieces as pieces_module
from asfound.budget.rules._piece_kernels import NEIGHBOURS, SAMPLE, cut_runs
from asfound.budget.rules._step_kernels import (
    fit_steps,
    follow_pole,
    pick_peaks,
    usual_of_groups,
)
from asfound.budget.rules.runs import Runs


class TestFollowingAPole:
    def followed(self, **changed):
        count = 12
        columns = {
            "log": np.arange(count),
            "height": np.full(count, 300.0),
            "control": np.zeros(count, bool),
            "fix": np.full(count, 4, np.int8),
            "source": np.zeros(count, np.int16),
            "receiver": np.zeros(count, np.int32),
            "line": np.zeros(count, np.int32),
            "station": np.arange(count) * 3.0,
        }
        for name, (rows, value) in changed.items():
            columns[name][rows] = value
        order, starts = np.empty(count, np.int64), np.empty(count + 1, np.int64)
        runs, shots = follow_pole(*columns.values(), 20.0, order, starts)
        return order[:shots].tolist(), starts[: runs + 1].tolist()

    def test_one_line_without_a_leap_is_one_run(self):
        assert self.followed() == (list(range(12)), [0, 12])

    @pytest.mark.parametrize("name", ["source", "receiver", "line"])
    def test_what_changes_begins_another_run(self, name):
        assert self.followed(**{name: (slice(5, None), 1)}) == (list(range(12)), [0, 5, 12])

    def test_a_leap_along_the_line_begins_another_run(self):
        assert self.followed(station=(slice(7, None), 500.0))[1] == [0, 7, 12]

    @pytest.mark.parametrize(
        ("name", "value"), [("height", np.nan), ("control", True), ("line", -1), ("fix", 5)]
    )
    def test_shots_that_say_nothing_of_the_ground_are_passed_over(self, name, value):
        order, starts = self.followed(**{name: ([0, 4, 11], value)})
        assert order == [1, 2, 3, 5, 6, 7, 8, 9, 10]
        assert starts == [0, 9]

    def test_nothing_usable_gives_no_run(self):
        assert self.followed(line=(slice(None), -1)) == ([], [0])


def test_a_step_is_that_of_weighted_least_squares():
    rng = np.random.default_rng(3)
    count, here, cut = 30, 14, 11
    station = np.cumsum(rng.uniform(1.0, 5.0, count))
    values, sd = rng.standard_normal(count), rng.uniform(0.01, 0.05, count)
    sd[12] = np.nan
    size, size_sd = np.empty(1), np.empty(1)
    order = np.arange(count)
    fit_steps(
        *(order, np.array([0, count]), values, sd, station, 0.02, 0.015),
        *(np.array([here]), np.array([0]), np.array([cut]), False, size, size_sd),
    )
    # The cut at 11 leaves three shots before the step, five stand behind it.
    near = np.arange(cut, here + 5)
    spread = np.hypot(np.where(np.isfinite(sd[near]), sd[near], 0.02), 0.015)
    design = np.stack([np.ones(len(near)), station[near] - station[here], near >= here], axis=1)
    normal = np.linalg.inv((design / spread[:, None] ** 2).T @ design)
    solved = normal @ (design / spread[:, None] ** 2).T @ values[near]
    assert size[0] == pytest.approx(solved[2], rel=1e-9)
    assert size_sd[0] == pytest.approx(np.sqrt(normal[2, 2]), rel=1e-9)


def test_too_few_shots_on_a_side_give_no_step():
    station = np.arange(8) * 3.0
    size, size_sd = np.empty(1), np.empty(1)
    fit_steps(
        *(np.arange(8), np.array([0, 8]), station, station, station, 0.02, 0.0),
        *(np.array([4]), np.array([0]), np.array([2]), False, size, size_sd),
    )
    assert np.isnan(size[0])


@pytest.mark.parametrize("seed", range(5))
def test_peaks_are_picked_as_by_going_through_all_the_clearest_first(seed):
    rng = np.random.default_rng(seed)
    place = np.flatnonzero(rng.random(400) < 0.3)
    clearest = rng.permutation(len(place))
    accepted = np.sort(rng.choice(400, 10, replace=False))
    picked = np.empty(len(place), bool)
    pick_peaks(place, clearest, accepted, picked)
    expected: list[int] = []
    for here in place[clearest].tolist():
        near_old = (np.abs(accepted - here) < 3).any()
        if not near_old and all(abs(other - here) >= 5 for other in expected):
            expected.append(here)
    assert place[picked].tolist() == sorted(expected)


def test_the_usual_height_is_the_median_wherever_one_height_prevails():
    rng = np.random.default_rng(2)
    count = 4000
    source = rng.integers(0, 3, count).astype(np.int16)
    receiver = rng.integers(-1, 2, count).astype(np.int32)
    height = np.where(rng.random(count) < 0.4, rng.choice([1.5, 2.0, np.nan], count), 1.8)
    none = (source == 1) & (receiver == 0)
    height[none] = rng.uniform(1.0, 2.0, none.sum())
    height[(source == 2) & (receiver == 1)] = np.nan
    usual = np.empty((3, 3))
    usual_of_groups(source, receiver, height, usual)
    for upload in range(3):
        for device in range(-1, 2):
            own = height[(source == upload) & (receiver == device)]
            own = own[np.isfinite(own)]
            if (upload, device) in {(1, 0), (2, 1)}:
                assert np.isnan(usual[upload, device + 1])
            else:
                assert usual[upload, device + 1] == np.median(own)


def test_runs_are_cut_at_their_steps_and_others_are_left_out():
    columns = np.empty((5, 8), np.int64)
    steps = np.array([4, 7, 25])
    count = cut_runs(np.array([0, 10, 20, 20, 30]), steps, *columns)
    assert columns[:, :count].tolist() == [
        [0, 0, 0, 3, 3],
        [0, 4, 7, 20, 25],
        [4, 7, 10, 25, 30],
        [-1, 0, 1, -1, 2],
        [0, 1, -1, 2, -1],
    ]


@pytest.mark.parametrize("seed", range(4))
def test_ground_nearby_says_what_a_search_of_all_shots_finds(seed):
    rng = np.random.default_rng(seed)
    count, reach = 400, 8.0
    east, north = rng.uniform(-40, 40, (2, count))
    height = rng.standard_normal(count)
    log = Runs(rng.permutation(count), np.arange(0, count + 1, 40))
    run, first, last, *_ = columns = np.empty((5, 12), np.int64)
    number = cut_runs(log.starts, np.array([5, 60, 75, 210]), *columns)
    run, first, last = run[:number], first[:number], last[:number]
    sampled, heard, witness, piece_of, said = pieces_module._asked(
        log, run, first, last, east, north, height, reach
    )
    for piece in range(number):
        rows = np.unique(np.linspace(first[piece], last[piece] - 1, SAMPLE).round().astype(int))
        assert sampled[piece] == len(rows)
        expected: dict[tuple[int, int], list[tuple[float, float]]] = {}
        for here in rows:
            asking = log.order[here]
            away = np.hypot(east - east[asking], north - north[asking])[log.order]
            nearest = np.argsort(away)[:NEIGHBOURS]
            once = set()
            for there in nearest[away[nearest] < reach]:
                if log.run[there] == run[piece]:
                    continue
                inside = np.flatnonzero((first <= there) & (there < last))
                speaker = int(log.run[there]), int(inside[0]) if len(inside) else -1
                if speaker not in once:
                    once.add(speaker)
                    above = height[asking] - height[log.order[there]]
                    expected.setdefault(speaker, []).append((above, away[there]))
        mine = slice(heard[piece], heard[piece + 1])
        found = dict(
            zip(
                zip(witness[mine].tolist(), piece_of[mine].tolist(), strict=True),
                said[mine].tolist(),
                strict=True,
            )
        )
        assert found.keys() == expected.keys()
        for speaker, heights in expected.items():
            above, away = np.array(heights).T
            assert found[speaker] == pytest.approx([np.median(above), away.mean(), len(above)])
