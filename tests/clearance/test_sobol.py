"""The points of the integrals against another implementation: scipy.stats.qmc."""

import numpy as np
import pytest
from scipy.stats import norm, qmc

from asfound.clearance._sobol import SEED, normal_points


@pytest.mark.parametrize("size", [5, 32, 33, 256, 270])
@pytest.mark.parametrize("scrambling", [0, 3])
def test_points_are_those_of_scrambled_sobol(size, scrambling):
    wide = -(-size // 32) * 32
    expected = qmc.Sobol(wide, scramble=True, seed=SEED + scrambling).random(128)[:, :size]
    found = norm.cdf(normal_points(size, 128, scrambling))
    assert found == pytest.approx(expected, abs=1e-12)


def test_more_points_go_on_where_fewer_end():
    few, many = normal_points(7, 32, 1), normal_points(7, 256, 1)
    assert np.array_equal(few, many[:32])
    assert not many.flags.writeable
