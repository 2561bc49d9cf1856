"""Delimited text to shots, by its mapping."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from asfound.errors import InputError
from asfound.intake.cell_reader import Cells
from asfound.intake.cells import NUMBER, TEXT, WORDS, CellParser
from asfound.intake.mapping import Column, Mapping
from asfound.intake.quantities import QUANTITIES
from asfound.intake.raw import Data, open_raw
from asfound.intake.reports import Reporter
from asfound.intake.rows import RowBlock, RowReader


class DelimitedTable:
    """Delimited text as blocks of cells.

    Parameters
    ----------
    data : bytes or Path
    name : str
    mapping : Mapping
    reporter : Reporter
        Told of rows that can't be cut into columns.
    """

    def __init__(self, data: Data, name: str, mapping: Mapping, reporter: Reporter) -> None:
        self._data, self._name = data, name
        self._mapping, self._reporter = mapping, reporter
        self._reader: RowReader | None = None

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
            parser: CellParser | None = None
            index: dict[str | int, int] = {}
            for block in reader.blocks():
                self._reporter.reject_bad_rows(block.bad)
                if parser is None:
                    index = column_numbers(mapping, reader.header, reader.width, self._name)
                    wanted = _types(mapping, index)
                    parser = CellParser(reader.width, wanted, mapping.separator, mapping.decimal)
                if not len(block.row):
                    continue
                arrays = parser.parse(block)
                if len(block.undecoded):
                    self._remark_undecoded(block)
                yield Cells({key: arrays[i] for key, i in index.items()}, block.row, block.line)

    def _remark_undecoded(self, block: RowBlock) -> None:
        blanks = [""] * len(block.undecoded)
        self._reporter.remark(
            block.row[block.undecoded],
            block.line[block.undecoded],
            "encoding",
            f"the row holds bytes that are not {self._mapping.encoding} text; they are shown as "
            "\ufffd.",
            "Set the right encoding in the mapping file.",
            lambda part: blanks[part],
        )


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
        kind = _type(quantity, column)
        for key in _keys(column):
            place = index[key]
            types[place] = kind if types.get(place, kind) == kind else TEXT
    return types


def _type(quantity: str, column: Column) -> Any:
    dimension = QUANTITIES[quantity].dimension
    if dimension in ("words", "flag", "frame", "hemisphere"):
        return WORDS
    if dimension == "time":
        return NUMBER if column.form in ("unix", "unix-ms") else TEXT
    if column.form in ("dms", "feet-inches") or column.unit == "ft in":
        return TEXT
    return NUMBER
