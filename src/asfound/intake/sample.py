"""The beginning of a delimited file: its encoding, separator, header and some rows as text."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import dataclass

from asfound.errors import InputError
from asfound.intake.encodings import detect_encoding
from asfound.intake.limits import ROW_BYTES, SAMPLE_BYTES, SAMPLE_ROWS
from asfound.intake.raw import Data, head, open_raw

_SEPARATORS = (",", ";", "\t", "|")
_NUMBER = re.compile(r"^[-+\u2212]?(\d+[.,]?\d*|[.,]\d+)([eE][-+]?\d+)?$")
_DATA = re.compile(
    r"\d+[-/.:]\d+[-/.:]\d+|\d+\s*[°º'\"\u2032\u2033]|^[-+]?\d+[.,]?\d*\s*[A-Za-z]{0,2}$"
)


@dataclass(frozen=True)
class Sample:
    """What a file begins with.

    Parameters
    ----------
    encoding, separator, decimal : str
    header_line : int
        0 if there is none.
    titles : tuple of str
        Column titles; empty strings without a header.
    rows : tuple of tuple of str
        Cells of the first data rows, each as many as there are columns.
    lead : tuple of str
        Lines before the header (comments and other).
    notes : tuple of str
        What was not clear.
    """

    encoding: str
    separator: str
    decimal: str
    header_line: int
    titles: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    lead: tuple[str, ...]
    notes: tuple[str, ...] = ()

    def column(self, index: int) -> list[str]:
        """Non-blank cells of a column."""
        return [row[index] for row in self.rows if row[index]]


def take_sample(data: Data, name: str) -> Sample:
    """The beginning of a file, taken apart.

    Raises
    ------
    InputError
        If the file is empty, binary, or has no rows.
    """
    beginning = head(data, SAMPLE_BYTES, where=name)
    if not beginning.strip():
        raise InputError(
            "the file is empty." if not beginning else "the file holds only blank lines.",
            where=name,
            remedy="Export it again.",
        )
    complete = len(beginning) < SAMPLE_BYTES
    encoding = detect_encoding(beginning, complete=complete, where=name)
    if encoding == "utf-8" and not complete and not _all_utf8(data, name):
        encoding = "windows-1252"
    text = beginning.decode("utf-8-sig" if encoding == "utf-8" else encoding, "replace")
    if not complete:
        cut = max(text.rfind("\n"), text.rfind("\r"))
        if cut < 0:
            raise InputError(
                f"line 1 is longer than {ROW_BYTES} bytes.",
                where=f"{name}, line 1",
                remedy="Give a text file with one row on a line.",
            )
        text = text[: cut + 1]
    text = text.replace("\r\n", "\n").replace("\r", " " if "\n" in text else "\n")
    lines = text.split("\n")
    separator = _separator(lines)
    table = _rows(text, separator)
    if not table:
        raise InputError(
            "the file holds only comment lines.", where=name, remedy="Export it again."
        )
    width = _usual([len(cells) for _, cells in table])
    header_line, titles, notes = _header(lines, table, width, separator)
    rows = [cells for line, cells in table if line > header_line and cells != titles]
    if header_line and not rows and not complete:
        raise InputError(
            f"no row could be looked at: the one on line {header_line + 1} is longer than "
            f"{ROW_BYTES} bytes.",
            where=f"{name}, line {header_line + 1}",
            remedy="Break it into the rows it should be in a copy of the file.",
        )
    if header_line and not rows:
        raise InputError(
            "the file has a header, but no rows.",
            where=f"{name}, line {header_line}",
            remedy="Nothing was logged, or the export went wrong. Export it again.",
        )
    if header_line:
        while titles and not titles[-1]:
            titles.pop()
        width = len(titles)
    else:
        titles = [""] * width
    padded = tuple(tuple((cells + [""] * width)[:width]) for cells in rows)
    return Sample(
        encoding,
        separator,
        _decimal(padded, separator),
        header_line,
        tuple(titles),
        padded,
        tuple(line for line in lines[: max(header_line - 1, 0)] if line.strip())
        if header_line
        else tuple(line for line in lines if line.startswith("#")),
        tuple(notes),
    )


def _all_utf8(data: Data, name: str) -> bool:
    import codecs

    decoder = codecs.getincrementaldecoder("utf-8")()
    with open_raw(data, where=name) as stream:
        while chunk := stream.read(SAMPLE_BYTES):
            if chunk.isascii() and not decoder.getstate()[0]:
                continue
            try:
                decoder.decode(chunk)
            except UnicodeDecodeError:
                return False
    return True


def _separator(lines: list[str]) -> str:
    content = [line for line in lines[:300] if line.strip() and not line.startswith("#")]
    content = content or [line for line in lines[:300] if line.strip()]
    best, best_score = ",", 0.0
    for separator in _SEPARATORS:
        counts = [len(next(csv.reader([line], delimiter=separator), [])) for line in content]
        usual = _usual(counts)
        if usual < 2:
            continue
        # A decimal comma looks like a separator, but not in every row and not in the header.
        share = counts.count(usual) / len(counts)
        score = share * (1 + 0.02 * usual) - (0.3 if counts[0] != usual else 0)
        if score > best_score + 1e-9:
            best, best_score = separator, score
    if best_score == 0.0:
        counts = [len(line.split()) for line in content]
        usual = _usual(counts)
        if usual >= 3 and counts.count(usual) / len(counts) > 0.7:
            return " "
    return best


def _usual(counts: list[int]) -> int:
    return max(sorted(set(counts)), key=counts.count) if counts else 0


def _rows(text: str, separator: str) -> list[tuple[int, list[str]]]:
    """Rows with the line they start on; without comments before the first other row."""
    found: list[tuple[int, list[str]]] = []
    if separator == " ":
        for number, line in enumerate(text.split("\n"), 1):
            if line.strip() and (found or not line.startswith("#")):
                found.append((number, line.split()))
            if len(found) > SAMPLE_ROWS:
                break
        return found
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
    start = 1
    try:
        for cells in reader:
            stripped = [cell.strip() for cell in cells]
            if any(stripped) and (found or not cells[0].startswith("#")):
                found.append((start, stripped))
            start = reader.line_num + 1
            if len(found) > SAMPLE_ROWS:
                break
    except csv.Error:
        pass  # the rest of the sample is not needed; reading says what is wrong with it
    return found


def _looks_like_data(cell: str) -> bool:
    return bool(_NUMBER.match(cell) or _DATA.search(cell))


def _header(
    lines: list[str], table: list[tuple[int, list[str]]], width: int, separator: str
) -> tuple[int, list[str], list[str]]:
    """Line of the header (0 for none), its titles, and what was not clear."""
    for line, cells in table[:20]:
        filled = [cell for cell in cells if cell]
        if len(cells) < max(2, width - 2) or len(filled) < max(1, len(cells) // 2):
            continue
        words = [cell for cell in filled if not _looks_like_data(cell)]
        if len(words) == len(filled) or (
            len(words) > 0.8 * len(filled)
            and len(set(filled)) == len(filled)
            and _wordier(cells, table, line)
        ):
            return line, list(cells), []
        break
    first = table[0][0]
    above = lines[first - 2].lstrip("# \t") if first > 1 else ""
    if above and lines[first - 2].startswith("#"):
        cells = (
            above.split() if separator == " " else next(csv.reader([above], delimiter=separator))
        )
        if len(cells) == width and not any(_looks_like_data(cell.strip()) for cell in cells):
            titles = [cell.strip() for cell in cells]
            mark = lines[first - 2]
            titles[0] = mark[: len(mark) - len(above)] + titles[0]
            return first - 1, titles, ["The header stands in a comment line."]
    return 0, [], ["The file has no header line."]


def _wordier(cells: list[str], table: list[tuple[int, list[str]]], line: int) -> bool:
    """Whether the rows below hold more numbers than this one."""
    own = sum(_looks_like_data(cell) for cell in cells)
    below = [sum(_looks_like_data(c) for c in row) for at, row in table[:50] if at > line]
    return bool(below) and own < 0.5 * (sum(below) / len(below))


def _decimal(rows: tuple[tuple[str, ...], ...], separator: str) -> str:
    commas = points = 0
    for row in rows[:500]:
        for cell in row:
            if re.search(r"\d,\d{3}\.\d", cell):
                points += 1
            elif re.search(
                r"^[-+\u2212]?\d+,\d+$|\d,\d+\s*[\"\u2033'\u2032]?\s*[NSEWnsew]?$", cell
            ):
                commas += 1
            elif re.search(r"^[-+\u2212]?\d*\.\d+$", cell):
                points += 1
    return "," if commas > points and (separator != "," or points == 0) else "."
