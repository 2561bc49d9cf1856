"""Metres and the two feet, never "foot" alone.

>>> parse_feet_inches("3' 6 1/2\\"")
1.0795
>>> round(3_000_000 * (US_SURVEY_FOOT.metres - INTERNATIONAL_FOOT.metres), 3)
1.829
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from asfound.errors import InputError


@dataclass(frozen=True)
class LengthUnit:
    """A unit of length.

    Parameters
    ----------
    code : str
        As settings and files write it.
    word : str
        As people read it.
    metres : float
        One unit in metres.
    symbol : str
        Behind a number.
    """

    code: str
    word: str
    metres: float
    symbol: str


# Source: 1 ft = 0.3048 m exactly; 1 US survey foot = 1200/3937 m exactly (NIST SP 811, app. B).
METRE = LengthUnit("m", "metre", 1.0, "m")
INTERNATIONAL_FOOT = LengthUnit("ft", "international foot", 0.3048, "ft")
US_SURVEY_FOOT = LengthUnit("ftUS", "US survey foot", 1200.0 / 3937.0, "ftUS")
LENGTH_UNITS: dict[str, LengthUnit] = {
    unit.code: unit for unit in (METRE, INTERNATIONAL_FOOT, US_SURVEY_FOOT)
}

_FEET_INCHES = re.compile(
    r"""^\s*(?P<sign>[-+\u2212]?)\s*
    (?:(?P<feet>\d+(?:\.\d+)?)\s*(?:'|\u2032|\u2019|ft\.?|feet|foot)\s*-?\s*)?
    (?:(?P<inches>\d+(?:\.\d+)?)??(?:(?:(?<=\d)[\s-]+)?(?P<top>\d+)\s*/\s*(?P<bottom>\d+))?
    \s*(?P<mark>"|\u2033|\u201d|''|inches|inch|in\.?)?)?\s*$""",
    re.VERBOSE | re.IGNORECASE,
)


def length_unit(code: str, *, where: str = "") -> LengthUnit:
    """The unit of a code.

    Raises
    ------
    InputError
        If the code is not one of `LENGTH_UNITS`.
    """
    try:
        return LENGTH_UNITS[code]
    except KeyError:
        raise InputError(
            f"'{code}' is not a length unit.",
            where=where,
            remedy="Use m, ft (international foot) or ftUS (US survey foot).",
        ) from None


def parse_feet_inches(text: str) -> float:
    """Metres of a length in feet and inches such as ``3' 6 1/2"``, ``3 ft 6 in`` or ``42"``.

    International feet and inches (1 in = 0.0254 m), as tape measures have them; at depths and
    pole heights the two feet differ by less than a hundredth of a millimetre.

    Raises
    ------
    InputError
        If the text is not such a length.
    """
    match = _FEET_INCHES.match(text)
    feet, inches, top = (match[k] if match else None for k in ("feet", "inches", "top"))
    if match is None or (feet is None and (match["mark"] is None or not (inches or top))):
        raise InputError(
            f"'{text}' is not a length in feet and inches.",
            remedy="Write it like 3' 6 1/2\" or 3 ft 6.5 in.",
        )
    total = float(inches or 0.0)
    if top is not None:
        if float(match["bottom"]) == 0.0:
            raise InputError(f"'{text}' divides by zero.", remedy="Write it like 3' 6 1/2\".")
        total += float(top) / float(match["bottom"])
    metres = float(feet or 0.0) * INTERNATIONAL_FOOT.metres + total * 0.0254
    return -metres if match["sign"] in ("-", "\u2212") else metres
