"""Delimited text to shots, by its mapping."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from itertools import chain
from typing import Any

import pyarrow as pa

from asfound.errors import InputError
from asfound.intake.cell_reader import Cells
from asfound.intake.cells import NUMBER, TEXT, WORDS, ZONED_TIME, CellParser
from asfound.intake.mapping import Column, Mapping
from asfound.intake.quantities import QUANTITIES
from asfound.intake.raw import Data, open_raw, raw_size
from asfound.intake.reports import Reporter
from asfound.intake.row_blocks import RowBlock
from asfound.intake.rows import RowReader
from asfound.intake.shot_cells import TEXT_COLUMNS

_AHEAD = 2
"""Blocks that are parsed ahead."""


class DelimitedTable:
    """Delimited text as blocks of cells.

    Parameters
    ----------
    data : bytes or Path
    name : str
    mapping : Mapping
    reporter : Reporter
        Told of rows that can't be cut into columns.

    Attributes
    ----------
    expected_rows : int
        About how many rows there are, known from the first block on.
    """

    def __init__(self, data: Data, name: str, mapping: Mapping, reporter: Reporter) -> None:
        self._data, self._name = data, name
        self._mapping, self._reporter = mapping, reporter
        self._reader: RowReader | None = None
        self.expected_rows = 0
        self.located = False

    @property
    def rows(self) -> int:
        """Data rows read so far."""
        return self._reader.rows if self._reader else 0

    @property
    def comment_lines(self) -> int:
        """Comment and other lines before the header."""
        return self._reader.comment_lines + self._reader.lead_lines if self._reader else 0

    @property
    def blank_lines(self) -> int:
        return self._reader.blank_lines if self._reader else 0

    def blocks(self) -> Iterator[Cells]:
        """All rows, block by block.

        Raises
        ------
        InputError
            If the header is missing, or lacks a column of the mapping.
        """
        mapping = self._mapping
        with open_raw(self._data, where=self._name) as stream:
            reader = self._reader = RowReader(
                stream,
                mapping.encoding,
                mapping.separator,
                mapping.header_line,
                mapping.short_rows,
                self._name,
            )
            blocks = reader.blocks()
            first = next(blocks, None)
            if first is None:
                return
            index = column_numbers(mapping, reader.header, reader.width, self._name)
            types = _types(mapping, index)
            parser = CellParser(reader.width, types, mapping.separator, mapping.decimal)
            for block, arrays in _parsed_ahead(parser, reader, chain([first], blocks)):
                self._reporter.reject_bad_rows(block.bad)
                if not len(block.row):
                    continue
                self._remark_undecoded(block)
                if not self.expected_rows:
                    self._expect_rows(block)
                yield Cells({key: arrays[i] for key, i in index.items()}, block.row, block.line)

    def _expect_rows(self, block: RowBlock) -> None:
        """About how many rows there are, by the size of the first ones."""
        size = raw_size(self._data, where=self._name)
        self.expected_rows = int(1.02 * size * len(block.row) / max(block.size, 1)) + 100

    def _remark_undecoded(self, block: RowBlock) -> None:
        where = block.undecoded()
        blanks = [""] * len(where)
        self._reporter.remark(
            block.row[where],
            block.line[where],
            "encoding",
            f"the row holds bytes that are not {self._mapping.encoding} text; they are shown as "
            "\ufffd.",
            "Set the right encoding in the mapping file.",
            lambda part: blanks[part],
        )


def _parsed_ahead(
    parser: CellParser, reader: RowReader, blocks: Iterable[RowBlock]
) -> Iterator[tuple[RowBlock, dict[int, pa.Array]]]:
    """Parsed blocks in order; a second thread parses the next ones while one is looked at."""
    with ThreadPoolExecutor(1) as worker:
        waiting: deque[Future[tuple[RowBlock, dict[int, pa.Array]]]] = deque()
        for block in blocks:
            waiting.append(worker.submit(parser.parse, block, reader))
            if len(waiting) > _AHEAD:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()


def column_numbers(
    mapping: Mapping, header: list[str], width: int, name: str
) -> dict[str | int, int]:
    """Index from 0 of each column that a mapping names.

    Raises
    ------
    InputError
        If the file has no such column.
    """
    index: dict[str | int, int] = {}
    for quantity, column in mapping.columns.items():
        for key in _keys(column):
            if isinstance(key, int):
                place = key - 1 if 0 < key <= width else -1
            else:
                place = header.index(key) if key in header else -1
                if place < 0:
                    folded = [title.casefold() for title in header]
                    place = folded.index(key.casefold()) if key.casefold() in folded else -1
            if place < 0:
                shown = ", ".join(header[:30]) or f"numbers 1 to {width}"
                raise InputError(
                    f"there is no column {key!r}, which the mapping takes the {quantity} from.",
                    where=f"{name}, line {mapping.header_line}" if mapping.header_line else name,
                    remedy=f"Correct [columns.{quantity}] in the mapping file. "
                    f"The file's columns: {shown}.",
                )
            index[key] = place
    return index


def _keys(column: Column) -> list[str | int]:
    return [column.column, *(part.column for part in column.plus)]


def _types(mapping: Mapping, index: dict[str | int, int]) -> dict[int, Any]:
    """How to parse each column: as numbers where they are expected to be plain."""
    types: dict[int, Any] = {}
    for quantity, column in mapping.columns.items():
        kind = _type(quantity, column, alone="date" not in mapping.columns)
        for key in _keys(column):
            place = index[key]
            types[place] = kind if types.get(place, kind) == kind else TEXT
    return types


def _type(quantity: str, column: Column, *, alone: bool) -> Any:
    dimension = QUANTITIES[quantity].dimension
    if dimension == "time":
        if column.form in ("unix", "unix-ms"):
            return NUMBER
        return ZONED_TIME if alone and column.form in ("", "iso") else TEXT
    if dimension in ("words", "flag", "frame", "hemisphere"):
        # Free text is often all different: it is encoded once, at the end.
        return TEXT if quantity in TEXT_COLUMNS else WORDS
    if column.form == "dms" or column.unit == "ft in":
        return TEXT
    return NUMBER
