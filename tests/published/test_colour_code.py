"""Colours of utilities.

Source: APWA Uniform Color Code (American Public Works Association), which names hues, no RGB
values: red electric; yellow gas, oil, steam, petroleum; orange communication, alarm, signal;
blue potable water; purple reclaimed water, irrigation, slurry; green sewer and drain; pink
temporary survey markings; white proposed excavation.
"""

import colorsys
from itertools import combinations

import pytest

from asfound.model import APWA_COLOURS, Utility

CODE = {
    Utility.ELECTRIC: "red",
    Utility.GAS: "yellow",
    Utility.COMMUNICATION: "orange",
    Utility.WATER: "blue",
    Utility.RECLAIMED: "purple",
    Utility.SEWER: "green",
}
# Hue angles [deg] by the colour wheel of any textbook: red 0, orange 30, yellow 60, green 120,
# blue 240, purple 270 to 300; between the names' neighbours.
WHEEL = {
    "red": (345, 375),
    "orange": (15, 40),
    "yellow": (40, 70),
    "green": (90, 165),
    "blue": (195, 250),
    "purple": (260, 310),
}


def hue_angle(rgb):
    return 360 * colorsys.rgb_to_hsv(*(part / 255 for part in rgb))[0]


@pytest.mark.parametrize(("utility", "hue"), CODE.items())
def test_each_utility_has_the_hue_of_the_code(utility, hue):
    assert APWA_COLOURS[utility].hue == hue


@pytest.mark.parametrize(("utility", "hue"), CODE.items())
def test_each_colour_is_of_the_hue_that_it_is_named_for(utility, hue):
    low, high = WHEEL[hue]
    angle = hue_angle(APWA_COLOURS[utility].rgb)
    assert low <= angle <= high or low <= angle + 360 <= high


@pytest.mark.parametrize(
    ("utility", "word"),
    [
        (Utility.ELECTRIC, "electric"),
        (Utility.GAS, "petroleum"),
        (Utility.COMMUNICATION, "signal"),
        (Utility.WATER, "potable"),
        (Utility.RECLAIMED, "irrigation"),
        (Utility.SEWER, "drain"),
    ],
)
def test_each_group_says_what_it_covers(utility, word):
    assert word in APWA_COLOURS[utility].covers


def test_every_utility_has_a_colour_and_no_two_the_same():
    assert set(APWA_COLOURS) == set(Utility)
    for one, other in combinations(APWA_COLOURS.values(), 2):
        assert one.hue != other.hue
        apart = sum((a - b) ** 2 for a, b in zip(one.rgb, other.rgb, strict=True)) ** 0.5
        assert apart > 50, (one.hue, other.hue)


def test_what_is_not_known_takes_no_colour_of_the_code():
    red, green, blue = APWA_COLOURS[Utility.UNKNOWN].rgb
    assert red == green == blue
    assert APWA_COLOURS[Utility.UNKNOWN].hue not in {*CODE.values(), "pink", "white"}
