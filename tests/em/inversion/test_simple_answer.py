"""What a receiver would have said: the worked example of DESIGN.md 4.1, its digits."""

import numpy as np
import pytest

from asfound.em import CrossSection, section_field
from asfound.em.inversion import (
    SweepReadings,
    invert_sweep,
    simple_answer,
    simple_answer_of_fit,
)
from asfound.errors import InputError


def _sweep(ratio, signed=True):
    section = CrossSection(np.array([0.0, 0.8]), np.array([1.2, 1.0]), np.array([0.1, 0.1 * ratio]))
    tape = np.linspace(-3, 3, 61)
    low, null = section_field(section, tape, 0.05)
    high, _ = section_field(section, tape, 0.45)
    value = np.concatenate([low, high, null]) * 1e9
    return SweepReadings(
        np.tile(tape, 3),
        np.repeat([0.05, 0.45, 0.05], 61),
        np.repeat([0, 0, 1], 61),
        value if signed else np.abs(value),
        "nT",
        signed=signed,
        relative_noise=1e-4,
    )


# DESIGN.md 4.1 and CHECKS.md (independent script).
EXAMPLES = {-0.35: (-0.173, -0.273, 0.954), 0.35: (0.213, 0.226, 1.360)}


@pytest.mark.parametrize("signed", [True, False])
@pytest.mark.parametrize("ratio", EXAMPLES)
def test_the_readings_say_what_the_receiver_would_have_said(ratio, signed):
    said = simple_answer(_sweep(ratio, signed))
    # Readings are 0.1 m apart and interpolated, hence half a centimetre.
    assert (said.peak, said.null, said.depth) == pytest.approx(EXAMPLES[ratio], abs=0.005)


@pytest.mark.parametrize("ratio", EXAMPLES)
def test_the_fitted_conductors_say_the_same_to_the_millimetre(ratio):
    fit = invert_sweep(_sweep(ratio))
    said = simple_answer_of_fit(fit)
    assert (said.peak, said.null, said.depth) == pytest.approx(EXAMPLES[ratio], abs=0.001)


def test_without_a_second_height_or_coil_there_is_no_depth_or_null():
    tape = np.linspace(-2, 2, 9)
    sweep = SweepReadings(tape, 0.05, np.zeros(9), 1.0 / (1 + tape**2), "percent")
    said = simple_answer(sweep)
    assert said.peak == pytest.approx(0.0, abs=1e-9)
    assert np.isnan(said.null)
    assert np.isnan(said.depth)


def test_readings_that_hold_nothing_are_refused():
    with pytest.raises(InputError, match="equal"):
        simple_answer(SweepReadings(np.arange(9.0), 0.05, np.zeros(9), np.ones(9), "percent"))
