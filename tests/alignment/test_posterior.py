"""The joint posterior agrees with the line it belongs to, and with a dense solution."""

import numpy as np
import pytest

from asfound.alignment import (
    assemble,
    draw_axes,
    fit_lines,
    joint_covariance,
    joint_posterior,
)
from asfound.errors import InputError


@pytest.fixture
def job(scene):
    rng = np.random.default_rng(1)
    count = 40
    x, y = scene.walk(np.arange(count) * 4.0 + 1.0, [(70.0, 30.0), (100.0, 95.0)])
    x, y = x + rng.normal(0, 0.03, count), y + rng.normal(0, 0.03, count)
    centre = 98.8 + rng.normal(0, 0.03, count)
    depth = np.linspace(0.9, 1.6, count)
    terms = [
        scene.term("base", count, 0.006, 0.01, np.repeat([0, 1], count // 2)),
        scene.term("depth-scale", count, 0.0, 0.02 * depth),
    ]
    shots, ground = scene.shots(x, y), scene.ground(x, y, centre + depth)
    budget = scene.budget(centre, 0.03, 0.03, terms)
    assembly = assemble(shots, ground)
    verdict = np.zeros(count, np.int8)
    (line,) = fit_lines(shots, ground, budget, assembly, verdict, scene.settings)
    return line, (ground, budget, assembly, verdict)


def test_at_the_lines_samples_it_is_the_line(job):
    line, known = job
    joint = joint_posterior(0, line.axis_station, *known)
    assert joint.mean[:, 0] == pytest.approx(line.easting, abs=1e-8)
    assert joint.mean[:, 1] == pytest.approx(line.northing, abs=1e-8)
    assert joint.mean[:, 2] == pytest.approx(line.height, abs=1e-8)
    count = len(line.axis_station)
    blocks = joint_covariance(joint).reshape(count, 3, count, 3)
    own = blocks[np.arange(count), :, np.arange(count), :]
    assert own == pytest.approx(line.covariance, abs=1e-9)


def test_it_is_a_covariance_and_near_stations_move_together(job):
    line, known = job
    station = np.linspace(0.0, line.length, 25)
    joint = joint_posterior(0, station, *known)
    covariance = joint_covariance(joint)
    assert covariance == pytest.approx(covariance.T, abs=1e-15)
    assert np.linalg.eigvalsh(covariance).min() > -1e-10
    sd = np.sqrt(np.diag(joint.plane))
    correlation = joint.plane / np.outer(sd, sd)
    assert correlation[5, 6] > correlation[5, 9] - 0.05
    assert correlation[5, 6] > 0.3


def test_stations_may_come_in_any_order(job):
    _, known = job
    station = np.array([80.0, 10.0, 35.0, 10.0])
    joint = joint_posterior(0, station, *known)
    again = joint_posterior(0, station[[1, 0, 3, 2]], *known)
    assert again.plane == pytest.approx(joint.plane[np.ix_([1, 0, 3, 2], [1, 0, 3, 2])], abs=1e-12)
    assert joint.plane[1, 3] == pytest.approx(joint.plane[1, 1], rel=1e-6)


def test_shared_errors_are_told_by_term_and_group(job):
    _, known = job
    joint = joint_posterior(0, np.array([2.0, 150.0]), *known)
    shared = {(part.term, part.group): part.shift for part in joint.shared}
    assert set(shared) == {("base", 0), ("base", 1), ("depth-scale", 0)}
    assert shared["base", 0][0] == pytest.approx([0.006, 0.006, 0.01], rel=0.1)
    assert shared["base", 0][1] == pytest.approx([0.0, 0.0, 0.0], abs=2e-3)
    assert shared["depth-scale", 0][:, 2] == pytest.approx([0.0182, 0.0318], abs=2e-3)


def test_draws_have_the_posteriors_mean_and_spread(job):
    line, known = job
    joint = joint_posterior(0, np.linspace(5.0, line.length - 5.0, 8), *known)
    drawn = draw_axes(joint, 4000, seed=3)
    assert drawn.shape == (4000, 8, 3)
    sd = np.sqrt(np.diag(joint_covariance(joint))).reshape(8, 3)
    assert np.abs(drawn.mean(axis=0) - joint.mean).max() < 5.0 * sd.max() / np.sqrt(4000)
    assert drawn.std(axis=0) == pytest.approx(sd, rel=0.06)
    assert np.array_equal(drawn, draw_axes(joint, 4000, seed=3))


def test_a_station_off_the_line_is_refused(job):
    line, known = job
    with pytest.raises(InputError, match="lie off the line"):
        joint_posterior(0, np.array([line.length + 1.0]), *known)
    with pytest.raises(InputError, match="no line 3"):
        joint_posterior(3, np.array([0.0]), *known)
