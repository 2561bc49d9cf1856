"""Outside diameters of pipe that is not sized as steel.

Sources: AWWA C151 (ductile iron) and ASTM B88 (copper tube), from memory; ASTM D2513 and D1785
(PE and PVC pipe) make "IPS" sizes to the outside diameters of steel pipe, from memory.
"""

import pytest

from asfound.budget import NOMINAL_PIPE_SIZE, PIPE_KINDS, pipe_outside_diameter
from asfound.errors import InputError


@pytest.mark.parametrize(
    ("size", "millimetres"), [("DI 4", 121.9), ("DI 6", 175.3), ("DI 8", 229.9), ("DI 12", 335.3)]
)
def test_ductile_iron_is_larger_than_steel_of_the_same_name(size, millimetres):
    assert 1000 * pipe_outside_diameter(size) == pytest.approx(millimetres, abs=0.05)
    assert pipe_outside_diameter(size) > pipe_outside_diameter(size.replace("DI", "NPS"))


@pytest.mark.parametrize(("size", "inches"), [("1/2", 5 / 8), ("1", 9 / 8), ("2", 17 / 8)])
def test_copper_tube_is_an_eighth_over_its_name(size, inches):
    assert pipe_outside_diameter(f"CTS {size}") == pytest.approx(inches * 0.0254)


@pytest.mark.parametrize("size", NOMINAL_PIPE_SIZE)
def test_plastic_pipe_of_iron_pipe_size_is_as_large_as_steel(size):
    assert pipe_outside_diameter(f"IPS {size}") == pipe_outside_diameter(f"NPS {size}")


@pytest.mark.parametrize(
    ("metric", "inch"), [("DN 50", "2"), ("DN100", "4"), ("dn 150", "6"), ("DN 300", "12")]
)
def test_metric_names_are_those_of_the_same_pipe(metric, inch):
    assert pipe_outside_diameter(metric) == pipe_outside_diameter(inch)


def test_every_kind_rises_with_its_size():
    for sizes in PIPE_KINDS.values():
        assert list(sizes.values()) == sorted(sizes.values())


def test_a_size_of_another_kind_is_refused_with_the_kinds_there_are():
    with pytest.raises(InputError) as caught:
        pipe_outside_diameter("DI 1/2")
    assert "DI" in caught.value.remedy
    assert "NPS" in caught.value.remedy
