"""The axis and its envelope: what goes in comes out, and no surer than it went in."""

import numpy as np
import pytest

from asfound.alignment import assemble, fit_lines
from asfound.model import Utility, Verdict


def fit(scene, x, y, centre, *, plane=0.03, level=0.03, terms=(), verdict=None, **columns):
    """Lines through shots given directly; depth is 1.2 m throughout."""
    shots = scene.shots(x, y, **columns)
    ground = scene.ground(x, y, np.nan_to_num(np.asarray(centre, float), nan=98.8) + 1.2)
    budget = scene.budget(centre, plane, level, terms)
    assembly = assemble(shots, ground)
    verdict = np.zeros(len(shots), np.int8) if verdict is None else verdict
    return fit_lines(shots, ground, budget, assembly, verdict, scene.settings)


def straight(scene, rng, count=40, spacing=5.0, bearing=70.0, noise=0.03):
    x, y = scene.walk(np.arange(count) * spacing, [(count * spacing, bearing)])
    return (
        x + rng.normal(0, noise, count),
        y + rng.normal(0, noise, count),
        98.8 + rng.normal(0, noise, count),
    )


def across(line):
    """Standard deviation across the line at each sample, shared errors included."""
    left = np.stack((-np.cos(line.bearing), np.sin(line.bearing)), axis=1)
    plane = line.covariance[:, :2, :2]
    return np.sqrt(np.einsum("ki,kij,kj->k", left, plane, left))


def test_a_straight_line_is_found_again_and_better_than_any_shot(scene):
    rng = np.random.default_rng(1)
    (line,) = fit(scene, *straight(scene, rng))
    assert line.utility is Utility.GAS
    off = line.easting * np.cos(np.radians(70.0)) - line.northing * np.sin(np.radians(70.0))
    assert np.abs(off).max() < 0.06
    assert np.median(across(line)) < 0.02
    assert line.length == pytest.approx(195.0, abs=0.2)
    assert np.degrees(line.bearing) == pytest.approx(np.full(len(line.bearing), 70.0), abs=1.0)
    assert len(line.bends) == 0
    assert line.ground_height - line.height == pytest.approx(
        np.full(len(line.height), 1.2), abs=0.15
    )


def test_arrays_of_a_line_fit_together(scene):
    rng = np.random.default_rng(2)
    (line,) = fit(scene, *straight(scene, rng))
    k, m = len(line.shots), len(line.axis_station)
    assert line.used.shape == line.weight.shape == line.station.shape == (k,)
    assert line.residual.shape == (k, 3)
    for part in (line.easting, line.northing, line.height, line.ground_height, line.bearing):
        assert part.shape == (m,)
    assert line.covariance.shape == line.independent.shape == (m, 3, 3)
    assert np.all(np.diff(line.axis_station) > 0)
    # the shots' own stations are among the samples
    assert np.all(np.isin(line.station, line.axis_station))
    assert np.linalg.eigvalsh(line.covariance).min() > 0


def test_residuals_are_shot_minus_axis_along_left_and_up(scene):
    rng = np.random.default_rng(3)
    x, y, centre = straight(scene, rng, bearing=90.0)
    (line,) = fit(scene, x, y, centre)
    at = np.searchsorted(line.axis_station, line.station)
    shot = line.shots
    assert line.residual[:, 1] == pytest.approx(y[shot] - line.northing[at], abs=2e-3)
    assert line.residual[:, 2] == pytest.approx(centre[shot] - line.height[at], abs=1e-9)
    assert np.abs(line.residual[:, 0]).max() < 0.15


def test_a_shared_shift_does_not_average_out(scene):
    rng = np.random.default_rng(4)
    x, y, centre = straight(scene, rng)
    term = scene.term("base", 40, 0.02, 0.05)
    (line,) = fit(scene, x, y, centre, terms=[term])
    extra = line.covariance - line.independent
    assert extra[:, 0, 0] == pytest.approx(np.full(len(extra), 0.02**2), rel=1e-6)
    assert extra[:, 1, 1] == pytest.approx(np.full(len(extra), 0.02**2), rel=1e-6)
    assert extra[:, 2, 2] == pytest.approx(np.full(len(extra), 0.05**2), rel=1e-6)


def test_a_shared_depth_scale_follows_the_depth(scene):
    rng = np.random.default_rng(5)
    x, y, centre = straight(scene, rng)
    depth = np.linspace(0.8, 2.4, 40)
    term = scene.term("depth-scale", 40, 0.0, 0.02 * depth)
    (line,) = fit(scene, x, y, centre, terms=[term])
    extra = np.sqrt((line.covariance - line.independent)[:, 2, 2])
    at = np.searchsorted(line.axis_station, line.station)
    assert extra[at] == pytest.approx(0.02 * depth[line.shots], abs=2e-4)


def test_two_bases_on_one_line_share_the_middle_between_them(scene):
    rng = np.random.default_rng(6)
    x, y, centre = straight(scene, rng, count=60)
    group = np.repeat([0, 1], 30)
    term = scene.term("base", 60, 0.03, 0.03, group)
    (line,) = fit(scene, x, y, centre, terms=[term], source=group)
    extra = np.sqrt((line.covariance - line.independent)[:, 0, 0])
    assert extra[[2, -3]] == pytest.approx([0.03, 0.03], rel=0.05)
    # half of each where they meet: sqrt(1/4 + 1/4)
    assert extra.min() == pytest.approx(0.03 / np.sqrt(2.0), rel=0.1)


def test_unfit_shots_are_not_used(scene):
    rng = np.random.default_rng(7)
    x, y, centre = straight(scene, rng)
    verdict = np.zeros(40, np.int8)
    verdict[[5, 20]] = Verdict.UNFIT
    x[20] += 0.4
    centre[5] -= 3.0
    (line,) = fit(scene, x, y, centre, verdict=verdict)
    assert line.shots[~line.used].tolist() == [5, 20]
    assert np.abs(line.height - 98.8).max() < 0.08


def test_doubtful_shots_count_less(scene):
    rng = np.random.default_rng(8)
    x, y, centre = straight(scene, rng)
    sound = fit(scene, x, y, centre)[0]
    doubtful = fit(scene, x, y, centre, verdict=np.ones(40, np.int8))[0]
    assert np.median(across(doubtful)) > 1.4 * np.median(across(sound))


@pytest.mark.parametrize("size", [0.3, 1.0, 2.5])
def test_a_wrong_shot_is_let_go_and_does_not_drag_the_line(scene, size):
    rng = np.random.default_rng(9)
    x, y, centre = straight(scene, rng, bearing=90.0)
    y[17] += size
    centre[30] += size
    (line,) = fit(scene, x, y, centre)
    assert line.weight[line.shots == 17] < 0.2
    assert np.abs(line.northing).max() < 0.08
    assert np.abs(line.height - 98.8).max() < 0.08
    assert np.mean(line.weight > 0.9) > 0.9


def test_missing_depths_are_bridged_and_a_line_without_any_has_no_height(scene):
    rng = np.random.default_rng(10)
    x, y, centre = straight(scene, rng)
    centre[10:20] = np.nan
    (line,) = fit(scene, x, y, centre)
    assert np.all(np.isfinite(line.height))
    inside = (line.axis_station > 60.0) & (line.axis_station < 80.0)
    ends = line.axis_station < 40.0
    assert line.covariance[inside, 2, 2].max() > line.covariance[ends, 2, 2].mean()
    (line,) = fit(scene, x, y, np.full(40, np.nan))
    assert np.all(np.isnan(line.height))
    assert np.all(np.isnan(line.covariance[:, 2, 2]))
    assert np.all(np.isfinite(across(line)))


@pytest.mark.parametrize("count", [2, 3, 4])
def test_a_line_of_few_shots_has_an_envelope_too(scene, count):
    x = np.arange(count) * 3.0
    (line,) = fit(scene, x, np.zeros(count), np.full(count, 98.8))
    assert line.length == pytest.approx(3.0 * (count - 1), abs=1e-3)
    assert across(line)[0] == pytest.approx(0.03, rel=0.2)


def test_a_line_of_unfit_shots_only_is_drawn_all_the_same(scene):
    verdict = np.full(5, Verdict.UNFIT, np.int8)
    (line,) = fit(scene, np.arange(5) * 3.0, np.zeros(5), np.full(5, 98.8), verdict=verdict)
    assert line.length == pytest.approx(12.0, abs=0.1)


def test_between_shots_the_envelope_grows_with_the_gap(scene):
    rng = np.random.default_rng(11)
    along = np.concatenate([np.arange(0.0, 80.0, 4.0), np.arange(110.0, 190.0, 4.0)])
    x, y = along + rng.normal(0, 0.03, 40), 0.4 * np.sin(along / 9.0) + rng.normal(0, 0.03, 40)
    (line,) = fit(scene, x, y, np.full(40, 98.8), utility=np.full(40, 1, np.int8))
    gap = (line.axis_station > 85.0) & (line.axis_station < 108.0)
    assert across(line)[gap].max() > 4.0 * np.median(across(line)[~gap])
    ((begin, end),) = line.gaps
    assert (begin, end) == pytest.approx((76.0, 110.0), abs=1.5)


@pytest.mark.parametrize("deflection", [22.5, 45.0, 90.0, -90.0])
@pytest.mark.parametrize("past", [0.0, 1.5, 2.5])
def test_a_sharp_bend_is_found_and_not_rounded_off_with_false_confidence(scene, deflection, past):
    rng = np.random.default_rng(12)
    along = np.arange(0.0, 120.0, 4.0) + past
    legs = [(60.0, 90.0), (80.0, 90.0 + deflection)]
    x, y = scene.walk(along, legs)
    x, y = x + rng.normal(0, 0.03, 30), y + rng.normal(0, 0.03, 30)
    (line,) = fit(scene, x, y, np.full(30, 98.8))
    station, turn = line.bends[np.argmax(np.abs(line.bends[:, 1]))]
    assert np.degrees(turn) == pytest.approx(deflection, abs=12.0)
    assert station == pytest.approx(60.0 - past, abs=2.1)
    corner = np.array([60.0, 0.0])
    away = np.hypot(line.easting - corner[0], line.northing - corner[1])
    near = int(np.argmin(away))
    assert away[near] < 2.5 * across(line)[near] + 0.05
    # away from the bend the legs stay as sure as without it
    assert np.median(across(line)) < 0.025


def test_duplicate_shots_are_no_trouble(scene):
    along = np.repeat(np.arange(0.0, 60.0, 5.0), 3)
    (line,) = fit(scene, along, np.zeros(36), np.full(36, 98.8))
    assert np.all(np.isfinite(line.covariance))
    assert np.all(np.diff(line.axis_station) > 0)


def test_each_line_is_the_same_alone_as_among_others(scene):
    rng = np.random.default_rng(13)
    x, y, centre = straight(scene, rng)
    (alone,) = fit(scene, x, y, centre)
    more_x, more_y = x + 300.0, y + 500.0
    both = fit(scene, np.append(x, more_x), np.append(y, more_y), np.append(centre, centre))
    assert both[0].height == pytest.approx(alone.height, abs=1e-9)
    assert both[0].easting == pytest.approx(alone.easting, abs=1e-9)
    assert both[0].covariance == pytest.approx(alone.covariance, rel=1e-6)


def test_no_shots_make_no_lines(scene):
    assert fit(scene, np.empty(0), np.empty(0), np.empty(0)) == ()


def test_one_line_of_a_hundred_thousand_shots_works(scene):
    rng = np.random.default_rng(14)
    along = np.arange(100_000) * 3.0
    x, y = along + rng.normal(0, 0.02, 100_000), 200.0 * np.sin(along / 5000.0)
    y = y + rng.normal(0, 0.03, 100_000)
    (line,) = fit(scene, x, y, np.full(100_000, 98.8) + rng.normal(0, 0.03, 100_000))
    assert len(line.shots) == 100_000
    assert np.mean(line.used) > 0.999
    off = line.northing - 200.0 * np.sin(line.easting / 5000.0)
    # a truth far smoother than any prior is held a little more often than promised
    assert 0.93 <= np.mean(np.abs(off) < 1.96 * across(line)) <= 0.985
