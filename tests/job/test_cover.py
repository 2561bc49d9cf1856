"""Depths to the top of a utility, through the whole job."""

from dataclasses import replace

import numpy as np
import pytest

from asfound.demo import simulate
from asfound.job import process
from asfound.model import Intake, NominalSize, Utility

SIZES = (NominalSize(0.3, Utility.WATER), NominalSize(0.2, line="S1"))


@pytest.fixture(scope="module")
def survey():
    shots, sources, settings, _ = simulate(7)
    return shots, sources, replace(settings, sizes=SIZES)


def results_of(survey, depth_to):
    shots, sources, settings = survey
    told = tuple(replace(source, depth_to=depth_to) for source in sources)
    return process(Intake(told, shots, (), (), ()), settings)


def test_depths_to_the_top_are_brought_to_the_centre_by_half_the_diameter(survey):
    centre, top = results_of(survey, "centre"), results_of(survey, "top")
    water = (centre.intake.shots.utility == Utility.WATER) & np.isfinite(centre.intake.shots.depth)
    shift = top.intake.shots.depth - centre.intake.shots.depth
    lower = centre.budget.centre_height - top.budget.centre_height
    assert np.allclose(shift[water], 0.15)
    assert np.allclose(lower[water], 0.15)
    sewer = centre.assembly.line == centre.assembly.names.index("S1")
    assert np.allclose(lower[sewer & np.isfinite(lower)], 0.1)
    gas = centre.intake.shots.utility == Utility.GAS
    assert (lower[gas & np.isfinite(lower)] == 0.0).all()


def test_a_line_without_a_size_is_said_to_lie_deeper_than_taken(survey):
    found = [f for f in results_of(survey, "top").findings if f.rule.id == "cover-size-missing"]
    shots = survey[0]
    assert {int(shots.utility[f.index]) for f in found} >= {int(Utility.GAS)}
    assert not any(shots.utility[f.index] == Utility.WATER for f in found)
    assert "deeper by half the diameter" in found[0].detail


def test_receivers_depths_are_left_alone(survey):
    results = results_of(survey, "centre")
    assert results.intake.shots.depth is survey[0].depth
    assert not [f for f in results.findings if f.rule.id == "cover-size-missing"]
