"""Longitudes and latitudes from cells, decimal or sexagesimal, with signs or letters."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from asfound.intake.numbers import Values, as_text, plain_mask, plain_numbers, read_numbers
from asfound.intake.units_at_the_edge import SCALES

Floats = npt.NDArray[np.float64]

_N = r"(?:\d+(?:[.,]\d*)?)"
# RE2 has no lookaround; a separator of some kind must stand between degrees and minutes.
_SEXAGESIMAL = (
    r"^\s*(?P<h1>[NSEWnsew]?)\s*(?P<sign>[-+\x{2212}]?)\s*"
    rf"(?P<d>{_N})"
    r"(?:(?:\s*(?:[°º˚dD:*_]|deg\.?)\s*|\s+|\s*-\s*)"
    rf"(?P<m>{_N})"
    r"(?:(?:\s*(?:['′’´`mM:]|min\.?)\s*|\s+|\s*-\s*)"
    rf"(?P<s>{_N})"
    r"\s*(?:[\"″”]|''|′′|’’|´´|sec\.?)?)?"
    r"\s*(?:['′’´]|min\.?)?)?"
    r"\s*(?:[°º˚]|deg\.?)?\s*(?P<h2>[NSEWnsew]?)\s*$"
)


def read_angles(
    cells: pa.Array,
    axis: str,
    unit: str,
    form: str,
    hemisphere: str,
    letters: pa.Array | None,
    decimal: str,
) -> Values:
    """Degrees, east and north positive.

    Parameters
    ----------
    cells : Arrow array
    axis : str
        ``'longitude'`` or ``'latitude'``.
    unit : str
        ``'deg'``, ``'rad'``, ``'gon'`` for plain numbers.
    form : str
        ``'decimal'``, ``'dms'``, ``'packed-dms'`` (dddmmss.s) or ``'packed-dm'`` (dddmm.m).
        Text with degree marks or letters is understood under each.
    hemisphere : str
        Letter that holds for all values without sign or letter, or empty.
    letters : Arrow array or None
        Column of hemisphere letters.
    decimal : str

    Returns
    -------
    Values
        `bad` also where a letter is of the other axis, contradicts a sign, or minutes or seconds
        reach 60.
    """
    if form in ("packed-dms", "packed-dm"):
        values = read_numbers(cells, "geographic", "deg", decimal)
        number, bad = _unpack(values.number, form)
        values = Values(number, values.missing, values.bad | bad, values.text)
        signs = np.zeros(len(number), np.int8)
    elif pa.types.is_floating(cells.type):
        values = read_numbers(cells, "geographic", unit or "deg", decimal)
        signs = np.zeros(len(values.number), np.int8)
    else:
        values, signs = _read_text(cells, axis, unit or "deg", decimal)
    return _with_hemisphere(values, signs, axis, hemisphere, letters)


def _unpack(packed: Floats, form: str) -> tuple[Floats, npt.NDArray[np.bool_]]:
    size = np.abs(packed)
    with np.errstate(invalid="ignore"):
        if form == "packed-dms":
            degrees = np.floor(size / 10000.0)
            minutes = np.floor((size - degrees * 10000.0) / 100.0)
            seconds = size - degrees * 10000.0 - minutes * 100.0
        else:
            degrees = np.floor(size / 100.0)
            minutes = size - degrees * 100.0
            seconds = np.zeros_like(minutes)
        bad = (minutes >= 60.0) | (seconds >= 60.0)
        value = degrees + minutes / 60.0 + seconds / 3600.0
    return np.where(bad, np.nan, np.copysign(value, packed)), bad


def _read_text(
    cells: pa.Array, axis: str, unit: str, decimal: str
) -> tuple[Values, npt.NDArray[np.int8]]:
    """Values of text cells and the sign their letter gives (0 for none)."""
    text = as_text(cells)
    count = len(text)
    number, missing = np.full(count, np.nan), np.asarray(pc.is_null(text), bool).copy()
    bad, signs = np.zeros(count, bool), np.zeros(count, np.int8)
    plain = plain_mask(text, decimal)
    scale = SCALES["geographic"][unit]
    number[plain] = plain_numbers(text.filter(pa.array(plain)), decimal) * scale
    odd = np.flatnonzero(~plain & ~missing)
    if not len(odd):
        return Values(number, missing, bad | np.isinf(number), text), signs
    parts = pc.extract_regex(text.take(pa.array(odd)), _SEXAGESIMAL)
    matched = np.asarray(pc.is_valid(parts))
    degrees, minutes, seconds = (_field(parts, name) for name in "dms")
    negative = np.isin(_strings(parts, "sign"), ("-", "\u2212"))
    with np.errstate(invalid="ignore"):
        size = degrees + np.nan_to_num(minutes) / 60.0 + np.nan_to_num(seconds) / 3600.0
        wrong = (np.nan_to_num(minutes) >= 60.0) | (np.nan_to_num(seconds) >= 60.0)
    # Only the last part may carry decimals: 39.5 16 23 is no angle.
    wrong |= (np.isfinite(minutes) & (degrees % 1 != 0)) | (
        np.isfinite(seconds) & (np.nan_to_num(minutes) % 1 != 0)
    )
    before, after = (np.char.upper(_strings(parts, name)) for name in ("h1", "h2"))
    letter = np.where(before != "", before, after)
    wrong |= (before != "") & (after != "")
    own = ("E", "W") if axis == "longitude" else ("N", "S")
    wrong |= (letter != "") & ~np.isin(letter, own)
    wrong |= (letter != "") & negative
    sign = np.where(np.isin(letter, ("S", "W")), -1, np.where(letter != "", 1, 0))
    number[odd] = np.where(matched & ~wrong, np.where(negative, -size, size), np.nan)
    signs[odd] = np.where(matched, sign, 0)
    bad[odd] = wrong & matched
    other = odd[~matched]
    if len(other):
        rest = read_numbers(text.take(pa.array(other)), "geographic", unit, decimal)
        number[other], missing[other], bad[other] = rest.number, rest.missing, rest.bad
    return Values(number, missing, bad | np.isinf(number), text), signs


def _strings(parts: pa.StructArray, name: str) -> npt.NDArray[np.str_]:
    field = pc.fill_null(pc.struct_field(parts, name), "")
    return np.asarray(field.to_numpy(zero_copy_only=False), np.str_)


def _field(parts: pa.StructArray, name: str) -> Floats:
    field = pc.struct_field(parts, name)
    field = pc.replace_substring(pc.fill_null(field, ""), ",", ".")
    field = pc.if_else(pc.equal(field, ""), pa.scalar(None, pa.string()), field)
    return np.asarray(field.cast(pa.float64()).to_numpy(zero_copy_only=False), np.float64)


def _with_hemisphere(
    values: Values,
    signs: npt.NDArray[np.int8],
    axis: str,
    hemisphere: str,
    letters: pa.Array | None,
) -> Values:
    number, bad = values.number.copy(), values.bad.copy()
    if letters is not None:
        given = as_text(letters).dictionary_encode()
        names = [str(word).strip().upper()[:1] for word in given.dictionary.to_pylist()]
        own = {"E": 1, "W": -1} if axis == "longitude" else {"N": 1, "S": -1}
        table = np.array([own.get(name, 0) for name in names] + [0], np.int8)
        column = table[np.asarray(pc.fill_null(given.indices, len(names)))]
        present = ~np.isnan(number)
        bad |= present & (column == 0)
        bad |= present & (signs != 0) & (signs != column)
        signs = np.where(signs == 0, column, signs).astype(np.int8)
    elif hemisphere:
        declared = -1 if hemisphere in ("S", "W") else 1
        bad |= (signs != 0) & (signs != declared)
        signs = np.where(signs == 0, declared, signs).astype(np.int8)
    with np.errstate(invalid="ignore"):
        # A letter says the sign; a minus beside it would say it twice, or the other way round.
        contradiction = (signs != 0) & (number < 0)
    bad |= contradiction
    number = np.where(signs < 0, -number, number)
    number[bad] = np.nan
    return Values(number, values.missing, bad, values.text)
