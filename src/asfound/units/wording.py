"""Sentences with lengths, said in the reader's unit.

The core speaks in metres; a crew that works in feet reads feet.

>>> from asfound.units import INTERNATIONAL_FOOT
>>> lengths_in("reads 1.20 m, allowed 0.3 to 0.6 m", INTERNATIONAL_FOOT)
'reads 3.94 ft, allowed 0.98 to 1.97 ft'
"""

from __future__ import annotations

import re

from asfound.units.lengths import METRE, LengthUnit

_NUMBER = r"[-+\u2212]?\d+(?:\.\d+)?"
_LENGTH = re.compile(
    rf"(?P<first>{_NUMBER})(?P<joint> (?:to|and|or) )?(?P<second>{_NUMBER})? m\b(?!/)"
)
_LEAST_DIGITS = 2


def lengths_in(sentence: str, unit: LengthUnit) -> str:
    """The sentence with every length in metres turned into another unit.

    Parameters
    ----------
    sentence : str
        With lengths as ``1.20 m``, ``0.3 to 0.6 m``; speeds (``m/s``) stay as they are.
    unit : LengthUnit

    Returns
    -------
    str
        As it was if the unit is the metre.
    """
    if unit == METRE:
        return sentence
    return _LENGTH.sub(lambda match: _converted(match, unit), sentence)


def _converted(match: re.Match[str], unit: LengthUnit) -> str:
    first, joint, second = match["first"], match["joint"], match["second"]
    if (joint is None) != (second is None):
        return match[0]
    said = _number(first, unit)
    if joint is not None and second is not None:
        said += joint + _number(second, unit)
    return f"{said} {unit.symbol}"


def _number(text: str, unit: LengthUnit) -> str:
    plain = text.replace("\u2212", "-")
    sign = "+" if plain.startswith("+") else ""
    decimals = len(plain.partition(".")[2])
    value = float(plain) / unit.metres
    whole = decimals == 0 and abs(float(plain)) >= 10
    return f"{value:{sign}.{0 if whole else max(decimals, _LEAST_DIGITS)}f}"
