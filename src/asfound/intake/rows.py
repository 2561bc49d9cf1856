"""Delimited text cut into rows: which lines, how many fields, and what is wrong with the rest.

Works on blocks of bytes with NumPy; only rows with doubled quotation marks, quoted line ends or
the wrong number of fields are looked at one by one. A quotation mark opens a quoted field only at
the field's beginning, so that ``3' 6"`` is just text.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from typing import BinaryIO

import numpy as np
import numpy.typing as npt

from asfound.errors import InputError
from asfound.intake.encodings import REPLACEMENT, utf8_blocks
from asfound.intake.limits import BLOCK_BYTES, COLUMNS, ROW_BYTES

Integers = npt.NDArray[np.int64]

_QUOTE, _LF, _CR = 34, 10, 13
_SHOWN = 60


@dataclass(frozen=True)
class BadRow:
    """A row that can't be cut into the header's columns."""

    row: int
    line: int
    reason: str
    remedy: str
    text: str


@dataclass(frozen=True, eq=False)
class RowBlock:
    """Rows of a block that have the right number of fields, ready to be parsed.

    Parameters
    ----------
    data : bytes
        UTF-8, one row after the other, each with `width` fields.
    row, line : (n,) int64
        Number of each data row and the physical line it starts on.
    quoted_line_ends : bool
        Whether a field holds a line end.
    bad : list of BadRow
    undecoded : (k,) int64
        Indices of rows that hold bytes that are not text in the declared encoding.
    """

    data: bytes
    row: Integers
    line: Integers
    quoted_line_ends: bool
    bad: list[BadRow]
    undecoded: Integers


@lru_cache(maxsize=16)
def _patterns(separator: bytes) -> tuple[re.Pattern[bytes], re.Pattern[bytes]]:
    s = re.escape(separator)
    cell = rb'(?:"(?:[^"]++|"")*+" *+|(?:[^"' + s + rb"\r\n][^" + s + rb"\n]*+)?+)"
    row = re.compile(rb"(?:" + cell + s + rb")*+" + cell + rb"\r?(?=\n)")
    return row, re.compile(rb"(" + cell + rb")(?:" + s + rb"|\r?(?=\n)|\r?\Z)")


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


def _unquoted(cell: bytes) -> bytes:
    if not cell.startswith(b'"'):
        return cell.rstrip(b"\r")
    return cell.rstrip(b" ")[1:-1].replace(b'""', b'"')


def _quoted(cell: bytes, separator: bytes) -> bytes:
    if cell.startswith(b'"') or separator in cell or b"\n" in cell or b"\r" in cell:
        return b'"' + cell.replace(b'"', b'""') + b'"'
    return cell


def shown(text: bytes) -> str:
    """The beginning of a row, for a report."""
    words = text[: 4 * _SHOWN].decode("utf-8", "replace").strip()
    return words[:_SHOWN] + ("..." if len(words) > _SHOWN else "")


@dataclass
class RowReader:
    """Reads delimited text row by row, in blocks.

    Parameters
    ----------
    stream : binary file
    encoding, separator : str
    header_line : int
        Physical line of the header, from 1; 0 for none.
    short_rows : str
        ``'report'`` or ``'fill'``.
    where : str
        The file's name, for errors.

    Attributes
    ----------
    header : list of str
        Column names; empty without a header.
    width : int
        Fields a row must have.
    rows, blank_lines, comment_lines, lead_lines : int
        Counts so far: data rows; lines without content; comment lines and other lines before the
        header.
    """

    stream: BinaryIO
    encoding: str
    separator: str
    header_line: int
    short_rows: str = "report"
    where: str = ""
    header: list[str] = field(default_factory=list)
    width: int = 0
    rows: int = 0
    blank_lines: int = 0
    comment_lines: int = 0
    lead_lines: int = 0
    _line: int = 1
    _header_row: bytes = b""
    _started: bool = False
    _bad: list[BadRow] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._blanks = self.separator == " "
        self._sep = b"\t" if self._blanks else self.separator.encode()
        if len(self._sep) != 1 or self._sep in b'"\r\n':
            raise InputError(
                f"the separator {self.separator!r} can't be used.",
                where=self.where,
                remedy="Use a comma, semicolon, tab, vertical bar or blank.",
            )

    def blocks(self) -> Iterator[RowBlock]:
        """All rows, block by block; the first block has the header read.

        Raises
        ------
        InputError
            If there is no header line, or it can't be read.
        """
        pending, skipping = b"", False
        pieces = utf8_blocks(self.stream, self.encoding, BLOCK_BYTES, where=self.where)
        for piece, last in pieces:
            buffer = pending + piece
            if skipping:
                end = buffer.find(b"\n") + 1
                if not end and not last:
                    pending = b""
                    continue
                buffer = buffer[end:] if end else b""
                self._line += 1
                skipping = False
            if last and buffer and not buffer.endswith(b"\n"):
                buffer += b"\n"
            if self._blanks:
                buffer = _one_blank(buffer)
            used = self._lead(buffer, last)
            if self._started:
                cut = buffer.rfind(b"\n") + 1
                block, used = self._block(buffer, used, cut, last)
                yield block
            pending = buffer[used:]
            if not last and len(pending) > ROW_BYTES and b"\n" not in pending:
                self._too_long(pending, self._line)
                skipping, pending = True, b""
        if not self._started and self.header_line:
            raise InputError(
                f"there is no line {self.header_line}, where the mapping has the header.",
                where=self.where,
                remedy="Correct header_line in the mapping file.",
            )
        if self._bad:
            yield self._finish(b"", [], [], False, np.empty(0, np.int64))

    def _too_long(self, text: bytes, line: int) -> None:
        if not self._started:
            raise InputError(
                f"line {line} is longer than {ROW_BYTES} bytes, before any header.",
                where=f"{self.where}, line {line}",
                remedy="Give a text file with one row on a line.",
            )
        self.rows += 1
        self._bad.append(
            BadRow(
                self.rows,
                line,
                f"the row is longer than {ROW_BYTES} bytes.",
                "Break it into the rows it should be; the raw file keeps it.",
                shown(text),
            )
        )

    def _lead(self, buffer: bytes, last: bool) -> int:
        """Reads past the lines before the data; returns how much of the buffer that took."""
        if self._started:
            return 0
        if not self.header_line:
            self._started = True
            position = 0
            while buffer.startswith(b"#", position):
                end = buffer.find(b"\n", position) + 1
                position = end or len(buffer)
                self.comment_lines += 1
                self._line += 1
            self.width = self._usual_width(buffer, position)
            return position
        position = 0
        while self._line < self.header_line:
            end = buffer.find(b"\n", position)
            if end < 0:
                return position
            content = buffer[position:end].strip()
            if content.startswith(b"#"):
                self.comment_lines += 1
            elif content:
                self.lead_lines += 1
            else:
                self.blank_lines += 1
            position = end + 1
            self._line += 1
        match = _patterns(self._sep)[0].match(buffer, position, position + ROW_BYTES)
        end = match.end() + 1 if match else buffer.find(b"\n", position) + 1
        if not end:
            return position
        cells = split_row(buffer[position : end - 1], self._sep)
        self.header = [cell.decode("utf-8", "replace").strip() for cell in cells]
        while self.header and not self.header[-1]:
            self.header.pop()
        self.width = len(self.header)
        if not 0 < self.width <= COLUMNS:
            raise InputError(
                f"the header has {len(cells)} columns, none with a name."
                if not self.width
                else f"the header has {self.width} columns; at most {COLUMNS} are read.",
                where=f"{self.where}, line {self._line}",
                remedy="Correct header_line or separator in the mapping file.",
            )
        self._line += buffer.count(b"\n", position, end)
        self._header_row = buffer[position : end - 1].rstrip(b"\r")
        self._started = True
        return end

    def _usual_width(self, buffer: bytes, position: int) -> int:
        lines = buffer[position : position + ROW_BYTES].split(b"\n")[:500]
        counts = [len(split_row(line, self._sep)) for line in lines if line.strip()]
        return max(set(counts), key=counts.count) if counts else 1

    def _block(self, data: bytes, begin: int, end: int, last: bool) -> tuple[RowBlock, int]:
        """Rows between two places of the data; returns them and how far they reach."""
        if end <= begin:
            return self._finish(b"", [], [], False, np.empty(0, np.int64)), begin
        cells = np.frombuffer(data, np.uint8)[begin:end]
        ends = np.flatnonzero(cells == _LF)
        starts = np.concatenate([[0], ends[:-1] + 1])
        separators = np.flatnonzero(cells == self._sep[0])
        line = self._line + np.arange(len(ends))
        first = np.ones(len(ends), bool)
        fields = np.diff(np.searchsorted(separators, np.append(starts, ends[-1] + 1))) + 1
        broken = np.zeros(len(ends), bool)
        row_ends = ends.copy()
        several = False
        if b'"' in data:
            quotes = np.flatnonzero(cells == _QUOTE)
            odd = _odd_lines(cells, quotes, ends, self._sep[0])
            fields -= _quoted_separators(quotes, separators, ends, odd)
            row_pattern = _patterns(self._sep)[0]
            done = 0
            for i in np.flatnonzero(odd).tolist():
                if i < done:
                    continue
                at = begin + int(starts[i])
                match = row_pattern.match(data, at, min(end, at + ROW_BYTES))
                if match is None:
                    if not last and end - at < ROW_BYTES:
                        # The row may go on in the next block: start again from here.
                        row_ends, starts, line = row_ends[:i], starts[:i], line[:i]
                        first, fields, broken = first[:i], fields[:i], broken[:i]
                        end = at
                        break
                    broken[i] = True
                    continue
                stop = int(np.searchsorted(ends, match.end() - begin))
                first[i + 1 : stop + 1] = False
                fields[i] = len(split_row(match[0], self._sep))
                row_ends[i] = match.end() - begin
                several = several or stop > i
                done = stop + 1
        self._line += len(row_ends)
        return self._sort(
            data[begin:end] if begin or end < len(data) else data,
            starts[first],
            row_ends[first],
            line[first],
            fields[first],
            broken[first],
            several,
        ), end

    def _sort(
        self,
        data: bytes,
        starts: Integers,
        ends: Integers,
        line: Integers,
        fields: Integers,
        broken: npt.NDArray[np.bool_],
        several: bool,
    ) -> RowBlock:
        """Good rows, rows that can be put right without loss, bad rows, blank lines."""
        cells = np.frombuffer(data, np.uint8)
        length = ends - starts
        if len(ends) and b"\r" in data:
            length = length - ((length > 0) & (cells[np.maximum(ends - 1, 0)] == _CR))
        blank = (length == fields - 1) & ~broken
        space = np.zeros(len(ends), bool)
        if len(ends):
            space = (length > 0) & np.isin(cells[starts], (32, 9))
        for i in np.flatnonzero(space & (fields == 1)).tolist():
            blank[i] = not data[starts[i] : ends[i]].strip()
        self.blank_lines += int(blank.sum())
        row = self.rows + np.cumsum(~blank)
        self.rows += int((~blank).sum())
        broken |= self._repeats_header(data, starts)
        good = ~blank & ~broken & (fields == self.width) & (length <= ROW_BYTES)
        mended: dict[int, bytes] = {}
        for i in np.flatnonzero(~blank & ~good).tolist():
            text = data[starts[i] : ends[i]]
            fault = self._fault(text, int(fields[i]), bool(broken[i]))
            if isinstance(fault, bytes):
                mended[i] = fault
            else:
                reason, remedy = fault
                self._bad.append(BadRow(int(row[i]), int(line[i]), reason, remedy, shown(text)))
        if good.all():
            chunk, kept = data, good
        else:
            kept = good.copy()
            kept[list(mended)] = True
            chunk = _put_together(data, starts, ends, good, mended)
        undecoded = np.empty(0, np.int64)
        if REPLACEMENT in data:
            places = np.array([m.start() for m in re.finditer(REPLACEMENT, data)])
            undecoded = np.unique(np.searchsorted(starts, places, side="right") - 1)
            order = np.cumsum(kept) - 1
            undecoded = order[undecoded[kept[undecoded]]]
        return self._finish(chunk, row[kept], line[kept], several, undecoded)

    def _repeats_header(self, data: bytes, starts: Integers) -> npt.NDArray[np.bool_]:
        """Rows that are the header once more, as in files put together from several."""
        found = np.zeros(len(starts), bool)
        if self._header_row and self._header_row in data:
            pattern = re.compile(rb"(?m)^" + re.escape(self._header_row) + rb"\r?$")
            places = [match.start() for match in pattern.finditer(data)]
            found |= np.isin(starts, places)
        return found

    def _fault(self, text: bytes, fields: int, broken: bool) -> bytes | tuple[str, str]:
        """The row put right, or what is wrong with it and what to do."""
        if len(text) > ROW_BYTES:
            return (
                f"the row is longer than {ROW_BYTES} bytes.",
                "Break it into the rows it should be; the raw file keeps it.",
            )
        if text.rstrip(b"\r") == self._header_row and self._header_row:
            return (
                "the row is the header once more.",
                "Nothing to mend, unless the columns change here.",
            )
        if broken:
            return (
                "a quotation mark opens a field and is not closed properly.",
                "Close it, or double every quotation mark inside a quoted field.",
            )
        values = split_row(text, self._sep)
        if fields > self.width and not b"".join(values[self.width :]).strip():
            return self._sep.join(_quoted(v, self._sep) for v in values[: self.width]) + b"\n"
        if fields < self.width and self.short_rows == "fill":
            values += [b""] * (self.width - fields)
            return self._sep.join(_quoted(v, self._sep) for v in values) + b"\n"
        more = fields > self.width
        return (
            f"the row has {fields} fields, the header has {self.width}.",
            "Put quotation marks around fields that hold the separator."
            if more
            else "Add what is missing; where the writer leaves out empty fields at the end of "
            'rows, set short_rows = "fill" in the mapping file.',
        )

    def _finish(
        self,
        data: bytes,
        row: Integers | list[int],
        line: Integers | list[int],
        several: bool,
        undecoded: Integers,
    ) -> RowBlock:
        bad, self._bad = self._bad, []
        return RowBlock(
            data, np.asarray(row, np.int64), np.asarray(line, np.int64), several, bad, undecoded
        )


def _one_blank(block: bytes) -> bytes:
    """Runs of blanks and tabs as one tab, none at the ends of lines."""
    block = re.sub(rb"[ \t]+", b"\t", block)
    return re.sub(rb"(?m)^\t|\t(?=\r?\n)", b"", block)


def _odd_lines(
    cells: npt.NDArray[np.uint8], quotes: Integers, ends: Integers, separator: int
) -> npt.NDArray[np.bool_]:
    """Lines whose quotation marks need a closer look.

    The others hold no quoted field, or only quoted fields without quotation marks inside.
    """
    before = cells[quotes - 1]
    before[quotes == 0] = _LF
    after = cells[np.minimum(quotes + 1, len(cells) - 1)]
    opens = (before == separator) | (before == _LF)
    closes = (after == separator) | (after == _LF) | (after == _CR)
    line = np.searchsorted(ends, quotes)
    count = np.bincount(line, minlength=len(ends))
    start = np.concatenate([[0], np.cumsum(count)[:-1]])
    even = (np.arange(len(quotes)) - start[line]) % 2 == 0
    wrong = np.where(even, ~opens, ~closes)
    any_open = np.bincount(line, opens, len(ends)) > 0
    any_wrong = np.bincount(line, wrong, len(ends)) > 0
    odd: npt.NDArray[np.bool_] = any_open & (any_wrong | (count % 2 == 1))
    return odd


def _quoted_separators(
    quotes: Integers, separators: Integers, ends: Integers, odd: npt.NDArray[np.bool_]
) -> Integers:
    """How many separators stand inside quoted fields, for each line with plain quoted fields."""
    quote_line = np.searchsorted(ends, quotes)
    count = np.bincount(quote_line, minlength=len(ends))
    start = np.concatenate([[0], np.cumsum(count)[:-1]])
    line = np.searchsorted(ends, separators)
    before = np.searchsorted(quotes, separators) - start[line]
    # In a line without a quoted field, a quotation mark is just text.
    plain = _unopened(quotes, separators, ends, count, start)
    inside = (before % 2 == 1) & ~odd[line] & ~plain[line]
    return np.bincount(line[inside], minlength=len(ends))


def _unopened(
    quotes: Integers, separators: Integers, ends: Integers, count: Integers, start: Integers
) -> npt.NDArray[np.bool_]:
    """Lines in which no quotation mark stands at the beginning of a field.

    Where a line is not odd, either all its even quotation marks open a field or none does, so the
    first one tells.
    """
    plain = np.ones(len(ends), bool)
    some = np.flatnonzero(count)
    first = quotes[start[some]]
    at_start = np.isin(first - 1, separators) | np.isin(first - 1, ends) | (first == 0)
    plain[some] = ~at_start
    return plain


def _put_together(
    data: bytes,
    starts: Integers,
    ends: Integers,
    good: npt.NDArray[np.bool_],
    mended: dict[int, bytes],
) -> bytes:
    """Good and mended rows in order."""
    pieces: list[tuple[int, bytes]] = list(mended.items())
    edges = np.flatnonzero(np.diff(np.concatenate([[False], good, [False]]).astype(np.int8)))
    view = memoryview(data)
    for first, after in edges.reshape(-1, 2).tolist():
        pieces.append((first, bytes(view[starts[first] : ends[after - 1] + 1])))
    pieces.sort()
    return b"".join(piece for _, piece in pieces)


def next_row(data: bytes, position: int, separator: bytes) -> int:
    """Where the row that starts at a position ends: the place of its line end."""
    match = _patterns(separator)[0].match(data, position)
    end = match.end() if match else data.find(b"\n", position)
    return end if end >= 0 else len(data)
