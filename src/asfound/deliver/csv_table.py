"""CSV for spreadsheets and programs: one file a table, facts in files beside them.

UTF-8 with a byte order mark (without it common spreadsheets read accents wrongly), CRLF (RFC
4180), one header row, no comment lines. Frame, units and cautions stand in `about.txt` and, for
programs, in `csv-metadata.json` (W3C "Metadata Vocabulary for Tabular Data"), the name and place
that standard looks for by default.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator

from asfound.deliver.about import About
from asfound.deliver.columns import Cells, Column, Value, cells
from asfound.deliver.delivery import Delivery
from asfound.deliver.tables import TABLES

# Spreadsheets take a cell that starts so for a formula, also behind blanks and quotes (OWASP,
# "CSV injection"; the full-width forms are normalised to the same signs by some of them).
_FORMULA_STARTS = tuple("=+-@\t\r\n\uff1d\uff0b\uff0d\uff20")
_PADDING = " \"'\u00a0\ufeff\u200b\u3000"


def safe_cell(word: str) -> str:
    """A text cell that no spreadsheet takes for a formula.

    A leading apostrophe is the spreadsheets' own mark for "this is text". Control characters
    other than line breaks and tabs have no place in a table and become U+FFFD.
    """
    clean = "".join(c if c >= " " or c in "\t\r\n" else "\ufffd" for c in word)
    if clean.startswith(("\t", "\r", "\n")) or clean.lstrip(_PADDING).startswith(_FORMULA_STARTS):
        return "'" + clean
    return clean


def csv_files(delivery: Delivery) -> Iterator[tuple[str, bytes]]:
    """Name and bytes of each CSV file and of the two files that explain them."""
    for table in TABLES.values():
        yield f"{table.file}.csv", _csv(cells(delivery, table))
    yield "csv-metadata.json", _metadata(delivery)
    yield "about.txt", _about_text(delivery.about)


def _csv(table: Cells) -> bytes:
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\r\n")
    writer.writerow(table.fields)
    columns = [
        _column_text(column, values)
        for column, values in zip(table.table.columns, table.columns, strict=True)
    ]
    writer.writerows(zip(*columns, strict=True))
    return b"\xef\xbb\xbf" + stream.getvalue().encode("utf-8", "replace")


def _column_text(column: Column, values: list[Value]) -> list[str]:
    if column.kind == "number":
        form = f"%.{column.decimals}f"
        return ["" if value is None else form % value for value in values]
    if column.kind == "text":
        # Few distinct words in many rows: each is looked at once.
        safe = {word: "" if word is None else safe_cell(str(word)) for word in set(values)}
        return [safe[value] for value in values]
    return ["" if value is None else str(value) for value in values]


_DATATYPES = {"text": "string", "integer": "integer", "number": "decimal", "time": "dateTime"}


def _metadata(delivery: Delivery) -> bytes:
    about = delivery.about
    group = {
        "@context": ["http://www.w3.org/ns/csvw", {"@language": "en"}],
        "dc:title": about.job,
        "dc:creator": about.version,
        "dc:description": about.text(),
        "dialect": {"encoding": "utf-8", "header": True, "headerRowCount": 1},
        "tables": [
            {
                "url": f"{table.file}.csv",
                "dc:title": table.title,
                "dc:description": f"One row is {table.row}.",
                "tableSchema": {
                    "columns": [
                        {
                            "name": column.field(about),
                            "titles": column.field(about),
                            "dc:description": f"{column.title(about)}: {column.description}",
                            "datatype": _DATATYPES[column.kind],
                            "null": "",
                        }
                        for column in table.columns
                    ]
                },
            }
            for table in TABLES.values()
        ],
    }
    return (json.dumps(group, indent=2, ensure_ascii=False) + "\n").encode("utf-8", "replace")


def _about_text(about: About) -> bytes:
    lines = [about.text()]
    for table in TABLES.values():
        lines.append(f"\n{table.file}.csv: one row is {table.row}\n")
        lines += [f"  {c.field(about)}: {c.description}\n" for c in table.columns]
    return "".join(lines).replace("\n", "\r\n").encode("utf-8", "replace")
