"""Delimited text cut into numbered rows, block by block, without reading it whole.

Works on bytes with NumPy; only rows with unusual quotation marks are looked at one by one. Whether
rows have as many fields as the header is left to `check_fields`, which is only needed where a
block can't be parsed as it is.
"""

from __future__ import annotations

import re
from bisect import bisect_left
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import BinaryIO

import numpy as np
import numpy.typing as npt

from asfound.errors import InputError
from asfound.intake.encodings import utf8_blocks
from asfound.intake.limits import BLOCK_BYTES, COLUMNS, ROW_BYTES
from asfound.intake.quoting import (
    count_fields,
    field_counts,
    join_row,
    odd_lines,
    row_end,
    split_row,
)
from asfound.intake.row_blocks import BadRow, RowBlock, put_together, shown

Integers = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

_LF, _CR = 10, 13
_TOO_LONG = (
    f"the row is longer than {ROW_BYTES} bytes.",
    "Break it into the rows it should be; the raw file keeps it.",
)


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
    _returns: bool = False
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
        """All rows, block by block; with the first block the header has been read.

        Raises
        ------
        InputError
            If there is no header line, or it can't be read.
        """
        pending, skipping = b"", False
        pieces = utf8_blocks(self.stream, self.encoding, BLOCK_BYTES, where=self.where)
        for piece, last in pieces:
            if not self._started:
                # Files of old systems end lines with CR alone.
                self._returns = b"\r" in piece and b"\n" not in piece
            if self._returns:
                piece = piece.replace(b"\r", b"\n")
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
                block, used = self._block(buffer[used:] if used else buffer, used, last)
                yield block
            pending = buffer[used:]
            if not last and len(pending) > ROW_BYTES and b"\n" not in pending:
                self._too_long(pending)
                skipping, pending = True, b""
        if not self._started and self.header_line:
            raise InputError(
                f"there is no line {self.header_line}, where the mapping has the header.",
                where=self.where,
                remedy="Correct header_line in the mapping file.",
            )
        if self._bad:
            yield self._finish(b"", 0, *np.empty((3, 0), np.int64), several=False)

    def _too_long(self, text: bytes) -> None:
        if not self._started:
            raise InputError(
                f"line {self._line} is longer than {ROW_BYTES} bytes.",
                where=f"{self.where}, line {self._line}",
                remedy="Give a text file with one row on a line.",
            )
        self.rows += 1
        self._bad.append(BadRow(self.rows, self._line, *_TOO_LONG, shown(text)))

    def _lead(self, buffer: bytes, last: bool) -> int:
        """Reads past the lines before the data; returns how much of the buffer that took."""
        if self._started:
            return 0
        if not self.header_line:
            return self._lead_without_header(buffer)
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
        end = row_end(buffer, position, min(len(buffer), position + ROW_BYTES), self._sep)
        if end < 0:
            end = buffer.find(b"\n", position)
        if end < 0:
            return position
        self._header_row = buffer[position:end].rstrip(b"\r")
        self._read_header()
        self._line += buffer.count(b"\n", position, end + 1)
        self._started = True
        return end + 1

    def _lead_without_header(self, buffer: bytes) -> int:
        self._started = True
        position = 0
        while buffer.startswith(b"#", position):
            end = buffer.find(b"\n", position) + 1
            position = end or len(buffer)
            self.comment_lines += 1
            self._line += 1
        lines = buffer[position : position + ROW_BYTES].split(b"\n")[:500]
        counts = [len(split_row(line, self._sep)) for line in lines if line.strip()]
        self.width = max(sorted(set(counts)), key=counts.count) if counts else 1
        return position

    def _read_header(self) -> None:
        cells = split_row(self._header_row, self._sep)
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

    def _block(self, data: bytes, before: int, last: bool) -> tuple[RowBlock, int]:
        """Rows of the data up to its last line end, and how far they reach.

        Parameters
        ----------
        data : bytes
        before : int
            What is added to the reach.
        last : bool
            Whether no more data follows.
        """
        cells = np.frombuffer(data, np.uint8)
        ends = np.flatnonzero(cells == _LF)
        if not len(ends):
            return self._finish(b"", 0, *np.empty((3, 0), np.int64), several=False), before
        stop = int(ends[-1]) + 1
        cells = cells[:stop]
        starts = np.empty_like(ends)
        starts[0], starts[1:] = 0, ends[:-1] + 1
        line = self._line + np.arange(len(ends))
        odd: dict[int, int] = {}
        several = False
        if b'"' in data:
            odd, first, cut = self._odd_rows(data, cells, starts, ends, last)
            if cut < len(ends):
                stop = int(starts[cut])
            self._line += cut
            row_ends = ends.copy()
            for i, end in odd.items():
                row_ends[i] = max(end, int(ends[i]))
            several = not bool(first.all())
            kept = np.flatnonzero(first)
            starts, ends, line = starts[kept], row_ends[kept], line[kept]
            if several:
                place = (np.cumsum(first) - 1).tolist()
                odd = {place[i]: end for i, end in odd.items()}
        else:
            self._line += len(ends)
        if not len(ends):
            return self._finish(b"", 0, *np.empty((3, 0), np.int64), several=False), before
        return self._number(data, stop, starts, ends, line, odd, several), before + stop

    def _odd_rows(
        self,
        data: bytes,
        cells: npt.NDArray[np.uint8],
        starts: Integers,
        ends: Integers,
        last: bool,
    ) -> tuple[dict[int, int], Flags, int]:
        """Rows with unusual quotation marks.

        Returns
        -------
        odd : dict of int to int
            Line index of each such row, and where it ends; -1 where it is not well-formed.
        first : (cut,) bool
            Lines that a row starts on.
        cut : int
            Lines before a row that may go on in the next block.
        """
        odd: dict[int, int] = {}
        first = np.ones(len(ends), bool)
        done, limit = 0, len(cells)
        places, begins = ends.tolist(), starts.tolist()
        for i in np.flatnonzero(odd_lines(cells, ends, self._sep[0])).tolist():
            if i < done:
                continue
            at = begins[i]
            end = row_end(data, at, min(limit, at + ROW_BYTES), self._sep)
            if end < 0 and not last and len(data) - at < ROW_BYTES:
                return odd, first[:i], i
            odd[i] = end
            if end > places[i]:
                done = bisect_left(places, end, i) + 1
                first[i + 1 : done] = False
        return odd, first, len(ends)

    def _number(
        self,
        data: bytes,
        size: int,
        starts: Integers,
        ends: Integers,
        line: Integers,
        odd: dict[int, int],
        several: bool,
    ) -> RowBlock:
        """Leaves out blank lines, numbers the rest, puts odd rows right or reports them."""
        cells = np.frombuffer(data, np.uint8)
        length = ends - starts
        length -= (length > 0) & (cells[ends - 1] == _CR)
        blank = self._blank(data, cells, starts, length)
        kept = ~blank
        row = self.rows + np.cumsum(kept)
        self.rows += int(kept.sum())
        self.blank_lines += int(blank.sum())
        wrong: dict[int, tuple[str, str]] = {}
        replaced: dict[int, bytes] = {}
        for i, end in odd.items():
            text = data[starts[i] : ends[i]]
            if end >= 0 and b'" ' not in text and count_fields(text, self._sep) == self.width:
                continue  # fit for the parser as it is
            found = self._mend(text, whole=end >= 0)
            if isinstance(found, bytes):
                replaced[i] = found
            else:
                wrong[i] = found
        for i in np.flatnonzero(length > ROW_BYTES).tolist():
            wrong[i] = _TOO_LONG
        for i in np.flatnonzero(length == len(self._header_row)).tolist():
            if self._header_row and data[starts[i] : ends[i]].rstrip(b"\r") == self._header_row:
                wrong[i] = (
                    "the row is the header once more.",
                    "Nothing to mend, unless the columns change here.",
                )
        for i, (reason, remedy) in sorted(wrong.items()):
            kept[i] = False
            beginning = shown(data[starts[i] : ends[i]])
            self._bad.append(BadRow(int(row[i]), int(line[i]), reason, remedy, beginning))
            replaced.pop(i, None)
        if kept.all() and not replaced:
            return self._finish(data, size, starts, row, line, several=several)
        data, starts = put_together(data, starts, ends, kept, replaced)
        return self._finish(data, len(data), starts, row[kept], line[kept], several=several)

    def _blank(
        self, data: bytes, cells: npt.NDArray[np.uint8], starts: Integers, length: Integers
    ) -> Flags:
        """Rows without content: nothing, blanks, or only separators."""
        blank: Flags = length == 0
        begins = cells[starts]
        doubtful = (begins == self._sep[0]) | (begins == 32) | (begins == 9)
        doubtful &= ~blank & (length <= 2 * self.width)
        nothing = self._sep + b" \t"
        for i in np.flatnonzero(doubtful).tolist():
            at = int(starts[i])
            blank[i] = not data[at : at + int(length[i])].strip(nothing)
        return blank

    def _mend(self, text: bytes, *, whole: bool) -> bytes | tuple[str, str]:
        """A row as the parser takes it, or what is wrong with it and what to do."""
        if not whole:
            return (
                "a quotation mark opens a field and is not closed properly.",
                "Close it, or double every quotation mark inside a quoted field.",
            )
        return self.mend_fields(split_row(text, self._sep))

    def mend_fields(self, values: list[bytes]) -> bytes | tuple[str, str]:
        """A row with as many fields as the header, or what is wrong with it and what to do."""
        fields = len(values)
        if fields > self.width and not b"".join(values[self.width :]).strip():
            values = values[: self.width]
        elif fields < self.width and self.short_rows == "fill":
            values = values + [b""] * (self.width - fields)
        if len(values) == self.width:
            return join_row(values, self._sep)
        return (
            f"the row has {fields} fields, the header has {self.width}."
            if self.header
            else f"the row has {fields} fields, others have {self.width}.",
            "Put quotation marks around fields that hold the separator."
            if fields > self.width
            else "Add what is missing; where the writer leaves out empty fields at the end of "
            'rows, set short_rows = "fill" in the mapping file.',
        )

    def check_fields(self, block: RowBlock) -> RowBlock:
        """The block with only the rows that have as many fields as the header."""
        if not len(block.row):
            return block
        cells = np.frombuffer(block.data, np.uint8)[: block.size]
        ends = np.append(block.starts[1:], len(cells)) - 1
        counts = field_counts(cells, ends, self._sep[0])
        kept = counts == self.width
        wrong, replaced = [], {}
        for i in np.flatnonzero(~kept).tolist():
            text = block.data[block.starts[i] : ends[i]]
            found = self.mend_fields(split_row(text, self._sep))
            if isinstance(found, bytes):
                replaced[i] = found
                kept[i] = True
            else:
                at = (int(block.row[i]), int(block.line[i]))
                wrong.append(BadRow(*at, *found, shown(text)))
        data, starts = put_together(block.data, block.starts, ends, kept, replaced)
        return RowBlock(
            data,
            len(data),
            starts,
            block.row[kept],
            block.line[kept],
            block.quoted_line_ends,
            wrong,
        )

    def _finish(
        self,
        data: bytes,
        size: int,
        starts: Integers,
        row: Integers,
        line: Integers,
        *,
        several: bool,
    ) -> RowBlock:
        bad, self._bad = self._bad, []
        return RowBlock(data, size, starts, row, line, several, bad)


def _one_blank(block: bytes) -> bytes:
    """Runs of blanks and tabs as one tab, none at the ends of lines."""
    block = re.sub(rb"[ \t]+", b"\t", block)
    return re.sub(rb"(?m)^\t|\t(?=\r?\n)", b"", block)
