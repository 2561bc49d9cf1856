"""Are a job's own checks judged rightly? Invented jobs with a known truth, end to end.

The invented errors are of the sizes that the budget assumes, so its test must find it honest in
95 of 100 jobs, and only the upload whose frame was declared wrongly may be accused.
"""

import numpy as np
import pytest
from scipy.stats import kstest

from asfound.demo import simulate
from asfound.job import process
from asfound.model import Intake

SEEDS = range(5000, 5060)


@pytest.fixture(scope="module")
def reports():
    found = []
    for seed in SEEDS:
        shots, sources, settings, truth = simulate(seed)
        accuracy = process(Intake(sources, shots, (), (), ()), settings).accuracy
        found.append(({sources[k].tag for k, _, _ in truth.misread}, accuracy))
    return found


def sets(reports, kind):
    return [item for _, report in reports for item in report.sets if item.checks.kind == kind]


@pytest.mark.slow
def test_the_misread_upload_is_named_in_every_job_and_no_other_is(reports):
    for misread, report in reports:
        assert {item.upload for item in report.mix_ups if item.named} == misread
        assert all(item.named == "frame" for item in report.mix_ups if item.named)


@pytest.mark.slow
def test_clean_uploads_are_looked_into_in_fewer_than_1_of_100(reports):
    others = sum(len(report.mix_ups) - len(misread) for misread, report in reports)
    assert others <= 0.01 * 5 * len(reports)


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["control", "repeat"])
def test_the_variance_factors_interval_holds_1_in_about_95_of_100_jobs(reports, kind):
    tests = [item.budget for item in sets(reports, kind)]
    assert len(tests) == len(reports)
    # 60 jobs: 57 expected, standard deviation 1.7
    assert sum(test.honest for test in tests) >= 52
    assert 0.8 < np.mean([test.factor for test in tests]) < 1.2


@pytest.mark.slow
def test_counted_control_checks_lie_within_their_limits_in_95_of_100(reports):
    items = sets(reports, "control")
    inside = np.concatenate(
        [
            (np.hypot(*item.checks.difference[:, :2].T) <= item.radius)[item.counted]
            for item in items
        ]
    )
    upright = np.concatenate(
        [(np.abs(item.checks.difference[:, 2]) <= item.half_height)[item.counted] for item in items]
    )
    assert 0.92 <= inside.mean() <= 0.98
    assert 0.92 <= upright.mean() <= 0.98


@pytest.mark.slow
def test_chances_of_single_control_checks_are_evenly_spread(reports):
    # one of each job, so that shared errors don't tie them together
    chance = [item.chance[item.counted][0] for item in sets(reports, "control")]
    assert kstest(chance, "uniform").pvalue > 0.001
