"""Members of lines: their variances, bends and shared errors, against plain formulas."""

from dataclasses import fields
from itertools import pairwise

import numpy as np
import pytest

from asfound.alignment import assemble, fit_lines
from asfound.alignment._corner_kernels import _bend_at, place_shots
from asfound.alignment._fitted import fit_members
from asfound.alignment._lines import cut_axes, record_lines
from asfound.alignment._members import gather
from asfound.alignment._smoother import between, smooth
from asfound.model import Line, Verdict


def surveyed(scene, seed, lines=4, terms=()):
    """Lines that wander and bend, with shots of unequal quality; and their verdicts."""
    rng = np.random.default_rng(seed)
    x, y, sd = [], [], []
    for k in range(lines):
        size = int(rng.integers(4, 60))
        turns = np.where(rng.random(size) < 0.06, rng.uniform(-1.2, 1.2, size), 0.0)
        bearing = rng.uniform(0, 6) + np.cumsum(turns + rng.normal(0, 0.01, size))
        own = np.where(rng.random(size) < 0.08, 0.3, 0.02) * rng.uniform(0.6, 1.6, size)
        x.append(1000.0 * k + np.cumsum(3.0 * np.sin(bearing)) + own * rng.standard_normal(size))
        y.append(np.cumsum(3.0 * np.cos(bearing)) + own * rng.standard_normal(size))
        sd.append(own)
    sizes = [len(part) for part in x]
    x, y, sd = np.concatenate(x), np.concatenate(y), np.concatenate(sd)
    count = len(x)
    centre = 98.8 + 0.02 * rng.standard_normal(count)
    names = [f"L{k}" for k, size in enumerate(sizes) for _ in range(size)]
    shots, ground = scene.shots(x, y, line=names), scene.ground(x, y)
    budget = scene.budget(centre, sd, 1.5 * sd, [make(count, rng) for make in terms])
    verdict = rng.choice(
        [Verdict.SOUND, Verdict.DOUBTFUL, Verdict.UNFIT], count, p=[0.85, 0.1, 0.05]
    ).astype(np.int8)
    return ground, budget, assemble(shots, ground), verdict


def evened(variance, starts):
    """Variances near what is usual nearby set to it, shot by shot."""
    result = variance.copy()
    for begin, end in pairwise(starts):
        values = variance[begin:end]
        near = [slice(max(k - 6, 0), k + 7) for k in range(len(values))]
        rough = np.array([np.exp(np.mean(np.log(values[part]))) for part in near])
        clipped = np.clip(values, rough / 3.0, rough * 3.0)
        usual = np.array([clipped[part].mean() for part in near])
        alike = (values < 3.0 * usual) & (values > usual / 3.0)
        result[begin:end] = np.where(alike, usual, values)
    return result


def gathered(ground, budget, assembly, verdict):
    shot, starts = assembly.members()
    return gather(shot, starts, ground, budget, assembly, verdict)


@pytest.mark.parametrize("seed", range(6))
def test_variances_across_are_evened_along_the_line_and_raised_for_doubt(scene, seed):
    ground, budget, assembly, verdict = surveyed(scene, seed)
    members = gathered(ground, budget, assembly, verdict)
    shot, starts = assembly.members()
    bearing = assembly.bearing[shot]
    left = np.stack((-np.cos(bearing), np.sin(bearing)))
    matrices = budget.independent[shot]
    expected = np.einsum("ik,kij,jk->k", left, matrices[:, :2, :2], left)
    expected = evened(expected, starts)
    expected[verdict[shot] == Verdict.DOUBTFUL] *= 4.0
    assert members.left == pytest.approx(left, abs=1e-12)
    assert members.across == pytest.approx(expected, rel=1e-9)
    upright = evened(matrices[:, 2, 2], starts)
    upright[verdict[shot] == Verdict.DOUBTFUL] *= 4.0
    deep = members.deep
    assert members.vertical[deep] == pytest.approx(upright[deep], rel=1e-9)
    assert (members.usable == (verdict[shot] != Verdict.UNFIT)).all()


@pytest.mark.parametrize("seed", range(6))
def test_no_bend_is_passed_over_by_the_quick_look_for_straight_stretches(scene, seed):
    members = gathered(*surveyed(scene, seed, 6))
    count = len(members.shot)
    sound, station = np.empty(count, bool), np.empty(count)
    corner, bend = np.empty(count, np.int64), np.empty((3, count))
    found = place_shots(
        members.starts,
        members.east,
        members.north,
        members.across,
        members.left,
        members.usable,
        sound,
        station,
        corner,
        bend,
    )
    every = []
    for begin, end in pairwise(members.starts):
        kept = begin + np.flatnonzero(sound[begin:end])
        assert station[kept[0]] == 0.0
        assert (np.diff(station[kept]) >= 1e-3 - 1e-12).all()
        score = np.zeros(len(kept))
        for k in range(1, len(kept) - 2):
            score[k] = _bend_at(members.east, members.north, members.across, kept, len(kept), k)[0]
        for k in np.flatnonzero(score > 0):
            before, after = score[max(k - 2, 0) : k], score[k + 1 : k + 3]
            if (before < score[k]).all() and (after <= score[k]).all():
                every.append(kept[k])
    assert corner[:found].tolist() == every


def shared(count, rng):
    """Depth scales of hook-ups, and bases that change along a line."""
    return rng.integers(0, 3, count), rng.uniform(0.0, 0.05, count)


@pytest.mark.parametrize("seed", range(4))
def test_an_unevenly_shared_error_moves_the_axis_as_the_smoother_moves_its_pattern(scene, seed):
    def base(count, rng):
        group, size = shared(count, rng)
        return scene.term("base", count, size, 2.0 * size, group)

    ground, budget, assembly, verdict = surveyed(scene, seed, terms=[base])
    members = gathered(ground, budget, assembly, verdict)
    fitted = fit_members(members, assembly.utility)
    lines = record_lines(members, fitted, ground, budget, assembly.names, assembly.utility)
    cuts = cut_axes(fitted)
    node, ahead = cuts.places(fitted.plane.track.gap)
    term = budget.shared[0]
    member = fitted.nodes.member
    code = np.where(member >= 0, term.shared_by[members.shot[member]], -1)
    expected = {axis: np.zeros(len(node)) for axis in (0, 1, 2)}
    for group in range(3):
        for axis, channel, variance in (
            (0, fitted.plane, term.east_east),
            (1, fitted.plane, term.north_north),
            (2, fitted.level, term.up_up),
        ):
            pattern = np.where(code == group, np.sqrt(variance[members.shot[member]]), 0.0)
            result = smooth(channel.track, pattern[None])
            moved = result.mean[0, node]
            inner = ahead > 0
            moved[inner] = between(channel.track, result, node[inner], ahead[inner])[0][0]
            expected[axis] += moved**2
    added = np.concatenate([line.covariance - line.independent for line in lines])
    for axis in (0, 1, 2):
        assert added[:, axis, axis] == pytest.approx(expected[axis], abs=1e-9)


@pytest.mark.parametrize("seed", range(4))
def test_straight_interpolation_between_samples_errs_by_few_millimetres(scene, seed):
    ground, budget, assembly, verdict = surveyed(scene, seed)
    members = gathered(ground, budget, assembly, verdict)
    fitted = fit_members(members, assembly.utility)
    lines = record_lines(members, fitted, ground, budget, assembly.names, assembly.utility)
    node, ahead = cut_axes(fitted).places(fitted.plane.track.gap)
    last = np.append(np.flatnonzero(np.diff(node) > 0), len(node) - 1)
    following = np.append(ahead[1:], 0.0)
    following[last] = fitted.plane.track.gap[node[last]]
    inner = np.ones(len(node), bool)
    inner[np.cumsum([len(line.axis_station) for line in lines]) - 1] = False
    inner &= following - ahead > 0.51
    middle = 0.5 * (ahead + following)[inner]
    mean, _, _ = between(fitted.plane.track, fitted.plane.result, node[inner], middle)
    owner = np.repeat(np.arange(len(lines)), [len(line.axis_station) for line in lines])
    easting = np.concatenate([line.easting for line in lines]) - members.origin[0, owner]
    northing = np.concatenate([line.northing for line in lines]) - members.origin[1, owner]
    at = np.flatnonzero(inner)
    for exact, read in ((mean[0], easting), (mean[1], northing)):
        assert np.abs(exact - 0.5 * (read[at] + read[at + 1])).max() < 0.004


def test_a_line_fitted_is_a_whole_record(scene):
    ground, budget, assembly, verdict = surveyed(scene, 1)
    lines = fit_lines(None, ground, budget, assembly, verdict, scene.settings)
    assert [line.name for line in lines] == list(assembly.names)
    for line in lines:
        assert vars(line).keys() == {field.name for field in fields(Line)}
        assert len(line.station) == len(line.shots) == len(line.residual) == len(line.used)
        assert len(line.axis_station) == len(line.covariance) == len(line.ground_height)
