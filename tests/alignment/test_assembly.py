"""Shots into lines: in order or not, side by side, branching, broken off, mistyped."""

import itertools

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from asfound.alignment import assemble

NOISE = 0.03


def noisy(rng, values, size=NOISE):
    return values + rng.normal(0.0, size, len(values))


def put(scene, x, y, **columns):
    """Assemble shots at places given directly."""
    return assemble(scene.shots(x, y, **columns), scene.ground(x, y))


def groups(assembly, truth):
    """Assembled lines of each true line, as sets."""
    return {t: set(assembly.line[truth == t].tolist()) for t in np.unique(truth)}


def separated(assembly, truth):
    """Each true line came back as exactly one line of its own."""
    found = groups(assembly, truth)
    alone = [next(iter(lines)) for lines in found.values() if len(lines) == 1]
    return len(alone) == len(found) == len(set(alone)) == len(assembly.names) and -1 not in alone


def in_order(assembly, line, along):
    """Ranks rise or fall with the true station throughout."""
    member = np.flatnonzero(assembly.line == line)
    member = member[np.argsort(assembly.rank[member])]
    step = np.diff(along[member])
    return bool(np.all(step > 0) or np.all(step < 0))


def test_shots_logged_in_order_become_one_line_in_that_order(scene):
    rng = np.random.default_rng(1)
    along = np.arange(0.0, 200.0, 5.0)
    x, y = scene.walk(along, [(200.0, 70.0)])
    assembly = put(scene, noisy(rng, x), noisy(rng, y))
    assert assembly.names == ("G1",)
    assert assembly.rank.tolist() == list(range(40))
    assert assembly.station[-1] == pytest.approx(195.0, abs=0.2)
    assert np.degrees(assembly.bearing) == pytest.approx(np.full(40, 70.0), abs=1.5)


def test_a_shuffled_log_gives_the_same_line(scene):
    rng = np.random.default_rng(2)
    along = rng.permutation(np.arange(0.0, 300.0, 4.0))
    x, y = scene.walk(along, [(150.0, 20.0), (150.0, 65.0)])
    assembly = put(scene, noisy(rng, x), noisy(rng, y))
    assert assembly.names == ("G1",)
    assert in_order(assembly, 0, along)


@pytest.mark.parametrize("apart", [1.0, 1.5, 2.0])
@pytest.mark.parametrize("spacing", [3.0, 5.0])
def test_parallel_lines_of_one_utility_do_not_zigzag_even_when_shuffled(scene, apart, spacing):
    good = 0
    for seed in range(20):
        rng = np.random.default_rng(seed)
        along = np.concatenate([np.cumsum(spacing * rng.uniform(0.7, 1.3, 30)) for _ in range(2)])
        truth = np.repeat([0, 1], 30)
        order = rng.permutation(60)
        along, truth = along[order], truth[order]
        assembly = put(scene, along, noisy(rng, truth * apart))
        good += separated(assembly, truth)
    # where the last shots of both lines lie straight ahead of each other, either reading is fair
    assert good >= 18


def test_three_cables_half_a_metre_apart_are_told_apart_by_a_sound_log(scene):
    rng = np.random.default_rng(4)
    one = np.arange(0.0, 120.0, 5.0)
    along = np.concatenate([one, one[::-1] + 1.3, one + 2.1])
    truth = np.repeat([0, 1, 2], len(one))
    assembly = put(scene, along, noisy(rng, truth * 0.5))
    assert separated(assembly, truth)


def test_shots_taken_in_turn_on_two_parallel_lines_are_told_apart(scene):
    rng = np.random.default_rng(5)
    truth = np.tile([0, 1, 1, 0], 15)
    along = np.repeat(np.arange(30) * 4.0, 2)
    assembly = put(scene, noisy(rng, along), noisy(rng, truth * 1.5))
    assert separated(assembly, truth)


@pytest.mark.parametrize("deflection", [45.0, 90.0])
@pytest.mark.parametrize("shuffled", [False, True])
def test_a_corner_does_not_end_a_line(scene, deflection, shuffled):
    rng = np.random.default_rng(6)
    along = np.arange(0.0, 120.0, 4.0) + 1.0
    if shuffled:
        along = rng.permutation(along)
    x, y = scene.walk(along, [(60.0, 30.0), (60.0, 30.0 + deflection)])
    assembly = put(scene, noisy(rng, x), noisy(rng, y))
    assert len(assembly.names) == 1
    assert in_order(assembly, 0, along)
    before, after = along < 50.0, along > 70.0
    assert np.degrees(assembly.bearing[before]) % 180.0 == pytest.approx(30.0, abs=3.0)
    assert np.degrees(assembly.bearing[after]) % 180.0 == pytest.approx(
        (30.0 + deflection) % 180.0, abs=3.0
    )


def test_a_loop_is_opened_at_one_place_only(scene):
    rng = np.random.default_rng(7)
    along = np.arange(0.0, 160.0, 4.0)
    x, y = scene.walk(along, [(40.0, 0.0), (40.0, 90.0), (40.0, 180.0), (40.0, 270.0)])
    assembly = put(scene, noisy(rng, x), noisy(rng, y))
    assert len(assembly.names) == 1
    assert np.all(assembly.line == 0)


def test_services_leave_the_main_as_branches_that_start_on_it(scene):
    rng = np.random.default_rng(8)
    main = np.arange(0.0, 150.0, 5.0)
    first, second = np.arange(0.5, 18.0, 3.0), np.arange(1.0, 20.0, 3.0)
    x = np.concatenate([main, np.full(len(first), 52.0), np.full(len(second), 101.0)])
    y = np.concatenate([np.zeros(len(main)), first, -second[::-1]])
    truth = np.repeat([0, 1, 2], [len(main), len(first), len(second)])
    assembly = put(scene, noisy(rng, x), noisy(rng, y))
    assert separated(assembly, truth)
    line = {t: next(iter(lines)) for t, lines in groups(assembly, truth).items()}
    tees = {(branch, host): (east, north) for branch, host, east, north in assembly.tees}
    assert set(tees) == {(line[1], line[0]), (line[2], line[0])}
    assert tees[line[1], line[0]] == pytest.approx((52.0, 0.0), abs=0.3)
    # the branch's first shot is the one at the main
    for t in (1, 2):
        member = np.flatnonzero(truth == t)
        assert np.argmin(np.abs(y[member])) == np.argmin(assembly.rank[member])


@pytest.mark.parametrize("step", [30.48, 50.0, 61.0])
def test_shots_every_hundred_feet_and_more_become_lines_too(scene, step):
    # a hundred-foot stationing is common practice on transmission lines, no source
    along = step * np.arange(20) + np.random.default_rng(4).normal(0.0, 0.03 * step, 20)
    easting, northing = np.concatenate((along, along[::-1])), np.repeat([0.0, 6.0], 20)
    minutes = np.arange(40) * np.timedelta64(1, "m")
    time = np.datetime64("2026-05-04T08:00:00", "us") + minutes
    assembly = put(scene, easting, northing, time=time)
    assert assembly.line.tolist() == [0] * 20 + [1] * 20


def test_a_doubtful_gap_is_bridged_and_said(scene):
    rng = np.random.default_rng(9)
    along = np.concatenate([np.arange(0.0, 60.0, 3.0), np.arange(80.0, 140.0, 3.0)])
    assembly = put(scene, noisy(rng, along), noisy(rng, 0.0 * along))
    assert len(assembly.names) == 1
    ((line, rank, reason),) = assembly.gaps
    assert (line, rank) == (0, 19)
    assert "23.0 m" in reason or "22.9 m" in reason or "23.1 m" in reason


def test_a_gap_beyond_the_limit_splits_the_line(scene):
    rng = np.random.default_rng(10)
    along = np.concatenate([np.arange(0.0, 60.0, 3.0), np.arange(160.0, 220.0, 3.0)])
    assembly = put(scene, noisy(rng, along), noisy(rng, 0.0 * along))
    assert len(assembly.names) == 2
    assert assembly.gaps == ()


def test_control_checks_and_shots_without_a_place_belong_to_no_line(scene):
    along = np.arange(0.0, 60.0, 3.0)
    y = np.zeros(20)
    y[7] = np.nan
    control = [""] * 20
    control[0] = control[19] = "CP-1"
    assembly = put(scene, along, y, control=control)
    assert np.flatnonzero(assembly.line < 0).tolist() == [0, 7, 19]
    assert np.isnan(assembly.station[7])
    assert np.isnan(assembly.bearing[7])
    assert assembly.rank[7] == -1


@pytest.mark.parametrize("shuffled", [False, True])
def test_positions_mistyped_by_up_to_kilometres_do_not_break_the_line(scene, shuffled):
    rng = np.random.default_rng(11)
    along = np.arange(0.0, 240.0, 4.0)
    order = rng.permutation(60) if shuffled else np.arange(60)
    x, y = scene.walk(along, [(240.0, 40.0)])
    x, y = noisy(rng, x), noisy(rng, y)
    wrong = {12: (4.0, -9.0), 25: (1000.0, 0.0), 26: (0.0, -90.0), 44: (90_000.0, 12.0)}
    for index, (east, north) in wrong.items():
        x[index] += east
        y[index] += north
    right = np.setdiff1d(np.arange(60), list(wrong))
    assembly = put(scene, x[order], y[order])
    line = np.empty(60, int)
    line[order] = assembly.line
    assert len(set(line[right])) == 1
    assert line[0] >= 0
    assert not set(line[[25, 26, 44]]) & set(line[right])
    assert len(assembly.names) == 1


def test_float_solutions_scattered_by_decimetres_stay_in_their_line(scene):
    rng = np.random.default_rng(12)
    along = np.arange(0.0, 240.0, 4.0)
    fix = np.full(60, 4)
    fix[20:32] = 5
    spread = np.where(fix == 5, 0.25, 0.02)
    x, y = along + rng.normal(0, spread), rng.normal(0, spread)
    assembly = put(scene, x, y, fix=fix)
    assert assembly.names == ("G1",)
    assert np.all(assembly.line == 0)
    assert in_order(assembly, 0, along)


def test_a_run_coded_as_another_utility_neither_breaks_its_line_nor_joins_that_utility(scene):
    rng = np.random.default_rng(13)
    along = np.arange(0.0, 200.0, 4.0)
    utility = np.full(50, 1, np.int8)
    utility[20:24] = 2
    gas = np.arange(0.0, 30.0, 3.0)
    x = np.concatenate([along, np.full(10, 84.0)])
    y = np.concatenate([np.zeros(50), gas + 4.0])
    utility = np.concatenate([utility, np.full(10, 2, np.int8)])
    assembly = put(scene, noisy(rng, x), noisy(rng, y), utility=utility)
    cable = np.flatnonzero(utility == 1)
    assert len(set(assembly.line[cable])) == 1
    service = set(assembly.line[50:])
    assert len(service) == 1
    assert not service & set(assembly.line[20:24])
    ((_, _, reason),) = assembly.gaps
    assert "4 shots coded as another utility" in reason


def test_duplicates_are_taken_in(scene):
    along = np.repeat(np.arange(0.0, 100.0, 5.0), 2)
    assembly = put(scene, along, np.zeros(40))
    assert assembly.names == ("G1",)
    assert np.all(assembly.line == 0)
    order = np.argsort(assembly.rank)
    assert np.all(np.diff(along[order]) >= 0) or np.all(np.diff(along[order]) <= 0)


def test_two_receivers_on_two_days_measure_one_line(scene):
    rng = np.random.default_rng(14)
    first, second = np.arange(0.0, 150.0, 5.0), np.arange(2.1, 150.0, 4.0)[::-1]
    along = np.concatenate([first, second])
    day = np.repeat([0, 1], [len(first), len(second)])
    x, y = scene.walk(along, [(80.0, 10.0), (80.0, 55.0)])
    x, y = noisy(rng, x) + 0.04 * day, noisy(rng, y) - 0.03 * day
    receiver = np.array(["R1", "R2"])[day]
    time = np.datetime64("2026-03-02T09:00") + np.arange(len(along)) * np.timedelta64(20, "s")
    time = time + day * np.timedelta64(1, "D")
    assembly = put(scene, x, y, receiver=receiver, source=day, time=time)
    assert assembly.names == ("G1",)
    order = np.argsort(assembly.rank)
    backward = np.diff(along[order]) * np.sign(along[order][-1] - along[order][0])
    assert np.all(backward > -0.3)


def test_a_line_resumed_later_is_one_line(scene):
    rng = np.random.default_rng(15)
    along = np.concatenate([np.arange(0.0, 80.0, 4.0), np.arange(80.0, 160.0, 4.0)])
    other = np.arange(0.0, 80.0, 4.0)
    x = np.concatenate([along[:20], other, along[20:]])
    y = np.concatenate([np.zeros(20), np.full(20, 30.0), np.zeros(20)])
    truth = np.repeat([0, 1, 0], 20)
    hookup = np.repeat(["H1", "H2", "H3"], 20)
    assembly = put(scene, noisy(rng, x), noisy(rng, y), hookup=hookup)
    assert separated(assembly, truth)
    names = assembly.hookup[[assembly.line[0], assembly.line[25]]]
    assert names[0] == -1
    assert names[1] == 1


def test_lines_bear_the_fields_names_else_an_initial_and_a_number(scene):
    along = np.tile(np.arange(0.0, 60.0, 3.0), 4)
    row = np.repeat([0.0, 20.0, 40.0, 60.0], 20)
    name = np.repeat(["Main 3", "", "", "G1"], 20)
    name[5] = " main  3 "
    utility = np.repeat([2, 2, 1, 2], 20).astype(np.int8)
    assembly = put(scene, along, row, line=list(name), utility=utility)
    assert assembly.names == ("Main 3", "G2", "E1", "G1")
    assert assembly.utility.tolist() == [2, 2, 1, 2]


def test_one_name_on_two_far_lines_is_made_distinct(scene):
    along = np.tile(np.arange(0.0, 60.0, 3.0), 2)
    row = np.repeat([0.0, 500.0], 20)
    assembly = put(scene, along, row, line=["W-7"] * 40)
    assert assembly.names == ("W-7", "W-7-2")


@pytest.mark.parametrize("count", [0, 1, 2, 3])
def test_few_shots_are_no_trouble(scene, count):
    assembly = put(scene, np.arange(count) * 4.0, np.zeros(count))
    assert len(assembly.names) == (count >= 2)
    assert np.all(assembly.line == (0 if count >= 2 else -1))


def test_dense_logging_with_noise_as_large_as_the_step_is_one_line(scene):
    rng = np.random.default_rng(16)
    along = np.arange(0.0, 60.0, 0.1)
    assembly = put(scene, noisy(rng, along, 0.05), noisy(rng, 0 * along, 0.05))
    assert len(assembly.names) == 1
    assert np.mean(assembly.line == 0) > 0.99


def street(rng):
    """A main with a corner, a service, a cable beside, a stray; with times."""
    main = np.arange(0.0, 160.0, 4.0)
    cable = np.arange(2.0, 150.0, 5.0)
    service = np.arange(1.0, 16.0, 3.0)
    x = np.concatenate([np.minimum(main, 90.0), cable[::-1], np.full(5, 42.0), [400.0]])
    y = np.concatenate([np.maximum(main - 90.0, 0.0), np.full(len(cable), -1.5), service, [90.0]])
    utility = np.repeat([2, 1, 2, 2], [len(main), len(cable), 5, 1]).astype(np.int8)
    time = np.datetime64("2026-03-02T09:00") + np.arange(len(x)) * np.timedelta64(15, "s")
    return noisy(rng, x), noisy(rng, y), utility, time


def lines_as_sets(scene, places, order):
    """Each line as its shots in order, in the direction that starts with the lower number."""
    x, y, utility, time = (part[order] for part in places)
    assembly = put(scene, x, y, utility=utility, time=time)
    shots, starts = assembly.members()
    ways = [order[shots[a:b]].tolist() for a, b in itertools.pairwise(starts)]
    return {tuple(way if way[0] < way[-1] else way[::-1]) for way in ways}


@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
@given(seed=st.integers(0, 10_000))
def test_the_order_of_rows_does_not_matter_where_times_are_known(scene, seed):
    places = street(np.random.default_rng(3))
    order = np.random.default_rng(seed).permutation(len(places[0]))
    base = lines_as_sets(scene, places, np.arange(len(order)))
    assert lines_as_sets(scene, places, order) == base
    assert len(base) == 3


@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
@given(seed=st.integers(0, 10_000))
def test_two_shufflings_without_times_give_the_same_lines(scene, seed):
    x, y, utility, _ = street(np.random.default_rng(3))
    never = np.full(len(x), np.datetime64("NaT"))
    order = np.random.default_rng(seed).permutation(len(x))
    other = np.random.default_rng(seed + 1).permutation(len(x))
    places = (x, y, utility, never)
    assert lines_as_sets(scene, places, order) == lines_as_sets(scene, places, other)
