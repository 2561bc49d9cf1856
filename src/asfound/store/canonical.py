"""One way to write a JSON value: RFC 8785 (JSON Canonicalization Scheme).

    >>> canonical_json({"b": 1e21, "a": [1.0, None, "é"]})
    '{"a":[1,null,"é"],"b":1e+21}'

Two programs that hold the same value write the same bytes, so that they hash to the same.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any

from asfound.errors import InputError

# Integers beyond this are not told apart by programs that hold numbers as doubles (RFC 7493).
_LARGEST_INTEGER = 2**53 - 1


def canonical_json(value: Any) -> str:
    """A JSON value as canonical text.

    Parameters
    ----------
    value : None, bool, int, float, str, list, tuple, dict
        Keys of dicts are str.

    Raises
    ------
    InputError
        For a number that is not finite, an integer beyond 2^53 - 1, a string that is no
        Unicode text (a lone surrogate), or another type.

    Notes
    -----
    Source: RFC 8785: no white space, keys by UTF-16 code units, numbers as ECMAScript
    writes them, strings with the fewest escapes.
    """
    parts: list[str] = []
    _write(value, parts)
    return "".join(parts)


def read_json(text: str) -> Any:
    """The value of a JSON text, such that `canonical_json` writes it again as it stood.

    Raises
    ------
    InputError
        If it is no JSON, a name stands twice in an object, or it is nested too deeply.

    Notes
    -----
    An integer beyond 2^53 - 1 is read as a double, which is what wrote it.
    """
    try:
        return json.loads(
            text, parse_int=_integer, parse_constant=_refused, object_pairs_hook=_members
        )
    except (ValueError, RecursionError) as error:
        raise InputError(f"no JSON: {error}.", remedy="Send JSON (RFC 8259).") from error


def _integer(digits: str) -> int | float:
    value = float(digits)
    return int(digits) if abs(value) <= _LARGEST_INTEGER else value


def _refused(word: str) -> Any:
    raise ValueError(f"{word} is no JSON number")


def _members(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    members = dict(pairs)
    if len(members) != len(pairs):
        raise ValueError("a name stands twice in an object")
    return members


def number_text(value: float) -> str:
    """A double as ECMAScript's ``Number::toString`` writes it.

    Raises
    ------
    InputError
        If it is not finite.
    """
    if not math.isfinite(value):
        raise InputError(f"{value} is no JSON number.", remedy="Leave the value out, or null.")
    if value == 0.0:
        return "0"
    sign = "-" if value < 0 else ""
    # Python writes the fewest digits that read back to the same double, as ECMAScript does.
    mantissa, _, exponent = repr(abs(value)).partition("e")
    whole, _, fraction = mantissa.partition(".")
    fraction = "" if fraction == "0" else fraction
    point = len(whole) + int(exponent or 0)
    digits = (whole + fraction).lstrip("0")
    point -= len(whole + fraction) - len(digits)
    digits = digits.rstrip("0")
    count = len(digits)
    if count <= point <= 21:
        text = digits + "0" * (point - count)
    elif 0 < point <= 21:
        text = f"{digits[:point]}.{digits[point:]}"
    elif -6 < point <= 0:
        text = "0." + "0" * -point + digits
    else:
        power = f"e{point - 1:+d}"
        text = digits + power if count == 1 else f"{digits[0]}.{digits[1:]}{power}"
    return sign + text


def _quoted(text: str) -> str:
    try:
        text.encode()
    except UnicodeEncodeError as error:
        raise InputError(
            f"{text!r} holds half a character.", remedy="Send text as UTF-8."
        ) from error
    return json.dumps(text, ensure_ascii=False)


def _write(value: Any, parts: list[str]) -> None:
    if value is None:
        parts.append("null")
    elif isinstance(value, bool):
        parts.append("true" if value else "false")
    elif isinstance(value, str):
        parts.append(_quoted(value))
    elif isinstance(value, int):
        if abs(value) > _LARGEST_INTEGER:
            raise InputError(f"{value} is too large for a JSON number.", remedy="Send it as text.")
        parts.append(str(value))
    elif isinstance(value, float):
        parts.append(number_text(value))
    elif isinstance(value, (list, tuple)):
        for index, item in enumerate(value):
            parts.append("," if index else "[")
            _write(item, parts)
        parts.append("]" if value else "[]")
    elif isinstance(value, Mapping):
        _write_members(value, parts)
    else:
        raise InputError(f"{type(value).__name__} is no JSON value.", remedy="Send text.")


def _write_members(value: Mapping[Any, Any], parts: list[str]) -> None:
    for key in value:
        if not isinstance(key, str):
            raise InputError(f"{key!r} is no name in JSON.", remedy="Names are text.")
    quoted = {key: _quoted(key) for key in value}
    for index, key in enumerate(sorted(value, key=lambda name: name.encode("utf-16-be"))):
        parts.append("," if index else "{")
        parts.append(quoted[key])
        parts.append(":")
        _write(value[key], parts)
    parts.append("}" if value else "{}")
