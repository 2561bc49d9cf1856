"""The main job on the demonstration's shots, and what sweeps and wrong codes do to it."""

import numpy as np
import pytest

from asfound.demo import generate, simulate
from asfound.folder import run_job
from asfound.folder.demonstration import build_demo
from asfound.job import process
from asfound.model import Intake, Severity, Verdict


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return build_demo(tmp_path_factory.mktemp("job") / "street", 7)


@pytest.fixture(scope="module")
def results(folder):
    return run_job(folder.path)


@pytest.fixture(scope="module")
def truth():
    return generate(7).truth


def test_every_row_is_accounted_for(results):
    for account in results.intake.accounts:
        assert account.balanced
    reported = sum(account.reported for account in results.intake.accounts)
    assert reported == sum(not report.accepted for report in results.intake.reports)


def test_a_second_run_gives_the_same_numbers(folder, results):
    again = run_job(folder.path)
    assert np.array_equal(again.verdict, results.verdict)
    for one, other in zip(results.lines, again.lines, strict=True):
        assert np.array_equal(one.easting, other.easting)
        assert np.array_equal(one.covariance, other.covariance)


def test_sweeps_find_both_conductors_where_the_receiver_reads_too_deep(results, truth):
    assert len(results.sweeps) == len(truth.sweeps) >= 3
    for located, true in zip(results.sweeps, truth.sweeps, strict=True):
        assert len(located.conductors) == 2
        target = located.conductors[located.target]
        assert abs(target.depth - true.depth[0]) < 4 * target.depth_sd
        off = np.array([target.easting - true.easting[0], target.northing - true.northing[0]])
        assert off @ np.linalg.solve(target.covariance[:2, :2], off) < 20
        assert true.line in set(truth.line[results.assembly.line == located.line])
        # Same direction of current: one-conductor logic reads too deep, the dangerous way.
        if true.current[1] > 0:
            assert located.shown_depth > true.depth[0] + 0.1


def test_shots_beside_a_sweep_are_corrected_and_keep_both_values(results, truth):
    assert len(results.corrections) >= 3
    shots = results.intake.shots
    for item in results.corrections:
        row = item.shot
        assert item.depth_before == shots.depth[row]
        assert results.depth[row] == item.depth
        assert item.reason
        true_depth = truth.ground_height[row] - truth.height[row]
        assert abs(item.depth - true_depth) < abs(item.depth_before - true_depth)
        off = np.hypot(
            results.ground.easting[row] - truth.easting[row],
            results.ground.northing[row] - truth.northing[row],
        )
        assert off < 0.15
        contradicted = [
            finding
            for finding in results.findings.about("shot", row)
            if finding.rule.id == "sweep-contradicts"
        ]
        assert bool(contradicted) == item.significant


def test_doubts_that_a_sweep_settles_become_notes(results):
    for item in results.corrections:
        for finding in results.findings.about("shot", item.shot):
            if finding.rule.id == "distorted-field":
                assert finding.severity == Severity.NOTE
                assert "settled by sweep" in finding.detail


def test_a_run_of_wrong_codes_makes_no_line(results, truth):
    assert set(truth.line[results.assembly.line >= 0]) - {""} == {line.name for line in truth.lines}
    assert len(results.lines) == len(truth.lines)
    miscoded = truth.cause == "utility-code"
    assert (results.verdict[miscoded] == Verdict.UNFIT).all()


def test_a_job_of_one_two_or_three_shots_is_processed():
    shots, sources, settings, _ = simulate(7)
    for count in (1, 2, 3):
        few = shots.take(np.arange(1, count + 1))
        done = process(Intake(sources, few, (), (), ()), settings)
        assert len(done.verdict) == count
