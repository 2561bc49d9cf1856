"""Return checks of a shot's spot, by its mark and with the line located anew: 5 % false alarms.

Truth is drawn: the spot as recorded errs by positioning and by locating; the old mark errs by
locating only; a second pole errs by positioning, and where the line is located anew by locating
again. What the check is told is only what a shot's budget holds.
"""

import numpy as np
import pytest

from asfound.folder import run_job
from asfound.folder.demonstration import build_demo
from asfound.model import Frame
from asfound.stakeout import (
    Measured,
    find_target,
    finding_covariance,
    return_statistics,
    spot_difference,
    to_service,
)

DRAWS = 20_000


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    folder = build_demo(tmp_path_factory.mktemp("modes") / "street", 7)
    (folder.path / "digs.toml").unlink(missing_ok=True)
    return run_job(folder.path)


@pytest.mark.parametrize("mark", [True, False])
def test_false_alarms_are_5_percent(results, mark):
    shot = 16
    target = find_target(results, results.shot_name(shot))
    given = to_service(target, results.settings, Frame("ITRF2020"), 2027.4)
    own = np.diag([0.012**2, 0.012**2, 0.022**2])
    here = Measured(
        float(given.longitude[0]), float(given.latitude[0]), float(given.height[0]), own
    )
    _, of_target, of_measured = spot_difference(results, given, here, shot=shot, mark=mark)
    finding = finding_covariance(results, shot)[:2, :2]
    positioning = given.covariance[0, :2, :2] - finding
    draw = np.random.default_rng(17)

    def errors(covariance):
        return draw.multivariate_normal(np.zeros(2), covariance, DRAWS)

    located = errors(finding)
    recorded = located + errors(positioning)
    stood_at = located if mark else errors(finding)
    measured = stood_at + errors(own[:2, :2])
    off = np.column_stack((measured - recorded, np.full(DRAWS, np.nan)))
    told = np.broadcast_to(of_target + of_measured, (DRAWS, 3, 3))
    _, _, p_value = return_statistics(off, told)
    assert abs(np.mean(p_value < 0.05) - 0.05) < 0.01
