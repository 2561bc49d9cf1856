"""Cells of a block of rows as Arrow columns: numbers where they are plain, else text."""

from __future__ import annotations

import re
from collections.abc import Mapping as Dictionary
from typing import Any

import pyarrow as pa
from pyarrow import csv

from asfound.intake.rows import RowBlock, split_row

NUMBER = pa.float64()
TEXT = pa.string()
WORDS = pa.dictionary(pa.int32(), pa.string())

_COLUMN = re.compile(r"column #(\d+)")


class CellParser:
    """Parses blocks of rows; remembers which columns turned out not to be plain numbers.

    Parameters
    ----------
    width : int
        Columns of the table.
    wanted : dict of int to Arrow type
        Columns to keep, from 0.
    separator, decimal : str
    """

    def __init__(
        self, width: int, wanted: Dictionary[int, Any], separator: str, decimal: str
    ) -> None:
        self._names = [str(i) for i in range(width)]
        self._types = dict(wanted)
        self._separator = "\t" if separator == " " else separator
        self._decimal = decimal

    def parse(self, block: RowBlock) -> dict[int, pa.Array]:
        """Columns of a block: float64, text, or dictionary-encoded text."""
        if not len(block.row):
            return {i: pa.array([], kind) for i, kind in self._types.items()}
        for _ in range(len(self._types) + 1):
            try:
                table = self._read(block)
            except pa.ArrowInvalid as error:
                found = _COLUMN.search(str(error))
                index = int(found[1]) if found else -1
                # The message counts columns of the file from 0.
                if self._types.get(index) == NUMBER:
                    self._types[index] = TEXT
                    continue
                break
            if table.num_rows != len(block.row):
                break
            return {i: _one(table.column(str(i))) for i in self._types}
        return self._one_by_one(block)

    def _read(self, block: RowBlock) -> pa.Table:
        return csv.read_csv(
            pa.BufferReader(block.data),
            read_options=csv.ReadOptions(
                column_names=self._names, block_size=max(len(block.data), 1), use_threads=True
            ),
            parse_options=csv.ParseOptions(
                delimiter=self._separator,
                newlines_in_values=block.quoted_line_ends,
                ignore_empty_lines=True,
            ),
            convert_options=csv.ConvertOptions(
                column_types={str(i): kind for i, kind in self._types.items()},
                include_columns=[str(i) for i in self._types],
                null_values=[""],
                strings_can_be_null=False,
                decimal_point=self._decimal,
            ),
        )

    def _one_by_one(self, block: RowBlock) -> dict[int, pa.Array]:
        """The careful way, for what the fast parser does not take."""
        separator = self._separator.encode()
        rows: list[list[bytes]] = []
        if block.quoted_line_ends:
            rows = _rows_with_line_ends(block.data, separator)
        else:
            rows = [split_row(line, separator) for line in block.data.split(b"\n") if line.strip()]
        if len(rows) != len(block.row):
            raise AssertionError("rows were lost between cutting and parsing")
        columns = {}
        for i, kind in self._types.items():
            texts = [row[i].decode("utf-8", "replace") if i < len(row) else "" for row in rows]
            columns[i] = pa.array(texts, TEXT)
            if kind == WORDS:
                columns[i] = columns[i].dictionary_encode()
        return columns


def _rows_with_line_ends(data: bytes, separator: bytes) -> list[list[bytes]]:
    from asfound.intake.rows import next_row

    rows, position = [], 0
    while position < len(data):
        end = next_row(data, position, separator)
        text = data[position:end]
        if text.strip():
            rows.append(split_row(text, separator))
        position = end + 1
    return rows


def _one(column: pa.ChunkedArray) -> pa.Array:
    if column.num_chunks == 1:
        return column.chunk(0)
    combined = column.combine_chunks()
    return combined.chunk(0) if isinstance(combined, pa.ChunkedArray) else combined
