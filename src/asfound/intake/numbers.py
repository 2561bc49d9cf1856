"""Numbers and lengths from cells: plain ones at once, the odd ones text by text.

A unit written in a cell (``1.2 m``, ``3' 6"``) goes before the unit of the column.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from asfound.errors import InputError
from asfound.intake.units_at_the_edge import SCALES, unit_code
from asfound.units import parse_feet_inches

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

MISSING = frozenset(
    [
        "-",
        "--",
        "---",
        "?",
        "n/a",
        "na",
        "n.a.",
        "none",
        "null",
        "nil",
        "nan",
        "#n/a",
        "#nv",
        "k.a.",
        "no",
        "not",
        "recorded",
        "unknown",
        ".",
    ]
) | {"not recorded", "no depth", "no data", "no reading", "not available", ""}
"""Texts, lower case, that mean that nothing was recorded."""

_NUMBER = re.compile(r"^([-+\u2212]?)\s*(\d+[.,]?\d*|[.,]\d+)(e[-+]?\d+)?\s*(.*)$", re.IGNORECASE)
_DASHED = re.compile(r"^(\d{1,3})\s*-\s*((?:\d|1[01]|0\d)(?:\.\d*)?)$")
_FEET_MARKS = re.compile(r"['\u2032\u2019\"\u2033\u201d]|\d\s*-?\s*(?:ft|feet|foot|in)\b", re.I)


@dataclass(frozen=True, eq=False)
class Values:
    """Numbers of n rows.

    Parameters
    ----------
    number : (n,) float64
        NaN where missing or unreadable.
    missing : (n,) bool
        Nothing was recorded.
    bad : (n,) bool
        Something is there that is not a finite number of this quantity.
    text : Arrow array
        The cells, for reports.
    """

    number: Floats
    missing: Flags
    bad: Flags
    text: pa.Array

    def shown(self, rows: npt.NDArray[np.integer]) -> list[str]:
        """Cells of chosen rows as text."""
        return shown(self.text, rows)


def shown(cells: pa.Array, rows: npt.NDArray[np.integer]) -> list[str]:
    """Cells of chosen rows as they stand in the file (numbers as short as they can be)."""
    picked = cells.take(pa.array(rows))
    if pa.types.is_temporal(picked.type):
        picked = picked.cast(pa.string())
    taken = picked.to_pylist()
    return ["" if v is None else (f"{v:.12g}" if isinstance(v, float) else str(v)) for v in taken]


def as_text(cells: pa.Array) -> pa.Array:
    """Cells as trimmed text, null where empty."""
    if pa.types.is_dictionary(cells.type):
        cells = cells.cast(pa.string())
    if not pa.types.is_string(cells.type):
        cells = cells.cast(pa.string())
    text = pc.utf8_trim_whitespace(cells)
    return pc.if_else(pc.equal(text, ""), pa.scalar(None, pa.string()), text)


def read_numbers(cells: pa.Array, dimension: str, unit: str, decimal: str) -> Values:
    """Values of a column in the record's unit.

    Parameters
    ----------
    cells : Arrow array
        float64 or text.
    dimension, unit : str
        Key of `SCALES` and one of its units; unit ``'ft in'`` is feet and inches as text.
    decimal : str
        ``'.'`` or ``','``.
    """
    scales = SCALES[dimension]
    if unit == "ft in":
        scale, feet_inches = float("nan"), True
    else:
        scale, feet_inches = scales[unit], False
    if pa.types.is_floating(cells.type) and not feet_inches:
        number = np.asarray(cells.to_numpy(zero_copy_only=False), np.float64)
        missing = np.isnan(number)
        if scale != 1.0:
            number = number * scale
        return Values(number, missing, np.isinf(number), cells)
    if pa.types.is_integer(cells.type) and not feet_inches:
        return read_numbers(cells.cast(pa.float64()), dimension, unit, decimal)
    text = as_text(cells)
    number = np.full(len(text), np.nan)
    rest = np.ones(len(text), bool)
    if not feet_inches:
        plain = plain_mask(text, decimal)
        number[plain] = plain_numbers(text.filter(pa.array(plain)), decimal) * scale
        rest = ~plain
    missing = np.asarray(pc.is_null(text))
    rest &= ~missing
    bad = np.zeros(len(text), bool)
    if rest.any():
        where = np.flatnonzero(rest)
        encoded = text.take(pa.array(where)).dictionary_encode()
        codes = np.asarray(encoded.indices)
        parsed = [
            odd_number(word, dimension, None if feet_inches else scale, decimal)
            for word in encoded.dictionary.to_pylist()
        ]
        values = np.array([p if isinstance(p, float) else np.nan for p in parsed])[codes]
        number[where] = values
        missing[where] = np.array([p is None for p in parsed])[codes]
        bad[where] = np.array([p is False for p in parsed])[codes]
    return Values(number, missing, bad | np.isinf(number), text)


def plain_mask(text: pa.Array, decimal: str) -> Flags:
    """Which cells are plain numbers."""
    point = r"\." if decimal == "." else ","
    pattern = rf"^[+-]?(\d+{point}?\d*|{point}\d+)([eE][+-]?\d+)?$"
    matched = pc.match_substring_regex(text, pattern)
    return np.asarray(pc.fill_null(matched, False), bool)


def plain_numbers(text: pa.Array, decimal: str) -> Floats:
    """Plain numbers of cells that are such."""
    if decimal == ",":
        text = pc.replace_substring(text, ",", ".")
    text = pc.utf8_ltrim(text, "+")
    return np.asarray(text.cast(pa.float64()).to_numpy(zero_copy_only=False), np.float64)


def odd_number(word: str, dimension: str, scale: float | None, decimal: str) -> float | bool | None:
    """Value of one cell; None for missing, False for unreadable.

    Without a scale a bare number is unreadable: it may be feet or inches.
    """
    feet_inches = scale is None
    plain = word.strip().lower()
    if plain in MISSING:
        return None
    if plain.strip("+-") in ("inf", "infinity", "\u221e"):
        return False
    if feet_inches and (dashed := _DASHED.match(plain)):
        # As a tape is called out: 3-11 is 3 ft 11 in. Elsewhere a dash may mean from - to.
        return float(dashed[1]) * 0.3048 + float(dashed[2]) * 0.0254
    if dimension == "length" and (feet_inches or _FEET_MARKS.search(word)):
        try:
            return parse_feet_inches(word.replace(",", ".") if decimal == "," else word)
        except (InputError, ValueError):
            if not feet_inches:
                return False
    match = _NUMBER.match(word.strip())
    if match is None:
        return False
    digits = match[2]
    if ("," if decimal == "." else ".") in digits:
        return False  # the other decimal mark, or a thousands mark: don't guess
    value = float(digits.replace(",", ".") + (match[3] or ""))
    if match[1] in ("-", "\u2212"):
        value = -value
    suffix = match[4].strip()
    if suffix:
        code = unit_code(dimension, suffix)
        if code is None or code not in SCALES[dimension]:
            return False
        return value * SCALES[dimension][code]
    return False if scale is None else value * scale
