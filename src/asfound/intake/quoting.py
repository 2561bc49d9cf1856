"""Quotation marks in delimited text.

A quotation mark opens a quoted field only at the field's beginning, so that ``3' 6"`` is just
text; inside a quoted field it is doubled (as in RFC 4180). A quoted field may hold separators and
line ends.
"""

from __future__ import annotations

import re
from functools import lru_cache

import numpy as np
import numpy.typing as npt

Integers = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

_QUOTE, _LF, _CR = 34, 10, 13


@lru_cache(maxsize=16)
def _patterns(separator: bytes) -> tuple[re.Pattern[bytes], ...]:
    s = re.escape(separator)
    cell = rb'(?:"(?:[^"]++|"")*+" *+|(?:[^"' + s + rb"\r\n][^" + s + rb"\n]*+)?+)"
    row = re.compile(rb"(?:" + cell + s + rb")*+" + cell + rb"\r?(?=\n)")
    return (
        row,
        re.compile(rb"(" + cell + rb")(?:" + s + rb"|\r?(?=\n)|\r?\Z)"),
        re.compile(rb"(?:\A|" + s + rb")" + cell),
    )


def row_end(data: bytes, start: int, stop: int, separator: bytes) -> int:
    """Place of the line end that ends the row at a place; -1 if the row is not well-formed."""
    match = _patterns(separator)[0].match(data, start, stop)
    return match.end() if match else -1


def count_fields(row: bytes, separator: bytes) -> int:
    """Fields of one well-formed row."""
    return len(_patterns(separator)[2].findall(row))


def split_row(row: bytes, separator: bytes) -> list[bytes]:
    """Fields of one well-formed row, without their quotation marks."""
    cells = []
    position = 0
    pattern = _patterns(separator)[1]
    while True:
        match = pattern.match(row, position)
        if match is None:
            # Not well-formed after all: the rest is one field, so that nothing is lost.
            cells.append(row[position:].rstrip(b"\r\n"))
            return cells
        cells.append(_unquoted(match[1]))
        position = match.end()
        if match.end() == match.end(1) or row[match.end() - 1 : match.end()] != separator:
            return cells


def join_row(cells: list[bytes], separator: bytes) -> bytes:
    """One well-formed row of fields, with its line end."""
    return separator.join(_quoted(cell, separator) for cell in cells) + b"\n"


def _unquoted(cell: bytes) -> bytes:
    if not cell.startswith(b'"'):
        return cell.rstrip(b"\r")
    return cell.rstrip(b" ")[1:-1].replace(b'""', b'"')


def _quoted(cell: bytes, separator: bytes) -> bytes:
    if cell.startswith(b'"') or separator in cell or b"\n" in cell or b"\r" in cell:
        return b'"' + cell.replace(b'"', b'""') + b'"'
    return cell


def odd_lines(cells: npt.NDArray[np.uint8], ends: Integers, separator: int) -> Flags:
    """Lines whose quotation marks need a closer look.

    The others hold no quoted field, or only quoted fields without quotation marks and line ends
    inside.

    Parameters
    ----------
    cells : (b,) uint8
        Text that ends with a line end.
    ends : (n,) int64
        Places of its line ends.
    separator : int
    """
    quotes = np.flatnonzero(cells == _QUOTE)
    before, after = _neighbours(cells, quotes)
    opens = (before == separator) | (before == _LF)
    closes = (after == separator) | (after == _LF) | (after == _CR)
    line = np.searchsorted(ends, quotes)
    count = np.bincount(line, minlength=len(ends))
    start = np.cumsum(count) - count
    even = (np.arange(len(quotes)) - start[line]) % 2 == 0
    wrong = np.where(even, ~opens, ~closes)
    any_open = np.bincount(line, opens, len(ends)) > 0
    any_wrong = np.bincount(line, wrong, len(ends)) > 0
    odd: Flags = any_open & (any_wrong | (count % 2 == 1))
    return odd


def field_counts(cells: npt.NDArray[np.uint8], ends: Integers, separator: int) -> Integers:
    """Fields of each line, where no line is odd."""
    separators = np.flatnonzero(cells == separator)
    line = np.searchsorted(ends, separators)
    quotes = np.flatnonzero(cells == _QUOTE)
    if len(quotes):
        quote_line = np.searchsorted(ends, quotes)
        count = np.bincount(quote_line, minlength=len(ends))
        start = np.cumsum(count) - count
        # In a line that is not odd, either every second quotation mark opens a field, or none
        # does and they are just text: the first one tells.
        some = np.flatnonzero(count)
        before, _ = _neighbours(cells, quotes[start[some]])
        quoted = np.zeros(len(ends), bool)
        quoted[some] = (before == separator) | (before == _LF)
        place = np.searchsorted(quotes, separators) - start[line]
        line = line[(place % 2 == 0) | ~quoted[line]]
    return np.bincount(line, minlength=len(ends)) + 1


def _neighbours(
    cells: npt.NDArray[np.uint8], places: Integers
) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.uint8]]:
    """Bytes before and after places; a line end stands before the first byte."""
    before = cells[places - 1]
    before[places == 0] = _LF
    return before, cells[np.minimum(places + 1, len(cells) - 1)]
