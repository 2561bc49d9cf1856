"""Grade and cover along a line."""

import numpy as np
import pytest

from asfound.alignment import assemble, cover_of, fit_lines, grade_of


def line_at_grade(scene, grade, diameter=np.nan, known=True):
    rng = np.random.default_rng(1)
    along = np.arange(0.0, 200.0, 5.0)
    centre = 98.8 + grade * along + rng.normal(0.0, 0.02, 40)
    ground = scene.ground(along, 0.0 * along, 100.0 + grade * along)
    budget = scene.budget(centre if known else np.full(40, np.nan), diameter=diameter)
    shots = scene.shots(along, 0.0 * along)
    assembly = assemble(shots, ground)
    (line,) = fit_lines(shots, ground, budget, assembly, np.zeros(40, np.int8), scene.settings)
    return line


@pytest.mark.parametrize("grade", [-0.04, 0.0, 0.015])
def test_grade_is_rise_per_metre(scene, grade):
    found = grade_of(line_at_grade(scene, grade))
    assert found == pytest.approx(np.full(len(found), grade), abs=0.006)


def test_a_line_without_heights_has_no_grade(scene):
    assert np.all(np.isnan(grade_of(line_at_grade(scene, 0.0, known=False))))


def test_cover_is_to_the_top_where_the_size_is_known(scene):
    bare, sd = cover_of(line_at_grade(scene, 0.0))
    cover, _ = cover_of(line_at_grade(scene, 0.0, diameter=0.2191))
    assert bare == pytest.approx(np.full(len(bare), 1.2), abs=0.03)
    assert cover == pytest.approx(bare - 0.2191 / 2.0, abs=1e-9)
    assert np.all((sd > 0.005) & (sd < 0.04))
