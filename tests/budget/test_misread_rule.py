"""Rules about an upload whose checks look like a known mix-up."""

from dataclasses import replace

import numpy as np
import pytest

from asfound.budget import run_rules
from asfound.model import ControlPoint, MixUp, MixUpReport, Severity

WAY = "the coordinates are in ITRF2020"


@pytest.fixture
def scene(survey, straight):
    """Twenty-one shots and a check that misses by the width of a frame's difference."""
    scene = survey(straight(), straight((20, 9), count=1), straight((0, 4), source=1))
    scene = scene.having([21], control="CP1", depth=np.nan)
    scene.assembly.line[21] = -1
    ground = scene.ground
    point = ControlPoint(
        "CP1", ground.easting[21] + 1.2, ground.northing[21] - 0.6, ground.height[21] + 0.9
    )
    return scene.declaring(control=(point,))


class Told:
    """A scene whose rules are told what an upload's checks look like."""

    def __init__(self, scene, named, misclosure=1.6):
        self.scene = scene
        cause = MixUp("frame", (WAY,), 0.98 if named else 0.5, 0.02, 0.7, float("nan"))
        tag = scene.context().sources[0].tag
        words = ("",)
        self.misread = (
            MixUpReport(tag, 1, misclosure, 0.0, "frame" if named else "", (cause,), words),
        )

    def findings(self, **profile):
        return run_rules(replace(self.scene.context(**profile), misread=self.misread))


def test_all_shots_of_an_upload_with_a_named_mix_up_are_unfit(scene, speaks):
    own = np.flatnonzero((scene.shots.source == 0) & (scene.shots.control.codes < 0))
    found = speaks(Told(scene, True), "misread-upload", own, Severity.FAIL)
    assert found.detail[0] == f"its checks are 1.600 m off; probably {WAY}"


def test_a_reading_that_no_check_can_be_at_is_told_so(scene, speaks):
    own = np.flatnonzero((scene.shots.source == 0) & (scene.shots.control.codes < 0))
    found = speaks(Told(scene, True, np.inf), "misread-upload", own, Severity.FAIL)
    assert "nowhere near" in found.detail[0]


def test_checks_that_look_like_no_one_mix_up_accuse_no_upload(scene, silent):
    silent(Told(scene, False), "misread-upload")


def test_a_failed_check_names_the_probable_cause_only_where_there_is_one(scene, speaks):
    named = speaks(Told(scene, True), "control-failed", [21], Severity.FAIL)
    assert named.detail[0].endswith(f"; probably {WAY}")
    unnamed = speaks(Told(scene, False), "control-failed", [21], Severity.FAIL)
    assert "probably" not in unnamed.detail[0]


def test_a_job_without_checks_says_so(survey, straight, not_run):
    not_run(survey(straight()), "misread-upload")
