"""Quantities at the edges: lengths in metres or one of two feet, times as decimal years."""

from asfound.units.lengths import (
    INTERNATIONAL_FOOT,
    LENGTH_UNITS,
    METRE,
    US_SURVEY_FOOT,
    LengthUnit,
    length_unit,
    parse_feet_inches,
)
from asfound.units.times import decimal_year, from_decimal_year
from asfound.units.wording import lengths_in

__all__ = [
    "INTERNATIONAL_FOOT",
    "LENGTH_UNITS",
    "METRE",
    "US_SURVEY_FOOT",
    "LengthUnit",
    "decimal_year",
    "from_decimal_year",
    "length_unit",
    "lengths_in",
    "parse_feet_inches",
]
