"""Lengths and times at the edges."""

import numpy as np
import pytest

from asfound.errors import InputError
from asfound.units import (
    INTERNATIONAL_FOOT,
    METRE,
    US_SURVEY_FOOT,
    decimal_year,
    from_decimal_year,
    length_unit,
    lengths_in,
    parse_feet_inches,
)


@pytest.mark.parametrize(
    ("text", "inches"),
    [
        ("3' 6 1/2\"", 42.5),
        ("3 ft 6 in", 42),
        ('42"', 42),
        ("3'", 36),
        ('6 1/2"', 6.5),
        ("3'-6\"", 42),
        ("1/2 in", 0.5),
        ("-2' 3\"", -27),
        ("5.5 ft", 66),
        ("3'6", 42),
        ("2\u2032 6\u2033", 30),
    ],
)
def test_feet_and_inches_read_as_a_tape_is_read(text, inches):
    assert parse_feet_inches(text) == pytest.approx(inches * 0.0254, abs=1e-12)


@pytest.mark.parametrize("text", ["", "42", "abc", "3' 1/0\"", "3 m", "'"])
def test_text_that_is_not_feet_and_inches_is_refused_with_a_remedy(text):
    with pytest.raises(InputError) as caught:
        parse_feet_inches(text)
    assert caught.value.remedy


def test_three_million_in_the_wrong_foot_is_six_feet_off():
    # Source: the definitions, NIST SP 811 appendix B; the value stands in geodetic handbooks.
    difference = 3_000_000 * (US_SURVEY_FOOT.metres - INTERNATIONAL_FOOT.metres)
    assert difference == pytest.approx(1.8288, abs=1e-4)


def test_an_unknown_unit_is_refused():
    with pytest.raises(InputError, match="furlong"):
        length_unit("furlong")


def test_decimal_years_come_back_as_times():
    times = np.array(["2024-02-29T12:00:00", "2026-11-25T05:06:07", "NaT"], "datetime64[us]")
    years = decimal_year(times)
    assert years[0] == pytest.approx(2024 + 59.5 / 366, abs=1e-12)
    back = from_decimal_year(years)
    assert np.all(np.abs(back[:2] - times[:2]) < np.timedelta64(100, "us"))
    assert np.isnat(back[2])


@pytest.mark.parametrize(
    ("sentence", "in_feet"),
    [
        ("reads 1.20 m, expected 0.98 m", "reads 3.94 ft, expected 3.22 ft"),
        ("outside 0.1 to 6 m", "outside 0.33 to 19.69 ft"),
        ("-0.300 m east", "-0.984 ft east"),
        ("+0.30 m up", "+0.98 ft up"),
        ("moved 14 m/s, 20 mA, 3 metres", "moved 14 m/s, 20 mA, 3 metres"),
        ("125 m apart.", "410 ft apart."),
    ],
)
def test_lengths_in_sentences_are_said_in_the_readers_unit(sentence, in_feet):
    assert lengths_in(sentence, INTERNATIONAL_FOOT) == in_feet
    assert lengths_in(sentence, METRE) == sentence
