"""Cells of a block of rows as Arrow columns: numbers where they are plain, else text."""

from __future__ import annotations

import re
from collections.abc import Mapping as Dictionary
from dataclasses import replace
from typing import Any

import pyarrow as pa
from pyarrow import csv

from asfound.intake.quoting import split_row
from asfound.intake.row_blocks import RowBlock
from asfound.intake.rows import RowReader

NUMBER = pa.float64()
ZONED_TIME = pa.timestamp("us", "UTC")
PLAIN_TIME = pa.timestamp("us")
TEXT = pa.string()
WORDS = pa.dictionary(pa.int32(), pa.string())

# A plain number or time may also be one of these (of `MISSING`, as they are mostly written).
_NULLS = ["", "-", "--", "n/a", "N/A", "NA", "na", "n.a.", "null", "NULL", "none", "None"]
# What a column is tried as next when a cell does not fit.
_NEXT = {ZONED_TIME: PLAIN_TIME}
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

    def parse(self, block: RowBlock, reader: RowReader) -> tuple[RowBlock, dict[int, pa.Array]]:
        """Columns of a block: float64, time, text, or dictionary-encoded text.

        Returns
        -------
        block : RowBlock
            With the rows that have as many fields as the header; others are in `bad`.
        columns : dict of int to Arrow array
        """
        columns = self._fast(block)
        if columns is None:
            checked = reader.check_fields(block)
            bad = [*block.bad, *checked.bad]
            block = replace(checked, bad=sorted(bad, key=lambda item: item.row))
            columns = self._fast(block)
        if columns is None:
            columns = self._one_by_one(block)
        return block, columns

    def _fast(self, block: RowBlock) -> dict[int, pa.Array] | None:
        """Columns by Arrow's reader; None if it does not see the same rows."""
        if not len(block.row):
            return {i: pa.array([], kind) for i, kind in self._types.items()}
        for _ in range(3 * len(self._types) + 1):
            try:
                table = self._read(block)
            except pa.ArrowInvalid as error:
                # The message counts columns of the file from 0.
                found = _COLUMN.search(str(error))
                index = int(found[1]) if found else -1
                if self._types.get(index, TEXT) == TEXT:
                    return None
                self._types[index] = _NEXT.get(self._types[index], TEXT)
                continue
            if table.num_rows != len(block.row):
                return None
            return {i: _one(table.column(str(i))) for i in self._types}
        return None

    def _read(self, block: RowBlock) -> pa.Table:
        return csv.read_csv(
            pa.BufferReader(pa.py_buffer(block.data).slice(0, block.size)),
            read_options=csv.ReadOptions(
                column_names=self._names, block_size=max(block.size, 1), use_threads=True
            ),
            parse_options=csv.ParseOptions(
                delimiter=self._separator,
                newlines_in_values=block.quoted_line_ends,
                ignore_empty_lines=True,
            ),
            convert_options=csv.ConvertOptions(
                column_types={str(i): kind for i, kind in self._types.items()},
                include_columns=[str(i) for i in self._types],
                null_values=_NULLS,
                strings_can_be_null=False,
                decimal_point=self._decimal,
            ),
        )

    def _one_by_one(self, block: RowBlock) -> dict[int, pa.Array]:
        """The careful way, for what the fast parser does not take."""
        separator = self._separator.encode()
        rows: list[list[bytes]] = []
        ends = [*block.starts[1:].tolist(), block.size]
        for start, end in zip(block.starts.tolist(), ends, strict=True):
            rows.append(split_row(block.data[start : end - 1], separator))
        columns = {}
        for i, kind in self._types.items():
            texts = [row[i].decode("utf-8", "replace") if i < len(row) else "" for row in rows]
            columns[i] = pa.array(texts, TEXT)
            if kind == WORDS:
                columns[i] = columns[i].dictionary_encode()
        return columns


def _one(column: pa.ChunkedArray) -> pa.Array:
    if column.num_chunks == 1:
        return column.chunk(0)
    combined = column.combine_chunks()
    return combined.chunk(0) if isinstance(combined, pa.ChunkedArray) else combined
