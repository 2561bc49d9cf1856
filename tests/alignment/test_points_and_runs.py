"""Shots sorted into chains, the log walked, directions told: against plain counting."""

import numpy as np
import pytest

from asfound.alignment import assemble
from asfound.alignment._bearings import directions
from asfound.alignment._log_runs import log_runs
from asfound.alignment._points import Paths, grouped_median, median, select_points

NEVER = np.datetime64("NaT")


def messy(scene, count, seed):
    """Shots of several uploads, receivers, names and utilities in no order, some unusable."""
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, 900, count), rng.uniform(0, 900, count)
    y[rng.random(count) < 0.05] = np.nan
    time = np.datetime64("2026-03-02T09:00") + rng.integers(0, 40, count) * np.timedelta64(1, "s")
    shots = scene.shots(
        x,
        y,
        utility=rng.integers(0, 7, count).astype(np.int8),
        source=rng.integers(0, 5, count).astype(np.int16),
        receiver=[("", "R1", "R2")[k] for k in rng.integers(0, 3, count)],
        line=[("", "Main 3", " main  3", "W")[k] for k in rng.integers(0, 4, count)],
        control=["CP-1" if k else "" for k in rng.random(count) < 0.05],
        time=np.where(rng.random(count) < 0.1, NEVER, time),
    )
    return shots, scene.ground(x, y)


def points_of(scene, x, y, **columns):
    return select_points(scene.shots(x, y, **columns), scene.ground(x, y))


@pytest.mark.parametrize("count", [0, 1, 2, 700])
def test_points_stand_by_utility_and_name_then_upload_then_time_then_row(scene, count):
    shots, ground = messy(scene, count, count)
    evened = [" ".join(name.split()).casefold() for name in shots.line.names]
    number = {name: k for k, name in enumerate(dict.fromkeys(evened))} | {"": -1}
    usable = [
        k for k in range(count) if np.isfinite(ground.northing[k]) and shots.control.codes[k] < 0
    ]
    ticks = shots.time.view(np.int64)
    log = sorted(usable, key=lambda k: (shots.source[k], ticks[k], shots.row[k]))
    key = {
        k: (shots.utility[k], number[" ".join(shots.line.word(k).split()).casefold()])
        for k in usable
    }
    upload = {k: (shots.source[k], shots.receiver.codes[k]) for k in usable}
    expected = sorted(log, key=lambda k: key[k] + upload[k])

    def codes(values):
        kinds = sorted(set(values))
        return [kinds.index(value) for value in values]

    points = select_points(shots, ground)
    assert points.shot.tolist() == expected
    assert points.log.tolist() == [log.index(k) for k in expected]
    assert points.key.tolist() == codes([key[k] for k in expected])
    assert points.upload.tolist() == codes([upload[k] for k in expected])
    assert points.chain.tolist() == codes([key[k] + upload[k] for k in expected])
    assert points.named.tolist() == [name >= 0 for _, name in sorted(set(key.values()))]
    assert points.hookup.tolist() == [-1] * len(expected)
    east = ground.easting[expected]
    assert points.x == pytest.approx(east - (np.median(east) if len(east) else 0.0), abs=1e-9)


@pytest.mark.parametrize("kind", ["even", "repeating", "equal", "far off"])
def test_the_median_of_many_is_exact(kind):
    rng = np.random.default_rng(1)
    count = 50_001
    values = {
        "even": rng.permutation(count) * 0.5,
        "repeating": np.tile(np.arange(100.0), 501)[:count],
        "equal": np.full(count, 7.0),
        "far off": np.where(rng.random(count) < 0.3, 1e300, rng.normal(0, 1, count)),
    }[kind]
    for chosen in (np.arange(count), np.arange(count - 1), np.flatnonzero(rng.random(count) < 0.7)):
        assert median(values, chosen) == np.median(values[chosen])
    assert median(values, np.arange(0)) == 0.0


def test_the_lower_median_of_each_group_is_a_member_of_it():
    rng = np.random.default_rng(2)
    group = np.sort(rng.integers(0, 40, 300))
    group[group == 7] = 8
    values = rng.integers(0, 9, 300).astype(float)
    found = grouped_median(values, group, 42)
    for k in range(42):
        own = sorted(values[group == k])
        if own:
            assert found[k] == own[(len(own) - 1) // 2]
        else:
            assert np.isnan(found[k])


@pytest.mark.parametrize("seed", range(6))
def test_each_point_is_in_a_run_or_single_or_close(scene, seed):
    rng = np.random.default_rng(seed)
    steps = rng.choice([0.0, 0.05, 0.4, 4.0, 50.0], (2, 300), p=[0.1, 0.2, 0.2, 0.4, 0.1])
    x, y = np.cumsum(steps * rng.choice([-1.0, 1.0, 1.0], (2, 300)), axis=1)
    points = points_of(scene, x, y, source=np.repeat([0, 1, 2], 100).astype(np.int16))
    runs, singles, close, lost = log_runs(points)
    everyone = np.concatenate([runs.nodes, singles, close, lost])
    assert sorted(everyone.tolist()) == list(range(300))
    assert np.all(runs.sizes >= 3)
    assert np.all(np.diff(singles) > 0)
    for begin, end in zip(runs.starts[:-1], runs.starts[1:], strict=True):
        assert np.all(np.diff(runs.nodes[begin:end]) > 0)
        assert len(set(points.chain[runs.nodes[begin:end]])) == 1


class TestAstray:
    """A point that the log has in the middle of a straight walk, and that lies elsewhere."""

    def walked(self, scene, x7, y7, x=3.0 * np.arange(20)):
        x, y = x.copy(), np.zeros(len(x))
        x[7], y[7] = x7, y7
        return log_runs(points_of(scene, x, y))

    @pytest.mark.parametrize("place", [(21.0, 40.0), (-30.0, 8.0), (200.0, -3.5)])
    def test_far_off_it_is_lost_and_the_run_goes_on_without_it(self, scene, place):
        runs, singles, close, lost = self.walked(scene, *place)
        assert lost.tolist() == [7]
        assert [sorted(runs.nodes.tolist())] == [[k for k in range(20) if k != 7]]
        assert len(runs) == 1
        assert len(singles) == len(close) == 0

    def test_somewhat_beside_it_may_still_be_taken_in(self, scene):
        runs, _, close, lost = self.walked(scene, 22.0, 2.5)
        assert close.tolist() == [7]
        assert len(lost) == 0
        assert len(runs) == 1

    def test_a_wobble_stays_on_the_run(self, scene):
        runs, _, close, lost = self.walked(scene, 21.0, 0.8)
        assert len(runs.nodes) == 20
        assert len(close) == len(lost) == 0

    def test_a_walk_without_a_hole_lost_nothing(self, scene):
        # a visit to another line, and back to where the walk goes on
        x = np.insert(3.0 * np.arange(19), 7, 21.0)
        *_, lost = self.walked(scene, 21.0, 40.0, x)
        assert len(lost) == 0

    def test_a_corner_is_no_stray(self, scene):
        x, y = np.minimum(np.arange(20.0), 10.0) * 3.0, np.maximum(np.arange(20.0) - 10.0, 0) * 3.0
        runs, _, close, lost = log_runs(points_of(scene, x, y))
        assert len(close) == len(lost) == 0
        assert len(runs.nodes) >= 19


@pytest.mark.parametrize("count", [0, 1, 2])
def test_few_points_make_no_run(scene, count):
    runs, singles, close, _ = log_runs(points_of(scene, np.arange(count) * 4.0, np.zeros(count)))
    assert len(runs) == len(close) == 0
    assert singles.tolist() == list(range(count))


@pytest.mark.parametrize(("spacing", "joins", "parts"), [(2, 11.9, 12.1), (6, 17.9, 18.1)])
def test_a_run_takes_steps_of_up_to_three_times_the_usual_and_twelve_metres(
    scene, spacing, joins, parts
):
    before, after = np.arange(10.0) * spacing, np.arange(10.0) * spacing
    for gap, expected in ((joins, 1), (parts, 2)):
        x = np.concatenate([before, before[-1] + gap + after])
        runs, singles, _, _ = log_runs(points_of(scene, x, np.zeros(20)))
        assert len(runs) == expected
        assert len(singles) == 0


def test_a_log_that_doubles_back_again_and_again_proves_nothing(scene):
    rng = np.random.default_rng(3)
    runs, singles, _, _ = log_runs(points_of(scene, rng.permutation(60) * 4.0, np.zeros(60)))
    assert len(runs) == 0
    assert len(singles) == 60


def straight_fit(x, y):
    """Unit vector along points and their mean square distance from it, by singular values."""
    centred = np.column_stack((x - x.mean(), y - y.mean()))
    _, size, axes = np.linalg.svd(centred)
    return axes[0], size[1] ** 2 / max(len(x) - 2, 1)


def test_directions_are_those_of_straight_fits_over_seven_points_or_four(scene):
    rng = np.random.default_rng(4)
    along = np.arange(0.0, 200.0, 4.0)
    x, y = scene.walk(along, [(100.0, 30.0), (100.0, 75.0)])
    x, y = x + rng.normal(0, 0.02, 50), y + rng.normal(0, 0.02, 50)
    points = points_of(scene, x, y)
    off, tx, ty = directions(points, Paths(np.arange(50), np.array([0, 50])))
    assert not off.any()
    fits = 0
    for k in range(50):
        low, high = max(k - 3, 0), min(k + 4, 50)
        windows = [(low, high), (low, k + 1), (k, high)]
        fitted = [straight_fit(x[a:b], y[a:b]) for a, b in windows if b - a >= 3]
        if fitted[0][1] > 0.1**2:
            fitted = sorted(fitted[1:], key=lambda one: one[1])
        if fitted[0][1] <= 0.1**2:
            assert abs(fitted[0][0] @ (tx[k], ty[k])) == pytest.approx(1.0, abs=1e-12)
            fits += 1
    assert fits >= 48
    assert np.hypot(tx, ty) == pytest.approx(np.ones(50), abs=1e-12)
    # onward: north-east both before and after the bend
    assert np.all(tx > 0)
    assert np.all(ty > 0)


def test_a_point_beside_its_line_is_off_and_turns_no_direction(scene):
    x, y = np.arange(0.0, 60.0, 4.0), np.zeros(15)
    y[7] = 5.0
    off, tx, ty = directions(points_of(scene, x, y), Paths(np.arange(15), np.array([0, 15])))
    assert np.flatnonzero(off).tolist() == [7]
    assert np.delete(tx, 7) == pytest.approx(np.ones(14))
    assert np.delete(ty, 7) == pytest.approx(np.zeros(14))


def test_points_in_one_place_have_no_direction(scene):
    points = points_of(scene, np.full(2, 3.0), np.full(2, 4.0))
    off, tx, ty = directions(points, Paths(np.arange(2), np.array([0, 2])))
    assert not off.any()
    assert np.isnan(tx).all()
    assert np.isnan(ty).all()


@pytest.mark.parametrize("clockwise", [1.0, -1.0])
def test_bearings_round_a_circle_are_its_tangents(scene, clockwise):
    angle = clockwise * np.arange(0.0, 350.0, 0.2)
    radius = 500.0
    x, y = radius * np.sin(np.radians(angle)), radius * np.cos(np.radians(angle))
    assembly = assemble(scene.shots(x, y), scene.ground(x, y))
    assert len(assembly.names) == 1
    inner = slice(3, -3)
    assert np.all((assembly.bearing >= 0.0) & (assembly.bearing < 2.0 * np.pi))
    turned = np.degrees(assembly.bearing) - (angle + clockwise * 90.0)
    assert np.mod(turned + 180.0, 360.0)[inner] == pytest.approx(np.full(1744, 180.0), abs=1e-6)
    chord = 2.0 * radius * np.sin(np.radians(0.1))
    assert assembly.station == pytest.approx(np.arange(1750) * chord)
