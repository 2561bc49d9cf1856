"""Outside diameters of steel pipe by nominal size.

Source: ASME B36.10M, Welded and Seamless Wrought Steel Pipe. NPS 2, 4, 6, 8 and 12 in millimetres
as tabled in the trade; the inch values from memory.
"""

import pytest

from asfound.budget import NOMINAL_PIPE_SIZE, pipe_outside_diameter

MILLIMETRES = {"2": 60.3, "4": 114.3, "6": 168.3, "8": 219.1, "12": 323.8}
INCHES = {
    "1/2": 0.840,
    "3/4": 1.050,
    "1": 1.315,
    "1 1/4": 1.660,
    "1 1/2": 1.900,
    "2": 2.375,
    "2 1/2": 2.875,
    "3": 3.500,
    "4": 4.500,
    "6": 6.625,
    "8": 8.625,
    "10": 10.750,
    "12": 12.750,
    "14": 14.0,
    "16": 16.0,
    "18": 18.0,
    "20": 20.0,
    "24": 24.0,
}


@pytest.mark.parametrize(("size", "millimetres"), MILLIMETRES.items())
def test_the_tabled_millimetres(size, millimetres):
    assert pipe_outside_diameter(f"NPS {size}") == pytest.approx(millimetres / 1000, abs=1e-9)


@pytest.mark.parametrize(("size", "inches"), INCHES.items())
def test_the_inches_of_the_standard(size, inches):
    # The standard rounds its millimetres: to 0.1 mm up to NPS 16, to whole ones from NPS 18.
    rounding = 0.06 if inches < 17 else 0.5
    assert 1000 * pipe_outside_diameter(size) == pytest.approx(25.4 * inches, abs=rounding)


def test_every_size_is_checked():
    assert INCHES.keys() == NOMINAL_PIPE_SIZE.keys()


def test_from_14_inches_on_the_nominal_size_is_the_diameter():
    for size in NOMINAL_PIPE_SIZE:
        if size.isdigit() and int(size) >= 14:
            assert INCHES[size] == float(size)
        else:
            nominal = sum(
                float(part.split("/")[0]) / float((part + "/1").split("/")[1])
                for part in size.split()
            )
            assert INCHES[size] > nominal
