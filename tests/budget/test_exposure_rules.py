from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest

from asfound.budget import run_rules, with_exposures
from asfound.model import Exposure, ExposureComparison, Severity


@dataclass
class Exposed:
    """A scene in which lines were exposed."""

    scene: Any
    compared: tuple[ExposureComparison, ...] = ()
    unplaced: tuple[str, ...] = ()

    def findings(self, **profile):
        context = self.scene.context(**profile)
        return run_rules(replace(context, compared=self.compared, unplaced=self.unplaced))


def comparison(line, left, up, *, sd=0.05, contradicted):
    square = (left**2 + up**2) / sd**2
    return ExposureComparison(
        exposure=Exposure("X1", "G1", 0.0, 0.0, 1.0),
        line_index=line,
        station=12.0,
        left=left,
        up=up,
        left_sd=sd,
        up_sd=sd,
        em_depth_error=up,
        distance_squared=square,
        p_value=float(np.exp(-square / 2.0)),  # chi-squared, two degrees of freedom
        contradicted=contradicted,
        words="",
    )


@pytest.fixture
def scene(survey, straight):
    return survey(straight(), straight((0, 4), source=1))


def test_a_line_that_an_exposure_contradicts_is_doubtful(scene, speaks):
    found = speaks(
        Exposed(scene, (comparison(1, 0.0, -0.30, contradicted=True),)), "exposure-contradicts", [1]
    )
    assert "0.30 m lower" in found.detail[0]
    assert found.value[0] == pytest.approx(0.30)
    # 9.21 is the 99 % point of chi-squared with 2 degrees of freedom (any statistics table)
    assert found.limit[0] == pytest.approx(np.sqrt(9.21) * 0.05, rel=1e-3)


def test_a_line_that_an_exposure_bears_out_is_not(scene, silent):
    silent(Exposed(scene, (comparison(0, 0.03, 0.02, contradicted=False),)), "exposure-contradicts")


def test_a_line_from_records_is_no_line_of_the_job(scene, silent):
    silent(Exposed(scene, (comparison(2, 3.0, 0.0, contradicted=True),)), "exposure-contradicts")


def test_an_exposure_on_no_line_is_named(scene, speaks):
    found = speaks(
        Exposed(scene, unplaced=("exposure 'X9': there is no line 'Q7'.",)),
        "exposure-unplaced",
        [0],
    )
    assert "X9" in found.detail[0]


def test_an_exposure_on_its_line_is_not_complained_of(scene, silent):
    silent(Exposed(scene, (comparison(0, 0.0, 0.0, contradicted=False),)), "exposure-unplaced")


def test_without_exposures_the_rules_say_so(scene, not_run):
    assert not_run(Exposed(scene), "exposure-contradicts") == "no exposures"
    assert not_run(Exposed(scene), "exposure-unplaced") == "no exposures"


def test_they_are_run_once_the_lines_are_known(scene):
    before = run_rules(scene.context())
    names = {card.id for card, _ in before.not_run}
    assert {"exposure-contradicts", "exposure-unplaced"} <= names
    after = with_exposures(before, (comparison(0, 0.5, 0.0, contradicted=True),), (), 2)
    assert "exposure-contradicts" not in {card.id for card, _ in after.not_run}
    assert len(after) == len(before) + 1
    (found,) = (item for item in after if item.rule.id == "exposure-contradicts")
    assert found.severity is Severity.DOUBT
    assert found.rule.remedy
    again = with_exposures(after, (comparison(0, 0.5, 0.0, contradicted=True),), (), 2)
    assert len(again) == len(after)
