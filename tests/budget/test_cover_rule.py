from dataclasses import replace

import numpy as np
import pytest

from asfound.model import NominalSize, Severity, Utility


@pytest.fixture
def scene(survey, straight):
    return survey(straight(), straight((0, 5), utility=4, depth=1.5))


@pytest.fixture
def covered(scene):
    """Both lines, with depths that their uploads say are to the top."""
    return replace(
        scene, sources=tuple(replace(source, depth_to="top") for source in scene.sources)
    )


def test_depths_to_the_top_of_lines_without_a_size_are_noted(covered, speaks):
    gas = covered.declaring(sizes=(NominalSize(0.1143, Utility.GAS),))
    water = np.flatnonzero(gas.shots.utility == Utility.WATER)
    found = speaks(gas, "cover-size-missing", water, Severity.NOTE)
    assert "deeper" in found.detail[0]


def test_lines_with_a_size_pass(covered, silent):
    sizes = (NominalSize(0.1143, Utility.GAS), NominalSize(0.3, Utility.WATER))
    silent(covered.declaring(sizes=sizes), "cover-size-missing")


def test_a_job_whose_depths_are_to_the_centre_says_so(scene, not_run):
    not_run(scene, "cover-size-missing")
