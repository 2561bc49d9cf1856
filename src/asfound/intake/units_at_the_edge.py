"""Units that columns come in, by the dimension of the quantity; inside everything is SI."""

from __future__ import annotations

import math
import re

from asfound.units import INTERNATIONAL_FOOT, US_SURVEY_FOOT

SCALES: dict[str, dict[str, float]] = {
    "length": {
        "m": 1.0,
        "cm": 0.01,
        "mm": 0.001,
        "km": 1000.0,
        "ft": INTERNATIONAL_FOOT.metres,
        "ftUS": US_SURVEY_FOOT.metres,
        "in": 0.0254,
        "mi": 1609.344,
    },
    "current": {"A": 1.0, "mA": 1e-3, "uA": 1e-6},
    "frequency": {"Hz": 1.0, "kHz": 1e3, "MHz": 1e6},
    # Degrees stay degrees for longitude and latitude; tilt and bearings become radians.
    "geographic": {
        "deg": 1.0,
        "min": 1.0 / 60.0,
        "sec": 1.0 / 3600.0,
        "rad": 180.0 / math.pi,
        "gon": 0.9,
    },
    "angle": {"deg": math.pi / 180.0, "rad": 1.0, "gon": math.pi / 200.0},
    "duration": {"s": 1.0, "ms": 1e-3, "min": 60.0},
    "speed": {
        "m/s": 1.0,
        "km/h": 1.0 / 3.6,
        "kn": 1852.0 / 3600.0,
        "mph": 0.44704,
        "ft/s": 0.3048,
    },
    "decibel": {"dB": 1.0},
    "ratio": {"": 1.0},
    "count": {"": 1.0},
    "field": {"mA": 1.0, "percent": 1.0, "dB": 1.0, "nT": 1.0},
}
"""SI (or the record's own) unit per unit, by dimension and unit code."""

_SPELLINGS: dict[str, dict[str, str]] = {
    "length": {
        "m": "m mtr metre metres meter meters",
        "cm": "cm centimetre centimetres centimeter centimeters",
        "mm": "mm millimetre millimetres millimeter millimeters",
        "km": "km kilometre kilometres kilometer kilometers",
        "ft": "ft feet foot ' ift ftint intft ft.",
        "ftUS": "ftus usft usfeet ussurveyfeet ussurveyfoot surveyfeet surveyfoot sft ussft "
        "usfoot us-ft ft-us ft_us us_ft",
        "in": 'in inch inches " in.',
        "mi": "mi mile miles",
        "ft in": "ftin feetinches feetandinches ftandin ft-in feet-inches feet/inches ft/in '\" "
        "ft&in ft+in",
    },
    "current": {
        "A": "a amp amps ampere amperes",
        "mA": "ma milliamp milliamps milliampere milliamperes",
        "uA": "ua µa μa microamp microamps",
    },
    "frequency": {"Hz": "hz hertz", "kHz": "khz kilohertz", "MHz": "mhz"},
    "geographic": {
        "deg": "deg degs degree degrees ° dd decdeg decimaldegrees decimaldegree grad",
        "min": "min mins minute minutes ′",
        "sec": "sec secs second seconds ″",
        "rad": "rad radian radians",
        "gon": "gon gons",
        "dms": "dms ddmmss ddmmss.s ddmmss.ss ddmmss.sss ddmmss.ssss dddmmss dddmmss.ssss "
        "degreesminutesseconds degminsec d°m's\" dd°mm'ss\" dd°mm'ss.s\" sexagesimal "
        "ddmmssssss dddmmssssss ddmm.mmmm ddmmmmmm dm",
    },
    "angle": {
        "deg": "deg degs degree degrees ° grad",
        "rad": "rad radian radians",
        "gon": "gon gons",
    },
    "duration": {"s": "s sec secs second seconds sek", "ms": "ms millisec", "min": "min minutes"},
    "speed": {
        "m/s": "m/s ms mps m/sec",
        "km/h": "km/h kmh kph",
        "kn": "kn knot knots kt kts",
        "mph": "mph mi/h",
        "ft/s": "ft/s fps ft/sec",
    },
    "decibel": {"dB": "db decibel"},
    "field": {
        "mA": "ma milliamp milliamps",
        "percent": "% percent pct prozent",
        "dB": "db",
        "nT": "nt nanotesla",
    },
}

WORDS: dict[str, dict[str, str]] = {
    dimension: {word: code for code, words in spellings.items() for word in words.split()}
    for dimension, spellings in _SPELLINGS.items()
}
"""Unit code by lower-case word without blanks, for each dimension."""


def unit_code(dimension: str, word: str) -> str | None:
    """Code of a unit as people write it, None if it is not one of the dimension's units."""
    known = WORDS.get(dimension, {})
    plain = re.sub(r"\s+", "", word).lower()
    if plain in known:
        return known[plain]
    if plain == "us" and dimension == "length":
        return None
    return known.get(plain.rstrip(".:"))
