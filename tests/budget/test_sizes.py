import numpy as np
import pytest

from asfound.budget import NOMINAL_PIPE_SIZE, outside_diameters, pipe_outside_diameter
from asfound.errors import InputError
from asfound.model import NominalSize, Utility


@pytest.mark.parametrize("written", ["NPS 4", "nps 4", "4", '4"', "4 in", " 4 "])
def test_a_nominal_size_is_read_however_it_is_written(written):
    assert pipe_outside_diameter(written) == pytest.approx(0.1143)


def test_an_unknown_size_is_refused_with_the_sizes_that_are_known():
    with pytest.raises(InputError) as caught:
        pipe_outside_diameter("5 3/4")
    assert "5 3/4" in str(caught.value)
    assert "12" in caught.value.remedy


def test_a_larger_nominal_size_is_a_larger_pipe():
    diameters = list(NOMINAL_PIPE_SIZE.values())
    assert diameters == sorted(diameters)


def test_a_size_by_line_goes_before_a_size_by_utility(survey, straight):
    scene = survey(
        straight(count=5), straight((0, 10), count=5), straight((0, 20), count=5, utility=3)
    )
    sizes = (NominalSize(0.1143, Utility.GAS), NominalSize(0.2191, line="L2"))
    diameter = outside_diameters(scene.shots, scene.assembly, sizes)
    np.testing.assert_array_equal(diameter[:5], 0.1143)
    np.testing.assert_array_equal(diameter[5:10], 0.2191)
    assert np.isnan(diameter[10:]).all()


def test_a_size_by_line_does_not_reach_a_shot_on_no_line(survey, straight):
    scene = survey(straight(count=5))
    scene.assembly.line[2] = -1
    diameter = outside_diameters(scene.shots, scene.assembly, (NominalSize(0.2, line="L1"),))
    assert np.isnan(diameter[2])
    assert (np.delete(diameter, 2) == 0.2).all()


def test_top_of_a_pipe_is_half_its_diameter_above_the_centre(survey, straight):
    scene = survey(straight(count=5)).declaring(sizes=(NominalSize(0.1143, Utility.GAS),))
    budget = scene.budget()
    top = budget.centre_height + budget.outside_diameter / 2
    np.testing.assert_allclose(top, scene.ground.height - scene.shots.depth + 0.05715, atol=1e-9)
