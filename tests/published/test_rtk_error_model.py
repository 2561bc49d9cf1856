"""Single-base RTK: 8 mm + 1 ppm horizontal (DRMS), 15 mm + 1 ppm vertical (RMS).

Sources: the error model is common practice among makers of survey receivers. Accuracy classes:
NGS User Guidelines for Single Base Real Time GNSS Positioning, v2.1 (2011), table of RT classes,
from memory: 95 % figures, horizontal and vertical, largest base distance and PDOP. Conversion of
RMS to 95 %: NSSDA (FGDC-STD-007.3-1998), 1.7308 RMSE_r and 1.9600 RMSE_z.
"""

import numpy as np
import pytest

from asfound.budget import error_budget, load_profile
from asfound.model import (
    Assembly,
    Fix,
    Frame,
    Ground,
    JobSettings,
    Operation,
    Receiver,
    Shots,
    Source,
)

MILE = 1609.344
# Least and largest 95 % figure [m], horizontal and vertical; largest base distance [m], PDOP.
RT_CLASSES = {
    "RT1": ((0.01, 0.02), (0.02, 0.04), 10_000.0, 2.0),
    "RT2": ((0.02, 0.04), (0.03, 0.05), 15_000.0, 3.0),
    "RT3": ((0.04, 0.06), (0.04, 0.08), 20_000.0, 4.0),
    "RT4": ((0.1, 0.2), (0.1, 0.3), np.inf, 6.0),
}


def gnss(base_distance, fix=Fix.RTK_FIXED, receivers=()):
    """DRMS and vertical RMS of the GNSS term [m] for shots that report no accuracy themselves."""
    count = len(base_distance)
    still = np.zeros(count)
    shots = Shots.build(still, still, base_distance=base_distance, fix=fix, receiver="R1")
    ground = Ground(
        *(still,) * 9, np.zeros(count, np.int16), (Operation("", "", "", 0.0, ""),), 1.0, ""
    )
    nowhere = np.full(count, -1, np.int32)
    alone = Assembly(
        nowhere,
        nowhere,
        still,
        still * np.nan,
        (),
        np.empty(0, np.int8),
        np.empty(0, np.int32),
    )
    budget = error_budget(
        shots,
        ground,
        alone,
        [Source("A", "a.csv", "", 0, count, Frame("EPSG:6318"))],
        JobSettings("", Frame("EPSG:6466"), receivers=receivers),
        load_profile(),
    )
    term = next(term for term in budget.terms if term.name == "gnss")
    return np.sqrt(term.east_east + term.north_north), np.sqrt(term.up_up)


@pytest.mark.parametrize(
    ("kilometres", "horizontal", "vertical"),
    [(0.0, 0.008, 0.015), (1.0, 0.009, 0.016), (10.0, 0.018, 0.025), (30.0, 0.038, 0.045)],
)
def test_the_error_is_the_constant_and_a_millionth_of_the_distance(
    kilometres, horizontal, vertical
):
    plan, up = gnss(np.array([1000 * kilometres]))
    assert plan[0] == pytest.approx(horizontal, abs=1e-12)
    assert up[0] == pytest.approx(vertical, abs=1e-12)


def test_another_receivers_class_goes_in_its_place():
    plan, up = gnss(np.array([10_000.0]), receivers=(Receiver("R1", 0.010, 0.020, 2.0),))
    assert plan[0] == pytest.approx(0.010 + 0.020)
    assert up[0] == pytest.approx(0.020 + 0.020)


@pytest.mark.parametrize(
    ("kilometres", "name"), [(2.5, "RT1"), (10.0, "RT2"), (14.0, "RT2"), (20.0, "RT3")]
)
def test_the_model_lands_in_the_class_that_the_guidelines_give_such_a_base(kilometres, name):
    horizontal, vertical, farthest, _ = RT_CLASSES[name]
    plan, up = gnss(np.array([1000 * kilometres]))
    assert 1000 * kilometres <= farthest
    assert horizontal[0] <= 1.7308 * plan[0] <= horizontal[1]
    assert vertical[0] <= 1.9600 * up[0] <= vertical[1] + 0.01


def test_a_float_solution_is_worse_than_any_class_of_fixed_ones():
    # "Float is decimetres" (common practice, no source).
    plan, up = gnss(np.array([5000.0]), Fix.RTK_FLOAT)
    assert 1.7308 * plan[0] > RT_CLASSES["RT4"][0][1]
    assert 0.1 < plan[0] < 1.0
    assert 0.1 < up[0] < 1.0


def test_the_limits_of_the_rules_are_those_of_the_guidelines():
    profile = load_profile()
    # A base 7 miles away is good (common practice); class RT3 ends at 20 km.
    assert profile("base-distance", "note") == pytest.approx(7 * MILE, abs=50.0)
    assert profile("base-distance", "doubt") == RT_CLASSES["RT3"][2]
    assert profile("pdop", "note") == RT_CLASSES["RT3"][3]
    assert profile("pdop", "doubt") == RT_CLASSES["RT4"][3]
