from dataclasses import replace

import numpy as np
import pytest

from asfound.budget import run_rules
from asfound.model import ControlPoint, Severity, SweepCorrection


@pytest.fixture
def scene(survey, straight):
    scene = survey(straight(), straight((20, 9), count=1), straight((0, 4), source=1))
    scene = scene.having([21], control="CP1", depth=np.nan)
    scene.assembly.line[21] = -1
    return scene


def at(scene, row, east=0.0, north=0.0, up=0.0, name="CP1"):
    """A control point that a shot misses by so much."""
    ground = scene.ground
    point = ControlPoint(
        name,
        float(ground.easting[row] - east),
        float(ground.northing[row] - north),
        float(ground.height[row] - up),
    )
    return scene.declaring(control=(point,))


class TestFailed:
    def test_a_check_off_in_plan_is_unfit(self, scene, speaks):
        found = speaks(at(scene, 21, east=0.09), "control-failed", [21], Severity.FAIL)
        assert "CP1" in found.detail[0]
        assert "+0.090 east" in found.detail[0]
        assert found.value[0] == pytest.approx(0.09)

    def test_a_check_off_in_height_is_unfit(self, scene, speaks):
        found = speaks(at(scene, 21, up=-0.15), "control-failed", [21], Severity.FAIL)
        assert "-0.150 m" in found.detail[0]

    def test_a_check_that_closes_passes(self, scene, silent):
        silent(at(scene, 21, 0.012, -0.010, 0.02), "control-failed")

    def test_the_limit_is_that_of_chi_squared(self, scene, speaks, silent):
        # Own covariance of the check and the point's 10 mm; 13.816 is the 99.9 % point of
        # chi-squared with 2 degrees of freedom (any statistics table).
        budget = scene.budget()
        sd = np.sqrt(budget.covariance[21, 0, 0] + 0.01**2)
        limit = np.sqrt(13.816) * sd
        silent(at(scene, 21, east=0.995 * limit), "control-failed")
        found = speaks(at(scene, 21, east=1.005 * limit), "control-failed", [21], Severity.FAIL)
        assert found.limit[0] == pytest.approx(limit, rel=1e-3)

    def test_a_point_without_coordinates_is_noted(self, scene, speaks):
        scene = at(scene, 21, name="CP2")
        found = speaks(scene, "control-failed", [21], Severity.NOTE)
        assert "CP1" in found.detail[0]

    def test_names_are_compared_without_regard_to_case(self, scene, silent):
        silent(at(scene, 21, name="cp1"), "control-failed")

    def test_a_job_without_checks_says_so(self, survey, straight, not_run):
        not_run(survey(straight()), "control-failed")


class TestMissing:
    def test_an_upload_without_a_check_is_doubted(self, scene, speaks):
        speaks(at(scene, 21), "control-missing", [1])

    def test_a_check_on_a_point_that_no_one_knows_is_none(self, scene, speaks):
        speaks(scene, "control-missing", [0, 1])

    def test_an_upload_with_a_check_passes(self, scene, silent):
        scene = at(scene, 21).having([30], control="CP1")
        silent(scene, "control-missing")


class Swept:
    """A scene whose rules are told of sweeps."""

    def __init__(self, scene, corrections):
        self.scene, self.corrections = scene, corrections

    def findings(self, **profile):
        return run_rules(replace(self.scene.context(**profile), corrections=self.corrections))


class TestSweepContradicts:
    def correction(self, significant):
        return SweepCorrection(
            shot=4,
            located=0,
            shift_left=0.3,
            depth_before=1.2,
            depth=0.9,
            horizontal_sd=0.03,
            depth_sd=0.03,
            distance=0.5,
            significant=significant,
            reason="sweep S1: another conductor distorts the field here",
        )

    def test_a_sweep_that_says_otherwise_is_noted(self, scene, speaks):
        swept = Swept(scene, (self.correction(True),))
        found = speaks(swept, "sweep-contradicts", [4], Severity.NOTE)
        assert "0.90 m by sweep" in found.detail[0]
        assert "left" in found.detail[0]

    def test_a_sweep_that_agrees_passes(self, scene, silent):
        silent(Swept(scene, (self.correction(False),)), "sweep-contradicts")

    def test_a_job_without_sweeps_says_so(self, scene, not_run):
        not_run(scene, "sweep-contradicts")
